"""What a reader asks next: what lies behind the answer, and how many tasters would settle it.

All attributes together: the chance of any false "different", and whether they go together, that is:
does a taster who found a cup saltier than one would expect of this taster and this variant find it
more sour too?
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import combinations
from typing import Any, Literal

import numpy as np
from scipy.special import chdtri, stdtrit

from blindspoon.arrays import FloatArray
from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison
from blindspoon.findings.panel import Panel, study_panel
from blindspoon.findings.rule import By, Kind
from blindspoon.findings.sensitivity import Influence, study_influence
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.results import Contrast, NoResult, as_record
from blindspoon.stats.two_way import ZERO, Fit, fisher_interval, fit_additive, gather
from blindspoon.trial import Trial

# Attributes together ----------------------------------------------------------------------------

NOT_COMPARED = {"lacking": "this procedure gave no result here"}


@dataclass(frozen=True, slots=True)
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

    @property
    def different(self) -> set[tuple[str, str]]:
        """Attributes and variants of which the procedure that decides still shows a difference."""
        return {
            (it.attribute, it.variant)
            for it in self.comparisons
            if getattr(it, f"{self.by}_verdict") in ("different", "slight")
        }


def _compare_overall(trial: Trial, results: tuple[AttributeResult, ...]) -> Overall | NoResult:
    """Adjust every comparison for all m attributes by Bonferroni's method: min(1, m p)."""
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
            OverallComparison(
                one.attribute.name,
                one.variant.name,
                *_judge(result, one.mixed, len(compared)),
                *_judge(result, one.ranks, len(compared)),
            )
            for result in compared
            for one in result.comparisons
        ),
    )


def _judge(
    result: AttributeResult, found: Contrast | NoResult, attributes: int
) -> tuple[float | None, Kind | None]:
    if isinstance(found, NoResult):
        return None, None
    p = min(1.0, attributes * found.p_adjusted)
    return p, result.kind_of(found, p_adjusted=p)


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


@dataclass(frozen=True, slots=True)
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
    for pair in places:
        both = np.logical_and(*(np.isfinite(means[place]) for place in pair))
        one, two = (  # over the cells where both were scored
            fits[place]
            if fits[place].residuals.size == both.sum()
            else fit_additive(np.where(both, means[place], np.nan))
            for place in pair
        )
        within = within_variants(one, two, len(places))
        pairs.append(AttributePair(names[pair[0]], names[pair[1]], within))
    return tuple(pairs)


