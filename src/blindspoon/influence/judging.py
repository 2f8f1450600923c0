"""Verdicts judged again by the procedure that decides, and held against those declared."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blindspoon.compare.family import contrast_of, means_of, mixed_of, ranks_of
from blindspoon.compare.results import (
    AttributeResult,
    MixedContrast,
    NoResult,
    RankContrast,
)
from blindspoon.influence.results import Outcome
from blindspoon.scores import ScoreTable
from blindspoon.trial import Trial
from blindspoon.verdict import Verdict, deciding, finding, kind_of

FEWER_SAMPLES = 9_999
"""Flips that are sampled at first, a tenth of the usual."""

Contrast = MixedContrast | RankContrast | NoResult


def declare(
    trial: Trial, results: tuple[AttributeResult, ...], verdicts: tuple[Verdict, ...]
) -> dict[tuple[str, str], Outcome]:
    """Write the verdicts as they stand as outcomes, by attribute and variant."""
    comparisons = [(result, each) for result in results for each in result.comparisons]
    found = {}
    for (result, each), verdict in zip(comparisons, verdicts, strict=True):
        by_mixed = deciding(trial, result) == "mixed"
        outcome = judged(result, each.variant, each.mixed if by_mixed else each.ranks)
        found[outcome.key] = replace(outcome, verdict=verdict.kind)
    return found


def judged(result: AttributeResult, variant: str, contrast: Contrast) -> Outcome:
    """Judge a contrast by the rule; without a result nothing is settled."""
    found = finding(contrast)
    kind = "open" if found is None else kind_of(found, margin=result.margin, alpha=result.alpha)
    difference = None if found is None else found.difference
    return Outcome(
        attribute=result.attribute,
        variant=variant,
        verdict=kind,
        direction=int(np.sign(difference or 0.0)) if kind in ("different", "slight") else 0,
        difference=difference,
        p_adjusted=None if found is None else found.p_adjusted,
        changed=False,
        reason=contrast.reason if isinstance(contrast, NoResult) else "",
    )


@dataclass(frozen=True, slots=True)
class Study:
    """What every alternative needs; the verdicts as declared by attribute and variant."""

    trial: Trial
    table: ScoreTable
    results: tuple[AttributeResult, ...]
    declared: dict[tuple[str, str], Outcome]

    @property
    def compared(self) -> list[AttributeResult]:
        """The attributes that have a verdict."""
        return [each for each in self.results if each.comparisons]

    def index(self, result: AttributeResult) -> int:
        """Find the attribute's place in the trial."""
        return self.trial.attributes.index(self.trial.attribute(result.attribute))

    def against(self, outcome: Outcome) -> Outcome:
        """Mark an outcome that is another than declared."""
        declared = self.declared[outcome.key]
        same = (declared.verdict, declared.direction) == (outcome.verdict, outcome.direction)
        return replace(outcome, changed=not same)

    def outcomes(self, result: AttributeResult, contrasts: dict[str, Contrast]) -> list[Outcome]:
        """Judge the contrasts of all variants that have a verdict."""
        return [
            self.against(judged(result, each.variant, contrasts[each.variant]))
            for each in result.comparisons
        ]

    def again(self, table: ScoreTable, result: AttributeResult) -> list[Outcome]:
        """Judge an attribute of this table by the procedure that decides."""
        by_mixed = deciding(self.trial, result) == "mixed"
        return self.by_mixed(table, result) if by_mixed else self.by_ranks(table, result)

    def by_mixed(
        self, table: ScoreTable, result: AttributeResult, *, position: bool = True
    ) -> list[Outcome]:
        """Judge it by the mixed model."""
        fit = mixed_of(self.trial, table, self.index(result), position=position)
        variants = enumerate(self.trial.variants)
        return self.outcomes(
            result, {each.name: contrast_of(fit, place) for place, each in variants}
        )

    def by_ranks(self, table: ScoreTable, result: AttributeResult) -> list[Outcome]:
        """Judge it by ranks; by all samples only where a tenth of them leaves a doubt."""
        index = self.index(result)
        others = [each.name for each in self.trial.variants if each.name != self.trial.control]
        means = means_of(self.trial, table, index)
        quick = ranks_of(self.trial, means, index, samples=FEWER_SAMPLES)
        outcomes = self.outcomes(result, dict(zip(others, quick, strict=True)))
        sampled = any(isinstance(each, RankContrast) and each.method == "sampled" for each in quick)
        if not sampled or not any(_doubtful(each, result.alpha) for each in outcomes):
            return outcomes
        full = ranks_of(self.trial, means, index)
        return self.outcomes(result, dict(zip(others, full, strict=True)))


def _doubtful(outcome: Outcome, alpha: float) -> bool:
    error = np.sqrt(alpha * (1 - alpha) / FEWER_SAMPLES)
    p = outcome.p_adjusted
    return outcome.changed or (p is not None and bool(abs(p - alpha) <= 4 * error))
