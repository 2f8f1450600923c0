"""The rank comparison of many complete trials at once."""

from __future__ import annotations

import math

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, SingleArray
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

STAGES = (1, 4)
"""Blocks of flips after which those that too many have reached are left."""

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
    return _passes(_signed_ranks(differences), signs, alpha, asked)


def _passes(
    ranks: FloatArray, signs: SingleArray, alpha: float, asked: BoolArray | None
) -> BoolArray:
    """Decide as `tell_apart` by signed ranks, shape (m, v, t).

    Trials leave as soon as too many flips reach as far as they do.
    """
    squares = (ranks**2).sum(axis=2)
    lengths = np.sqrt(np.where(squares > 0, squares, 1.0))
    reach = np.abs(ranks.sum(axis=2)) / lengths
    shown: BoolArray = reach > math.sqrt(2 * math.log(2 * reach.shape[1] / alpha))
    some = 1.0 if alpha < 3 / 16 else 0.0
    left = ~shown & (reach >= some) & (reach > 0) & (True if asked is None else asked)
    going = np.flatnonzero(left.any(axis=1))
    whole, single = (part.astype(np.float32).swapaxes(0, 1) for part in (ranks, lengths))
    near = (reach * (1 - NEAR)).astype(np.float32)
    allowed = alpha * signs.shape[0] * signs.shape[1] * (1 + TOLERANCE)
    beyond = np.zeros(shown.shape, dtype=np.int64)
    size = max(1, PRODUCT // signs[0].size)
    for blocks in filter(len, np.split(signs, STAGES)):
        for part in (going[start : start + size] for start in range(0, going.size, size)):
            largest = np.zeros((*blocks.shape[:2], part.size), dtype=np.float32)
            for scores, length in zip(whole, single, strict=True):
                sums = np.matmul(blocks, scores[part].T)  # whole numbers, so exact
                np.abs(sums, out=sums)
                sums /= length[part]
                np.maximum(largest, sums, out=largest)
            for at in np.flatnonzero(left[part].any(axis=0)).tolist():
                reached = (largest >= near[part, at]).view(np.uint8)
                counts = reached.sum(axis=1, dtype=np.uint8)  # 128 fit in a byte
                beyond[part, at] += counts.sum(axis=0, dtype=np.int64)
        left &= beyond <= allowed
        going = going[left[going].any(axis=1)]
    shown |= left
    return shown


def _signed_ranks(differences: FloatArray) -> FloatArray:
    """Twice the signed ranks within each trial and variant; zero differences take no rank.

    From shape (m, t, v) to shape (m, v, t).
    """
    rows = np.ascontiguousarray(differences.swapaxes(1, 2))
    sizes = np.abs(rows)
    order = np.argsort(sizes, axis=2)
    ordered = np.take_along_axis(sizes, order, axis=2)
    t = sizes.shape[2]
    place = np.arange(t)
    fresh = np.ones(ordered.shape, dtype=bool)
    fresh[..., 1:] = ordered[..., 1:] != ordered[..., :-1]
    last = np.ones_like(fresh)
    last[..., :-1] = fresh[..., 1:]
    first_at = np.maximum.accumulate(np.where(fresh, place, 0), axis=2)
    last_at = np.minimum.accumulate(np.where(last, place, t)[..., ::-1], axis=2)[..., ::-1]
    zeros = np.count_nonzero(sizes == 0, axis=2)[..., None]
    ranks = np.empty_like(sizes)
    np.put_along_axis(ranks, order, first_at + last_at + 2.0 - 2 * zeros, axis=2)
    return np.sign(rows) * ranks


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
    ranks = _signed_ranks(differences)
    inside = np.ones(ranks.shape[:2], dtype=bool)
    for v in range(ranks.shape[1]):
        asked = np.arange(ranks.shape[1]) == v
        for end in (margin, -margin):
            beyond = _signed_ranks(settle_ties(differences[:, :, [v]] - end))
            rows = np.flatnonzero(inside[:, v] & (beyond.sum(axis=2)[:, 0] * end < 0))
            shifted = ranks[rows]
            shifted[:, v] = beyond[rows, 0]
            inside[:, v] = False
            inside[rows, v] = _passes(shifted, signs, 2 * alpha, asked)[:, v]
    return inside
