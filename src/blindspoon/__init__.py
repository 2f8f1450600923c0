"""Blind side-by-side tastings of home-made food, from the plan to an honest writeup.

``import blindspoon as bs`` gives the functions below, each of which takes a trial folder, and the
types of what they return. They are loaded when they are first used.
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
    from blindspoon.examine import Examination
    from blindspoon.findings.comparison import Comparison
    from blindspoon.lifting import Lifting
    from blindspoon.packing.pack import Published
    from blindspoon.serving.plan import ServingPlan
    from blindspoon.simulate.size_results import Sizing

__all__ = [
    "Compared",
    "Comparison",
    "Examination",
    "Lifting",
    "NoResult",
    "Pooled",
    "Published",
    "ServingPlan",
    "Sizing",
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

_ELSEWHERE = {
    "Comparison": "findings.comparison",
    "Examination": "examine",
    "Lifting": "lifting",
    "Published": "packing.pack",
    "ServingPlan": "serving.plan",
    "Sizing": "simulate.size_results",
    "TrialError": "errors",
}
"""Homes of the names that are not in `api`."""

if not TYPE_CHECKING:  # else every name would be known, mistyped ones too

    def __getattr__(name: str) -> object:
        """Load a public name on first use (PEP 562)."""
        if name not in __all__:
            raise AttributeError(f"module 'blindspoon' has no attribute {name!r}")
        from importlib import import_module  # noqa: PLC0415

        return getattr(import_module(f"blindspoon.{_ELSEWHERE.get(name, 'api')}"), name)


def __dir__() -> list[str]:
    """List the public names beside those of every module."""
    return sorted([*globals(), *__all__])
