"""What the charts of one attribute are drawn from: its scores, and what was judged of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.charts.chart import source_of
from blindspoon.findings.compare import Scored
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.naming import Naming
from blindspoon.findings.verdict import in_a_word, otherwise
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Contrast, Interval
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

    attribute: Attribute
    variants: tuple[Variant, ...]
    control: int
    means: FloatArray
    result: AttributeResult
    names: Naming
    source: str

    @property
    def differences(self) -> FloatArray:
        """Each taster's means minus their mean of the control, shape (n_tasters, n_variants)."""
        return self.means - self.means[:, [self.control]]

    @property
    def others(self) -> tuple[int, ...]:
        """Positions of all variants but the control."""
        return tuple(place for place in range(len(self.variants)) if place != self.control)

    def comparison(self, place: int) -> Comparison | None:
        """Look up a variant's comparison with its verdict; None where it was not compared."""
        if place == self.control:
            return None
        others, row = self.result.others, place - (place > self.control)
        other = others[row] if row < len(others) else None
        return other if isinstance(other, Comparison) else None

    def found(self, place: int) -> Contrast | None:
        """Look up what the procedure that decides found; None where it gave no result."""
        comparison = self.comparison(place)
        return None if comparison is None else comparison.found

    def interval(self, place: int) -> Interval | None:
        """Give the interval that decides: of a variant that is alike, that of equivalence."""
        comparison, found = self.comparison(place), self.found(place)
        if comparison is None or found is None:
            return None
        alike = comparison.verdict == "alike"
        return (found.equivalence_interval if alike else None) or found.interval

    def difference(self, place: int) -> float:
        """Give the estimate, in points, variant minus control; NaN where there is none."""
        found = self.found(place)
        return float("nan") if found is None else found.difference

    def word(self, place: int) -> str:
        """Say what was judged of a variant: "crisper"."""
        compared = self.comparison(place)
        if compared is None:
            return "not compared"
        return in_a_word(compared.verdict, self.attribute, up=self.difference(place) > 0)

    def other_word(self, place: int) -> str:
        """Say what the second procedure would judge, where it is something else, in brackets."""
        compared = self.comparison(place)
        said = "" if compared is None else otherwise(compared)
        return f"({said})" if said else ""

    def mean(self, place: int) -> float:
        """Give the plain mean of a variant's scores, in points; NaN where nobody scored it."""
        if place != self.control:
            comparison = self.comparison(place)
            if comparison is not None:
                return comparison.mean_variant
        elif self.result.comparisons:
            return self.result.comparisons[0].mean_control
        scored = self.means[np.isfinite(self.means[:, place]), place]
        return float(scored.mean()) if scored.size else float("nan")


def outcome_of(
    trial: Trial, table: ScoreTable, result: AttributeResult, names: Naming
) -> AttributeOutcome:
    """Gather what the charts of one attribute need."""
    days = [session.date.isoformat() for session in trial.sessions if session.date]
    when = trial.dates or (" to ".join(sorted({min(days), max(days)})) if days else "")
    return AttributeOutcome(
        attribute=result.attribute,
        variants=trial.variants,
        control=trial.control_index,
        means=Scored(trial, table, trial.attributes.index(result.attribute)).means,
        result=result,
        names=names,
        source=source_of(trial, when),
    )
