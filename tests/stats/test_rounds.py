"""One taster's rounds: exact against enumeration, published swaps, refusals; size by simulation."""

from __future__ import annotations

from itertools import pairwise, permutations, product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from blindspoon.stats import rounds
from blindspoon.stats.results import NoResult, RankContrast
from blindspoon.stats.rounds import compare_rounds, differences, relabel
from blindspoon.stats.several_tests import holm

DATA = Path(__file__).parents[1] / "data"
# C. Darwin 1876, cross- against self-fertilised Zea mays, eighths of an inch, as in R. A. Fisher
# 1935, The Design of Experiments, table 3
DARWIN = (49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48)


def rng():
    return np.random.default_rng(1)


def compare(rounds, *, n_variants, alpha=0.05, places=None, seed=1):
    """Compare rounds given as lists of (variant, points) in the order of tasting."""
    rows = [
        (r, variant, place if places is None else places[r][place - 1], points)
        for r, cups in enumerate(rounds)
        for place, (variant, points) in enumerate(cups, 1)
    ]
    session, variant, position, score = map(np.array, zip(*rows, strict=True))
    return compare_rounds(
        score.astype(float), session, variant, position, control=0, n_variants=n_variants,
        alpha=alpha, rng=np.random.default_rng(seed),
    )  # fmt: skip


def shuffled(scores, seed=3):
    """Rounds of scores, shape (n_rounds, n_variants), each in an order of its own."""
    chance = np.random.default_rng(seed)
    return [[(v, row[v]) for v in chance.permutation(len(row)).tolist()] for row in scores]


def statistic(sets):
    """Largest standardised signed rank sum; written out with scipy's ranks."""
    best = 0.0
    for every in sets:
        points = np.array([each for each in every if each != 0])
        if points.size:
            ranks = stats.rankdata(np.abs(points))
            best = max(best, abs((np.sign(points) * ranks).sum()) / np.sqrt((ranks**2).sum()))
    return best


def by_hand(rounds):
    """P by going through every permutation of every round's cups, repeats and all."""
    sizes = [len(cups) for cups in rounds[0]]
    ends = np.cumsum([0, *sizes])

    def value(naming):
        named = [[cups[a:b] for a, b in pairwise(ends)] for cups in naming]
        return statistic(
            [
                [ours - plain for cups in named for ours in cups[v] for plain in cups[0]]
                for v in range(1, len(sizes))
            ]
        )

    flat = [[point for cup in cups for point in cup] for cups in rounds]
    every = [value(naming) for naming in product(*(list(permutations(each)) for each in flat))]
    return np.mean(np.array(every) >= value(flat) - 1e-9)


@pytest.mark.parametrize(
    "rounds",
    [
        [([4.0], [6.0]), ([5.0], [4.5]), ([3.0], [6.0]), ([3.0], [3.0]), ([2.0], [6.0])],
        [([4.0], [6.0], [5.0]), ([5.0], [8.0], [5.0]), ([3.0], [7.0], [2.0])],
        [([4.0, 5.0], [6.0]), ([5.0, 3.0], [8.0]), ([4.0, 2.0], [4.0])],
        [([4.0, 5.0], [6.0], [1.0]), ([5.0, 3.0], [8.0], [2.0])],
    ],
    ids=["swaps", "two variants", "two controls", "two of both"],
)  # fmt: skip
def test_p_is_that_of_every_naming_gone_through(rounds):
    found = relabel(rounds, rng())
    assert found.method == "exact"
    assert found.p_value == pytest.approx(by_hand(rounds), abs=1e-12)


