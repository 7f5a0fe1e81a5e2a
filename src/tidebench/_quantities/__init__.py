"""The records of :mod:`tidebench.quantities`, by subject."""
