"""Virtual patients without end, for measuring how well findings are found: drawn, simulated, reviewed, scored."""
