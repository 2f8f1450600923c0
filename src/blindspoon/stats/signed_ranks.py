"""Ranks within tasters: each variant against the control (test, estimate, intervals), or all.

All variants alike is Friedman's test, rising in an order is Page's.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import permutations

import numpy as np
from scipy.special import chdtrc

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.results import Friedman, Interval, NoResult, RankContrast
from blindspoon.stats.sign_flips import (
    EXACT_UP_TO,
    FINEST,
    SMALLEST,
    TOLERANCE,
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
) -> tuple[RankContrast | NoResult, ...]:
    """Compare each variant with the control by signed ranks, jointly over the variants.

    The tasters are put in a fixed order before `rng` draws.

    *Test.* A taster's differences from the control are turned all at once. A variant's
    statistic is the absolute sum of its signed ranks (F. Wilcoxon 1945, Biometrics Bull. 1:80)
    over the root of their sum of squares. ``p_value`` refers it to the flips alone, ``p_adjusted``
    to the flips of the largest over the variants (single-step max-T: P. H. Westfall and S. S. Young
    1993). It holds however unequal the tasters' spreads and wherever scores are missing.

    *Estimate.* ``shift`` is the median of the pairwise means of the differences (J. L. Hodges and
    E. L. Lehmann 1963, Ann. Math. Stat. 34:598); zeros stay in. The interval is that of
    `shifts_with_intervals`, ended at zero where it says otherwise than ``p_adjusted``.

    *Least p.* For a variant on which m tasters differ ``smallest_p`` is 2 / 2^m, or that of a
    variant whose largest possible statistic is as large, if larger: it is among those to be beaten.

    >>> means = np.array([[5, 7, 5], [4, 7, 4], [6, 7, 7], [3, 5, 2], [5, 6, 5], [4, 8, 5.0]])
    >>> first, second = compare_ranks(means, control=0, alpha=0.1, rng=np.random.default_rng(1))
    >>> first.shift, first.p_value, first.p_adjusted, first.interval
    (2.0, 0.03125, 0.03125, Interval(low=1.0, high=3.5, low_open=False, high_open=False))
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
        contrasts = _compare(family, [others[c] for c in compared], alpha, rng)
        for c, contrast in zip(compared, contrasts, strict=True):
            results[c] = contrast
    return tuple(results)


def _compare(
    differences: FloatArray,
    variants: list[int],
    alpha: float,
    rng: np.random.Generator,
) -> list[RankContrast]:
    """Test and estimate; every column of the differences has a taster."""
    scores = signed_ranks(differences)
    null = null_distribution(scores, rng)
    observed = statistics(scores)
    alone, adjusted = one_by_one(null, observed), single_step(null, observed)
    largest = statistics(np.abs(scores))
    least = np.array(one_by_one(null, largest))
    estimates = shifts_with_intervals(differences, alpha, rng)
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
            smallest_p=float(least[largest >= largest[v]].max()),
            method=null.method,
        )
        for v, variant in enumerate(variants)
    ]


def _in_fixed_order(differences: FloatArray) -> FloatArray:
    """Sort the tasters by what they found, so that their labels cannot move a random draw."""
    sizes = np.abs(np.nan_to_num(differences))
    return differences[np.lexsort((*np.nan_to_num(differences, nan=np.inf).T, sizes.sum(axis=1)))]


FEW = 1000  # parts of their span to which more distinct differences than that are rounded
BESIDE = 0.25 / FINEST
"""How far beside the estimate a shift lies that is no mean of two differences, in points."""
STEPS_BACK = 8  # points by which the search begins outside the ends that it would have without ties


Pairs = tuple[FloatArray, FloatArray]
"""The distinct means of two differences, rising, and how many pairs have each."""


def pairwise_means(differences: FloatArray) -> Pairs:
    """Form all pairs of differences, each with itself too (J. W. Tukey 1949, after J. Walsh).

    >>> pairwise_means(np.array([1.0, 1.0, 3.0]))
    (array([1., 2., 3.]), array([3., 2., 1.]))
    """
    values, counts = np.unique(differences, return_counts=True)
    first, second = np.triu_indices(len(values))
    pairs: FloatArray = np.where(
        first == second, counts[first] * (counts[first] + 1) / 2, counts[first] * counts[second]
    )
    sums, place = np.unique(settle_ties(values[first] + values[second]), return_inverse=True)
    return sums / 2, np.bincount(place, pairs).astype(np.float64)


