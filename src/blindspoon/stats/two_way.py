"""Scores of one attribute split into tasters, variants and what is left; how tasters agree.

Gaps allowed. Least squares with a level of its own for every block, at a cost linear in the scores.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, ndtri

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.stats.results import NoResult
from blindspoon.stats.sign_flips import SMALLEST, settle_ties
from blindspoon.stats.signed_ranks import friedman

ZERO = 1e-9  # points below which a spread is rounding
LEVEL = 0.95  # of every interval here


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Scores gathered by taster and variant, shape (n_tasters, n_variants).

    Means are in points, settled (`settle_ties`); NaN where nothing was scored. `within` is the sum
    of squares around them; 0 where there are fewer than two scores.
    """

    count: IntArray
    mean: FloatArray
    within: FloatArray

    @property
    def df(self) -> IntArray:
        """Degrees of freedom of each taster's repeatability, shape (n_tasters,)."""
        return np.maximum(self.count - 1, 0).sum(axis=1)

    @property
    def complete(self) -> FloatArray:
        """Means of the tasters who scored every variant that anybody scored."""
        tasted = self.mean[:, self.count.any(axis=0)]
        return tasted[~np.isnan(tasted).any(axis=1)]


def gather(
    score: FloatArray, taster: IntArray, variant: IntArray, n_tasters: int, n_variants: int
) -> Cells:
    """Gather scores into cells.

    >>> cells = gather(np.array([5.0, 7.0, 4.0]), np.zeros(3, int), np.array([0, 0, 1]), 1, 2)
    >>> cells.mean.tolist(), cells.within.tolist(), cells.df.tolist()
    ([[6.0, 4.0]], [[2.0, 0.0]], [1])
    """
    given = np.isfinite(score)
    score, cell = score[given], (taster * n_variants + variant)[given]
    size = n_tasters * n_variants
    count = np.bincount(cell, minlength=size)
    mean = np.full(size, np.nan)
    np.divide(np.bincount(cell, score, size), count, out=mean, where=count > 0)
    within: FloatArray = np.bincount(cell, (score - mean[cell]) ** 2, size).astype(np.float64)
    shape = (n_tasters, n_variants)
    return Cells(
        count=count.reshape(shape),
        mean=settle_ties(mean).reshape(shape),
        within=within.reshape(shape),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A fit of ``score ~ block + columns``, made by `fit_blocks`.

    - `estimates`, shape (p,): one a column, in points, of least length
    - `unscaled`, shape (p, p): their covariance over the residual variance
    - `residuals`, shape (n,): in points, and `rss`, the sum of their squares
    - `rank`, `df`: degrees of freedom of the columns beside the blocks, and residual ones
    """

    estimates: FloatArray
    unscaled: FloatArray
    residuals: FloatArray
    rss: float
    rank: int
    df: int


def indicators(code: IntArray, levels: int) -> FloatArray:
    """Give a column for each level of codes that count from 0; a code of -1 is in none."""
    return (np.arange(levels)[:, None] == code).astype(np.float64).T  # columns whole in memory


def fit_blocks(score: FloatArray, block: IntArray, columns: FloatArray) -> Fit:
    """Fit a level for every block and effects of columns, shape (n, p), to finite scores.

    >>> pair = indicators(np.array([0, 1, 0, 1]), 2)
    >>> fit = fit_blocks(np.array([1.0, 3.0, 5.0, 8.0]), np.array([0, 0, 1, 1]), pair)
    >>> fit.estimates.round(6).tolist(), round(fit.rss, 6), fit.rank, fit.df
    ([-1.25, 1.25], 0.25, 1, 1)
    """
    sizes = np.bincount(block)
    weights = 1 / np.maximum(sizes, 1)

    def swept(values: FloatArray) -> FloatArray:
        return values - (np.bincount(block, values) * weights)[block]

    centred = swept(score)
    sums = np.array([np.bincount(block, column) for column in columns.T])
    matrix, right = columns.T @ columns - (sums * weights) @ sums.T, columns.T @ centred
    values, vectors = np.linalg.eigh(matrix)
    kept = values > 1e-9 * max(float(values.max()), 1.0)
    vectors, values = vectors[:, kept], values[kept]
    unscaled = (vectors / values) @ vectors.T
    estimates, rank = unscaled @ right, int(kept.sum())
    residuals = swept(score - columns @ estimates)
    rss = float(residuals @ residuals)
    return Fit(
        estimates=estimates,
        unscaled=unscaled,
        residuals=residuals,
        rss=0.0 if rss < 1e-12 * float(centred @ centred) else rss,
        rank=rank,
        df=score.size - int((sizes > 0).sum()) - rank,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FTest:
    """A ratio of mean squares; `residual_sd` is the root of the lower one, in points."""

    f: float
    df_num: float
    df_den: float
    p_value: float
    residual_sd: float


def f_test(added: float, df_added: int, rss: float, df: int) -> FTest | NoResult:
    """Compare a sum of squares with the residual one, on 1 degree of freedom or more.

    >>> f_test(6.0, 2, 9.0, 9).f
    3.0
    """
    if df < 1:
        return NoResult("There are too few scores for so many levels.")
    if rss <= df * ZERO**2:
        return NoResult(
            "Nothing is left over to compare with: the scores repeat themselves exactly."
        )
    f = max(added, 0.0) / df_added / (rss / df)
    return FTest(
        f=f,
        df_num=float(df_added),
        df_den=float(df),
        p_value=max(float(fdtrc(df_added, df, f)), SMALLEST),
        residual_sd=float(np.sqrt(rss / df)),
    )


def fit_additive(means: FloatArray) -> Fit:
    """Take tasters and variants out of a table of means, a residual for each that is there.

    Tasters are swept out first, so that the equations are those of the variants alone
    (F. Yates 1934, J. Am. Stat. Assoc. 29:51). Complete tables give plain means. Effects are from
    the mean of all variants; their rank is one less than the variants where all are linked.

    >>> fit = fit_additive(np.array([[1.0, 3.0], [5.0, 9.0], [2.0, np.nan]]))
    >>> fit.estimates.round(9).tolist(), fit.df
    ([-1.5, 1.5], 1)
    """
    taster, variant = np.nonzero(np.isfinite(means))
    return fit_blocks(means[taster, variant], taster, indicators(variant, means.shape[1]))


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
    mine, theirs = (each[shared] - each[shared].mean() for each in (own, fit.estimates))
    if np.abs(mine).max() < ZERO:
        return NoResult("This taster gave every variant the same mean score.")
    if np.abs(theirs).max() < ZERO:
        return NoResult("The others, taken together, put all variants level.")
    return float(np.clip(mine @ theirs / np.sqrt((mine @ mine) * (theirs @ theirs)), -1.0, 1.0))
