"""Which variants a taster gets who does not get all of them.

R. E. Bechhofer and A. C. Tamhane 1981, Technometrics 23:45-57: for comparing with a control, the
control is in every set, and the other variants form a plan in which each occurs equally often
and each pair of them together equally often. Where no such plan fits the number of tasters, a
search comes as near as it can.
"""

import itertools
from collections.abc import Iterator
from functools import lru_cache, partial
from math import comb

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.serving.search import settle, settle_in_turn

REPLICATION_WEIGHT = 2.0  # that each variant occurs equally often comes before the pairs

LISTED_UP_TO = 1000
TOO_MANY = 5000
MOST_BLOCKS = 6
CHUNK = 60
UPDATES = 1000


def choose_sets(
    tasters: int, variants: int, places: int, offset: FloatArray, rng: np.random.Generator
) -> IntArray:
    """Choose the sets of variants, other than the control, that the tasters get.

    `variants`, t, and their `places` in a set are counted without the control; `offset`, shape
    (t * (t + 1),), is where the counts stand before these sets, as `deviation` says. Gives shape
    (tasters, places): variants from 0, ascending in each row, the rows in random order.

    >>> choose_sets(3, 3, 2, np.zeros(12), np.random.default_rng(1)).tolist()
    [[0, 2], [0, 1], [1, 2]]
    """
    plan = known_plan(variants, places)
    whole, rest = divmod(tasters, len(plan))
    sets = [_relabelled(plan, variants, rng) for _ in range(whole)]
    weight = np.ones(variants * (variants + 1))
    weight[:variants] = REPLICATION_WEIGHT
    every = np.arange(weight.size)
    listed = comb(variants, places) <= LISTED_UP_TO
    others = cells(_choices(variants, places), variants) if listed else every

    def forms(own: IntArray) -> tuple[IntArray, IntArray]:
        """Any set; where they are too many, those that differ in one variant, and itself."""
        if listed:
            return every, others
        out = np.setdiff1d(np.arange(variants), own[:places])
        ways = places * len(out)
        swapped = np.tile(own[:places], (ways + 1, 1))  # the last is the row as it is
        at = np.repeat(np.arange(places), len(out))
        swapped[np.arange(ways), at] = np.tile(out, places)
        return every, cells(np.sort(swapped, axis=1), variants)

    def chunks() -> Iterator[tuple[IntArray, FloatArray]]:
        for first in range(0, rest, CHUNK):
            rows = np.arange(min(CHUNK, rest - first)) % len(plan)
            start = rng.permutation(_relabelled(plan, variants, rng))[rows]
            yield cells(start, variants), _wanted(len(rows), variants, places)

    if rest:
        content = not offset.any()
        search = partial(
            settle, forms=forms, weight=weight, rng=rng, updates=UPDATES, content=content
        )
        sets.append(settle_in_turn(chunks(), offset, search)[:, :places])
    return rng.permutation(even_replication(np.concatenate(sets), variants))


def even_replication(sets: IntArray, variants: int) -> IntArray:
    """Exchange variants until none is in two sets more than another, with the least harm to pairs.

    Sets, shape (n, places), are ascending in each row; those that are even already come back as
    they are.

    >>> even_replication(np.array([[0, 1], [0, 2], [0, 3]]), 5).tolist()
    [[1, 4], [0, 2], [0, 3]]
    """
    even = sets.copy()
    while True:
        often = np.bincount(even.ravel(), minlength=variants)
        most, least = int(often.argmax()), int(often.argmin())
        if often[most] - often[least] < 2:
            return even
        # A set with the one and without the other: there is one, for the one is in more sets.
        able = (even == most).any(axis=1) & ~(even == least).any(axis=1)
        tried = []
        for row in np.flatnonzero(able):
            changed = even.copy()
            changed[row] = np.sort(np.where(even[row] == most, least, even[row]))
            tried.append(changed)
        even = min(tried, key=lambda sets: int((_counts(sets, variants) ** 2).sum()))


def cells(sets: IntArray, variants: int) -> IntArray:
    """Which counts each set adds to: its variants first, then its pairs of them.

    Sets, shape (n, places), ascending in each row, give positions, shape (n, places * (places + 1)
    / 2), in one flat table of ``variants * (variants + 1)`` counts.
    """
    first, second = _pairs(sets.shape[1])
    pairs = variants + sets[:, first] * variants + sets[:, second]
    return np.concatenate([sets, pairs], axis=1)


