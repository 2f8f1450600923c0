"""What the charts of one attribute are drawn from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from blindspoon.compare.family import means_of
from blindspoon.compare.results import AttributeResult, Comparison
from blindspoon.scores import FloatArray, ScoreTable
from blindspoon.trial import Attribute, Trial, Variant
from blindspoon.verdict import By, Finding, Verdict, deciding, finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One attribute, as the tasters scored it and as it was judged.

    Parameters
    ----------
    attribute : Attribute
    variants : tuple of Variant
        In the order of the trial.
    control : int
        Position of the control in `variants`.
    means : float array, shape (n_tasters, n_variants)
        Each taster's mean over replicates, in points; NaN where nothing was scored. Of one
        person alone, a row is a round.
    result : AttributeResult
    verdicts : tuple of Verdict
        Of this attribute.
    by : {"mixed", "ranks"}
        The procedure that decides.
    noun : {"batch", "variant"}
        "batch" where no variant was tasted from several batches.
    source : str
        Where the data come from; stands under the figures that are files of their own.
    """

    attribute: Attribute
    variants: tuple[Variant, ...]
    control: int
    means: FloatArray
    result: AttributeResult
    verdicts: tuple[Verdict, ...]
    by: By
    noun: str
    source: str

    @property
    def differences(self) -> FloatArray:
        """Each taster's means minus their mean of the control, shape (n_tasters, n_variants)."""
        return self.means - self.means[:, [self.control]]

    @property
    def others(self) -> tuple[int, ...]:
        """Positions of all variants but the control."""
        return tuple(place for place in range(len(self.variants)) if place != self.control)

    def verdict(self, place: int) -> Verdict | None:
        """Look up what was judged of a variant; None where it was not compared."""
        name = self.variants[place].name
        return next((each for each in self.verdicts if each.variant == name), None)

    def found(self, place: int) -> Finding | None:
        """Look up what the procedure that decides found; None where it gave no result."""
        comparison = self._comparison(place)
        if comparison is None:
            return None
        return finding(comparison.mixed if self.by == "mixed" else comparison.ranks)

    def mean(self, place: int) -> float:
        """Give the plain mean of a variant's scores, in points; NaN where nobody scored it."""
        if place != self.control:
            comparison = self._comparison(place)
            if comparison is not None:
                return comparison.mean_variant
        elif self.result.comparisons:
            return self.result.comparisons[0].mean_control
        scored = self.means[np.isfinite(self.means[:, place]), place]
        return float(scored.mean()) if scored.size else float("nan")

    def _comparison(self, place: int) -> Comparison | None:
        name = self.variants[place].name
        return next((each for each in self.result.comparisons if each.variant == name), None)


def picture_of(
    trial: Trial, table: ScoreTable, result: AttributeResult, verdicts: Iterable[Verdict]
) -> Picture:
    """Gather what the charts of one attribute need.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    result : AttributeResult
        Of the attribute.
    verdicts : iterable of Verdict
        Those of other attributes are passed over.
    """
    attribute = trial.attribute(result.attribute)
    return Picture(
        attribute=attribute,
        variants=trial.variants,
        control=trial.control_index,
        means=means_of(trial, table, trial.attributes.index(attribute)),
        result=result,
        verdicts=tuple(each for each in verdicts if each.attribute == attribute.name),
        by=deciding(trial, result),
        noun=_noun(trial, table),
        source=_source(trial),
    )


def _noun(trial: Trial, table: ScoreTable) -> str:
    return "variant" if (table.batches_tasted(len(trial.variants)) > 1).any() else "batch"


def _source(trial: Trial) -> str:
    days = [session.date.isoformat() for session in trial.sessions if session.date]
    when = trial.dates or (" to ".join(sorted({min(days), max(days)})) if days else "")
    return ", ".join(part for part in (f"“{trial.title}”", trial.host, when) if part)
