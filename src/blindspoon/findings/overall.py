"""The chance of any false "different" over all attributes and variants together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.findings.comparison import AttributeResult, By, Comparison, Kind
from blindspoon.stats.results import Method, NoResult
from blindspoon.stats.sign_flips import null_distribution, signed_ranks, single_step, statistics
from blindspoon.trial import Trial

NOT_COMPARED = {"lacking": "this procedure gave no result here"}


@dataclass(frozen=True, slots=True, kw_only=True)
class OverallComparison:
    """One variant against the control on one attribute, held against all attributes.

    Parameters
    ----------
    mixed_p, ranks_p : float or None
        Adjusted over all attributes and variants; None where the procedure gave no result.
    mixed_verdict, ranks_verdict : {"different", "slight", "alike", "open"} or None
        What each procedure would call it at that level; equivalence is judged as before.
    """

    attribute: str
    variant: str
    mixed_p: float | None = field(metadata=NOT_COMPARED)
    mixed_verdict: Kind | None = field(metadata=NOT_COMPARED)
    ranks_p: float | None = field(metadata=NOT_COMPARED)
    ranks_verdict: Kind | None = field(metadata=NOT_COMPARED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """Every comparison of a trial without a primary attribute, held against all others.

    Parameters
    ----------
    alpha : float
        Chance of any false "different" over all of them.
    attributes : int
        Those on which anything was compared.
    by : {"mixed", "ranks"}
        The procedure that decides.
    method : {"exact", "sampled", "normal"} or None
        Of the sign flips; None where ranks compared nothing, or rounds of one taster.
    comparisons : tuple of OverallComparison
        In the order of the results.
    """

    alpha: float
    attributes: int
    by: By = field(metadata={"name": "decided_by"})
    method: Method | None = field(metadata={"lacking": "no whole tasters were turned"})
    comparisons: tuple[OverallComparison, ...]

    def verdict(self, comparison: OverallComparison) -> Kind | None:
        """Give what the procedure that decides would call one of the comparisons."""
        return comparison.mixed_verdict if self.by == "mixed" else comparison.ranks_verdict

    @property
    def different(self) -> set[tuple[str, str]]:
        """Attributes and variants of which a difference is still shown."""
        return {
            (found.attribute, found.variant)
            for found in self.comparisons
            if self.verdict(found) in ("different", "slight")
        }


def compare_overall(
    trial: Trial,
    means: Sequence[FloatArray],
    results: tuple[AttributeResult, ...],
    rng: np.random.Generator,
) -> Overall | NoResult:
    """Adjust every comparison for all attributes.

    Parameters
    ----------
    means : sequence of array, shape (n_tasters, n_variants)
        Each taster's mean score of each variant, one table an attribute; NaN where not scored.
    results : tuple of AttributeResult
        Of the same attributes.

    Returns
    -------
    Overall or NoResult
        No result where attributes were declared primary, which share alpha already, or where
        fewer than two attributes could be compared.

    Notes
    -----
    *By ranks.* One single-step max-T (P. H. Westfall and S. S. Young 1993) over all attributes
    and variants: a taster's differences on all attributes are turned at once, so the
    attributes' dependence is in the flips. *By the mixed model.* Bonferroni over the attributes
    on Dunnett's p: min(1, m p); so too by ranks over the rounds of a taster alone, who has no
    whole-taster flips.
    """
    if trial.decision.primary:
        named = "primary attributes, and they share alpha already"
        other = "another question as primary, so each attribute is taken by itself"
        return NoResult(f"The rule names {named if trial.primary_attributes else other}.")
    compared = [result for result in results if result.comparisons]
    if len(compared) < 2:
        return NoResult("Fewer than two attributes could be compared.")
    by_rounds = compared[0].unit == "round"
    places, columns, control = list[tuple[str, str]](), list[FloatArray](), trial.control_index
    for attribute, table in zip(trial.attributes, means, strict=True):
        differences = table - table[:, [control]]
        for place, variant in enumerate(trial.variants):
            if place != control and np.isfinite(differences[:, place]).any():
                places.append((attribute.name, variant.name))
                columns.append(differences[:, place])
    ranks, method = dict[tuple[str, str], float](), None
    if columns and not by_rounds:
        adjusted, method = adjust_together(np.column_stack(columns), rng)
        ranks = dict(zip(places, adjusted.tolist(), strict=True))
    return Overall(
        alpha=trial.decision.alpha,
        attributes=len(compared),
        by=compared[0].by,
        method=method,
        comparisons=tuple(
            _judge(result, one, len(compared), ranks.get((one.attribute.name, one.variant.name)))
            for result in compared
            for one in result.comparisons
        ),
    )


def adjust_together(differences: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, Method]:
    """Adjust signed rank tests for one another, whole tasters being turned at once.

    Parameters
    ----------
    differences : array, shape (n_tasters, n_comparisons)
        Variant minus control, of any attributes; NaN where not both were scored.

    Returns
    -------
    adjusted : array, shape (n_comparisons,)
        Single-step max-T.
    method : {"exact", "sampled", "normal"}

    Examples
    --------
    >>> alone = np.array([[2.0], [3.0], [1.0], [2.0], [1.0], [4.0]])
    >>> adjusted, method = adjust_together(np.hstack([alone, 10 * alone]), np.random.default_rng(1))
    >>> adjusted.tolist(), method
    ([0.03125, 0.03125], 'exact')
    """
    scores = signed_ranks(differences)
    null, observed = null_distribution(scores, rng), statistics(scores)
    return single_step(null, observed), null.method


def _judge(
    result: AttributeResult, comparison: Comparison, attributes: int, ranks_p: float | None
) -> OverallComparison:
    mixed, ranks = comparison.mixed, comparison.ranks
    mixed_p = None if isinstance(mixed, NoResult) else min(1.0, attributes * mixed.p_adjusted)
    if result.unit == "round" and not isinstance(ranks, NoResult):
        ranks_p = min(1.0, attributes * ranks.p_adjusted)  # no whole tasters to turn
    verdicts: list[Kind | None] = [
        None
        if isinstance(contrast, NoResult) or p is None
        else result.kind_of(contrast, p_adjusted=p)
        for contrast, p in ((mixed, mixed_p), (ranks, ranks_p))
    ]
    return OverallComparison(
        attribute=comparison.attribute.name,
        variant=comparison.variant.name,
        mixed_p=mixed_p,
        ranks_p=None if isinstance(ranks, NoResult) else ranks_p,
        mixed_verdict=verdicts[0],
        ranks_verdict=verdicts[1],
    )
