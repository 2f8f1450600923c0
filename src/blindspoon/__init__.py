"""Blind side-by-side tastings of home-made food, from the plan to an honest writeup."""

__version__ = "0.1.0"
