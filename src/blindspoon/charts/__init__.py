"""Findings -> scenes -> SVG and PNG; each chart has its finding as its title."""