def _select(pairs: Pairs, positions: Sequence[int]) -> FloatArray:
    """Select from the sorted means of all pairs, the smallest at 0."""
    means, times = pairs
    return means[np.searchsorted(np.cumsum(times), positions, side="right")]


def shifts_with_intervals(
    differences: FloatArray, alpha: float, rng: np.random.Generator
) -> list[tuple[float, Interval | None, Interval | None]]:
    """Estimate each variant's shift, and keep the shifts that the joint test does not reject.

    Differences, shape (n_tasters, n_variants), are NaN where not both were scored, but not in a
    whole column. Gives each variant's shift and its intervals, simultaneous at 1 - alpha and 1 - 2
    alpha; None where there are too few tasters for the level.

    A shift of a variant is tested as `compare_ranks` tests zero: by the signed ranks of its
    differences less the shift, with their ties and zeros, against the flips of the largest
    statistic, each other variant being held at its own estimate: held at zero, those that
    differ would turn together with the one that is tested, and the intervals be too short.
    Answers change at means of two differences only (J. W. Tukey's construction; M. Hollander
    and D. A. Wolfe 1973, section 3.3), so each is tested, and a point between each two. The
    interval reaches from the first that is kept to the last; where that is a point between
    two, its end is open.

    Up to 18 tasters all flips are made at every shift. Above, the critical value is that at a
    point beside the estimate, since ties and zeros hardly move it. More than 1,000 distinct
    differences are rounded to a thousandth of their span.
    """
    levels, found = (alpha, 2 * alpha), []
    columns = [_told_apart(column[~np.isnan(column)]) for column in differences.T]
    pairs = [pairwise_means(own) for own in columns]
    shifts = [_middle(own.size, formed) for own, formed in zip(columns, pairs, strict=True)]
    beside = signed_ranks(settle_ties(differences - np.array(shifts)) - BESIDE)
    if exact := len(beside) <= EXACT_UP_TO:
        flips, together = all_flips(beside), 2**21 >> len(beside)
    else:
        null = null_distribution(beside, rng)
        bounds = [null.critical(level) for level in levels]
    for v, (own, formed, shift) in enumerate(zip(columns, pairs, shifts, strict=True)):
        if exact:
            others = np.delete(flips, v, axis=1).max(axis=1, initial=0.0)
            keeps = _keeps_by_all_flips(differences[:, v], others)
            first, second = (_kept(formed, shift, partial(keeps, p), together) for p in levels)
        else:
            first, second = (_kept_below(own, formed, shift, bound) for bound in bounds)
        found.append((shift, first, second))
    return found


def _told_apart(differences: FloatArray) -> FloatArray:
    if np.unique(differences).size <= FEW:
        return differences
    step = np.ptp(differences) / FEW
    return settle_ties(np.rint(differences / step) * step)


