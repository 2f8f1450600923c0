"""The tables of a trial -> a Data Package: what was scored, the plan, the key, a dictionary.

Data Package 2.0, the open standard of the Frictionless Data working group. The folder is a trial
folder too: ``blindspoon compare`` reads it.
"""

from blindspoon.package.package import data_package

__all__ = ["data_package"]
