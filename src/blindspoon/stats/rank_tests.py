"""Tests of ranks within tasters: all variants alike (Friedman), or rising in an order (Page)."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import chdtrc, ndtr

from blindspoon.arrays import FloatArray
from blindspoon.stats.results import Friedman, Method, NoResult
from blindspoon.stats.sign_flips import SMALLEST, settle_ties


def friedman(means: FloatArray) -> Friedman | NoResult:
    """Test by ranks within tasters whether all variants are alike.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)
        Each taster's mean score of each variant, in points; NaN where not scored.

    Returns
    -------
    Friedman or NoResult
        No result where no taster scored two variants, or none told any two apart.

    Notes
    -----
    Midranks within each taster, centred and weighted by sqrt(12 / (k + 1)) for a taster who
    scored k variants, are summed over the tasters. The sums' covariance is that of the midranks
    permuted within each taster, so it holds with ties; the statistic is the quadratic form with
    its generalised inverse, on as many degrees of freedom as its rank. That is

    * Friedman's statistic with the correction for ties, where every taster scored every
      variant: M. Friedman 1937, J. Am. Stat. Assoc. 32:675;
    * Durbin's in balanced incomplete blocks without ties: J. Durbin 1951, Br. J. Psychol. 4:85;
    * that of J. H. Skillings and G. A. Mack 1981, Technometrics 23:171, otherwise. They rank
      ties as here but leave the covariance uncorrected, which is conservative.

    A variant that nobody tasted and tasters with one score play no part. A p value below the
    smallest normal float, 2.2e-308, is given as that.

    Examples
    --------
    >>> means = np.array([[6.0, 7.0, 9.0], [5.0, 6.0, 7.0], [7.0, 8.0, 8.0], [4.0, 5.0, 7.0]])
    >>> result = friedman(means)
    >>> round(result.statistic, 4), result.df, round(result.p_value, 4), result.form
    (7.6, 2, 0.0224, 'Friedman')
    """
    scored = ~np.isnan(means)
    means = means[scored.sum(axis=1) >= 2]
    means = means[:, ~np.isnan(means).all(axis=0)]
    if means.size == 0:
        return NoResult("No taster scored two variants or more.")
    ranks, scored = midranks(settle_ties(means)), ~np.isnan(means)
    cells = scored.sum(axis=1)
    centred = np.where(scored, ranks - (cells[:, None] + 1) / 2, 0.0)
    weight = 12 / (cells + 1)
    spread = weight * (centred**2).sum(axis=1) / (cells - 1)
    shared = scored.T @ (scored * (spread / cells)[:, None])
    sums, covariance = np.sqrt(weight) @ centred, np.diag(spread @ scored) - shared
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-9 * max(values.max(), 1e-9)
    df, lengths = int(kept.sum()), sums @ vectors[:, kept]
    statistic = float((lengths**2 / values[kept]).sum())
    if df == 0:
        return NoResult("Every taster scored all variants alike.")
    together = scored.T.astype(np.int64) @ scored
    counts = (cells, np.diag(together), together[~np.eye(len(together), dtype=bool)])
    balanced = all(np.ptp(own) == 0 for own in counts)
    return Friedman(
        statistic=statistic,
        df=df,
        p_value=max(float(chdtrc(df, statistic)), SMALLEST),
        tasters=len(means),
        form="Friedman" if scored.all() else "Durbin" if balanced else "Skillings-Mack",
    )


def midranks(means: FloatArray) -> FloatArray:
    """Rank each row from low to high, ties averaged and NaN left in place.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)

    Returns
    -------
    array of the same shape
        From 1 to the number of scores in the row.

    Examples
    --------
    >>> midranks(np.array([[5.0, np.nan, 3.0, 5.0]]))
    array([[2.5, nan, 1. , 2.5]])
    """
    ranks = np.full_like(means, 0.5)
    for column in means.T:
        ranks += (column[:, None] < means) + 0.5 * (column[:, None] == means)
    return np.where(np.isnan(means), np.nan, ranks)


EXACT_DAYS, EXACT_TASTERS = 8, 60
"""Days and tasters up to which all orders of all tasters are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTrend:
    """Page's test.

    Parameters
    ----------
    statistic : float
        L: the sum of ranks, each times the place of its column from 1.
    p_rising, p_falling : float
        One-sided.
    tasters : int
        With two scores or more.
    method : {"exact", "normal"}
    """

    statistic: float
    p_rising: float
    p_falling: float
    tasters: int
    method: Method

    @property
    def p_value(self) -> float:
        """Two-sided: twice the smaller, where no direction was named beforehand."""
        return min(1.0, 2 * min(self.p_rising, self.p_falling))


