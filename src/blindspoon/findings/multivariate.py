"""Whether attributes go together: within a variant, and from variant to variant.

Two questions that a single number would mix. *Within a variant*: does a taster who found a
cup saltier than one would expect of this taster and this variant find it more sour too?
*Between variants*: are the variants that are saltier on average more sour on average?
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.findings.comparison import AttributeResult
from blindspoon.findings.overall import Overall, compare_overall
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.correlation import fisher_interval
from blindspoon.stats.results import NoResult, Record, as_record
from blindspoon.stats.two_way import ZERO, AdditiveFit, fit_additive, gather
from blindspoon.trial import Trial

NO_INTERVAL = {"lacking": "too few degrees of freedom for an interval"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlation:
    """A product-moment correlation.

    Parameters
    ----------
    r : float
        -1 to 1.
    interval : tuple of float or None
        95 %, by Fisher's transformation, for all pairs of attributes at once; None below two
        degrees of freedom.
    pairs : int
        Pairs of scores that it is computed from: a taster's of a variant, or a variant's means.
    df : int
        Degrees of freedom.
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
    """How two attributes go together.

    Parameters
    ----------
    first, second : str
        Names, in the order of the trial.
    within : Correlation or NoResult
        Within tasters and within variants.
    between : Correlation or NoResult
        Of the variants' means.
    """

    first: str
    second: str
    within: Correlation | NoResult
    between: Correlation | NoResult


def correlate_attributes(
    names: Sequence[str], means: Sequence[FloatArray]
) -> tuple[AttributePair, ...] | NoResult:
    """Correlate every two attributes.

    Parameters
    ----------
    names : sequence of str
        Of the attributes, in their order; no result where there is one.
    means : sequence of array, shape (n_tasters, n_variants)
        Each taster's mean score of each variant on each attribute, in points; NaN where not
        scored. A correlation does not depend on the scale.
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
            between=between_variants(one, two, both.sum(axis=0).astype(float), len(places)),
        )
        pairs.append(pair)
    return tuple(pairs)


def within_variants(one: AdditiveFit, two: AdditiveFit, family: int = 1) -> Correlation | NoResult:
    """Correlate what is left of two attributes when tasters and variants are taken out.

    Both are of the same cells; the intervals are to hold for a family of so many pairs at once.

    Notes
    -----
    The part of one attribute's variation that the other explains in an analysis of covariance
    with tasters and variants, with the sign of the slope: J. M. Bland and D. G. Altman 1995,
    BMJ 310:446, with variants beside their subjects. Its degrees of freedom are those of that
    analysis; the interval is `fisher_interval`.

    Examples
    --------
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


def between_variants(
    one: AdditiveFit, two: AdditiveFit, tasters: FloatArray, family: int = 1
) -> Correlation | NoResult:
    """Correlate the variants' means of two attributes.

    Parameters
    ----------
    one, two : AdditiveFit
        Of the same cells.
    tasters : array, shape (n_variants,)
        Who scored both on each variant; the means are weighted by it.
    family : int
        As in `within_variants`.

    Notes
    -----
    J. M. Bland and D. G. Altman 1995, BMJ 310:633: the weighted correlation of the means. The
    interval treats the variants as drawn from all that could have been made; three give none.
    The means carry the tasters' errors, so with few tasters the correlation within variants
    leaks into it.
    """
    used = tasters > 0
    if used.sum() < 3:
        return NoResult("Two points always lie on a line: this needs three variants.")
    if one.rank < used.sum() - 1:
        return NoResult("The tasters do not link all variants.")
    weights = tasters / tasters.sum()
    x, y = (fit.effects - weights @ fit.effects for fit in (one, two))
    xx, yy, xy = weights @ x**2, weights @ y**2, weights @ (x * y)
    if min(xx, yy) <= ZERO**2:
        return NoResult("All variants have the same mean on one of the two.")
    r = float(np.clip(xy / np.sqrt(xx * yy), -1.0, 1.0))
    df = int(used.sum()) - 2
    return Correlation(r=r, interval=fisher_interval(r, df, family), pairs=df + 2, df=df)


OVERALL_DRAWS = 1_000_002
"""Second word of the seed, beside the trial's own; those of the attributes count from 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """What was found of all attributes together."""

    correlations: tuple[AttributePair, ...] | NoResult
    overall: Overall | NoResult

    def to_record(self) -> Record:
        """Write everything as plain values for JSON; None has its reason beside it."""
        return as_record(self)


def study_joint(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Joint:
    """Look at all attributes together.

    What could not or need not be said stands there as `NoResult` with its reason.
    """
    shape = {"n_tasters": len(table.tasters), "n_variants": len(trial.variants)}
    means = [gather(scores, table.taster, table.variant, **shape).mean for scores in table.scores.T]
    names = [attribute.name for attribute in trial.attributes]
    return Joint(
        correlations=correlate_attributes(names, means),
        overall=compare_overall(
            trial, means, results, np.random.default_rng([trial.seed, OVERALL_DRAWS])
        ),
    )
