"""Whether scores rise over cups of a known order: E. B. Page's test, exact with ties and gaps."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import ndtr

from blindspoon.arrays import FloatArray
from blindspoon.stats.friedman import midranks
from blindspoon.stats.results import Method, NoResult
from blindspoon.stats.sign_flips import settle_ties

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
    exact = scores.shape[1] <= EXACT_DAYS and rows.size <= EXACT_TASTERS
    rising, falling = _exact(ranks, doubled) if exact else _normal(ranks, doubled)
    return PageTrend(
        statistic=doubled / 2,
        p_rising=rising,
        p_falling=falling,
        tasters=rows.size,
        method="exact" if exact else "normal",
    )


def _exact(ranks: FloatArray, doubled: float) -> tuple[float, float]:
    """Convolve the distributions of the tasters."""
    total, least = np.ones(1), 0
    for row in ranks.astype(np.int64):
        places = tuple((np.flatnonzero(row) + 1).tolist())
        low, own = _of_one(tuple(sorted(row[row > 0].tolist())), places)
        total, least = np.convolve(total, own), least + low
    at = round(doubled) - least
    return float(min(total[at:].sum(), 1.0)), float(min(total[: at + 1].sum(), 1.0))


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
