"""Sets against the published plans, and against all the plans there are."""

import csv
import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from blindspoon.serving.designs import (
    REPLICATION_WEIGHT,
    choose_sets,
    even_replication,
    known_plan,
    set_deviation,
)

# Parameters and blocks of W. G. Cochran and G. M. Cox 1957, Experimental Designs, chapter 11
# (the numbers from memory; r and lambda of every plan are counted here again).
with (Path(__file__).parents[1] / "data" / "bibd_plans.csv").open(encoding="utf-8") as table:
    PUBLISHED = [
        tuple(int(row[name]) for name in ("t", "k", "b", "r", "lambda"))
        for row in csv.DictReader(table)
    ]


def counts(sets):
    once = Counter(item for row in sets for item in row)
    pairs = Counter(pair for row in sets for pair in itertools.combinations(sorted(row), 2))
    return once, pairs


def nothing(variants):
    return np.zeros(variants * (variants + 1))


@pytest.mark.parametrize(("t", "k", "b", "r", "concurrence"), PUBLISHED)
def test_published_plans_are_reached_where_tasters_equal_blocks(t, k, b, r, concurrence):
    assert (b * k, concurrence * (t - 1)) == (r * t, r * (k - 1))
    assert len(known_plan(t, k)) == b
    for tasters, times in ((b, 1), (2 * b, 2)):
        sets = choose_sets(tasters, t, k, nothing(t), np.random.default_rng(t)).tolist()
        once, pairs = counts(sets)
        assert once == dict.fromkeys(range(t), r * times)
        assert pairs == dict.fromkeys(itertools.combinations(range(t), 2), concurrence * times)


@pytest.mark.parametrize("variants", range(2, 13))
def test_every_known_plan_is_balanced(variants):
    for places in range(1, variants + 1):
        once, pairs = counts(known_plan(variants, places).tolist())
        assert len(once) == variants
        assert len(set(once.values())) == 1
        if places > 1:
            assert len(pairs) == variants * (variants - 1) // 2
            assert len(set(pairs.values())) == 1


def squares(sets):
    once, pairs = counts(sets)
    repeated = sum(n * n for n in once.values())
    return REPLICATION_WEIGHT * repeated + sum(n * n for n in pairs.values())


SMALL = [
    (variants, places, tasters)
    for variants, places, most in ((3, 2, 7), (4, 2, 7), (4, 3, 7), (5, 2, 6), (5, 3, 6), (6, 3, 4))
    for tasters in range(1, most + 1)
]


@pytest.mark.parametrize(("variants", "places", "tasters"), SMALL)
def test_no_choice_of_sets_at_all_is_more_even_than_the_drawn_one(variants, places, tasters):
    blocks = list(itertools.combinations(range(variants), places))
    plans = itertools.combinations_with_replacement(blocks, tasters)
    best = min(squares(plan) for plan in plans)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        sets = choose_sets(tasters, variants, places, nothing(variants), rng)
        assert squares(sets.tolist()) == best


@pytest.mark.parametrize(
    "variants",
    [5, 7, pytest.param(9, marks=pytest.mark.slow), pytest.param(11, marks=pytest.mark.slow)],
)
def test_without_a_known_plan_pairs_come_within_a_few_hundredths_of_the_bound(variants):
    """The bound has every pair within one of all others, which need not exist."""
    for places, tasters in itertools.product(range(2, variants), (12, 17, 24, 40)):
        rng = np.random.default_rng(1)
        sets = choose_sets(tasters, variants, places, nothing(variants), rng).tolist()
        once, pairs = counts(sets)
        assert max(once.values()) - min(once[i] for i in range(variants)) <= 1
        number, total = variants * (variants - 1) // 2, tasters * places * (places - 1) // 2
        low, more = divmod(total, number)
        bound = (number - more) * low**2 + more * (low + 1) ** 2
        assert sum(n * n for n in pairs.values()) <= 1.06 * bound + 2


def test_earlier_sets_are_evened_out():
    earlier = np.array([[0, 1], [0, 2], [0, 3], [1, 2], [0, 4]])
    sets = choose_sets(1, 6, 2, 0.02 * set_deviation(earlier, 6), np.random.default_rng(1))
    assert 5 in sets[0]
    assert 0 not in sets[0]


def test_labels_are_drawn_afresh():
    drawn = {
        tuple(map(tuple, choose_sets(7, 7, 3, nothing(7), np.random.default_rng(seed))))
        for seed in range(20)
    }
    assert len(drawn) == 20


def test_many_variants_get_sets_without_a_list_of_all_of_them():
    sets = choose_sets(20, 30, 9, nothing(30), np.random.default_rng(1)).tolist()
    once, _ = counts(sets)
    assert set(once.values()) == {6}
    assert all(len(set(row)) == 9 for row in sets)


@pytest.mark.parametrize("seed", range(20))
def test_replication_can_be_made_even_whatever_the_sets(seed):
    rng = np.random.default_rng(seed)
    variants, tasters = int(rng.integers(2, 12)), int(rng.integers(1, 50))
    places = int(rng.integers(1, variants + 1))
    sets = [np.sort(rng.choice(variants, places, replace=False)) for _ in range(tasters)]
    even = even_replication(np.array(sets), variants)
    assert all(len(set(row)) == places and row == sorted(row) for row in even.tolist())
    assert np.ptp(np.bincount(even.ravel(), minlength=variants)) <= 1