def test_swaps_of_one_variant_are_scipys():
    shoes = pd.read_csv(DATA / "shoes_BHH.csv")
    rounds = [([a], [b]) for a, b in zip(shoes["A"], shoes["B"], strict=True)]

    def signed_rank_sum(a, b, axis=-1):
        gap = np.round(b - a, 9)
        return np.sum(np.sign(gap) * stats.rankdata(np.abs(gap), axis=axis), axis=axis)

    oracle = stats.permutation_test(
        (shoes["A"].to_numpy(), shoes["B"].to_numpy()), signed_rank_sum,
        permutation_type="samples", vectorized=True, n_resamples=np.inf,
    )  # fmt: skip
    assert relabel(rounds, rng()).p_value == pytest.approx(oracle.pvalue)


def test_swaps_give_the_published_reference_set_of_the_shoes():
    # G. E. P. Box, W. G. Hunter and J. S. Hunter 1978, Statistics for Experimenters, section 4.2:
    # of the 1,024 average differences three are greater than the observed .41 and four equal it
    shoes = pd.read_csv(DATA / "shoes_BHH.csv")
    ways = [differences(([a], [b]))[0][:, 0] for a, b in zip(shoes["A"], shoes["B"], strict=True)]
    means = np.array([np.round(np.mean(way), 9) for way in product(*ways)])
    assert (means.size, means[0]) == (1024, 0.41)
    assert ((means > 0.41).sum(), (means == 0.41).sum()) == (3, 4)


def test_swaps_give_fishers_count_for_darwins_plants():
    # R. A. Fisher 1935, The Design of Experiments, section 21: in 863 of 32,768 ways the total is
    # 314 or more
    assert sum(DARWIN) == 314
    sums = np.zeros(1)
    for gap in DARWIN:
        sums = np.add.outer(sums, differences(([0.0], [float(gap)]))[0][:, 0]).ravel()
    assert (sums.size, int((sums >= 314).sum())) == (32768, 863)


def test_one_variant_is_wilcoxons_test():
    gaps = np.array([1.5, -0.5, 2.0, 3.0, 2.5, 1.0, -1.25, 4.0])
    rounds = shuffled(np.column_stack([np.full(8, 4.0), 4 + gaps]))
    (found,) = compare(rounds, n_variants=2)
    assert found.p_value == pytest.approx(stats.wilcoxon(gaps, method="exact").pvalue)
    assert (found.p_adjusted, found.rounds, found.tasters) == (found.p_value, 8, 1)


def test_the_closed_test_takes_the_largest_p_over_the_sets_that_hold_a_variant():
    scores = np.array([[4, 6, 5], [5, 8, 5], [3, 7, 2.0]])
    first, second = compare(shuffled(scores), n_variants=3)
    swaps = [relabel([([r[0]], [r[v]]) for r in scores], rng()).p_value for v in (1, 2)]
    both = by_hand([([r[0]], [r[1]], [r[2]]) for r in scores])
    assert first.p_value == swaps[0] == 2 / 2**3
    assert first.p_adjusted == pytest.approx(max(swaps[0], both))
    assert second.p_adjusted == pytest.approx(max(swaps[1], both))


def test_sampled_namings_come_close_to_all_of_them(monkeypatch):
    chance = np.random.default_rng(4)
    cups = [[[float(x)] for x in chance.integers(0, 20, 3)] for _ in range(5)]
    exact = relabel(cups, rng()).p_value
    monkeypatch.setattr(rounds, "EXACT_UP_TO", 1)
    sampled = relabel(cups, rng())
    error = np.sqrt(exact * (1 - exact) / rounds.SAMPLES)
    assert sampled.method == "sampled"
    assert abs(sampled.p_value - exact) < 4 * error


def test_the_scores_themselves_count_among_the_sampled_namings():
    # 6**12 namings, of which hardly one of those drawn is as far out: p is never 0. One more in
    # numerator and denominator: B. Phipson and G. K. Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39
    far = [([1.0, 1.5], [8.0 + k, 9.0 + k]) for k in range(12)]
    found = relabel(far, rng())
    assert found.method == "sampled"
    assert found.p_value == found.smallest_p == 1 / (rounds.SAMPLES + 1)


