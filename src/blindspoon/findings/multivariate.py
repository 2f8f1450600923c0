"""All attributes together: the chance of any false "different", and whether they go together.

That is: does a taster who found a cup saltier than one would expect of this taster and this variant
find it more sour too?
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.naming import By, Kind
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.correlation import fisher_interval
from blindspoon.stats.results import NoResult, Record, as_record
from blindspoon.stats.two_way import ZERO, AdditiveFit, fit_additive, gather
from blindspoon.trial import Trial

NOT_COMPARED = {"lacking": "this procedure gave no result here"}


@dataclass(frozen=True, slots=True, kw_only=True)
class OverallComparison:
    """One variant against the control on one attribute, held against all attributes.

    P values are adjusted over all attributes and variants, and None where the procedure gave no
    result; verdicts are what each would call it at that level, equivalence judged as before.
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

    `alpha` is the chance of any false "different" over all of them; `attributes` counts those on
    which anything was compared.
    """

    alpha: float
    attributes: int
    by: By = field(metadata={"name": "decided_by"})
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


def _compare_overall(trial: Trial, results: tuple[AttributeResult, ...]) -> Overall | NoResult:
    """Adjust every comparison for all m attributes by Bonferroni's method: min(1, m p).

    No result where attributes were declared primary, which share alpha already, or where fewer than
    two could be compared.
    """
    if trial.decision.primary:
        named = "primary attributes, and they share alpha already"
        other = "another question as primary, so each attribute is taken by itself"
        return NoResult(f"The rule names {named if trial.primary_attributes else other}.")
    compared = [result for result in results if result.comparisons]
    if len(compared) < 2:
        return NoResult("Fewer than two attributes could be compared.")
    return Overall(
        alpha=trial.decision.alpha,
        attributes=len(compared),
        by=compared[0].by,
        comparisons=tuple(
            _judge(result, one, len(compared)) for result in compared for one in result.comparisons
        ),
    )


def _judge(result: AttributeResult, comparison: Comparison, attributes: int) -> OverallComparison:
    found: list[tuple[float | None, Kind | None]] = []
    for contrast in (comparison.mixed, comparison.ranks):
        if isinstance(contrast, NoResult):
            found.append((None, None))
            continue
        p = min(1.0, attributes * contrast.p_adjusted)
        found.append((p, result.kind_of(contrast, p_adjusted=p)))
    (mixed_p, mixed_verdict), (ranks_p, ranks_verdict) = found
    return OverallComparison(
        attribute=comparison.attribute.name,
        variant=comparison.variant.name,
        mixed_p=mixed_p,
        mixed_verdict=mixed_verdict,
        ranks_p=ranks_p,
        ranks_verdict=ranks_verdict,
    )


NO_INTERVAL = {"lacking": "too few degrees of freedom for an interval"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlation:
    """A product-moment correlation over pairs of a taster's scores.

    The interval is the 95 % one by Fisher's transformation, for all pairs of attributes at once;
    None below two degrees of freedom.
    """

    r: float
    interval: tuple[float, float] | None = field(metadata=NO_INTERVAL)
    pairs: int
    df: int

    def excludes_zero(self) -> bool:
        """Whether there is an interval, and zero lies outside."""
        return self.interval is not None and self.interval[0] * self.interval[1] > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributePair:
    """How two attributes go together within tasters and variants."""

    first: str
    second: str
    within: Correlation | NoResult


def correlate_attributes(
    names: Sequence[str], means: Sequence[FloatArray]
) -> tuple[AttributePair, ...] | NoResult:
    """Correlate every two attributes, which depends on no scale; no result where there is one.

    `means` are each taster's, shape (n_tasters, n_variants) an attribute; NaN where not scored.
    """
    if len(names) < 2:
        return NoResult("There is one attribute, so there is nothing for it to go with.")
    fits = [fit_additive(table) for table in means]
    places, pairs = [*combinations(range(len(names)), 2)], []
    for places_of_two in places:
        both = np.logical_and(*(np.isfinite(means[place]) for place in places_of_two))
        one, two = (  # over the cells where both were scored
            fits[place]
            if fits[place].cells == both.sum()
            else fit_additive(np.where(both, means[place], np.nan))
            for place in places_of_two
        )
        pair = AttributePair(
            first=names[places_of_two[0]],
            second=names[places_of_two[1]],
            within=within_variants(one, two, len(places)),
        )
        pairs.append(pair)
    return tuple(pairs)


def within_variants(one: AdditiveFit, two: AdditiveFit, family: int = 1) -> Correlation | NoResult:
    """Correlate what is left of two attributes when tasters and variants are taken out.

    Both are of the same cells; the intervals are to hold for a family of so many pairs at once.

    The part of one attribute's variation that the other explains in an analysis of covariance
    with tasters and variants, with the sign of the slope: J. M. Bland and D. G. Altman 1995,
    BMJ 310:446, with variants beside their subjects. Its degrees of freedom are those of that
    analysis; the interval is `fisher_interval`.

    >>> salty = fit_additive(np.array([[1.0, 4.0, 5.0], [3.0, 4.0, 8.0], [2.0, 2.0, 6.0]]))
    >>> sour = fit_additive(np.array([[2.0, 5.0, 5.0], [1.0, 2.0, 5.0], [3.0, 2.0, 5.0]]))
    >>> found = within_variants(salty, sour)
    >>> round(found.r, 2), found.pairs, found.df
    (0.97, 9, 3)
    """
    df = one.df - 1
    if df < 1:
        return NoResult("Too few tasters scored both attributes on several variants.")
    x, y = one.residuals.T, two.residuals.T
    xx, yy, xy = float(np.vdot(x, x)), float(np.vdot(y, y)), float(np.vdot(x, y))
    if min(xx, yy) <= ZERO**2 * (df + 1):
        return NoResult("Tasters and variants account for every score of one of the two.")
    r = float(np.clip(xy / np.sqrt(xx * yy), -1.0, 1.0))
    return Correlation(r=r, interval=fisher_interval(r, df, family), pairs=one.cells, df=df)


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """What was found of all attributes together."""

    correlations: tuple[AttributePair, ...] | NoResult
    overall: Overall | NoResult

    def to_record(self) -> Record:
        """Write everything as plain values for JSON; None has its reason beside it."""
        return as_record(self)


def study_joint(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Joint:
    """Look at all attributes together."""
    shape = {"n_tasters": len(table.tasters), "n_variants": len(trial.variants)}
    means = [gather(scores, table.taster, table.variant, **shape).mean for scores in table.scores.T]
    names = [attribute.name for attribute in trial.attributes]
    return Joint(
        correlations=correlate_attributes(names, means),
        overall=_compare_overall(trial, results),
    )
