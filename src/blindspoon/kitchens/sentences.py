"""What several kitchens found together, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from blindspoon import wording
from blindspoon.compare.results import Interval, MixedContrast, NoResult
from blindspoon.kitchens.results import Kitchen
from blindspoon.trial import Attribute
from blindspoon.verdict import PROCEDURES, Kind

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
    if kind == "alike":
        limit, level = wording.margin(attribute), wording.percent(1 - 2 * alpha)
        reach = wording.span(found.equivalence_interval, attribute)
        return (
            f"{LIKE_THESE}, {subject} was within {limit} of the control on {about}, so alike for "
            f"our purpose ({level} interval {reach})."
        )
    reach = f"{wording.percent(1 - alpha)} interval {wording.span(found.interval, attribute)}"
    if kind == "open":
        return (
            f"{subject} is not settled on {about}: in kitchens like these the difference could be "
            f"anything from {_reach(found.interval, attribute)}."
        )
    small = f", shown to be less than {wording.margin(attribute)}" if kind == "slight" else ""
    return (
        f"{LIKE_THESE}, {subject} {wording.comparative(found.difference, attribute)} the control, "
        f"by about {wording.points(found.difference, attribute, found.interval)} ({reach}){small}."
    )


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


def _reach(interval: Interval, attribute: Attribute) -> str:
    """Say how far a difference that is not settled could reach either way."""
    ends = (interval.low, interval.high)
    digits = wording.telling_digits(ends, [0.0], wording.digits_for(attribute.scale))
    low, high = (wording.number(abs(end), digits) for end in ends)
    if interval.low >= 0:
        return f"{low} to {high} more"
    if interval.high <= 0:
        return f"{high} to {low} less"
    return f"{low} less to {high} more"
