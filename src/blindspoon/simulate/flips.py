"""The rank comparison of many complete trials at once."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray, SingleArray
from blindspoon.stats.sign_flips import EXACT_UP_TO, SAMPLES, TOLERANCE, settle_ties

ALL_UP_TO = 12
"""Tasters up to which all flips are made."""

SAMPLED = 2048
"""Flips that trials with more tasters share, their own signs among them: chances stay within
0.005 of those with 99,999 (measured for 16 and 24 tasters), below their Monte Carlo error."""

PRODUCT = 1 << 18
"""Multiplications up to which a matrix product stays on one core (OpenBLAS): its threads cost
more than they save on products as small as these."""

ROWS = 128

NEAR = 1e-6
"""Share by which two statistics in single precision may be apart and still be tied."""


def make_flips(tasters: int, rng: np.random.Generator) -> SingleArray:
    """Make all flips up to turning everyone at once, or a sample of 2,048 above 12 tasters.

    Returns
    -------
    single array, shape (blocks, at most 128, tasters)
        Signs; the first flip turns nobody.

    Examples
    --------
    >>> signs = make_flips(3, np.random.default_rng(1))
    >>> (signs @ np.array([1, 2, 4], dtype=np.float32)).tolist()
    [[7.0, 3.0, -1.0, -5.0]]
    """
    if tasters <= ALL_UP_TO:
        turned = np.arange(2 ** (tasters - 1))[:, None] << 1 >> np.arange(tasters) & 1
    else:
        turned = rng.integers(0, 2, (SAMPLED, tasters))
        turned[0] = 0
    signs = (1 - 2 * turned).astype(np.float32)
    blocks: SingleArray = signs.reshape(-1, min(ROWS, len(signs)), tasters)
    return blocks


def _sizes(scores: SingleArray, signs: SingleArray) -> SingleArray:
    """Sum whole-numbered scores, shape (m, t), after each flip; sizes of the sums, (flips, m)."""
    sums = np.matmul(signs, np.ascontiguousarray(scores.T))
    sizes: SingleArray = np.abs(sums, out=sums).reshape(-1, len(scores))
    return sizes


def _count(passed: BoolArray, signs: SingleArray) -> IntArray:
    """Count over the flips, (flips, m) to (m,); a block's count fits in a byte."""
    blocks = passed.view(np.uint8).reshape(*signs.shape[:2], -1)
    counts: IntArray = blocks.sum(axis=1, dtype=np.uint8).sum(axis=0, dtype=np.int64)
    return counts


def _pieces(trials: int, signs: SingleArray) -> Iterator[slice]:
    """Cut many trials into pieces whose products with a block of flips stay small."""
    size = max(1, PRODUCT // (signs.shape[1] * signs.shape[2]))
    return (slice(start, start + size) for start in range(0, trials, size))


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


def tell_apart(
    differences: FloatArray, signs: SingleArray, alpha: float, asked: BoolArray | None = None
) -> BoolArray:
    """Decide whether each variant is shown different, as `compare_ranks` would.

    Parameters
    ----------
    differences : float array, shape (m, t, v)
        Trials, tasters, variants: variant minus control, in points.
    signs : single array
        As `make_flips` gives them.
    alpha : float
        Familywise.
    asked : bool array, shape (m, v), optional
        The variants that have to be decided; all by default. Others may be left False.

    Returns
    -------
    bool array, shape (m, v)
        Whether the p value, adjusted by single-step max-T, is at most alpha.

    Notes
    -----
    Flips are spared where bounds decide: a sum of n signed ranks passes z times its length
    with a chance of at most 2 exp(-z^2 / 2) (W. Hoeffding 1963, J. Am. Stat. Assoc. 58, 13-30),
    and passes its length with one of 3/16 at least (V. Dvořák and O. Klein 2022, SIAM J. Discrete
    Math. 36).

    Examples
    --------
    >>> differences = np.array([2.0, 3, 1, 2, 4, 1]).reshape(1, 6, 1)
    >>> tell_apart(differences, make_flips(6, np.random.default_rng(1)), 0.05)
    array([[ True]])
    """
    ranks = _signed_ranks(differences)
    squares = (ranks**2).sum(axis=1)
    lengths = np.sqrt(np.where(squares > 0, squares, 1.0))
    reach = np.abs(ranks.sum(axis=1)) / lengths
    shown: BoolArray = reach > math.sqrt(2 * math.log(2 * reach.shape[1] / alpha))
    some = 1.0 if alpha < 3 / 16 else 0.0
    left = ~shown & (reach >= some) & (reach > 0) & (True if asked is None else asked)
    going = np.flatnonzero(left.any(axis=1))
    whole = ranks.astype(np.float32)
    for piece in _pieces(going.size, signs):
        part = going[piece]
        largest = np.zeros((signs.shape[0] * signs.shape[1], part.size), dtype=np.float32)
        for v in range(ranks.shape[2]):
            sizes = _sizes(whole[part, :, v], signs)
            sizes /= lengths[part, v].astype(np.float32)
            np.maximum(largest, sizes, out=largest)
        near = (reach[part] * (1 - NEAR)).astype(np.float32)
        beyond = [_count(largest >= near[:, v], signs) for v in range(ranks.shape[2])]
        allowed = alpha * len(largest) * (1 + TOLERANCE)
        shown[part] |= left[part] & (np.column_stack(beyond) <= allowed)
    return shown


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


def within(differences: FloatArray, signs: SingleArray, alpha: float, margin: float) -> BoolArray:
    """Decide whether each variant's simultaneous interval lies inside the margin.

    Parameters
    ----------
    differences : float array, shape (m, t, v)
        As in `tell_apart`, a multiple of 1e-9 each.
    signs : single array
    alpha : float
        The intervals have level 1 - 2 alpha.
    margin : float
        In points.

    Returns
    -------
    bool array, shape (m, v)
        Whether the test that made the interval rejects either end of the margin.
    """
    inside = np.ones((len(differences), differences.shape[2]), dtype=bool)
    for v in range(differences.shape[2]):
        asked = np.arange(differences.shape[2]) == v
        for end in (margin, -margin):
            beyond = settle_ties(differences[:, :, v] - end)
            leaning = (_signed_ranks(beyond[..., None]).sum(axis=1)[:, 0] * end) < 0
            rows = np.flatnonzero(inside[:, v] & leaning)
            shifted = differences[rows]
            shifted[:, :, v] = beyond[rows]
            inside[:, v] = False
            inside[rows, v] = tell_apart(shifted, signs, 2 * alpha, asked)[:, v]
    return inside
