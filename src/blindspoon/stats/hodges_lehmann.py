"""How far each variant lies from the control: order statistics of Walsh averages, and intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.stats.results import Interval
from blindspoon.stats.sign_flips import SAMPLES, null_distribution, settle_ties

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


def shifts_with_intervals(
    differences: FloatArray, alpha: float, rng: np.random.Generator, samples: int = SAMPLES
) -> list[tuple[float, Interval | None, Interval | None]]:
    """Estimate each variant's shift and invert the joint signed rank test around the estimates.

    Parameters
    ----------
    differences : array, shape (n_tasters, n_variants)
        Variant minus control, in points; NaN where not both were scored, but not in a whole
        column.
    alpha : float
        Familywise, between 0 and 1.
    rng : numpy.random.Generator
    samples : int
        Flips to sample where not all are made.

    Returns
    -------
    list of (float, Interval or None, Interval or None)
        A variant's shift and its intervals, simultaneous at 1 - alpha and 1 - 2 alpha; None
        where there are too few tasters for the level.

    Notes
    -----
    A shift is kept if the signed rank test of the differences less the shift does not reach
    the critical value: that of the largest statistic over the variants (single-step max-T)
    when whole tasters are flipped about the estimated shifts, ranks without ties. The kept
    shifts run from one pairwise mean to another (J. W. Tukey's construction; M. Hollander and
    D. A. Wolfe 1973, section 3.3), ends included.

    Each variant's own level is exact or better for differences without ties. With ties it is
    no worse: break them by adding independent symmetric noise, let the noise shrink, and the
    untied intervals, which hold their level, shrink onto the one given here, which includes its
    ends (after G. E. Noether 1967, J. Am. Stat. Assoc. 62:184). Only the dependence
    between variants is taken at the estimates instead of the unknown shifts.

    Examples
    --------
    >>> differences = np.array([[2.0], [3.0], [1.0], [2.0], [1.0], [4.0]])
    >>> shifts_with_intervals(differences, 0.05, np.random.default_rng(1))
    [(2.0, Interval(low=1.0, high=4.0), Interval(low=1.0, high=3.0))]
    """
    columns = [column[~np.isnan(column)] for column in differences.T]
    shifts = [_shift(column) for column in columns]
    null = null_distribution(_untied_ranks(differences - shifts, rng), rng, samples)
    bounds = zip(null.critical(alpha), null.critical(2 * alpha), strict=True)
    return [
        (shift, *_intervals(column, both))
        for shift, column, both in zip(shifts, columns, bounds, strict=True)
    ]


def _shift(differences: FloatArray) -> float:
    """Return the median of the pairwise means."""
    last = len(differences) * (len(differences) + 1) // 2 - 1
    return float(walsh_quantiles(differences, [last // 2, last - last // 2]).mean())


def _intervals(
    differences: FloatArray, bounds: tuple[float, float]
) -> tuple[Interval | None, Interval | None]:
    """Cut the sorted pairwise means at both ends as far as each bound allows."""
    last = len(differences) * (len(differences) + 1) // 2 - 1
    cuts = [_cut(len(differences), bound) for bound in bounds]
    kept = [cut for cut in cuts if cut is not None]
    ends = walsh_quantiles(differences, [end for cut in kept for end in (cut, last - cut)])
    found = dict(zip(kept, ends.reshape(-1, 2).tolist(), strict=True))
    first, second = (None if cut is None else Interval(*found[cut]) for cut in cuts)
    return first, second


def _cut(n: int, bound: float) -> int | None:
    """Return how many pairwise means lie outside at either end; None if not even none do.

    The positive rank sum is the number of pairwise means above the shift that is tested, so
    a shift is rejected if (pairs - 2 number) / length exceeds the bound.
    """
    pairs, length = n * (n + 1) / 2, math.sqrt(n * (n + 1) * (2 * n + 1) / 6)
    if pairs <= bound * length * (1 + 1e-10):
        return None
    return math.ceil((pairs - bound * length) / 2 - 1e-6) - 1


def _untied_ranks(centred: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return twice the signed ranks with ties, and the signs of zeros, drawn at random."""
    scores = np.zeros_like(centred)
    for column, into in zip(settle_ties(centred).T, scores.T, strict=True):
        present = np.flatnonzero(~np.isnan(column))
        values = column[present]
        coins, lots = rng.random((2, len(present)))
        signs = np.where(values == 0, np.sign(coins - 0.5), np.sign(values))
        order = np.lexsort((lots, np.abs(values)))
        into[present[order]] = signs[order] * 2 * np.arange(1, len(present) + 1)
    return scores
