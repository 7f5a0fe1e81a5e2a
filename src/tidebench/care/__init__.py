"""What people decide at the bed, with the published criteria laid beside the numbers of a case."""
