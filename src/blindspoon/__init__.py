"""Blind side-by-side tastings of home-made food, from the plan to an honest writeup.

``import blindspoon as bs`` gives the functions below; each takes a trial folder. They are loaded
when they are first used.
"""

from typing import TYPE_CHECKING

from blindspoon.version import __version__ as __version__

if TYPE_CHECKING:
    from blindspoon.api import (
        Compared,
        NoResult,
        Pooled,
        TrialFolder,
        blind,
        check,
        compare,
        lift,
        pool,
        publish,
        read,
        report,
        size,
    )
    from blindspoon.errors import TrialError

__all__ = [
    "Compared",
    "NoResult",
    "Pooled",
    "TrialError",
    "TrialFolder",
    "blind",
    "check",
    "compare",
    "lift",
    "pool",
    "publish",
    "read",
    "report",
    "size",
]


if not TYPE_CHECKING:  # else every name would be known, mistyped ones too

    def __getattr__(name: str) -> object:
        """Load a public name on first use (PEP 562)."""
        if name not in __all__:
            raise AttributeError(f"module 'blindspoon' has no attribute {name!r}")
        from importlib import import_module  # noqa: PLC0415

        home = "blindspoon.errors" if name == "TrialError" else "blindspoon.api"
        return getattr(import_module(home), name)


def __dir__() -> list[str]:
    """List the public names beside those of every module."""
    return sorted([*globals(), *__all__])
