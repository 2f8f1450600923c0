"""How one taster's differences would fall if the cups' names had been drawn otherwise.

In each round the order was drawn afresh. If some variants are like the control, their cups and
the control's could as well have borne one another's names: the scores stay where they are, and
the names move over them in every way that the draw could have given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from blindspoon.compare.flips import TOLERANCE, null_distribution, statistics
from blindspoon.compare.ranks import signed_ranks
from blindspoon.compare.results import Method
from blindspoon.compare.ties import settle_ties
from blindspoon.scores import FloatArray, IntArray

Round = Sequence[Sequence[float]]
"""Scores of one round, in points: those of the control first, then of each variant's cups."""

EXACT_UP_TO = 50_000
"""Ways to name all cups of all rounds that are gone through; from more a sample is drawn."""
SAMPLES = 9_999
TOGETHER = 4096
"""Namings that are ranked at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Relabelled:
    """One test that none of some variants differs from the control.

    Parameters
    ----------
    p_value : float
        How often the names, drawn again, give a largest statistic as large as the observed one.
    smallest_p : float
        A bound that no p value of these rounds can be below, whichever names were drawn.
    method : {"exact", "sampled", "normal"}
    """

    p_value: float
    smallest_p: float
    method: Method


def relabel(rounds: Sequence[Round], rng: np.random.Generator) -> Relabelled:
    """Test at once that every variant of these rounds is like the control.

    Parameters
    ----------
    rounds : sequence of Round
        The same variants in all; a variant may have no cup in a round. The control has one
        at least in each.
    rng : numpy.random.Generator
        Draws namings where there are more than can be gone through; the order of the rounds
        matters then.

    Notes
    -----
    Names of the cups of the control and these variants are permuted within each round, all ways
    being equally likely by the draw (R. A. Fisher 1935, The Design of Experiments, chapter 3;
    E. S. Edgington and P. Onghena 2007, Randomization Tests, 4th ed., on single persons). The
    statistic of a variant is that of `compare_ranks`, over the rounds: the sum of the signed
    ranks of the differences between its cups and the control's, over the root of their sum of
    squares, ranked anew under each naming; the largest counts. With one cup of each of two the
    names can only be swapped, the ranks stay, and the test is F. Wilcoxon's (1945). With two
    cups of the control a round has two differences, which do not simply change sign.

    Examples
    --------
    >>> three = [([4.0], [6.0]), ([5.0], [6.0]), ([3.0], [6.0])]
    >>> relabel(three, np.random.default_rng(1)).p_value
    0.25
    >>> twice = [([4.0, 4.0], [6.0]), ([5.0, 5.0], [6.0]), ([3.0, 3.0], [6.0])]
    >>> round(relabel(twice, np.random.default_rng(1)).p_value, 4)
    0.037
    """
    ways = [differences(cups) for cups in rounds]
    if all(len(way) == 1 and way[0].shape == (2, 1) for way in ways):
        return _swapped(np.array([way[0][0] for way in ways]), rng)
    counts = [len(way[0]) for way in ways]
    every = math.prod(counts) <= EXACT_UP_TO
    drawn = np.indices(counts).reshape(len(counts), -1) if every else _some(counts, rng)
    largest = _largest(ways, drawn)
    observed = float(_largest(ways, np.zeros((len(counts), 1), np.int64))[0])

    def tail(value: float) -> float:
        reached = int(np.count_nonzero(largest >= value * (1 - TOLERANCE)))
        return (reached + (not every)) / (largest.size + (not every))

    return Relabelled(
        p_value=tail(observed),
        smallest_p=tail(float(largest.max()) if every else np.inf),
        method="exact" if every else "sampled",
    )


def _swapped(column: FloatArray, rng: np.random.Generator) -> Relabelled:
    """Test one variant by swaps, which turn the sign of a round's difference."""
    scores = signed_ranks(column)
    null = null_distribution(scores, rng)
    found, most = (
        null.tail(float(null.comparable(statistics(each))[0]), [0])
        for each in (scores, np.abs(scores))
    )
    return Relabelled(p_value=found, smallest_p=most, method=null.method)


