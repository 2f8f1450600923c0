"""What the charts of one attribute are drawn from: its scores, and what was judged of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.charts.chart import source_of
from blindspoon.findings.compare import Scored
from blindspoon.findings.comparison import AttributeResult, Comparison, NotCompared, Other
from blindspoon.findings.naming import Naming
from blindspoon.findings.verdict import in_a_word, otherwise
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Attribute, Trial, Variant


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeOutcome:
    """One attribute, as the tasters scored it and as it was judged.

    Parameters
    ----------
    variants : tuple of Variant
        In the order of the trial.
    control : int
        Position of the control in `variants`.
    means : float array, shape (n_tasters, n_variants)
        Each taster's mean over replicates, in points; NaN where nothing was scored. Of one
        person alone, a row is a round.
    names : Naming
        What the variants are called.
    source : str
        Where the data come from; stands under the figures that are files of their own.
    """

    variants: tuple[Variant, ...]
    control: int
    means: FloatArray
    result: AttributeResult
    names: Naming
    source: str

    @property
    def attribute(self) -> Attribute:
        """What was scored."""
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
    days = [session.date.isoformat() for session in trial.sessions if session.date]
    when = trial.dates or (" to ".join(sorted({min(days), max(days)})) if days else "")
    return AttributeOutcome(
        variants=trial.variants,
        control=trial.control_index,
        means=Scored(trial, table, trial.attributes.index(result.attribute)).means,
        result=result,
        names=names,
        source=source_of(trial, when),
    )
