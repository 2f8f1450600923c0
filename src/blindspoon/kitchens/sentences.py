"""What several kitchens found together, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from blindspoon import wording
from blindspoon.compare.results import MixedContrast, NoResult
from blindspoon.kitchens.results import Kitchen
from blindspoon.trial import Attribute
from blindspoon.verdict import PROCEDURES, Kind, reach, reduced, sentence

LIKE_THESE = "In kitchens like these"


def because(
    kind: Kind,
    label: str,
    attribute: Attribute,
    found: MixedContrast | NoResult,
    alpha: float,
) -> str:
    """Say what is known of one variant in kitchens like these.

    Parameters
    ----------
    kind : {"different", "slight", "alike", "open"}
    label : str
        Of the variant.
    attribute : Attribute
    found : MixedContrast or NoResult
        The pooled difference.
    alpha : float
        At which it was decided.

    Returns
    -------
    str
        One sentence; a second gives the reason where there is no result.
    """
    subject, about = f"“{label}”", attribute.label.lower()
    if isinstance(found, NoResult):
        return f"{subject} is not settled on {about}. {found.reason}"
    if kind == "open":
        return (
            f"{subject} is not settled on {about}: in kitchens like these the difference could be "
            f"anything from {reach(found.interval, attribute)}."
        )
    said = sentence(kind, f"{LIKE_THESE}, {subject}", attribute, reduced(found), alpha)
    return f"{said}."


def claims(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Say what the pooled differences are about, and which procedure pools."""
    number, rule = len(kitchens), kitchens[0].trial.decision
    about = (
        f"Pooled differences are about kitchens like these {wording.spelled(number)}: their "
        "intervals allow for kitchens that disagree. “These kitchens only” does not reach beyond "
        "them, and no verdict stands on it."
    )
    few = (
        "Two kitchens say little about how much kitchens disagree, so pooled intervals are wide."
        if number == 2
        else ""
    )
    ranks = (
        f"{kitchens[0].name} declared that {PROCEDURES['ranks']} decides; kitchens are pooled by "
        f"{PROCEDURES['mixed']} only, which decides here."
        if rule.by == "ranks"
        else ""
    )
    return tuple(filter(None, (about, few, ranks)))