def _middle(n: int, pairs: Pairs) -> float:
    """Take the median of the pairwise means of n differences."""
    last = n * (n + 1) // 2 - 1
    return float(_select(pairs, [last // 2, last - last // 2]).mean())


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
    differences: FloatArray, pairs: Pairs, shift: float, bound: float
) -> Interval | None:
    """Keep the shifts whose statistic does not exceed a critical value."""
    values, counts = np.unique(differences, return_counts=True)

    def keeps(tested: FloatArray) -> BoolArray:
        moved = settle_ties(values - tested[:, None])
        found = np.array([_statistic_of_counts(row, counts) for row in moved])
        return found <= bound * (1 + TOLERANCE)

    n = len(differences)
    most, length = n * (n + 1) / 2, math.sqrt(n * (n + 1) * (2 * n + 1) / 6)
    if most <= bound * length * (1 + TOLERANCE):
        return None
    # the positive rank sum is the number of pairwise means above the shift, so that so many
    # of them lie outside at either end; untied, which is a little wider
    cut = math.ceil((most - bound * length) / 2 - 1e-6) - 1
    ends = _select(pairs, [cut, int(most) - 1 - cut])
    return _kept(pairs, shift, keeps, STEPS_BACK, ends)


def _statistic_of_counts(values: FloatArray, counts: IntArray) -> float:
    """Give what `statistics` does of differences that come so many times each."""
    _, place = np.unique(np.abs(values), return_inverse=True)
    held = np.bincount(place, counts * (values != 0))
    ranks = np.sign(values) * (2 * np.cumsum(held) - held + 1)[place]
    return float(abs(counts @ ranks) / math.sqrt(counts @ ranks**2 or 1.0))


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


def friedman(means: FloatArray) -> Friedman | NoResult:
    """Test by ranks within tasters whether all variants are alike.

    Midranks within each taster, centred and weighted by sqrt(12 / (k + 1)) for a taster who
    scored k variants, are summed over the tasters. The sums' covariance is that of the midranks
    permuted within each taster; the statistic is the quadratic form with its generalised inverse.
    That is

    * Friedman's statistic with the correction for ties, where every taster scored every
      variant: M. Friedman 1937, J. Am. Stat. Assoc. 32:675;
    * Durbin's in balanced incomplete blocks without ties: J. Durbin 1951, Br. J. Psychol. 4:85;
    * that of J. H. Skillings and G. A. Mack 1981, Technometrics 23:171, otherwise. They rank
      ties as here but leave the covariance uncorrected, which is conservative.

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
    """Rank each row from 1 for the lowest up, ties averaged and NaN left in place.

    >>> midranks(np.array([[5.0, np.nan, 3.0, 5.0]]))
    array([[2.5, nan, 1. , 2.5]])
    """
    ranks = np.full_like(means, 0.5)
    for column in means.T:
        ranks += (column[:, None] < means) + 0.5 * (column[:, None] == means)
    return np.where(np.isnan(means), np.nan, ranks)


MOST_AGES, MOST_TASTERS = 8, 60  # up to which all orders of all tasters are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTrend:
    """Page's test, with the tasters who gave two scores or more.

    The statistic is L: the sum of ranks, each times the place of its column from 1.
    """

    statistic: float
    p_rising: float
    p_falling: float
    tasters: int

    @property
    def p_value(self) -> float:
        """Two-sided: twice the smaller, where no direction was named beforehand."""
        return min(1.0, 2 * min(self.p_rising, self.p_falling))


def page_trend(scores: FloatArray) -> PageTrend | NoResult:
    """Test whether each taster's ranks rise, or fall, over columns in a known order.

    Such columns are ages tasted in one sitting; NaN where missing.

    E. B. Page 1963, J. Am. Stat. Assoc. 58:216; ISO 8587 has it for an order known beforehand. If
    the cups are alike, all orders of a taster's own ranks, ties averaged, over the columns that
    they scored are equally likely; L is the sum over tasters, so its distribution is the
    convolution of theirs.
    """
    there = np.isfinite(scores)
    rows = np.flatnonzero(there.sum(axis=1) > 1)
    if there[rows].any(axis=0).sum() < 3:
        return NoResult("A trend needs three columns, and somebody who scored two.")
    if scores.shape[1] > MOST_AGES or rows.size > MOST_TASTERS:
        return NoResult(f"Orders are counted up to {MOST_AGES} ages and {MOST_TASTERS} tasters.")
    # doubled, so that they are whole; 0 where missing
    ranks = np.nan_to_num(2 * midranks(settle_ties(scores[rows])))
    doubled = float((ranks @ np.arange(1, scores.shape[1] + 1)).sum())
    total, least = np.ones(1), 0
    for row in ranks:
        sums = (_orders(tuple(np.flatnonzero(row).tolist())) @ row[row > 0]).astype(np.int64)
        total = np.convolve(total, np.bincount(sums - sums.min()) / sums.size)
        least += int(sums.min())
    at = round(doubled) - least
    rising, falling = (min(float(tail.sum()), 1.0) for tail in (total[at:], total[: at + 1]))
    return PageTrend(statistic=doubled / 2, p_rising=rising, p_falling=falling, tasters=rows.size)


@cache
def _orders(places: tuple[int, ...]) -> FloatArray:
    """List all orders of some columns' places, from 1, one a row."""
    return np.array(list(permutations(places)), np.float64) + 1