def differences(cups: Round) -> list[FloatArray]:
    """Hold each cup of each variant against each of the control, under every naming of the cups.

    Parameters
    ----------
    cups : Round

    Returns
    -------
    list of array, each of shape (n_ways, n_cups * n_control)
        One a variant, in points; the names as they were in the first row.

    Examples
    --------
    >>> differences(([4.0], [7.0]))
    [array([[ 3.],
           [-3.]])]
    """
    counts = tuple(map(len, cups))
    points = np.array([score for scores in cups for score in scores])
    named = points[np.argsort(_namings(counts), axis=1, kind="stable")]
    control, *others = np.split(named, np.cumsum(counts)[:-1], axis=1)
    return [
        settle_ties(cup[:, :, None] - control[:, None, :]).reshape(len(named), -1) for cup in others
    ]


def ways_to_name(cups: Round) -> int:
    """Count the different namings of the cups of one round."""
    counts = [len(scores) for scores in cups]
    return math.factorial(sum(counts)) // math.prod(map(math.factorial, counts))


@cache
def _namings(counts: tuple[int, ...]) -> IntArray:
    """List the ways to name so many cups of each kind, shape (n_ways, n_cups), sorted."""
    if not any(counts):
        return np.empty((1, 0), np.int64)
    ways = []
    for name, count in enumerate(counts):
        if count:
            rest = _namings((*counts[:name], count - 1, *counts[name + 1 :]))
            ways.append(np.insert(rest, 0, name, axis=1))
    return np.concatenate(ways)


def _some(counts: list[int], rng: np.random.Generator) -> IntArray:
    return np.stack([rng.integers(0, count, SAMPLES) for count in counts])


def _largest(ways: list[list[FloatArray]], drawn: IntArray) -> FloatArray:
    """Return the largest of the variants' statistics under each choice of a way a round.

    Parameters
    ----------
    ways : list of list of array
        The differences of each round, of each variant.
    drawn : int array, shape (n_rounds, n_namings)
    """
    largest = np.zeros(drawn.shape[1])
    for own in zip(*ways, strict=True):
        keys = _keys(own)
        for start in range(0, largest.size, TOGETHER):
            block = slice(start, start + TOGETHER)
            chosen = [key[way] for key, way in zip(keys, drawn[:, block], strict=True)]
            found = _statistic(np.concatenate(chosen, axis=1))
            largest[block] = np.maximum(largest[block], found)
    return largest


def _keys(points: Sequence[FloatArray]) -> list[IntArray]:
    """Give each size of a difference a number, 0 for none; twice that, and one more above zero."""
    sizes = np.unique(np.concatenate([[0.0], *(np.abs(each).ravel() for each in points)]))
    return [2 * np.searchsorted(sizes, np.abs(each)) + (each > 0) for each in points]


def _statistic(keys: IntArray) -> FloatArray:
    """Standardise the signed rank sum of each row of keys: ties averaged, zeros left out."""
    ordered = np.sort(keys, axis=1)
    size = ordered >> 1
    places = np.arange(1, keys.shape[1] + 1)
    new = np.diff(size, axis=1, prepend=-1) > 0
    first = np.maximum.accumulate(np.where(new, places, 0), axis=1)
    ends = np.where(np.diff(size, axis=1, append=size[:, -1:] + 1) > 0, places, places[-1])
    last = np.minimum.accumulate(ends[:, ::-1], axis=1)[:, ::-1]
    zeros = np.count_nonzero(size == 0, axis=1)[:, None]
    ranks = np.where(size > 0, (first + last) / 2 - zeros, 0.0)
    sums = np.where(ordered & 1, ranks, -ranks).sum(axis=1)
    lengths = np.sqrt((ranks**2).sum(axis=1))
    standardised: FloatArray = np.abs(sums) / np.where(lengths > 0, lengths, 1.0)
    return standardised