@lru_cache(maxsize=128)
def known_plan(variants: int, places: int) -> IntArray:
    """Give a balanced incomplete block plan, the smallest that cyclic development finds.

    Of t `variants`, from 0, and k `places` it has shape (b, k): each variant is in r, each pair in
    lambda of the blocks, with ``b k = r t`` and ``lambda (t - 1) = r (k - 1)``. Where there are
    more than 5,000 blocks of k from t, one block developed modulo t comes back.

    R. C. Bose 1939, Annals of Eugenics 9:353-399: initial blocks developed modulo t, or modulo
    t - 1 with one variant fixed. Failing these, the plan is all the blocks there are.

    >>> known_plan(7, 3).tolist()
    [[0, 1, 3], [1, 2, 4], [2, 3, 5], [3, 4, 6], [0, 4, 5], [1, 5, 6], [0, 2, 6]]
    """
    if comb(variants, places) > TOO_MANY:
        return _developed(tuple(range(places)), variants)
    subsets = _choices(variants, places)
    found = [_union(subsets, variants, modulus) for modulus in (variants, variants - 1)]
    return min((plan for plan in (*found, subsets) if plan is not None), key=len)


def _union(subsets: IntArray, variants: int, modulus: int) -> IntArray | None:
    """Find the fewest developed blocks whose union is balanced, if a few are enough."""
    if modulus < 2:
        return None
    kinds: dict[bytes, IntArray] = {}
    met: set[tuple[int, ...]] = set()
    for block in map(tuple, subsets.tolist()):
        if block not in met:  # its shifts give the same plan
            plan = _developed(block, modulus)
            met.update(map(tuple, plan.tolist()))
            kinds.setdefault(_counts(plan, variants).tobytes(), plan)
    plans = list(kinds.values())
    counts = np.array([_counts(plan, variants) for plan in plans])
    for size in range(1, min(MOST_BLOCKS, len(plans)) + 1):
        if comb(len(plans), size) > TOO_MANY:
            return None
        chosen = _choices(len(plans), size)
        summed = counts[chosen].sum(axis=1)
        apart = np.ptp(summed[:, :variants], axis=1)
        if variants > 1:
            apart += np.ptp(summed[:, variants:][:, _upper(variants)], axis=1)
        if not apart.all():
            unions = [np.concatenate([plans[i] for i in choice]) for choice in chosen[apart == 0]]
            return min(unions, key=len)
    return None


@lru_cache(maxsize=4096)
def _developed(block: tuple[int, ...], modulus: int) -> IntArray:
    """Every shift of a block modulo a number; variants from there on stay fixed."""
    shifted = [
        tuple(sorted((item + shift) % modulus if item < modulus else item for item in block))
        for shift in range(modulus)
    ]
    return np.array(list(dict.fromkeys(shifted)))


def deviation(sets: IntArray, variants: int) -> FloatArray:
    """How far sets are from having every variant and every pair equally often, shape (t(t+1),)."""
    return _counts(sets, variants) - _wanted(len(sets), variants, sets.shape[1])


def _counts(sets: IntArray, variants: int) -> IntArray:
    return np.bincount(cells(sets, variants).ravel(), minlength=variants * (variants + 1))


def _upper(variants: int) -> IntArray:
    return np.array([variants, 1]) @ _pairs(variants)


@lru_cache(maxsize=128)
def _pairs(count: int) -> IntArray:
    """First and second of all pairs, shape (2, n_pairs)."""
    return np.stack(np.triu_indices(count, 1))


def _wanted(tasters: int, variants: int, places: int) -> FloatArray:
    """Give the counts of a plan in which every variant and every pair occurs equally often."""
    wanted = np.zeros(variants * (variants + 1))
    wanted[:variants] = tasters * places / variants
    if variants > 1:
        pairs = tasters * places * (places - 1) / (variants * (variants - 1))
        wanted[variants + _upper(variants)] = pairs
    return wanted


def _relabelled(plan: IntArray, variants: int, rng: np.random.Generator) -> IntArray:
    labels: IntArray = rng.permutation(variants)
    return np.sort(labels[plan], axis=1)


@lru_cache(maxsize=128)
def _choices(count: int, size: int) -> IntArray:
    """All ways to choose so many, shape (n_ways, size)."""
    return np.array(list(itertools.combinations(range(count), size)))
