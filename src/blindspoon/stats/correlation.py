"""How the scores of a panel go together: a taster with the others, and all of them."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from blindspoon.arrays import FloatArray
from blindspoon.stats.results import NoResult
from blindspoon.stats.signed_ranks import friedman
from blindspoon.stats.two_way import ZERO, Cells, fit_additive


def fisher_interval(r: float, df: int, family: int = 1) -> tuple[float, float] | None:
    """Give the 95 % interval of a correlation, for all of a family of as many at once.

    tanh(atanh r -+ 1.96 / sqrt(df - 1)): R. A. Fisher 1921, Metron 1:3; df = n - 2 makes it
    the familiar n - 3. None below two degrees of freedom. Over a family by Bonferroni.

    >>> low, high = fisher_interval(0.5, 26)
    >>> round(low, 3), round(high, 3)
    (0.156, 0.736)
    """
    if df < 2:
        return None
    reach = -float(ndtri(0.025 / family)) / np.sqrt(df - 1)
    centre = np.arctanh(np.clip(r, -1 + 1e-15, 1 - 1e-15))
    return float(np.tanh(centre - reach)), float(np.tanh(centre + reach))


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance:
    """Kendall's W of the tasters' rankings of the variants, corrected for ties.

    From 0 (rankings that cancel out) to 1 (all alike); ``tasters * (variants - 1) * w`` is referred
    to the chi-squared distribution. Counted are tasters who scored every variant that anybody
    scored.
    """

    w: float
    statistic: float
    df: int
    p_value: float
    tasters: int
    variants: int


def concordance(means: FloatArray) -> Concordance | NoResult:
    """Measure by ranks whether tasters put the variants in the same order.

    `means` are each taster's, shape (n_tasters, n_variants), without gaps.

    M. G. Kendall and B. Babington Smith 1939, Ann. Math. Stat. 10:275, with midranks and the
    correction for ties: Friedman's statistic over ``tasters * (variants - 1)``, and its p value.

    >>> round(concordance(np.array([[1.0, 2.0, 3.0], [4.0, 6.0, 6.0]])).w, 4)
    0.9286
    """
    tasters, variants = means.shape
    if variants < 2:
        return NoResult("Fewer than two variants were scored.")
    if tasters < 2:
        return NoResult("Fewer than two tasters scored every variant.")
    found = friedman(means)
    if isinstance(found, NoResult):
        return NoResult("No taster told any two variants apart.")
    return Concordance(
        w=min(found.statistic / (tasters * (variants - 1)), 1.0),
        statistic=found.statistic,
        df=found.df,
        p_value=found.p_value,
        tasters=tasters,
        variants=variants,
    )


def correlations(cells: Cells) -> tuple[float | NoResult, ...]:
    """Correlate each taster's means of the variants with what all others made of them.

    Pearson's correlation, one a taster.

    The taster is left out of what they are compared with. That is the others' mean of each
    variant where all is complete; else the variants' effects in a fit of ``mean ~ taster +
    variant`` to the others, so that their levels do not count for differences.

    >>> from blindspoon.stats.two_way import gather
    >>> taster, variant = np.divmod(np.arange(9), 3)
    >>> cells = gather(np.array([1, 2, 3, 5, 6, 8, 9, 8, 8.0]), taster, variant, 3, 3)
    >>> [round(r, 3) for r in correlations(cells)]
    [0.866, 0.945, -0.803]
    """
    return tuple(
        _with_others(own, np.delete(cells.mean, place, axis=0))
        for place, own in enumerate(cells.mean)
    )


def _with_others(own: FloatArray, others: FloatArray) -> float | NoResult:
    """Correlate one taster with what all others made of the variants."""
    scored, tasted = np.isfinite(own), np.isfinite(others).any(axis=0)
    shared = scored & tasted
    if scored.sum() < 3:
        return NoResult("A correlation says something from three variants on.")
    if shared.sum() < 3 or (fit := fit_additive(others)).rank < tasted.sum() - 1:
        return NoResult("No other taster scored the same variants.")
    mine, theirs = (each[shared] - each[shared].mean() for each in (own, fit.effects))
    if np.abs(mine).max() < ZERO:
        return NoResult("This taster gave every variant the same mean score.")
    if np.abs(theirs).max() < ZERO:
        return NoResult("The others, taken together, put all variants level.")
    return float(np.clip(mine @ theirs / np.sqrt((mine @ mine) * (theirs @ theirs)), -1.0, 1.0))
