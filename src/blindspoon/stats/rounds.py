"""One taster alone: each variant against the control over rounds whose orders were drawn afresh.

If some variants are like the control, their cups and the control's could as well have borne one
another's names: the scores stay, and the names move over them in every way the draw could give.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.stats.results import Method, NoResult, RankContrast
from blindspoon.stats.several_tests import holm
from blindspoon.stats.sign_flips import (
    TOLERANCE,
    null_distribution,
    one_by_one,
    settle_ties,
    signed_ranks,
    statistics,
)
from blindspoon.stats.signed_ranks import agreeing, shifts_with_intervals

Round = Sequence[Sequence[float]]
"""Scores of one round, in points: those of the control first, then of each variant's cups."""

EXACT_UP_TO = 50_000
"""Ways to name all cups of all rounds that are gone through; from more a sample is drawn."""
SAMPLES = 9_999
TOGETHER = 4096  # namings that are ranked at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Relabelled:
    """One test that none of some variants differs; `smallest_p` with the luckiest names."""

    p_value: float
    smallest_p: float
    method: Method


def relabel(rounds: Sequence[Round], rng: np.random.Generator) -> Relabelled:
    """Test at once that every variant of these rounds is like the control, which is in each.

    Names of the cups of the control and these variants are permuted within each round, all ways
    being equally likely by the draw (R. A. Fisher 1935, The Design of Experiments, chapter 3;
    E. S. Edgington and P. Onghena 2007, Randomization Tests, 4th ed., on single persons). The
    statistic of a variant is that of `compare_ranks`, over the differences between its cups and the
    control's, ranked anew under each naming; the largest counts. With one cup of each of two the
    names can only be swapped, and the test is F. Wilcoxon's (1945).

    >>> twice = [([4.0, 4.0], [6.0]), ([5.0, 5.0], [6.0]), ([3.0, 3.0], [6.0])]
    >>> round(relabel(twice, np.random.default_rng(1)).p_value, 4)
    0.037
    """
    ways = [differences(cups) for cups in rounds]
    if all(len(way) == 1 and way[0].shape == (2, 1) for way in ways):
        scores = signed_ranks(np.array([way[0][0] for way in ways]))  # swaps turn their signs
        null = null_distribution(scores, rng)
        (found,), (most,) = (one_by_one(null, statistics(s)) for s in (scores, np.abs(scores)))
        return Relabelled(p_value=found, smallest_p=most, method=null.method)
    counts = [len(way[0]) for way in ways]
    every = math.prod(counts) <= EXACT_UP_TO
    drawn = (
        np.indices(counts).reshape(len(counts), -1)
        if every
        else np.stack([rng.integers(0, count, SAMPLES) for count in counts])
    )
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


def differences(cups: Round) -> list[FloatArray]:
    """Hold each cup of each variant against each of the control, under every naming of the cups.

    An array a variant, shape (n_ways, n_cups * n_control), in points; the names as they were in the
    first row.

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


def _ways_to_name(cups: Round) -> int:
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


def _largest(ways: list[list[FloatArray]], drawn: IntArray) -> FloatArray:
    """Return the largest of the variants' statistics under each choice of a way a round.

    `ways` are the differences of each round, of each variant; `drawn` has the shape (n_rounds,
    n_namings).
    """
    largest = np.zeros(drawn.shape[1])
    for own in zip(*ways, strict=True):
        for start in range(0, largest.size, TOGETHER):
            block = slice(start, start + TOGETHER)
            chosen = [way[at].T for way, at in zip(own, drawn[:, block], strict=True)]
            found = statistics(signed_ranks(np.concatenate(chosen)))
            largest[block] = np.maximum(largest[block], found)
    return largest


MOST_TOGETHER = 5
"""Variants whose names are permuted together; more are held to the family by Holm's method."""
MOST_WAYS = 10_000  # ways to name the cups of one round that are listed

Cups = dict[int, list[tuple[int, float]]]
"""The scored cups of one round: position and points of each, by variant."""


def compare_rounds(
    score: FloatArray,
    session: NDArray[np.integer],
    variant: NDArray[np.integer],
    position: NDArray[np.integer],
    *,
    control: int,
    n_variants: int,
    alpha: float,
    rng: np.random.Generator,
) -> tuple[RankContrast | NoResult, ...]:
    """Compare each variant with the control for the one taster who scored all of this.

    Each session is a round; the place of the cup in it counts from 1, 0 where it is not known. The
    order of the rows and the names of the rounds do not matter. Refusals look at the orders and not
    at the scores, so they add no false alarms.

    *What is tested.* That this taster would have given the same scores, in the same places of
    the same rounds, had the names of the variant's and the control's cups been drawn
    otherwise, however scores drift and hang together. ``p_value`` is `relabel` with one variant.

    *Why this family.* ``p_adjusted`` is that of a closed test (R. Marcus, E. Peritz and K. R.
    Gabriel 1976, Biometrika 63:655): the largest p value over all sets of variants that hold
    this one, each tested by `relabel`. Whichever variants are like the control, their own set is
    among those that have to be rejected, and its test is exact. Turning all of a round's
    differences at once, as is right for tasters, is no permutation of names. S. Holm's method
    (1979, Scand. J. Stat. 6:65) is taken for more than five variants; with four its power was 0,
    .44 and .90 in 7, 8 and 12 rounds, that of the closed test .52, .73 and .94 (simulated).

    *Estimate.* `shifts_with_intervals` of each variant's rounds alone, two cups of one variant
    averaged first, at alpha over the number of variants (C. E. Bonferroni 1936), ended at zero
    where the closed test says more, or less. With two cups of the control they lean on differences
    that scatter evenly to both sides; the p values do not.
    """
    by_session: dict[int, Cups] = {}
    for row in np.flatnonzero(~np.isnan(score)).tolist():
        cups = by_session.setdefault(int(session[row]), {})
        cups.setdefault(int(variant[row]), []).append((int(position[row]), float(score[row])))
    # sorted by what was scored in them, so that their names and order do not matter
    rounds = sorted(by_session.values(), key=lambda cups: sorted(_points(cups).items()))
    others = [v for v in range(n_variants) if v != control]
    reasons = {v: _reason(rounds, control, v) for v in others}
    compared = [v for v in others if not reasons[v]]
    found = _compare(rounds, control, compared, alpha, rng) if compared else {}
    return tuple(found.get(v) or NoResult(reasons[v]) for v in others)


