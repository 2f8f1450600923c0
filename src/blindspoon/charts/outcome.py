"""What the charts of one attribute are drawn from, and their finding in words: the title."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray
from blindspoon.charts.chart import source_of
from blindspoon.findings.compare import Scored
from blindspoon.findings.comparison import (
    AttributeResult,
    Comparison,
    Kind,
    Naming,
    NotCompared,
    Other,
)
from blindspoon.findings.verdict import ALL, clauses, in_a_word, otherwise
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Attribute, Trial, Variant
from blindspoon.wording import capital

if TYPE_CHECKING:
    from blindspoon.findings.verdict import Told

MOST_NAMES = 3  # variants that the title of a board names; more are counted
LONGEST = 110  # characters of a title, while fewer names can make it shorter


def differences_title(outcome: AttributeOutcome) -> str:
    """State what was found on one attribute, by name, without a full stop.

    "The calcium and cool-cellar jars were crisper than plain brine": the differences where there
    are any, for its rows tell the rest. Of many variants, or long names, the first are named and
    the others counted.
    """
    shown = [comparison for comparison in outcome.result.comparisons if comparison.direction]
    return finding_of(outcome.result, shown or outcome.result.comparisons, outcome.names)


def finding_of(result: AttributeResult, compared: Sequence[Comparison], names: Naming) -> str:
    """State what was found of some of the comparisons of one attribute, without a full stop."""
    label = result.attribute.label.lower()
    if not compared:
        return f"Nothing could be compared on {label}"
    if len(compared) > 1 and all(comparison.verdict == "open" for comparison in compared):
        return to_whom(result, f"nothing is settled on {label}")
    return to_whom(result, title_of(compared, names))


def title_of(told: Sequence[Told], names: Naming) -> str:
    """Name what was found on one attribute in as many words as a title can have."""
    ways = [(first, most) for first in (ALL, 3, 2, 1) for most in (ALL, 3, 2, 1)]
    title = ""
    for first, most in ways:
        title = "; ".join(clauses(told, names, sizes=False, most=most, first=first))
        if len(title) <= LONGEST:
            break
    return title


def to_whom(result: AttributeResult, clause: str) -> str:
    """Say of one person alone that it is about them; otherwise only begin with a capital."""
    return f"To this taster, {clause}" if result.unit == "round" else capital(clause)


def scores_title(outcome: AttributeOutcome) -> str:
    """State between which means the scores of one attribute lay."""
    label, digits = outcome.attribute.label.lower(), wording.digits_for(outcome.attribute.scale)
    if not (scored := outcome.scored):
        return f"Nothing was scored on {label}"
    ends = [min(scored, key=scored.__getitem__), max(scored, key=scored.__getitem__)]
    low, high = (wording.number(scored[place], digits) for place in ends)
    if low == high:
        return f"On average, {label} scored {low} throughout"
    first, last = (outcome.names.short(outcome.variants[place]) for place in ends)
    return f"On average, {label} ran from {low} for {first} to {high} for {last}"


def board_title(outcomes: Sequence[AttributeOutcome]) -> str:
    """Name the variants that differed on any attribute, and those that came close on all."""
    names = outcomes[0].names
    kinds: dict[Variant, set[Kind | None]] = {}
    for outcome in outcomes:
        for other in outcome.result.others:
            kinds.setdefault(other.variant, set()).add(other.verdict)
    shown = [variant for variant, found in kinds.items() if found & {"different", "slight"}]
    alike = [variant for variant, found in kinds.items() if found == {"alike"}]
    said = []
    for variants, predicate in (
        (shown, f"differed from {names.like} in some way"),
        (alike, f"came within the margin of {'it' if shown else names.like} in all"),
    ):
        if variants:
            named, rest = variants[:MOST_NAMES], len(variants[MOST_NAMES:])
            said.append(f"{names.subject(named, rest)} {predicate}")
    return to_whom(outcomes[0].result, "; ".join(said) or "nothing is settled on any attribute")


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeOutcome:
    """One attribute, as the tasters scored it and as it was judged.

    `control` is its place in `variants`. `means`, shape (n_tasters, n_variants), are each taster's
    over replicates, in points; NaN where nothing was scored. Of one person alone, a row is a round.
    `source` stands under the figures that are files of their own.
    """

    variants: tuple[Variant, ...]
    control: int
    means: FloatArray
    result: AttributeResult
    names: Naming
    source: str

    @property
    def attribute(self) -> Attribute:
        return self.result.attribute

    @property
    def differences(self) -> FloatArray:
        """Each taster's means minus their mean of the control, shape (n_tasters, n_variants)."""
        return self.means - self.means[:, [self.control]]

    @property
    def others(self) -> tuple[int, ...]:
        """Positions of all variants but the control."""
        return tuple(place for place in range(len(self.variants)) if place != self.control)

    def other(self, place: int) -> Other:
        """Look up what was found of a variant that is not the control."""
        return self.result.others[place - (place > self.control)]

    def word(self, place: int) -> str:
        """Say what was judged of a variant: "crisper"."""
        other = self.other(place)
        if isinstance(other, NotCompared):
            return "not compared"
        return in_a_word(other.verdict, self.attribute, up=other.direction > 0)

    def other_word(self, place: int) -> str:
        """Say what the second procedure would judge, where it is something else, in brackets."""
        said = otherwise(self.other(place))
        return f"({said})" if said else ""

    @property
    def scored(self) -> dict[int, float]:
        """Plain means of the scores, in points, of the variants that anybody scored."""
        found = {
            place: float(column[np.isfinite(column)].mean())
            for place, column in enumerate(self.means.T)
            if np.isfinite(column).any()
        }
        for place in self.others:
            if isinstance(other := self.other(place), Comparison):
                found |= {place: other.mean_variant, self.control: other.mean_control}
        return found


def outcome_of(
    trial: Trial, table: ScoreTable, result: AttributeResult, names: Naming
) -> AttributeOutcome:
    """Gather what the charts of one attribute need."""
    days = sorted(session.date for session in trial.sessions if session.date)
    when = trial.dates or " to ".join(dict.fromkeys(map(wording.day, (*days[:1], *days[-1:]))))
    return AttributeOutcome(
        variants=trial.variants,
        control=trial.control_index,
        means=Scored(trial, table, trial.attributes.index(result.attribute)).means,
        result=result,
        names=names,
        source=source_of(trial, when),
    )
