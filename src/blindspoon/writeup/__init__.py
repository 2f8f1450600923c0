"""Findings -> finished strings and charts -> one page that needs nothing else."""
