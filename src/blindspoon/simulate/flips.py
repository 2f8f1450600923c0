"""The rank comparison of many complete trials at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindspoon.arrays import BoolArray, FloatArray, SingleArray
from blindspoon.stats.sign_flips import EXACT_UP_TO, SAMPLES, TOLERANCE, settle_ties

ALL_UP_TO = 12
"""Tasters up to which all flips are made."""

SAMPLED = 2047
"""Flips that trials with more tasters share, their own signs added: chances stay within 0.005 of
those with 99,999 (measured for 16 and 24 tasters), below their Monte Carlo error."""

GROUP = 10
"""Tasters whose turns are all added up before a sample is taken."""

TOGETHER = 1 << 17
"""Flips times trials, or pairs of tasters times trials, that are held at once."""


@dataclass(frozen=True, slots=True)
class Flips:
    """Turns of whole tasters, shared by all trials of one size.

    Parameters
    ----------
    count : int
    samples : int array, shape (g, count), or None
        For each ten tasters which of their 1,024 turns each flip has; None where all flips are
        made, up to turning everyone at once.
    """

    count: int
    samples: NDArray[np.int64] | None

    @property
    def own(self) -> int:
        """How many to add: the trial's own signs, which a sample need not hold."""
        return 0 if self.samples is None else 1

    def sizes(self, scores: SingleArray) -> SingleArray:
        """Sum whole-numbered scores, shape (m, t), after each flip; sizes of the sums, (count, m).

        Without BLAS, whose threads cost more than they save on products as small as these.
        """
        tasters = np.ascontiguousarray(scores.T)[:, None, :]
        if self.samples is None:
            total = _turned(tasters[0], tasters[1:])
        else:
            total = np.zeros((self.count, len(scores)), dtype=np.float32)
            for group, drawn in enumerate(self.samples):
                tens = tasters[GROUP * group : GROUP * (group + 1)]
                total += np.take(_turned(np.zeros_like(tens[0]), tens), drawn, axis=0)
        return np.abs(total, out=total)


def _turned(sums: SingleArray, tasters: SingleArray) -> SingleArray:
    """Add every taster's scores with both signs to sums: twice as many rows with each taster."""
    for row in tasters:
        sums = np.concatenate((sums + row, sums - row))
    return sums


def make_flips(tasters: int, rng: np.random.Generator) -> Flips:
    """Make all flips up to turning everyone at once, or a sample of 2,047 above 12 tasters.

    Examples
    --------
    >>> flips = make_flips(3, np.random.default_rng(1))
    >>> flips.sizes(np.array([[1.0, 2.0, 4.0]], dtype=np.float32)).ravel()
    array([7., 3., 1., 5.], dtype=float32)
    """
    if tasters <= ALL_UP_TO:
        return Flips(2 ** (tasters - 1), None)
    ways = [2 ** min(GROUP, tasters - start) for start in range(0, tasters, GROUP)]
    return Flips(SAMPLED, np.array([rng.integers(0, each, SAMPLED) for each in ways]))


def smallest_p(tasters: int) -> float:
    """Give the smallest adjusted p that this many tasters can reach by ranks.

    Notes
    -----
    Two of the ``2^t`` flips are as extreme as tasters who all lean the same way; where flips
    are sampled, p is at least one over their number with the data.

    Examples
    --------
    >>> smallest_p(5), smallest_p(6)
    (0.0625, 0.03125)
    """
    least = 2.0 ** (1 - tasters)
    return least if tasters <= EXACT_UP_TO else max(least, 1 / (SAMPLES + 1))


def tell_apart(differences: FloatArray, flips: Flips, alpha: float) -> BoolArray:
    """Decide whether each variant is shown different, as `compare_ranks` would.

    Parameters
    ----------
    differences : float array, shape (m, t, v)
        Trials, tasters, variants: variant minus control, in points.
    flips : Flips
    alpha : float
        Familywise.

    Returns
    -------
    bool array, shape (m, v)
        Whether the p value, adjusted by step-down max-T, is at most alpha.

    Notes
    -----
    P. H. Westfall and S. S. Young (1993), Resampling-Based Multiple Testing, algorithm 2.8.
    Sums of ranks are whole numbers and stay exact in single precision.

    Examples
    --------
    >>> differences = np.array([2.0, 3, 1, 2, 4, 1]).reshape(1, 6, 1)
    >>> tell_apart(differences, make_flips(6, np.random.default_rng(1)), 0.05)
    array([[ True]])
    """
    parts = [
        _step_down(_signed_ranks(part), flips, alpha) for part in _split(differences, flips.count)
    ]
    return np.concatenate(parts)