def test_more_than_five_variants_are_held_by_holms_method():
    chance = np.random.default_rng(8)
    scores = np.round(chance.normal([5, 8, 2, 5, 5, 6, 5], 1, (9, 7)), 2)
    found = compare(shuffled(scores), n_variants=7)
    expected = holm(np.array([each.p_value for each in found]))
    assert [each.p_adjusted for each in found] == expected.tolist()
    assert found[0].p_adjusted == 6 * 2 / 2**9


def test_holm_as_published_and_by_statsmodels():
    from statsmodels.stats.multitest import multipletests  # noqa: PLC0415

    values = np.random.default_rng(2).random(9) ** 3
    np.testing.assert_allclose(holm(values), multipletests(values, method="holm")[1])
    for p in ([0.011, 0.2, 0.012, 0.03, 0.9], [0.7, 0.8]):
        assert holm(np.array(p)) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-15)


def test_turned_differences_turn_the_estimate():
    scores = np.array([[4, 6.0], [5, 8], [3, 7], [4, 4.5], [6, 7.5], [5, 4], [2, 3], [3, 6]])
    (found,) = compare(shuffled(scores), n_variants=2)
    (turned,) = compare(shuffled(10 - scores), n_variants=2)
    assert turned.shift == -found.shift
    assert (turned.interval.low, turned.interval.high) == (
        -found.interval.high,
        -found.interval.low,
    )
    assert turned.p_adjusted == found.p_adjusted


def test_the_order_and_names_of_rounds_do_not_matter(monkeypatch):
    monkeypatch.setattr(rounds, "SAMPLES", 999)
    scores = np.round(np.random.default_rng(6).normal(5, 1, (12, 5)), 1)
    served = shuffled(scores)
    assert compare(served, n_variants=5) == compare(served[::-1], n_variants=5)


def test_intervals_are_those_of_the_variant_alone_at_its_share_of_alpha():
    scores = np.random.default_rng(6).normal([5, 6, 7], 1, (12, 3))
    both = compare(shuffled(scores), n_variants=3, alpha=0.05)
    (alone,) = compare(shuffled(scores[:, :2]), n_variants=2, alpha=0.025)
    assert both[0].interval == alone.interval
    assert both[0].equivalence_interval == alone.equivalence_interval


def test_only_rounds_with_both_count():
    scores = np.random.default_rng(6).normal(5, 1, (8, 3))
    rounds = shuffled(scores)
    lacking = [[cup for cup in cups if cup[0] != 2 or r > 2] for r, cups in enumerate(rounds)]
    first, second = compare(lacking, n_variants=3)
    assert (first.rounds, second.rounds) == (8, 5)
    assert second.smallest_p == 2 / 2**5 > 0.05


def test_six_rounds_can_reach_a_twentieth_and_five_cannot():
    for number, reached in ((5, False), (6, True)):
        scores = np.column_stack([np.zeros(number), np.arange(number) + 1.0])
        (found,) = compare(shuffled(scores, seed=4), n_variants=2)
        assert found.p_adjusted == found.smallest_p == 2 / 2**number
        assert (found.p_adjusted <= 0.05) is reached


A, B = (0, 4.0), (1, 6.0)


@pytest.mark.parametrize(
    ("rounds", "reason"),
    [
        ([[A, B]] * 6, "stood in the same order in every round"),
        ([[A, B], [A, A, (2, 1.0), B]] * 3, "stood in the same order in every round"),
        ([[B, A, (2, 1.0)], [B, B, A]] * 3, "stood in the same order in every round"),
        ([[A, B, A, (2, 1.0)], [(2, 1.0), A, B, A]] * 3, "stood in the same order in every round"),
        ([[A, B]], "Only one round has scores of both"),
        ([[A], [B]], "No round has scores of both"),
        ([[A], [A]], "This variant was not scored"),
        ([[B], [B]], "The control was not scored"),
        ([[A, B, A, B, A, B, A, B] * 3, [B, A] * 12], "too many cups"),
    ],
)
def test_what_cannot_be_compared_has_its_reason(rounds, reason):
    found, *_ = compare(rounds, n_variants=1 + max(v for cups in rounds for v, _ in [*cups, B]))
    assert isinstance(found, NoResult)
    assert reason in found.reason


