"""Whether the tasters agree about how the variants differ."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtrc, fdtri

from blindspoon.compare.friedman import midranks
from blindspoon.compare.joint_normal import SMALLEST
from blindspoon.compare.results import Interval, NoResult
from blindspoon.panel.cells import ZERO, Cells
from blindspoon.panel.results import LEVEL, Concordance, Intraclass
from blindspoon.scores import FloatArray
from blindspoon.tables import BoolArray

UPPER = (1 + LEVEL) / 2
FEW_TASTERS = NoResult("Fewer than two tasters scored every variant.")
FEW_VARIANTS = NoResult("Fewer than two variants were scored.")
NO_SPREAD = NoResult("No taster told any two variants apart.")
PARALLEL = NoResult("All tasters see exactly the same distances, so there is nothing to divide by.")
LEVEL_VARIANTS = NoResult("The tasters’ mean scores put all variants level.")
TOO_SHORT = NoResult("A correlation says something from three variants on.")
FLAT = NoResult("This taster gave every variant the same mean score.")
FLAT_OTHERS = NoResult("The others, taken together, put all variants level.")
NO_OTHERS = NoResult("No other taster scored the same variants.")


def concordance(means: FloatArray) -> Concordance | NoResult:
    """Measure by ranks whether tasters put the variants in the same order.

    Parameters
    ----------
    means : float array, shape (n_tasters, n_variants)
        Each taster's mean of each variant, in points, without gaps.

    Notes
    -----
    M. G. Kendall and B. Babington Smith 1939, Ann. Math. Stat. 10:275, with midranks and the
    correction for ties. It is Friedman's statistic over ``tasters * (variants - 1)``, so its
    p value is Friedman's.

    Examples
    --------
    >>> round(concordance(np.array([[1.0, 2.0, 3.0], [4.0, 6.0, 6.0]])).w, 4)
    0.9286
    """
    tasters, variants = means.shape
    lacking = _lacking(means)
    if lacking is not None:
        return lacking
    off = midranks(means) - (variants + 1) / 2
    spread = float((off**2).sum())
    if spread == 0:
        return NO_SPREAD
    w = min(float((off.sum(axis=0) ** 2).sum()) / (tasters * spread), 1.0)
    statistic, df = tasters * (variants - 1) * w, variants - 1
    p_value = max(float(chdtrc(df, statistic)), SMALLEST)
    return Concordance(
        w=w, statistic=statistic, df=df, p_value=p_value, tasters=tasters, variants=variants
    )


def _lacking(means: FloatArray) -> NoResult | None:
    tasters, variants = means.shape
    if variants < 2:
        return FEW_VARIANTS
    return FEW_TASTERS if tasters < 2 else None


def intraclass(means: FloatArray) -> Intraclass | NoResult:
    """Measure whether tasters see the same distances, and whether they give the same numbers.

    Parameters
    ----------
    means : float array, shape (n_tasters, n_variants)
        Each taster's mean of each variant, in points, without gaps.

    Notes
    -----
    Two-way analysis of variance without replicates. Consistency is ICC(3,1) and ICC(3,k) of
    P. E. Shrout and J. L. Fleiss 1979, Psychol. Bull. 86:420: a taster's own level cancels, as
    it does in a difference from the control. K. O. McGraw and S. P. Wong 1996, Psychol. Methods
    1:30, show that it has the same form, ICC(C,1) and ICC(C,k), where the tasters are a sample.
    Agreement is ICC(2,1) and ICC(2,k); tasters whose levels differ by less than their scatter
    are taken to have one level. The intervals are those of Shrout and Fleiss.

    Examples
    --------
    >>> ratings = np.array([[9, 6, 8, 7, 10, 6], [2, 1, 4, 1, 5, 2], [5, 3, 6, 2, 6, 4],
    ...     [8, 2, 8, 6, 9, 7.0]])
    >>> found = intraclass(ratings)
    >>> round(found.consistency_single, 2), round(found.agreement_single, 2)
    (0.71, 0.29)
    """
    lacking = _lacking(means)
    if lacking is not None:
        return lacking
    between, level, error = _mean_squares(means)
    if error <= ZERO**2 < between:
        return PARALLEL
    if between <= ZERO * error:
        return LEVEL_VARIANTS
    tasters, variants = means.shape
    consistent, its_interval = _consistency(between, error, tasters, variants)
    agreeing, other_interval = _agreement(between, max(level, error), error, tasters, variants)
    return Intraclass(
        consistency_single=consistent,
        consistency_single_interval=its_interval,
        consistency_mean=_of_mean(consistent, tasters),
        consistency_mean_interval=_ends_of_mean(its_interval, tasters),
        agreement_single=agreeing,
        agreement_single_interval=other_interval,
        agreement_mean=_of_mean(agreeing, tasters),
        agreement_mean_interval=_ends_of_mean(other_interval, tasters),
        tasters=tasters,
        variants=variants,
    )


def _mean_squares(means: FloatArray) -> tuple[float, float, float]:
    """Return the mean squares of variants, tasters and what is left."""
    tasters, variants = means.shape
    off = means - means.mean()
    rows, columns = off.mean(axis=1), off.mean(axis=0)
    left = off - rows[:, None] - columns
    return (
        tasters * float(columns @ columns) / (variants - 1),
        variants * float(rows @ rows) / (tasters - 1),
        float((left**2).sum()) / ((tasters - 1) * (variants - 1)),
    )


def _consistency(
    between: float, error: float, tasters: int, variants: int
) -> tuple[float, Interval]:
    """Return ICC(3,1) and its interval."""
    df, df_error = variants - 1, (variants - 1) * (tasters - 1)
    f = between / error
    ends = (f / fdtri(df, df_error, UPPER), f * fdtri(df_error, df, UPPER))
    value, low, high = (float((x - 1) / (x + tasters - 1)) for x in (f, *ends))
    return value, Interval(low, high)


def _agreement(
    between: float, level: float, error: float, tasters: int, variants: int
) -> tuple[float, Interval]:
    """Return ICC(2,1) and its interval.

    The degrees of freedom are Satterthwaite's; there a value below 0 counts as 0.
    """
    k, n = tasters, variants
    value = (between - error) / (between + (k - 1) * error + k * (level - error) / n)
    counted = max(value, 0.0)
    own = n * (1 + (k - 1) * counted) - k * counted
    shared = k * counted * level / error
    df = (k - 1) * (n - 1) * (shared + own) ** 2 / ((n - 1) * shared**2 + own**2)
    down, up = float(fdtri(n - 1, df, UPPER)), float(fdtri(df, n - 1, UPPER))
    rest = k * level + (k * n - k - n) * error
    return value, Interval(
        n * (between - down * error) / (down * rest + n * between),
        n * (up * between - error) / (rest + n * up * between),
    )


def _of_mean(single: float, tasters: int) -> float:
    """Step a correlation up to the mean of all tasters: Spearman and Brown."""
    return tasters * single / (1 + (tasters - 1) * single)


def _ends_of_mean(single: Interval, tasters: int) -> Interval:
    return Interval(_of_mean(single.low, tasters), _of_mean(single.high, tasters))


def correlations(cells: Cells) -> tuple[float | NoResult, ...]:
    """Correlate each taster's means of the variants with what all others made of them.

    Parameters
    ----------
    cells : Cells

    Returns
    -------
    tuple of float or NoResult
        Pearson's correlation, one a taster.

    Notes
    -----
    The taster is left out of what they are compared with. That is the others' mean of each
    variant where all is complete; else the variants' effects in a fit of ``mean ~ taster +
    variant`` to the others, so that their levels do not count for differences.

    Examples
    --------
    >>> from blindspoon.panel.cells import gather
    >>> taster, variant = np.divmod(np.arange(9), 3)
    >>> cells = gather(np.array([1, 2, 3, 5, 6, 8, 9, 8, 8.0]), taster, variant, 3, 3)
    >>> [round(each, 3) for each in correlations(cells)]
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
        return TOO_SHORT
    if shared.sum() < 3 or np.linalg.matrix_rank(matrix, hermitian=True) < tasted.sum() - 1:
        return NO_OTHERS
    others = (np.linalg.pinv(matrix, hermitian=True) @ right)[shared]
    mine = own[shared] - own[shared].mean()
    others = others - others.mean()
    if np.abs(mine).max() < ZERO:
        return FLAT
    if np.abs(others).max() < ZERO:
        return FLAT_OTHERS
    return float(np.clip(mine @ others / np.sqrt((mine @ mine) * (others @ others)), -1.0, 1.0))