def _split(values: FloatArray, each: int) -> Iterator[FloatArray]:
    size = max(1, TOGETHER // each)
    return (values[start : start + size] for start in range(0, len(values), size))


def _signed_ranks(differences: FloatArray) -> FloatArray:
    """Twice the signed ranks within each trial and variant; zero differences take no rank."""
    sizes = np.abs(differences)
    order = np.argsort(sizes, axis=1)
    ordered = np.take_along_axis(sizes, order, axis=1)
    t = sizes.shape[1]
    place = np.arange(t)[:, None]
    fresh = np.ones(ordered.shape, dtype=bool)
    fresh[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    last = np.ones_like(fresh)
    last[:, :-1] = fresh[:, 1:]
    first_at = np.maximum.accumulate(np.where(fresh, place, 0), axis=1)
    last_at = np.minimum.accumulate(np.where(last, place, t)[:, ::-1], axis=1)[:, ::-1]
    zeros = np.count_nonzero(sizes == 0, axis=1)[:, None, :]
    ranks = np.empty_like(sizes)
    np.put_along_axis(ranks, order, first_at + last_at + 2.0 - 2 * zeros, axis=1)
    return np.sign(differences) * ranks


def _step_down(scores: FloatArray, flips: Flips, alpha: float) -> BoolArray:
    """Adjust the p values of every trial, the clearest variant first."""
    squares = (scores**2).sum(axis=1)
    lengths = np.sqrt(np.where(squares > 0, squares, 1.0))
    observed = np.abs(scores.sum(axis=1)) / lengths
    order = np.argsort(-observed, axis=1, kind="stable")
    ordered = np.take_along_axis(scores, order[:, None, :], axis=2).astype(np.float32)
    lengths, observed = (np.take_along_axis(each, order, axis=1) for each in (lengths, observed))
    reach = observed[:, :, None] * lengths[:, None, :] * (1 - TOLERANCE)
    counts = _counts(ordered, np.ceil(reach).astype(np.float32), flips)
    p = (counts + flips.own) / (flips.count + flips.own)
    adjusted = np.empty_like(observed)
    np.put_along_axis(adjusted, order, np.maximum.accumulate(p, axis=1), axis=1)
    return adjusted <= alpha


def _counts(scores: SingleArray, reach: SingleArray, flips: Flips) -> NDArray[np.uint32]:
    """Count for each stage the flips in which any variant still in it reaches far enough.

    Shapes: scores (m, t, v), variants in order; reach (m, stage, v); counts (m, stage).
    """
    trials, _, variants = scores.shape
    reached = np.zeros((variants, flips.count, trials), dtype=bool)
    for v in range(variants):
        sizes = flips.sizes(scores[:, :, v])
        for stage in range(v + 1):
            reached[stage] |= sizes >= reach[:, stage, v]
    counts: NDArray[np.uint32] = reached.view(np.uint8).sum(axis=1, dtype=np.uint32)
    return counts.T


def within(
    differences: FloatArray, flips: Flips, alpha: float, margin: float, draws: FloatArray
) -> BoolArray:
    """Decide whether each variant's simultaneous interval lies inside the margin.

    Parameters
    ----------
    differences : float array, shape (m, t, v)
        As in `tell_apart`, a multiple of 1e-9 each.
    flips : Flips
    alpha : float
        The intervals have level 1 - 2 alpha.
    margin : float
        In points.
    draws : float array, shape (m, t, v, 2)
        Uniform from 0 to 1: coins that give zeros their signs, and lots that break ties, as in
        `shifts_with_intervals`.

    Returns
    -------
    bool array, shape (m, v)
        False where too few tasters allow no interval.
    """
    t = differences.shape[1]
    each = max(flips.count, t * (t + 1) // 2)
    parts = [
        _inside(part, drawn, flips, alpha, margin)
        for part, drawn in zip(_split(differences, each), _split(draws, each), strict=True)
    ]
    return np.concatenate(parts)


def _inside(
    differences: FloatArray, draws: FloatArray, flips: Flips, alpha: float, margin: float
) -> BoolArray:
    """Count the pairwise means beyond the margin against those that the interval leaves out."""
    first, second = np.triu_indices(differences.shape[1])
    pairs = settle_ties(differences[:, first] + differences[:, second]) / 2
    middle = (first.size - 1) // 2, first.size // 2
    halves = np.partition(pairs, middle, axis=1)[:, list(middle)]
    shifts = halves.mean(axis=1, keepdims=True)
    bound = _critical_sum(_untied(settle_ties(differences - shifts), draws), flips, 2 * alpha)
    left_out = np.ceil((first.size - bound / 2) / 2 - 1e-6)[:, None] - 1
    beyond = np.stack([(pairs <= -margin).sum(axis=1), (pairs >= margin).sum(axis=1)])
    exists = first.size > bound[:, None] / 2 * (1 + 1e-10)
    return exists & (beyond <= left_out).all(axis=0)


def _untied(centred: FloatArray, draws: FloatArray) -> SingleArray:
    """Twice the signed ranks, ties and the signs of zeros drawn."""
    signs = np.where(centred == 0, np.sign(draws[..., 0] - 0.5), np.sign(centred))
    order = np.lexsort((draws[..., 1], np.abs(centred)), axis=1)
    ranks = np.empty_like(centred)
    steps = np.broadcast_to(2.0 * np.arange(1, centred.shape[1] + 1)[:, None], centred.shape)
    np.put_along_axis(ranks, order, steps, axis=1)
    return (signs * ranks).astype(np.float32)


def _critical_sum(scores: SingleArray, flips: Flips, alpha: float) -> FloatArray:
    """Return what the largest sum may exceed in a share alpha of the flips, shape (m,)."""
    largest = np.zeros((flips.count, len(scores)), dtype=np.float32)
    for v in range(scores.shape[2]):
        np.maximum(largest, flips.sizes(scores[:, :, v]), out=largest)
    allowed = int(alpha * (flips.count + flips.own) + TOLERANCE) - flips.own
    if allowed < 0:
        return np.full(len(scores), np.inf)
    place = max(flips.count - 1 - allowed, 0)
    critical: FloatArray = np.partition(largest.T, place, axis=1)[:, place].astype(np.float64)
    return critical
