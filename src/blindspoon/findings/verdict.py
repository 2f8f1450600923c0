"""Comparisons and the declared rule -> verdicts, and what each of them leans on; without words."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, NamedTuple

from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.rule import kind_of
from blindspoon.stats.assumptions import ONE_SITTING, Flag
from blindspoon.stats.mixed import enough_to_be_alike, enough_to_differ
from blindspoon.stats.results import (
    Contrast,
    MixedContrast,
    MixedFit,
    NoResult,
    SittingsWay,
    Unanimous,
)

Days = SittingsWay | Literal["held"]
"""What a verdict over several sittings speaks about; "held": also of every one by itself."""
Movement = Literal["", "aged", "moved", "single"]
"""Whether the variant was older from sitting to sitting, or its difference was shown to move, or it
is not alike for one that a "single" sitting might have had."""
Trust = Literal["safer", "less safe", "powerless"]
"""What a flag says of the second procedure; it is powerless where it could not call anything
different, and the first is not safe."""


class Enough(NamedTuple):
    """How many tasters who agree would show a difference, or that it is alike; None: no number.

    Not `sure` where other variants might change it.
    """

    to_differ: int | None
    to_be_alike: int | None = None
    sure: bool = True


def decide(result: AttributeResult, comparison: Comparison) -> Comparison:
    """Apply the rule to what both procedures found."""
    verdict, by_other = (
        None if isinstance(contrast, NoResult) else result.kind_of(contrast)
        for contrast in comparison.contrasts
    )
    return replace(comparison, verdict=verdict or "open", verdict_by_other=by_other)


def days_of(result: AttributeResult, judged: Comparison) -> Days:
    if result.sittings == ONE_SITTING or result.unit == "round" or judged.verdict == "open":
        return ""
    way: SittingsWay = "each"
    if judged.by == "mixed" and isinstance(result.mixed, MixedFit):
        way = result.mixed.note.sittings
    alike = judged.verdict == "alike" and not isinstance(result.sittings, NoResult)
    return "held" if way == "each" and alike else way


def movement_of(result: AttributeResult, found: Contrast) -> Movement:
    sittings, margin = result.sittings, result.attribute.margin
    if found.variant in result.aged:
        return "aged"
    if isinstance(sittings, NoResult):
        return ""
    if sittings.moved_of(found.variant):
        return "moved"
    held = kind_of(found, margin=margin, alpha=result.alpha) == result.kind_of(found)
    return "" if held else "single"


def flag_of(result: AttributeResult, comparison: Comparison, control: str) -> Flag | None:
    """Find a flag of this variant or the control; spreads come first.

    Another variant that spreads wide makes the pooled scatter too large for this comparison: the
    mixed model is then the more cautious one, and tells nothing.
    """
    own = (comparison.variant.name, control)
    return next((flag for flag in result.flags if flag.variant in own), None)


def trust_of(comparison: Comparison, alpha: float) -> Trust:
    """Tell which of two procedures that disagree is the safer one where something is flagged."""
    if isinstance(comparison.ranks, NoResult) or comparison.by == "ranks":
        return "less safe"
    return "powerless" if comparison.ranks.smallest_p > alpha else "safer"


def enough_of(judged: Comparison, alpha: float) -> Enough | None:
    """Count who would settle what all agree on and are too few for; None where that is not so.

    By ranks all agree in direction where the p value of the variant alone is the smallest there is.
    """
    found, margin, enough = judged.found, judged.attribute.margin, enough_to_differ(alpha)
    if judged.verdict != "open" or isinstance(found, MixedContrast | None):
        return None
    if isinstance(found, Unanimous):
        alike = enough_to_be_alike(found, margin) if margin else None
        return Enough(enough if found.difference else None, alike)
    n, p = found.tasters, found.p_value * (1 - 1e-9)
    if found.rounds or not 1 < n < enough or p > 2.0 ** (1 - n):
        return None
    return Enough(enough, sure=found.p_adjusted * (1 - 1e-9) <= found.p_value)
