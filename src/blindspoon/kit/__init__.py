"""A trial that was tasted -> everything that a reader needs to repeat it."""

from blindspoon.kit.kit import kit_files

__all__ = ["kit_files"]
