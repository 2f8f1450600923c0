"""Bytes of a trial folder <-> values; nothing else opens files."""
