"""All tables of a folder -> one table of scores; the blind is lifted here, in one function."""
