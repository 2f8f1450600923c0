"""Order statistics of the means of all pairs of differences (Walsh averages)."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from blindspoon.compare.ties import settle_ties
from blindspoon.scores import FloatArray

FEW = 1000


def walsh_quantiles(differences: FloatArray, positions: Sequence[int]) -> FloatArray:
    """Select from the sorted means of all pairs of differences, each paired with itself too.

    Parameters
    ----------
    differences : array, shape (n,)
        In points; a multiple of 1e-9 each.
    positions : sequence of int
        From 0 for the smallest to n (n + 1) / 2 - 1 for the largest.

    Returns
    -------
    array, shape (len(positions),)
        The pairwise means at these positions, in points.

    Notes
    -----
    J. W. Tukey 1949 (after J. Walsh); their median is the estimate of J. L. Hodges and
    E. L. Lehmann 1963, Ann. Math. Stat. 34:598. The pairs are never all formed where many
    differences are distinct: the count of pairs up to a value takes one sorted search, and the
    value is found by halving.

    Examples
    --------
    >>> walsh_quantiles(np.array([1.0, 3.0, 8.0]), range(6))
    array([1. , 2. , 3. , 4.5, 5.5, 8. ])
    """
    values, counts = np.unique(differences, return_counts=True)
    if len(values) <= FEW:
        return _by_listing(values, counts.astype(np.int64), positions)
    return _by_halving(np.sort(differences), positions)


def _by_listing(
    values: FloatArray, counts: np.ndarray[tuple[int], np.dtype[np.int64]], positions: Sequence[int]
) -> FloatArray:
    """List the pairs of distinct values with how often each occurs."""
    first, second = np.triu_indices(len(values))
    times = counts[first] * np.where(first == second, counts[first] + 1, 2 * counts[second]) // 2
    sums = settle_ties(values[first] + values[second])
    order = np.argsort(sums, kind="stable")
    below = np.cumsum(times[order])
    return sums[order][np.searchsorted(below, positions, side="right")] / 2


def _by_halving(ordered: FloatArray, positions: Sequence[int]) -> FloatArray:
    """Halve the range of the pair sums until one multiple of 1e-9 is left."""

    @cache
    def pairs_up_to(total: float) -> int:
        """Count the pairs whose sum does not exceed the total."""
        partners = np.searchsorted(ordered, total - ordered[::-1], side="right")
        return (int(partners.sum()) + int(np.searchsorted(2 * ordered, total, side="right"))) // 2

    def select(position: int) -> float:
        """Find the smallest sum that enough pairs do not exceed, and halve it."""
        low, high = 2 * ordered[0] - 1e-6, 2 * ordered[-1] + 1e-6
        while high - low > 0.4e-9 and low < (middle := (low + high) / 2) < high:
            if pairs_up_to(middle) > position:
                high = middle
            else:
                low = middle
        return float(settle_ties(high)) / 2

    return np.array([select(position) for position in positions])
