"""Each variant against the control by the tasters' signed ranks: test, estimate and intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, partial

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.results import Interval, NoResult, RankContrast
from blindspoon.stats.sign_flips import (
    SAMPLES,
    TOLERANCE,
    all_can_be_made,
    all_flips,
    flipped_sums,
    null_distribution,
    one_by_one,
    settle_ties,
    signed_ranks,
    single_step,
    statistics,
)


def compare_ranks(
    means: FloatArray,
    *,
    control: int,
    alpha: float,
    rng: np.random.Generator,
    samples: int = SAMPLES,
) -> tuple[RankContrast | NoResult, ...]:
    """Compare each variant with the control by signed ranks, jointly over the variants.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)
        Each taster's mean score of each variant, in points (`gather`); NaN where not
        scored.
    control : int
        The control's column.
    alpha : float
        Familywise error rate of all variants together, between 0 and 1.
    rng : numpy.random.Generator
        Draws flips where not all are made. The tasters are put in a fixed order first, so the
        same scores under other labels draw the same.
    samples : int
        Flips to sample where not all are made; fewer than usual for a quick look.

    Returns
    -------
    tuple of RankContrast or NoResult
        One for each variant other than the control, in their order; no result, with the
        reason, for a variant that no taster scored beside the control.

    Notes
    -----
    *Test.* A taster's differences from the control are turned all at once. A variant's
    statistic is the absolute sum of its signed ranks (F. Wilcoxon 1945, Biometrics Bull. 1:80)
    over the root of their sum of squares; ties are averaged, and a zero or a missing difference
    counts 0. ``p_value`` refers it to the flips alone, ``p_adjusted`` to the flips of the
    largest over the variants (single-step max-T: P. H. Westfall and S. S. Young 1993). All
    flips are made up to 18 tasters who differ in anything, 99,999 sampled up to 1,000 with the
    data counted as one more; above, the flips' joint normal limit is taken. The null hypothesis
    is that each taster's differences could as well have come turned; it holds, and the p values
    with it, however unequal the tasters' spreads and wherever scores are missing.

    *Estimate.* ``shift`` is the median of the pairwise means of the differences, each paired
    with itself too (J. L. Hodges and E. L. Lehmann 1963, Ann. Math. Stat. 34:598); zeros stay
    in. The interval is what the test of ``p_adjusted`` does not reject
    (`shifts_with_intervals`), so it leaves zero out where that is at most alpha; above 18 tasters,
    where it is found another way, it is ended at zero so that it does, unless the estimate is zero
    itself. It holds for all variants at once, needs at least six tasters at the usual 0.05, more
    with several variants, and is None below.

    *Least p.* No ``p_adjusted`` with the same zeros, ties and gaps could have been below
    ``smallest_p``. For a variant on which m tasters differ it is 2 / 2^m, or that of a
    variant whose largest possible statistic is as large, if larger: it is among those to be
    beaten.
    Sampled flips and the normal limit give it as they give any p value. A p value
    below the smallest normal float, 2.2e-308, is given as that.

    Examples
    --------
    >>> means = np.array([[5, 7, 5], [4, 7, 4], [6, 7, 7], [3, 5, 2], [5, 6, 5], [4, 8, 5.0]])
    >>> first, second = compare_ranks(means, control=0, alpha=0.1, rng=np.random.default_rng(1))
    >>> first.shift, first.p_value, first.p_adjusted, first.interval
    (2.0, 0.03125, 0.03125, Interval(low=1.0, high=3.0, low_open=False, high_open=False))
    >>> second.p_adjusted, second.zero_differences, second.smallest_p
    (1.0, 3, 0.25)
    """
    others = [v for v in range(means.shape[1]) if v != control]
    differences = settle_ties(means[:, others] - means[:, [control]])
    compared = np.flatnonzero(~np.isnan(differences).all(axis=0)).tolist()
    alone = "Nobody scored the control."
    reason = "No taster scored both this variant and the control."
    missing = NoResult(alone if np.isnan(means[:, control]).all() else reason)
    results: list[RankContrast | NoResult] = [missing] * len(others)
    if compared:
        family = _in_fixed_order(differences[:, compared])
        contrasts = _compare(family, [others[c] for c in compared], alpha, rng, samples)
        for c, contrast in zip(compared, contrasts, strict=True):
            results[c] = contrast
    return tuple(results)


def _compare(
    differences: FloatArray,
    variants: list[int],
    alpha: float,
    rng: np.random.Generator,
    samples: int,
) -> list[RankContrast]:
    """Test and estimate; every column of the differences has a taster."""
    scores = signed_ranks(differences)
    null = null_distribution(scores, rng, samples)
    observed = statistics(scores)
    alone, adjusted = one_by_one(null, observed), single_step(null, observed)
    largest = statistics(np.abs(scores))
    reach, least = null.comparable(largest), np.array(one_by_one(null, largest))
    estimates = shifts_with_intervals(differences, alpha, rng, samples)
    return [
        RankContrast(
            variant=variant,
            tasters=int((~np.isnan(differences[:, v])).sum()),
            zero_differences=int((differences[:, v] == 0).sum()),
            shift=estimates[v][0],
            interval=agreeing(estimates[v][1], estimates[v][0], differs=bool(adjusted[v] <= alpha)),
            equivalence_interval=estimates[v][2],
            p_value=alone[v],
            p_adjusted=float(adjusted[v]),
            smallest_p=float(least[reach >= reach[v]].max()),
            method=null.method,
        )
        for v, variant in enumerate(variants)
    ]


def _in_fixed_order(differences: FloatArray) -> FloatArray:
    """Sort the tasters by what they found, so that their labels cannot move a random draw."""
    sizes = np.abs(np.nan_to_num(differences))
    return differences[np.lexsort((*np.nan_to_num(differences, nan=np.inf).T, sizes.sum(axis=1)))]


FEW = 1000
BESIDE = 0.25e-9
"""How far beside the estimate a shift lies that is no mean of two differences, in points."""
STEPS_BACK = 8  # points by which the search begins outside the ends that it would have without ties


Pairs = tuple[FloatArray, FloatArray]
"""The distinct means of two differences, rising, and how many pairs have each."""


def walsh_quantiles(
    differences: FloatArray, positions: Sequence[int], pairs: Pairs | None = None
) -> FloatArray:
    """Select from the sorted means of all pairs of differences, each paired with itself too.

    Parameters
    ----------
    differences : array, shape (n,)
        In points; a multiple of 1e-9 each.
    positions : sequence of int
        From 0 for the smallest to n (n + 1) / 2 - 1 for the largest.
    pairs : Pairs, optional
        Those of the differences, where they have been formed.

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
    if pairs := pairs or _pairwise_means(differences):
        means, times = pairs
        return means[np.searchsorted(np.cumsum(times), positions, side="right")]
    ordered = np.sort(differences)

    @cache
    def pairs_up_to(total: float) -> int:
        """Count the pairs whose sum does not exceed the total."""
        partners = np.searchsorted(ordered, total - ordered[::-1], side="right")
        return (int(partners.sum()) + int(np.searchsorted(2 * ordered, total, side="right"))) // 2

    def select(position: int) -> float:
        """Halve the range of the sums until one multiple of 1e-9 is left: enough reach it."""
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
    """Estimate each variant's shift, and keep the shifts that the joint test does not reject.

    Parameters
    ----------
    differences : array, shape (n_tasters, n_variants)
        Variant minus control, in points; NaN where not both were scored, but not in a whole
        column.
    alpha : float
        Familywise, between 0 and 1.
    samples : int
        Flips to sample where not all are made.

    Returns
    -------
    list of (float, Interval or None, Interval or None)
        A variant's shift and its intervals, simultaneous at 1 - alpha and 1 - 2 alpha; None
        where there are too few tasters for the level.

    Notes
    -----
    A shift of a variant is tested as `compare_ranks` tests zero: by the signed ranks of its
    differences less the shift, with their ties and zeros, against the flips of the largest
    statistic, the other variants being held at zero. Answers change at means of two
    differences only (J. W. Tukey's construction; M. Hollander and D. A. Wolfe 1973, section
    3.3), so each is tested, and a point between each two. The interval reaches from the first
    that is kept to the last; where that is a point between two, its end is open.

    Up to 18 tasters all flips are made at every shift. Above, the critical value is that at a
    point beside the estimate, since ties and zeros hardly move it; where more than 1,000
    differences are distinct, none are taken to be tied.

    Examples
    --------
    >>> differences = np.array([[2.0], [3.0], [1.0], [2.0], [1.0], [4.0]])
    >>> ((shift, interval, _),) = shifts_with_intervals(differences, 0.05, np.random.default_rng(1))
    >>> shift, interval.low, interval.high
    (2.0, 1.0, 4.0)
    """
    levels, found = (alpha, 2 * alpha), []
    for v, column in enumerate(differences.T):
        own = column[~np.isnan(column)]
        last = len(own) * (len(own) + 1) // 2 - 1  # of the pairwise means, whose median it is
        pairs = _pairwise_means(own)
        shift = float(walsh_quantiles(own, [last // 2, last - last // 2], pairs).mean())
        if pairs and all_can_be_made(len(column), samples):
            others = all_flips(signed_ranks(np.delete(differences, v, axis=1)))
            keeps = _keeps_by_all_flips(column, others.max(axis=1, initial=0.0))
            together = 2**21 >> len(column)
            first, second = (
                _kept(pairs, shift, partial(keeps, level), together) for level in levels
            )
        else:
            beside = differences.copy()
            beside[:, v] -= shift + BESIDE
            null = null_distribution(signed_ranks(beside), rng, samples)
            bounds = (float(null.critical(level)[v]) for level in levels)
            first, second = (_kept_below(own, pairs, shift, bound) for bound in bounds)
        found.append((shift, first, second))
    return found


def agreeing(interval: Interval | None, shift: float, *, differs: bool) -> Interval | None:
    """End an interval at zero where the test that decides says more than it, or less.

    One whose estimate is zero stays as it is: it tells no direction.
    """
    if interval is None or interval.excludes_zero() == differs or (differs and shift == 0):
        return interval
    if not differs:
        return Interval(min(interval.low, 0.0), max(interval.high, 0.0))
    return (
        replace(interval, low=0.0, low_open=True)
        if shift > 0
        else replace(interval, high=0.0, high_open=True)
    )


def _keeps_by_all_flips(
    column: FloatArray, others: FloatArray
) -> Callable[[float, FloatArray], BoolArray]:
    """Return the test of shifts at a level, given the others' largest after each flip."""
    known: dict[float, float] = {}

    def keeps(level: float, shifts: FloatArray) -> BoolArray:
        asked = shifts.tolist()
        if new := [shift for shift in asked if shift not in known]:
            scores = signed_ranks(settle_ties(column[:, None] - np.array(new)))
            whole = scores.astype(np.int16)
            sums = whole[:1].sum(axis=0, dtype=np.int16)[:, None] + flipped_sums(whole[1:])
            reached = np.abs(sums) >= np.abs(scores.sum(axis=0))[:, None]
            reached |= others >= statistics(scores)[:, None] * (1 - TOLERANCE)
            known.update(zip(new, reached.mean(axis=1).tolist(), strict=True))
        return np.array([known[shift] > level for shift in asked])

    return keeps


def _kept_below(
    differences: FloatArray, pairs: Pairs | None, shift: float, bound: float
) -> Interval | None:
    """Keep the shifts whose statistic does not exceed a critical value."""

    def keeps(tested: FloatArray) -> BoolArray:
        scores = signed_ranks(differences[:, None] - tested)
        return statistics(scores) <= bound * (1 + TOLERANCE)

    n = len(differences)
    most, length = n * (n + 1) / 2, math.sqrt(n * (n + 1) * (2 * n + 1) / 6)
    if most <= bound * length * (1 + TOLERANCE):
        return None
    # the positive rank sum is the number of pairwise means above the shift, so that so many
    # of them lie outside at either end; untied, which is a little wider
    cut = math.ceil((most - bound * length) / 2 - 1e-6) - 1
    ends = walsh_quantiles(differences, [cut, int(most) - 1 - cut], pairs)
    if not pairs:
        return Interval(*ends.tolist())
    return _kept(pairs, shift, keeps, STEPS_BACK, ends)


def _kept(
    pairs: Pairs,
    shift: float,
    keeps: Callable[[FloatArray], BoolArray],
    together: int,
    near: FloatArray | None = None,
) -> Interval | None:
    """Reach from the first pairwise mean, or point between two, that is kept to the last.

    The search begins outside all of them, or a little outside the ends that are given, and tests
    so many `together`. A mean of a single pair is no end by itself, except zero; the estimate
    always belongs to the interval.
    """
    means, times = pairs
    points = np.empty(2 * len(means) + 1)
    points[1::2] = means
    points[::2] = [means[0] - 1, *(means[1:] + means[:-1]) / 2, means[-1] + 1]
    tested = np.ones(points.size, dtype=bool)
    tested[1::2] = (times > 1) | (means == 0)
    first, last = 0, points.size - 1
    if near is not None:
        low, high = 2 * np.searchsorted(means, near) + 1
        first, last = max(int(low) - STEPS_BACK, first), min(int(high) + STEPS_BACK, last)
    places = first + np.flatnonzero(tested[first : last + 1])
    kept = [_first_kept(side, points, keeps, together) for side in (places, places[::-1])]
    if kept[0] is None or kept[1] is None:
        return Interval(shift, shift)
    if kept[0] == 0 or kept[1] == points.size - 1:
        return None
    # an end between two means, at an even place, goes on to the mean outside it
    low, high = means[(kept[0] - 1) // 2], means[kept[1] // 2]
    return Interval(
        low=float(min(low, shift)),
        high=float(max(high, shift)),
        low_open=bool(low < shift) and kept[0] % 2 == 0 and not keeps(low[None])[0],
        high_open=bool(high > shift) and kept[1] % 2 == 0 and not keeps(high[None])[0],
    )


def _first_kept(
    places: IntArray, points: FloatArray, keeps: Callable[[FloatArray], BoolArray], together: int
) -> int | None:
    """Return the first of the places whose point is kept."""
    for start in range(0, places.size, together):
        kept = np.flatnonzero(keeps(points[places[start : start + together]]))
        if kept.size:
            return int(places[start + kept[0]])
    return None


def _pairwise_means(differences: FloatArray) -> Pairs | None:
    """Form the pairs, each difference with itself too; None where too many are distinct."""
    values, counts = np.unique(differences, return_counts=True)
    if len(values) > FEW:
        return None
    first, second = np.triu_indices(len(values))
    pairs: FloatArray = np.where(
        first == second, counts[first] * (counts[first] + 1) / 2, counts[first] * counts[second]
    )
    sums, place = np.unique(settle_ties(values[first] + values[second]), return_inverse=True)
    return sums / 2, np.bincount(place, pairs).astype(np.float64)