def page_trend(scores: FloatArray) -> PageTrend | NoResult:
    """Test whether each taster's ranks rise, or fall, over columns in a known order.

    Parameters
    ----------
    scores : array, shape (n, m)
        Columns in the order that is expected, as of ages tasted in one sitting; NaN where missing.

    Returns
    -------
    PageTrend or NoResult
        The reason where there are fewer than three columns, or nobody scored two.

    Notes
    -----
    E. B. Page 1963, J. Am. Stat. Assoc. 58:216; ISO 8587 has it for an order known beforehand. If
    the cups are alike, all orders of a taster's own ranks, ties averaged, over the columns that
    they scored are equally likely; L is the sum over tasters, so its distribution is the
    convolution of theirs. With more than eight columns or sixty tasters L is referred to the
    normal distribution with its exact mean and variance.

    Examples
    --------
    >>> found = page_trend(np.array([[1.0, 2, np.nan, 3], [1, 1, 2, 2], [2, 3, 3, np.nan]]))
    >>> found.statistic, round(found.p_rising, 6)
    (59.5, 0.009259)
    """
    there = np.isfinite(scores)
    rows = np.flatnonzero(there.sum(axis=1) > 1)
    if there[rows].any(axis=0).sum() < 3:
        return NoResult("A trend needs three columns, and somebody who scored two.")
    # doubled, so that they are whole; 0 where missing
    ranks = np.nan_to_num(2 * midranks(settle_ties(scores[rows])))
    doubled = float((ranks @ np.arange(1, scores.shape[1] + 1)).sum())
    if exact := scores.shape[1] <= EXACT_DAYS and rows.size <= EXACT_TASTERS:
        total, least = np.ones(1), 0
        for row in ranks.astype(np.int64):
            places = tuple((np.flatnonzero(row) + 1).tolist())
            low, own = _of_one(tuple(sorted(row[row > 0].tolist())), places)
            total, least = np.convolve(total, own), least + low
        at = round(doubled) - least
        rising, falling = (min(float(tail.sum()), 1.0) for tail in (total[at:], total[: at + 1]))
    else:
        rising, falling = _normal(ranks, doubled)
    return PageTrend(
        statistic=doubled / 2,
        p_rising=rising,
        p_falling=falling,
        tasters=rows.size,
        method="exact" if exact else "normal",
    )


@cache
def _of_one(ranks: tuple[int, ...], places: tuple[int, ...]) -> tuple[int, FloatArray]:
    """Return the least sum of doubled ranks times places, and the chances from it upwards.

    Both rise. All different orders are equally likely; those with the same ranks left for the
    other places are counted together, in one number with a digit of 32 bits for every sum.
    """
    counted = {ranks: 1}
    for place in places:
        further: dict[tuple[int, ...], int] = defaultdict(int)
        for left, orders in counted.items():
            for at, rank in enumerate(left):
                if rank not in left[:at]:
                    further[left[:at] + left[at + 1 :]] += orders << (32 * rank * place)
        counted = further
    most = int(np.dot(ranks, places))
    sums = np.frombuffer(counted[()].to_bytes(4 * most + 4, "little"), "<u4")
    least = int(np.flatnonzero(sums)[0])
    return least, sums[least:] / sums.sum()


def _normal(ranks: FloatArray, doubled: float) -> tuple[float, float]:
    """Refer L to the normal distribution, each taster with own mean and variance."""
    there = ranks > 0
    n = there.sum(axis=1)
    places = np.where(there, np.arange(1, ranks.shape[1] + 1), 0.0)
    mean = (ranks.sum(axis=1) * places.sum(axis=1) / n).sum()
    squares = [
        (np.where(there, own - own.sum(axis=1, keepdims=True) / n[:, None], 0.0) ** 2).sum(axis=1)
        for own in (ranks, places)
    ]
    spread = math.sqrt((squares[0] * squares[1] / (n - 1)).sum())
    z = (doubled - mean) / spread if spread else 0.0
    return (float(ndtr(-z)), float(ndtr(z))) if spread else (1.0, 1.0)