def within_variants(one: Fit, two: Fit, family: int = 1) -> Correlation | NoResult:
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
    xy = float(one.residuals @ two.residuals)
    if min(one.rss, two.rss) <= ZERO**2 * (df + 1):
        return NoResult("Tasters and variants account for every score of one of the two.")
    r = float(np.clip(xy / np.sqrt(one.rss * two.rss), -1.0, 1.0))
    return Correlation(
        r=r, interval=fisher_interval(r, df, family), pairs=one.residuals.size, df=df
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """What was found of all attributes together."""

    correlations: tuple[AttributePair, ...] | NoResult
    overall: Overall | NoResult


def study_joint(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Joint:
    shape = {"n_tasters": len(table.tasters), "n_variants": len(trial.variants)}
    means = [gather(scores, table.taster, table.variant, **shape).mean for scores in table.scores.T]
    pairs = correlate_attributes([attribute.name for attribute in trial.attributes], means)
    return Joint(correlations=pairs, overall=_compare_overall(trial, results))


# All that lies behind ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class FurtherAnalyses:
    """The evidence behind the comparisons, none of which changes a verdict."""

    panel: Panel
    influence: Influence
    joint: Joint

    def to_record(self, *, shown: bool) -> dict[str, Any]:
        """Write everything for JSON; without single tasters unless they are `shown`."""
        return {
            "panel": self.panel.to_record(shown=shown),
            "influence": self.influence.to_record(shown=shown),
            "together": as_record(self.joint),
        }


def study_further(analysis: Analysis) -> FurtherAnalyses:
    """Study the tasters, what the answer hangs on, and the attributes together."""
    parts = analysis.trial, analysis.table, analysis.results
    return FurtherAnalyses(
        panel=study_panel(*parts), influence=study_influence(*parts), joint=study_joint(*parts)
    )


# A new tasting ----------------------------------------------------------------------------------

Goal = Literal["different", "alike"]
MOST_TASTERS = 1000  # more than anybody asks
POWER: dict[Goal, float] = {"different": 0.8, "alike": 0.9}
"""Both sides of an interval of "alike" have to hold, so each nine times in ten."""
OF_JARS = 0.75
"""Share of what is known of jars that tasters' own levels leave where each has one jar of every
variant: intervals come within a fifth of those of simulated tastings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewTasting:
    """A tasting of the same kind that would settle a comparison eight times in ten.

    Tasters are None where `MOST_TASTERS` would not do; from fewest to most is as far as these
    scores leave it open (80 %). With `jars`, no number of tasters would do.
    """

    tasters: int | None
    fewest: int | None
    most: int | None
    jars: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What the differences of one attribute scatter by, as a mixed model found it.

    `cell` is the variance of a taster's mean score of a variant, about taster and variant, in
    points squared; `jar` that between jars of one variant. The control counts among the variants.
    In the new tasting there are so many `jars` of the variant and of the control, and `all_jars`; 0
    where they are not in the model.
    """

    cell: float
    jar: float
    variants: int
    tasters: int
    jars: tuple[int, int] = (1, 1)
    all_jars: int = 0

    def se(self, tasters: int) -> tuple[float, float]:
        """Give the standard error of a difference in a new tasting, and its degrees of freedom.

        F. E. Satterthwaite 1946, Biometrics Bull. 2:110, over the mean squares of taster by variant
        and of jars within variants.
        """
        cells = (tasters - 1) * (self.variants - 1)
        tasted = 2 * self.cell / tasters
        between = self.jar * (1 / self.jars[0] + 1 / self.jars[1])
        if not self.all_jars:
            return float(np.sqrt(tasted)), float(cells)
        made = self.all_jars / self.variants
        share = (1 / self.jars[0] + 1 / self.jars[1]) * made / tasters
        of_jars = share * (self.cell / OF_JARS + self.jar * tasters / made)
        left = (2 / tasters - share) * self.cell
        parts = of_jars**2 / max(self.all_jars - self.variants, 1) + left**2 / cells
        return float(np.sqrt(tasted + between)), float((tasted + between) ** 2 / parts)

    def half_width(self, tasters: int, alpha: float, goal: Goal = "different") -> float:
        """Give half of the interval that a new tasting would find, in points."""
        error, df = self.se(tasters)
        rounded = float(f"{max(df, 1.0):.2g}")  # so that few critical values are computed
        return _reach(self.variants - 1, rounded, alpha, goal) * error

    def settles(self, tasters: int, margin: float, alpha: float, goal: Goal) -> bool:
        """Whether it would settle a true difference of the margin, or of zero, 8 times in 10."""
        error, df = self.se(tasters)
        spare = float(stdtrit(df, POWER[goal])) * error
        return self.half_width(tasters, alpha, goal) + spare <= margin


def scatter_of(
    trial: Trial, table: ScoreTable, result: AttributeResult, comparison: Comparison
) -> Scatter | None:
    """Take the scatter of a comparison from the fit of its attribute; None without a fit."""
    fit, index = result.mixed, trial.variants.index(comparison.variant)
    if isinstance(fit, NoResult):
        return None
    own, sessions, people = fit.taster_variant_sd, len(table.sessions), len(table.tasters)
    cell = fit.residual_sd**2 if own is None else own**2 + fit.residual_sd**2 / sessions
    if fit.batch_sd is None and not isinstance(comparison.mixed, NoResult):
        cell = comparison.mixed.se**2 * people / 2  # gaps and incomplete blocks are in it
    jars = np.maximum(table.batches_tasted(len(trial.variants)), 1)
    return Scatter(
        cell=cell,
        jar=(fit.batch_sd or 0.0) ** 2,
        variants=len(fit.contrasts) + 1,
        tasters=people,
        jars=(int(jars[index]), int(jars[trial.control_index])),
        all_jars=0 if fit.batch_sd is None else int(jars.sum()),
    )


def new_tasting(scatter: Scatter, *, margin: float, alpha: float, goal: Goal) -> NewTasting:
    """Count the tasters of a new tasting of the same kind.

    To find a true difference of the margin, the smallest that matters, in points, or to show a true
    zero alike, at the attribute's share of alpha.

    The half-width and what chance adds to it have to fit into the margin: (c + t) SE, c the
    critical value of the verdicts, t the quantile at .8 or .9. The range lets the mean squares be
    as far off as 80 % of samples have them, by chi-squared.

    >>> eight = Scatter(cell=1.0, jar=0.0, variants=4, tasters=8)
    >>> found = new_tasting(eight, margin=1.0, alpha=0.05, goal="different")
    >>> found.tasters, found.fewest, found.most
    (22, 16, 34)
    """

    def fewest(cell: float, jar: float) -> int | None:
        scaled = replace(scatter, cell=scatter.cell * cell, jar=scatter.jar * jar)
        tried = range(2, MOST_TASTERS + 1)
        at = bisect_left(tried, True, key=lambda n: scaled.settles(n, margin, alpha, goal))
        return tried[at] if at < len(tried) else None

    cells = (scatter.tasters - 1) * (scatter.variants - 1)
    jars = max(scatter.all_jars - scatter.variants, 1)
    low, high = ([df / float(chdtri(df, share)) for df in (cells, jars)] for share in (0.1, 0.9))
    tasters = fewest(1.0, 1.0)
    return NewTasting(
        tasters=tasters,
        fewest=fewest(*low),
        most=fewest(*high),
        jars=tasters is None and not scatter.settles(10**6, margin, alpha, goal),
    )


@lru_cache(maxsize=4096)
def _reach(others: int, df: float, alpha: float, goal: Goal) -> float:
    family = Dunnett(0.5 + 0.5 * np.eye(others))
    return (family.critical_value if goal == "different" else family.alike_value)(alpha, df)
