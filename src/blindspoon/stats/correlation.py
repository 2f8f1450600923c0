"""How the scores of a panel go together: a taster with the others, and all of them."""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, fdtri

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.sign_flips import SMALLEST
from blindspoon.stats.signed_ranks import midranks
from blindspoon.stats.two_way import LEVEL, ZERO, Cells


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
    from statistics import NormalDist  # noqa: PLC0415 - takes a twentieth of a second

    reach = NormalDist().inv_cdf(1 - 0.025 / family) / np.sqrt(df - 1)
    centre = np.arctanh(np.clip(r, -1 + 1e-15, 1 - 1e-15))
    return float(np.tanh(centre - reach)), float(np.tanh(centre + reach))


UPPER = (1 + LEVEL) / 2


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Intraclass:
    """Do tasters see the same distances between the variants? ICC(3,1) and ICC(3,k).

    Intraclass correlations with variants as targets and tasters as raters, of one taster and of the
    mean of all, with 95 % intervals; counted as in `Concordance`.
    """

    consistency_single: float
    consistency_single_interval: Interval
    consistency_mean: float
    consistency_mean_interval: Interval
    tasters: int
    variants: int


def concordance(means: FloatArray) -> Concordance | NoResult:
    """Measure by ranks whether tasters put the variants in the same order.

    `means` are each taster's, shape (n_tasters, n_variants), without gaps.

    M. G. Kendall and B. Babington Smith 1939, Ann. Math. Stat. 10:275, with midranks and the
    correction for ties. It is Friedman's statistic over ``tasters * (variants - 1)``, so its
    p value is Friedman's.

    >>> round(concordance(np.array([[1.0, 2.0, 3.0], [4.0, 6.0, 6.0]])).w, 4)
    0.9286
    """
    tasters, variants = means.shape
    if lacking := _lacking(means):
        return lacking
    off = midranks(means) - (variants + 1) / 2
    spread = float((off**2).sum())
    if spread == 0:
        return NoResult("No taster told any two variants apart.")
    w = min(float((off.sum(axis=0) ** 2).sum()) / (tasters * spread), 1.0)
    statistic, df = tasters * (variants - 1) * w, variants - 1
    p_value = max(float(chdtrc(df, statistic)), SMALLEST)
    return Concordance(
        w=w, statistic=statistic, df=df, p_value=p_value, tasters=tasters, variants=variants
    )


def _lacking(means: FloatArray) -> NoResult | None:
    tasters, variants = means.shape
    if variants < 2:
        return NoResult("Fewer than two variants were scored.")
    return NoResult("Fewer than two tasters scored every variant.") if tasters < 2 else None


def intraclass(means: FloatArray) -> Intraclass | NoResult:
    """Measure whether tasters see the same distances; their own levels cancel.

    `means` are each taster's in points, shape (n_tasters, n_variants), without gaps.

    Two-way analysis of variance without replicates: P. E. Shrout and J. L. Fleiss 1979, Psychol.
    Bull. 86:420. K. O. McGraw and S. P. Wong 1996, Psychol. Methods 1:30, show that the form is the
    same, ICC(C,1) and ICC(C,k), where the tasters are a sample.

    >>> ratings = np.array([[9, 6, 8, 7, 10, 6], [2, 1, 4, 1, 5, 2], [5, 3, 6, 2, 6, 4],
    ...     [8, 2, 8, 6, 9, 7.0]])
    >>> round(intraclass(ratings).consistency_single, 2)
    0.71
    """
    if lacking := _lacking(means):
        return lacking
    tasters, variants = means.shape
    off = means - means.mean()
    columns, df, df_error = off.mean(axis=0), variants - 1, (variants - 1) * (tasters - 1)
    left = off - off.mean(axis=1, keepdims=True) - columns
    between, error = tasters * float(columns @ columns) / df, float((left**2).sum()) / df_error
    if error <= ZERO**2 < between:
        return NoResult(
            "All tasters see exactly the same distances, so there is nothing to divide by."
        )
    if between <= ZERO * error:
        return NoResult("The tasters’ mean scores put all variants level.")
    f = between / error
    ratios = np.array([f, f / fdtri(df, df_error, UPPER), f * fdtri(df_error, df, UPPER)])
    single, *ends = ((ratios - 1) / (ratios + tasters - 1)).tolist()
    mean, *mean_ends = (1 - 1 / ratios).tolist()
    return Intraclass(
        consistency_single=single,
        consistency_single_interval=Interval(*ends),
        consistency_mean=mean,
        consistency_mean_interval=Interval(*mean_ends),
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
    scored = ~np.isnan(cells.mean)
    given = np.maximum(scored.sum(axis=1), 1)
    filled = np.where(scored, cells.mean, 0.0)
    centred = np.where(scored, filled - (filled.sum(axis=1) / given)[:, None], 0.0)
    weights = scored / given[:, None]
    matrix = np.diag(scored.sum(axis=0)) - scored.T @ weights
    right = centred.sum(axis=0)
    return tuple(
        _with_others(
            centred[i],
            scored[i],
            matrix - (np.diag(scored[i]) - np.outer(scored[i], weights[i])),
            right - centred[i],
        )
        for i in range(len(scored))
    )


def _with_others(
    own: FloatArray, scored: BoolArray, matrix: FloatArray, right: FloatArray
) -> float | NoResult:
    """Correlate one taster with the solution of the others' equations."""
    tasted = np.diag(matrix) > ZERO
    shared = scored & tasted
    if scored.sum() < 3:
        return NoResult("A correlation says something from three variants on.")
    if shared.sum() < 3 or np.linalg.matrix_rank(matrix, hermitian=True) < tasted.sum() - 1:
        return NoResult("No other taster scored the same variants.")
    others = (np.linalg.pinv(matrix, hermitian=True) @ right)[shared]
    mine = own[shared] - own[shared].mean()
    others = others - others.mean()
    if np.abs(mine).max() < ZERO:
        return NoResult("This taster gave every variant the same mean score.")
    if np.abs(others).max() < ZERO:
        return NoResult("The others, taken together, put all variants level.")
    return float(np.clip(mine @ others / np.sqrt((mine @ mine) * (others @ others)), -1.0, 1.0))