def _points(cups: Cups) -> dict[int, list[float]]:
    return {name: sorted(score for _, score in given) for name, given in cups.items()}


def _reason(rounds: Sequence[Cups], control: int, variant: int) -> str:
    """Say why a variant cannot be compared; empty where it can."""
    both = [cups for cups in rounds if control in cups and variant in cups]
    for name, lacking in ((control, "The control"), (variant, "This variant")):
        if not any(name in cups for cups in rounds):
            return f"{lacking} was not scored."
    if len(both) < 2:
        return (
            f"{'Only one' if both else 'No'} round has scores of both this variant and the "
            "control. One person alone is compared over several rounds, each a session of its own."
        )
    if any(place == 0 for cups in both for name in (control, variant) for place, _ in cups[name]):
        return (
            "The order of the cups is not recorded for every round, so nobody can see that it was "
            "drawn afresh, as it has to be for one person alone."
        )
    if any(_ways_to_name((_points(c)[control], _points(c)[variant])) > MOST_WAYS for c in both):
        return "One round has too many cups of this variant and the control; a round is a session."
    placed = [sorted((at, v) for v in (control, variant) for at, _ in cups[v]) for cups in both]
    orders = {tuple(v for _, v in cups) for cups in placed}
    one_first = (
        all(set(order[: order.count(v)]) == {v} for order in orders) for v in (control, variant)
    )
    if len(orders) == 1 or any(one_first):
        return (
            "The control and this variant stood in the same order in every round, so a difference "
            "cannot be told from the place in the order."
        )
    return ""


def _compare(
    rounds: Sequence[Cups],
    control: int,
    variants: list[int],
    alpha: float,
    rng: np.random.Generator,
) -> dict[int, RankContrast]:
    """Test and estimate; every variant can be compared."""
    alone = {v: relabel(list(_of(rounds, control, [v])), rng) for v in variants}
    family = _family(rounds, control, alone, rng)
    results = {}
    for v in variants:
        pairs = _of(rounds, control, [v])
        column = settle_ties(np.array([np.mean(cups) - np.mean(plain) for plain, cups in pairs]))
        ((shift, interval, equivalence),) = shifts_with_intervals(
            column[:, None], alpha / len(variants), rng
        )
        interval = agreeing(interval, shift, differs=family[v].p_value <= alpha)
        results[v] = RankContrast(
            variant=v,
            tasters=1,
            rounds=column.size,
            zero_differences=int((column == 0).sum()),
            shift=shift,
            interval=interval,
            equivalence_interval=equivalence,
            p_value=alone[v].p_value,
            p_adjusted=family[v].p_value,
            smallest_p=family[v].smallest_p,
            method=family[v].method,
        )
    return results


def _of(rounds: Sequence[Cups], control: int, variants: Sequence[int]) -> Iterator[Round]:
    """Take the rounds in which the control and any of the variants were scored."""
    for cups in rounds:
        if control in cups and any(v in cups for v in variants):
            points = _points(cups)
            yield [points[control], *(points.get(v, []) for v in variants)]


def _family(
    rounds: Sequence[Cups], control: int, alone: dict[int, Relabelled], rng: np.random.Generator
) -> dict[int, Relabelled]:
    """Adjust each variant's test for the others."""
    if len(alone) > MOST_TOGETHER:
        pairs = [(test.p_value, test.smallest_p) for test in alone.values()]
        p, least = (holm(np.array(own)).tolist() for own in zip(*pairs, strict=True))
        rows = zip(alone.items(), p, least, strict=True)
        return {v: replace(test, p_value=own, smallest_p=low) for (v, test), own, low in rows}
    adjusted = dict(alone)
    for size in range(2, len(alone) + 1):
        for some in combinations(alone, size):
            together = list(_of(rounds, control, some))
            if all(_ways_to_name(cups) <= MOST_WAYS for cups in together):
                test = relabel(together, rng)
            else:  # Bonferroni's bound
                tests = [alone[v] for v in some]
                test = Relabelled(
                    p_value=min(1.0, size * min(test.p_value for test in tests)),
                    smallest_p=min(1.0, size * min(test.smallest_p for test in tests)),
                    method=_weakest(tests),
                )
            for v in some:
                adjusted[v] = Relabelled(
                    p_value=max(adjusted[v].p_value, test.p_value),
                    smallest_p=max(adjusted[v].smallest_p, test.smallest_p),
                    method=_weakest([adjusted[v], test]),
                )
    return adjusted


def _weakest(tests: Sequence[Relabelled]) -> Method:
    return "sampled" if any(test.method == "sampled" for test in tests) else "exact"
