"""The score page: what tasters and the host fill in. No statistics, and no variant's name."""
