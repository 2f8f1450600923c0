"""How the tasters' signed ranks would fall if each taster's preferences were a coin's toss.

If a variant is like the control, a taster's differences are as likely to have come with all
their signs turned. The null distribution of the statistics is that over such flips of whole
tasters: all of them for few tasters, a sample for more, their joint normal limit for many.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from blindspoon.arrays import FloatArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.results import Method

Whole = TypeVar("Whole", np.int16, np.int32)


FINEST = 2_520_000_000
"""Parts of a point that are told apart: means of up to ten cups in millionths are whole ones."""


def settle_ties(points: FloatArray) -> FloatArray:
    """Round to one of the `FINEST`, so that floating point does not make ties into differences.

    Decimals would: of thirds, 5.333333333 - 5 is less than 5.666666667 - 5.333333333.

    >>> float(0.1 + 0.2 - 0.3), float(settle_ties(np.array(0.1 + 0.2 - 0.3)))
    (5.551115123125783e-17, 0.0)
    """
    return np.round(points * FINEST) / FINEST


def signed_ranks(differences: FloatArray) -> FloatArray:
    """Give twice the signed ranks of differences, shape (..., n_tasters, n_variants).

    Ties are averaged; 0 for a zero difference, which takes no rank (F. Wilcoxon 1945, Biometrics
    Bull. 1:80), and for NaN.

    >>> signed_ranks(np.array([[-2.0], [0.0], [2.0], [np.nan], [1.0]])).ravel()
    array([-5.,  0.,  5.,  0.,  2.])
    """
    found = np.where(np.isnan(differences), 0.0, differences).swapaxes(-1, -2)
    sizes = np.abs(found, order="C")
    order = np.argsort(sizes)
    ordered = np.take_along_axis(sizes, order, axis=-1)
    place, fresh = np.arange(sizes.shape[-1]), np.ones((2, *sizes.shape), dtype=bool)
    fresh[0, ..., 1:] = fresh[1, ..., :-1] = ordered[..., 1:] != ordered[..., :-1]
    first = np.maximum.accumulate(np.where(fresh[0], place, 0), axis=-1)
    last = np.where(fresh[1], place, place.size)[..., ::-1]
    last = np.minimum.accumulate(last, axis=-1)[..., ::-1]
    zeros = np.count_nonzero(sizes == 0, axis=-1)[..., None]
    ranks = np.empty_like(sizes)
    np.put_along_axis(ranks, order, first + last + 2.0 - 2 * zeros, axis=-1)
    return np.ascontiguousarray((np.sign(found) * ranks + 0.0).swapaxes(-1, -2))


SMALLEST = float(np.finfo(np.float64).tiny)
EXACT_UP_TO = 18
SAMPLED_UP_TO = 1000
SAMPLES = 99_999
TOGETHER = 10
TOLERANCE = 1e-10


def smallest_p(tasters: int) -> float:
    """Give the smallest adjusted p that this many tasters can reach by ranks.

    >>> smallest_p(5), smallest_p(6)
    (0.0625, 0.03125)
    """
    least = 2.0 ** (1 - tasters)
    return least if tasters <= EXACT_UP_TO else max(least, 1 / (SAMPLES + 1))


def null_distribution(scores: FloatArray, rng: np.random.Generator) -> Null:
    """Choose and make the null distribution of doubled signed ranks, shape (n_tasters, n_variants).

    All flips up to 18 tasters who differ in anything; sampled flips where a variant has at most
    1,000 differences, though not none; the joint normal limit where all have more.
    """
    scores = scores[scores.any(axis=1)]
    if len(scores) <= EXACT_UP_TO:
        return SignFlips("exact", all_flips(scores))
    differing = np.count_nonzero(scores, axis=0)
    if differing[differing > 0].min() <= SAMPLED_UP_TO:
        return SignFlips("sampled", sampled_flips(scores, rng))
    units = scores / _lengths(scores)
    return JointNormal(units.T @ units)


def statistics(scores: FloatArray) -> FloatArray:
    """Divide the absolute column sums of signed ranks by the columns' lengths."""
    return _standardised(scores.sum(axis=0), scores)


