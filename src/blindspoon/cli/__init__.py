"""The verbs. Nothing else prints, and nothing else catches `TrialError`."""

from blindspoon.cli.main import commands, main

__all__ = ["commands", "main"]
