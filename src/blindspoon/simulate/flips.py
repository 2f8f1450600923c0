"""The rank comparison of many complete trials at once."""

import math

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, SingleArray
from blindspoon.stats.sign_flips import EXACT_UP_TO, SAMPLES, TOLERANCE, settle_ties, signed_ranks
from blindspoon.stats.signed_ranks import BESIDE

ALL_UP_TO = 12  # tasters up to which all flips are made

SAMPLED = 2048
"""Flips that trials with more tasters share, their own signs among them: chances stay within
0.005 of those with 99,999 (measured for 16 and 24 tasters), below their Monte Carlo error."""

PRODUCT = 1 << 18
"""Multiplications up to which a matrix product stays on one core (OpenBLAS): its threads cost
more than they save on products as small as these."""

ROWS = 32

STAGES = (4, 12, 28)  # blocks of flips after which a trial that is clear is left

CLEAR = 3.5
"""Standard errors, of a share of the flips that stay to be made, that make a trial clear."""

NEAR = 1e-5  # share by which two statistics in single precision may be apart and still be tied


def make_flips(tasters: int, rng: np.random.Generator) -> SingleArray:
    """Make all flips up to turning everyone at once, or a sample of 2,048 above 12 tasters.

    Signs, shape (blocks, at most 32, tasters), in no order but that the first flip turns nobody.

    >>> signs = make_flips(3, np.random.default_rng(1))
    >>> sorted((signs @ np.array([1, 2, 4], dtype=np.float32)).ravel().tolist())
    [-5.0, -1.0, 3.0, 7.0]
    """
    if tasters <= ALL_UP_TO:
        ways = rng.permuted(np.arange(1, 2 ** (tasters - 1)))
        turned = np.append(0, ways)[:, None] << 1 >> np.arange(tasters) & 1
    else:
        turned = rng.integers(0, 2, (SAMPLED, tasters))
        turned[0] = 0
    signs = (1 - 2 * turned).astype(np.float32)
    return signs.reshape(-1, min(ROWS, len(signs)), tasters)


def smallest_p(tasters: int) -> float:
    """Give the smallest adjusted p that this many tasters can reach by ranks.

    Two of the ``2^t`` flips are as extreme as tasters who all lean the same way; where flips
    are sampled, p is at least one over their number with the data.

    >>> smallest_p(5), smallest_p(6)
    (0.0625, 0.03125)
    """
    least = 2.0 ** (1 - tasters)
    return least if tasters <= EXACT_UP_TO else max(least, 1 / (SAMPLES + 1))


def tell_apart(
    differences: FloatArray, signs: SingleArray, alpha: float, asked: BoolArray | None = None
) -> BoolArray:
    """Decide whether each variant is shown different, as `compare_ranks` would.

    Differences are variant minus control in points, shape (m, t, v): trials, tasters, variants;
    signs as `make_flips` gives them. True, shape (m, v), where the p value, adjusted by single-step
    max-T, is at most alpha, familywise. Only variants that are `asked`, by default all, have to be
    decided; others may be left False.

    Flips are spared where bounds decide: a sum of n signed ranks passes z times its length
    with a chance of at most 2 exp(-z^2 / 2) (W. Hoeffding 1963, J. Am. Stat. Assoc. 58, 13-30),
    and passes its length with one of 3/16 at least (V. Dvořák and O. Klein 2022, SIAM J. Discrete
    Math. 36). The others stop early, once the share of the flips that reach as far is clearly on
    one side of alpha (J. Besag and P. Clifford 1991, Biometrika 78, 301-304, stop so on the other
    side alone).

    >>> differences = np.array([2.0, 3, 1, 2, 4, 1]).reshape(1, 6, 1)
    >>> tell_apart(differences, make_flips(6, np.random.default_rng(1)), 0.05)
    array([[ True]])
    """
    return _passes(signed_ranks(differences), signs, alpha, asked)


def _passes(
    ranks: FloatArray, signs: SingleArray, alpha: float, asked: BoolArray | None
) -> BoolArray:
    """Decide as `tell_apart` by signed ranks, shape (m, t, v)."""
    squares = (ranks**2).sum(axis=1)
    scaled = ranks / np.sqrt(np.where(squares > 0, squares, 1.0))[:, None]
    reach = np.abs(scaled.sum(axis=1))
    shown: BoolArray = reach > math.sqrt(2 * math.log(2 * reach.shape[1] / alpha))
    some = 1.0 if alpha < 3 / 16 else 0.0
    left = ~shown & (reach >= some) & (reach > 0) & (True if asked is None else asked)
    near = np.where(left, reach * (1 - NEAR), np.inf).astype(np.float32)
    scaled = np.ascontiguousarray(scaled.transpose(2, 1, 0), dtype=np.float32)
    beyond, made, every = np.zeros(shown.shape), 0, signs[..., 0].size
    for flips in filter(len, np.split(signs, STAGES)):
        made += flips[..., 0].size
        going = np.flatnonzero(left.any(axis=1))
        size = max(1, PRODUCT // max(flips[0].size, flips[..., 0].size))
        for part in (going[start : start + size] for start in range(0, going.size, size)):
            largest = np.zeros((*flips.shape[:2], part.size), dtype=np.float32)
            for scores in scaled[:, :, part]:
                np.maximum(largest, np.abs(flips @ scores), out=largest)
            slots = np.argsort(~left[part], axis=1, kind="stable")
            for at in slots.T[: left[part].sum(axis=1).max()]:
                reached = (largest >= near[part, at]).view(np.uint8)
                counts = reached.sum(axis=1, dtype=np.uint8)  # 32 fit in a byte
                beyond[part, at] += counts.sum(axis=0, dtype=np.int64)
        doubt = CLEAR * math.sqrt(alpha * (1 - alpha) * made * (1 - made / every))
        allowed = alpha * made * (1 + TOLERANCE)
        shown |= left & (beyond <= allowed - doubt)
        left &= np.abs(beyond - allowed) < doubt
    return shown


def within(differences: FloatArray, signs: SingleArray, alpha: float, margin: float) -> BoolArray:
    """Decide whether each variant's simultaneous interval lies inside the margin, in points.

    The arrays are as in `tell_apart`, differences multiples of 1e-9, and intervals have level 1 - 2
    alpha. True where the test that made the interval rejects either end of the margin.
    """
    middles = np.median(differences, axis=1, keepdims=True)  # the estimates, or near them
    ranks = signed_ranks(settle_ties(differences - middles) - BESIDE)
    ends = [signed_ranks(settle_ties(differences - end)) for end in (margin, -margin)]
    sums = [end.sum(axis=1) for end in ends]
    inside: BoolArray = (sums[0] < 0) & (sums[1] > 0)
    nearer = np.abs(sums[0]) < np.abs(sums[1])
    for first in (True, False):  # the nearer end, which seldom passes, and then the other
        trial, variant = np.nonzero(inside)
        end = np.where((nearer == first)[:, None], *ends)
        shifted, row = ranks[trial], np.arange(trial.size)
        shifted[row, :, variant] = end[trial, :, variant]
        asked = variant[:, None] == np.arange(ranks.shape[2])
        inside[trial, variant] = _passes(shifted, signs, 2 * alpha, asked)[row, variant]
    return inside