def one_by_one(null: Null, observed: FloatArray) -> list[float]:
    """Give the p value of each variant's statistic, shape (n_variants,), by its own flips alone."""
    return [null.tail(value, [v]) for v, value in enumerate(observed.tolist())]


def single_step(null: Null, observed: FloatArray) -> FloatArray:
    """Adjust each variant's p value for the others, by single-step max-T of their statistics.

    P. H. Westfall and S. S. Young 1993, Resampling-Based Multiple Testing, section 2.3.1: each
    is held against the largest of all.
    """
    every = range(len(observed))
    return np.array([null.tail(value, every) for value in observed.tolist()])


@dataclass(frozen=True)
class SignFlips:
    """The statistics of flipped tasters, a row a flip: all, or a sample and the data itself."""

    method: Method
    draws: FloatArray

    @property
    def own(self) -> int:
        """The flips to add: the data itself, which a sample of flips need not hold."""
        return int(self.method == "sampled")

    def tail(self, value: float, columns: Sequence[int]) -> float:
        """Count the flips in which any of the columns reaches the value, ties included."""
        least = value * (1 - TOLERANCE)
        reached = int((self.draws[:, columns] >= least).any(axis=1).sum())
        return (reached + self.own) / (len(self.draws) + self.own)

    def critical(self, alpha: float) -> float:
        """Return what a statistic must exceed; infinite where no flip is rare enough."""
        allowed = int(alpha * (len(self.draws) + self.own) + TOLERANCE) - self.own
        rising = np.sort(self.draws.max(axis=1))
        return np.inf if allowed < 0 else float(rising[-1 - min(allowed, rising.size - 1)])


def all_flips(scores: FloatArray) -> FloatArray:
    """Return the statistics for every flip, up to turning all tasters at once."""
    whole = scores.astype(np.int16)
    return _standardised(whole[:1].sum(axis=0, dtype=np.int16) + flipped_sums(whole[1:]).T, scores)


def sampled_flips(scores: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return the statistics for random flips, shape (SAMPLES, n_variants).

    The rows, none all zero, are turned so that the first difference is positive, and sorted, before
    the draw: neither their order nor their direction matters.
    """
    leading = scores[np.arange(len(scores)), (scores != 0).argmax(axis=1)]
    rows = (scores * np.sign(leading)[:, None]).astype(np.int32)
    rows = rows[np.lexsort(rows.T)]
    sums = np.zeros((SAMPLES, rows.shape[1]), np.int32)
    for start in range(0, len(rows), TOGETHER):
        ways = np.ascontiguousarray(flipped_sums(rows[start : start + TOGETHER]).T)
        draw = rng.integers(0, len(ways), size=SAMPLES, dtype=np.uint16)
        sums += np.take(ways, draw, axis=0)
    return _standardised(sums, scores)


def flipped_sums(scores: NDArray[Whole]) -> NDArray[Whole]:
    """Return the column sums for every flip of the rows, shape (n_columns, 2 ** n_rows)."""
    sums = np.zeros((scores.shape[1], 1), scores.dtype)
    for row in scores[:, :, None]:
        sums = np.concatenate((sums + row, sums - row), axis=1)
    return sums


@dataclass(frozen=True, slots=True)
class JointNormal:
    """The limit of the flips for many tasters: jointly normal signed rank sums, so correlated."""

    correlation: FloatArray
    method: Method = "normal"

    def tail(self, value: float, columns: Sequence[int]) -> float:
        """Give the chance that the largest of the columns reaches the value."""
        family = Dunnett(self.correlation[np.ix_(columns, columns)])
        return max(family.p_value(value, np.inf), SMALLEST)

    def critical(self, alpha: float) -> float:
        """Return what the largest statistic passes with chance alpha."""
        return Dunnett(self.correlation).critical_value(alpha, np.inf)


Null = SignFlips | JointNormal
"""The joint distribution of the variants' statistics where no variant differs."""


def _standardised(sums: NDArray[Any], scores: FloatArray) -> FloatArray:
    return np.abs(sums, order="F") / _lengths(scores)


def _lengths(scores: FloatArray) -> FloatArray:
    """Return the columns' root sums of squares, 1 for an empty column."""
    squares = (scores**2).sum(axis=0)
    return np.sqrt(np.where(squares > 0, squares, 1.0))