def test_an_order_that_was_not_recorded_is_not_taken_for_a_shuffled_one():
    rounds = [[A, B], [B, A], [A, B]]
    (found,) = compare(rounds, n_variants=2, places=[(1, 2), (1, 2), (0, 0)])
    assert isinstance(found, NoResult)
    assert "not recorded for every round" in found.reason


def test_a_refused_variant_leaves_the_others():
    rounds = [[A, (2, 5.0), B], [(2, 7.0), A, B], [A, B, (2, 3.0)]]
    refused, compared = compare(rounds, n_variants=3)
    assert isinstance(refused, NoResult)
    assert isinstance(compared, RankContrast)


def test_blank_scores_are_no_cups():
    rounds = [[A, B], [B, A], [(0, np.nan), B]]
    (found,) = compare(rounds, n_variants=2)
    assert found.rounds == 2


# Simulated false alarms ------------------------------------------------------------------------


def taste(chance, rounds, effects, *, controls=1, shuffle=True):
    """Scores that drift over places and rounds and hang together from cup to cup."""
    cups = np.array([0] * controls + list(range(1, len(effects))))
    base = chance.permutation(cups)
    order = np.array([chance.permutation(cups) if shuffle else base for _ in range(rounds)])
    noise = np.empty(order.size)
    last = 0.0
    for place in range(order.size):
        last = noise[place] = 0.6 * last + 0.8 * chance.normal()
    drift = 0.5 * np.arange(cups.size) + 0.15 * np.arange(rounds)[:, None]
    scores = 5 + drift + noise.reshape(order.shape) + np.array(effects, float)[order]
    said = [chance.permutation(cups.size) + 1 for _ in range(rounds)]
    places = np.tile(np.arange(cups.size) + 1, (rounds, 1)) if shuffle else np.array(said)
    where = np.repeat(np.arange(rounds), cups.size)
    return np.clip(np.round(2 * scores) / 2, 0, 10).ravel(), where, order.ravel(), places.ravel()


def false_alarms(trials, rounds, effects, **options):
    chance, alarms = np.random.default_rng(20), 0
    like = [v for v, effect in enumerate(effects) if v and effect == 0]
    for _ in range(trials):
        found = compare_rounds(
            *taste(chance, rounds, effects, **options), control=0, n_variants=len(effects),
            alpha=0.05, rng=chance,
        )  # fmt: skip
        called = [v for v in like if not isinstance(found[v - 1], NoResult)]
        alarms += any(found[v - 1].p_adjusted <= 0.05 for v in called)
    return alarms / trials


@pytest.mark.slow
@pytest.mark.parametrize("n_rounds", [5, 6, 8, 12])
@pytest.mark.parametrize(
    "effects", [(0, 0), (0, 0, 0), (0, 0, 2.5), (0, 0, 0, 0), (0, 0, 2.5, -2.5)]
)
@pytest.mark.parametrize("controls", [1, 2])
def test_false_alarms_stay_below_alpha(n_rounds, effects, controls, monkeypatch):
    monkeypatch.setattr(rounds, "SAMPLES", 999)
    trials = 500
    limit = 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)
    assert false_alarms(trials, n_rounds, effects, controls=controls) <= limit


@pytest.mark.slow
def test_the_same_order_each_round_said_to_be_shuffled_would_have_broken_it(monkeypatch):
    monkeypatch.setattr(rounds, "SAMPLES", 999)
    assert false_alarms(300, 10, (0, 0, 0), shuffle=False) > 0.15
    assert false_alarms(300, 10, (0, 0, 0)) < 0.09
