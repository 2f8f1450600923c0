"""Many simulated trials of one design, decided by signed ranks at once, as `compare_ranks` would.

Exact up to 12 tasters, of whom all flips are made, but for this: others stand at their medians.
"""

import math

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, SingleArray
from blindspoon.stats.sign_flips import TOLERANCE, settle_ties, signed_ranks
from blindspoon.stats.signed_ranks import BESIDE


def rank_differences(scores: FloatArray) -> FloatArray:
    """Give each taster's mean differences from variant 0, ties settled as `compare_ranks` does.

    From scores of shape (m, t, k, s), NaN where there is none, to differences of shape (m, t, k -
    1), in points.
    """
    given = np.isfinite(scores).sum(axis=3)
    with np.errstate(invalid="ignore"):  # a variant that somebody never got
        means = settle_ties(np.nansum(scores, axis=3) / given)
    return settle_ties(means[:, :, 1:] - means[:, :, :1])


ALL_UP_TO = 12  # tasters up to which all flips are made

SAMPLED = 2048
"""Flips that trials with more tasters share, their own signs among them: chances stay within
0.005 of those with 99,999 (measured for 16 and 24 tasters), below their Monte Carlo error."""

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


def tell_apart(
    ranks: FloatArray, signs: SingleArray, alpha: float, asked: BoolArray | None = None
) -> BoolArray:
    """Decide whether each variant is shown different, as `compare_ranks` would.

    From signed ranks of the differences from the control (m, t, v) to true, shape (m, v), where the
    p value, adjusted by single-step max-T, is at most alpha. Only variants that are `asked`, by
    default all, have to be decided.

    Flips stop early, once the share of them that reach as far is clearly on one side of alpha (J.
    Besag and P. Clifford 1991, Biometrika 78, 301-304, stop so on the other side alone).

    >>> ranks = signed_ranks(np.array([2.0, 3, 1, 2, 4, 1]).reshape(1, 6, 1))
    >>> tell_apart(ranks, make_flips(6, np.random.default_rng(1)), 0.05)
    array([[ True]])
    """
    squares = (ranks**2).sum(axis=1)
    scaled = ranks / np.sqrt(np.where(squares > 0, squares, 1.0))[:, None]
    reach = np.abs(scaled.sum(axis=1))
    left = (reach > 0) & (True if asked is None else asked)
    shown = np.zeros_like(left)
    near = np.where(left, reach * (1 - NEAR), np.inf).astype(np.float32)
    scaled = np.ascontiguousarray(scaled.transpose(2, 1, 0), dtype=np.float32)
    beyond, made, every = np.zeros(shown.shape), 0, signs[..., 0].size
    for flips in filter(len, np.split(signs, STAGES)):
        made += flips[..., 0].size
        going = np.flatnonzero(left.any(axis=1))
        largest = np.zeros((*flips.shape[:2], going.size), dtype=np.float32)
        for scores in scaled[:, :, going]:
            np.maximum(largest, np.abs(flips @ scores), out=largest)
        for at in np.flatnonzero(left[going].any(axis=0)):
            beyond[going, at] += np.count_nonzero(largest >= near[going, at], axis=(0, 1))
        doubt = CLEAR * math.sqrt(alpha * (1 - alpha) * made * (1 - made / every))
        allowed = alpha * made * (1 + TOLERANCE)
        shown |= left & (beyond <= allowed - doubt)
        left &= np.abs(beyond - allowed) < doubt
    return shown


def within(differences: FloatArray, signs: SingleArray, alpha: float, margin: float) -> BoolArray:
    """Decide whether each variant's simultaneous interval, at 1 - 2 alpha, lies inside the margin.

    Differences from the control, shape (m, t, v), are in points and settled. True where the test
    that made the interval rejects either end of the margin.
    """
    middles = _medians(differences)  # the estimates, or near them
    ranks = signed_ranks(settle_ties(differences - middles) - BESIDE)
    ends = [signed_ranks(settle_ties(differences - end)) for end in (margin, -margin)]
    inside: BoolArray = (ends[0].sum(axis=1) < 0) & (ends[1].sum(axis=1) > 0)
    for end in ends:
        trial, variant = np.nonzero(inside)
        shifted, row = ranks[trial], np.arange(trial.size)
        shifted[row, :, variant] = end[trial, :, variant]
        asked = variant[:, None] == np.arange(ranks.shape[2])
        inside[trial, variant] = tell_apart(shifted, signs, 2 * alpha, asked)[row, variant]
    return inside


def _medians(differences: FloatArray) -> FloatArray:
    """Take medians over tasters (m, 1, v), of those who are not NaN."""
    rising = np.sort(differences, axis=1)
    n = np.isfinite(rising).sum(axis=1, keepdims=True)
    both = np.concatenate([np.maximum(n - 1, 0) // 2, n // 2], axis=1)
    return np.take_along_axis(rising, both, axis=1).mean(axis=1, keepdims=True)
