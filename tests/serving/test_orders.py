"""Orders against Williams 1949 (Aust. J. Sci. Res. A 2:149-168) and against all there are."""

import itertools
from collections import Counter

import numpy as np
import pytest

from blindspoon.serving import designs
from blindspoon.serving.designs import (
    POSITION_WEIGHT,
    arrange,
    complete_orders,
    even_positions,
    williams,
)


def counts(rows):
    """How often each item is in each position, and each follows each."""
    places = Counter((item, place) for row in rows for place, item in enumerate(row))
    pairs = Counter(pair for row in rows for pair in itertools.pairwise(row))
    return places, pairs


def cost(rows):
    """What the search makes small where everybody gets everything: uneven counts, squared."""
    places, pairs = counts(rows)
    return POSITION_WEIGHT * sum(n * n for n in places.values()) + sum(
        n * n for n in pairs.values()
    )


def nothing(items, cups):
    return np.zeros(items * (items + cups))


@pytest.mark.parametrize(
    ("items", "first"), [(3, [1, 2, 3]), (10, [1, 2, 10, 3, 9, 4, 8, 5, 7, 6])]
)
def test_the_first_rows_are_those_of_williams_1949(items, first):
    assert (williams(items)[0] + 1).tolist() == first


def test_three_items_give_the_six_rows_of_williams_1949():
    rows = {"".join(str(item + 1) for item in row) for row in williams(3)}
    assert rows == {"123", "231", "312", "321", "132", "213"}


@pytest.mark.parametrize("items", range(2, 13))
def test_squares_are_balanced_for_position_and_for_the_cup_before(items):
    rows = williams(items).tolist()
    places, pairs = counts(rows)
    often = 1 if items % 2 == 0 else 2
    assert len(rows) == often * items
    assert places == Counter(dict.fromkeys(itertools.product(range(items), repeat=2), often))
    assert pairs == Counter(dict.fromkeys(itertools.permutations(range(items), 2), often))


@pytest.mark.parametrize("items", range(2, 13))
def test_an_even_number_of_cups_is_as_even_as_can_be_for_any_number_of_tasters(items):
    if items % 2:
        items += 1
    for tasters in range(1, 2 * items + 1):
        rows = complete_orders(
            tasters, items, 1, nothing(items, items), np.random.default_rng(tasters)
        )
        places, pairs = counts(rows.tolist())
        assert {places[cell] for cell in itertools.product(range(items), repeat=2)} <= {
            tasters // items,
            -(-tasters // items),
        }
        assert {pairs[pair] for pair in itertools.permutations(range(items), 2)} <= {
            tasters // items,
            -(-tasters // items),
        }


@pytest.mark.parametrize("items", [3, 5, 7, 9, 11])
def test_an_odd_number_of_cups_is_even_over_positions_and_nearly_so_for_neighbours(items):
    for tasters in (items - 1, items, items + 1, 2 * items - 1, 2 * items + 3):
        rows = complete_orders(tasters, items, 1, nothing(items, items), np.random.default_rng(3))
        places, pairs = counts(rows.tolist())
        places = [places[cell] for cell in itertools.product(range(items), repeat=2)]
        pairs = [pairs[pair] for pair in itertools.permutations(range(items), 2)]
        assert max(places) - min(places) <= 1
        assert max(pairs) - min(pairs) <= 3


@pytest.mark.parametrize("tasters", [6, 10, 12, 20])
def test_whole_squares_are_used_where_they_fit(tasters):
    items = {6: 3, 10: 5, 12: 6, 20: 10}[tasters]
    rows = complete_orders(tasters, items, 1, nothing(items, items), np.random.default_rng(1))
    _, pairs = counts(rows.tolist())
    assert set(pairs.values()) == {tasters // items}
    assert len(pairs) == items * (items - 1)


def best_of_all(items, tasters):
    """The smallest cost over all plans; the first row can be kept, for labels are free."""
    orders = list(itertools.permutations(range(items)))
    table = np.zeros((len(orders), 2 * items * items), dtype=np.int8)
    for number, order in enumerate(orders):
        for place, item in enumerate(order):
            table[number, item * items + place] = 1
        for one, other in itertools.pairwise(order):
            table[number, items * items + one * items + other] = 1
    weight = np.repeat([POSITION_WEIGHT, 1.0], items * items)
    choices = itertools.combinations_with_replacement(range(len(orders)), tasters - 1)
    best = np.inf
    while chunk := list(itertools.islice(choices, 100_000)):
        chosen = np.array(chunk, dtype=np.int64).reshape(len(chunk), tasters - 1)
        total = np.repeat(table[:1], len(chunk), axis=0)
        for column in chosen.T:
            total += table[column]
        best = min(best, float((total.astype(np.float64) ** 2 @ weight).min()))
    return best


SMALL = [(3, n) for n in range(1, 7)] + [(4, n) for n in range(1, 6)] + [(5, 2), (5, 3), (5, 4)]


@pytest.mark.parametrize(("items", "tasters"), SMALL)
def test_no_complete_plan_at_all_is_more_even_than_the_drawn_one(items, tasters):
    best = best_of_all(items, tasters)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        rows = complete_orders(tasters, items, 1, nothing(items, items), rng)
        assert cost(rows.tolist()) == best


@pytest.mark.slow
def test_five_cups_for_five_tasters_are_the_best_of_all_nine_million_plans():
    rows = complete_orders(5, 5, 1, nothing(5, 5), np.random.default_rng(1))
    assert cost(rows.tolist()) == best_of_all(5, 5)


def counted(order, kinds):
    """Where each item stands, then what follows what, as one row of numbers."""
    row, cups = np.zeros(kinds * (len(order) + kinds)), len(order)
    for place, item in enumerate(order):
        row[item * cups + place] += 1
    for one, other in itertools.pairwise(order):
        row[kinds * cups + one * kinds + other] += 1
    return row


def gap(kinds, cups, tasters, seed):
    """How much more the arranged order costs than the best of all orders of the same sets.

    Squared deviations; a pair that is in more sets is wanted as neighbours more often.
    """
    rng = np.random.default_rng(seed)
    sets = [rng.choice(kinds, cups, replace=False) for _ in range(tasters)]
    found = arrange(np.array(sets), kinds, nothing(kinds, cups), rng)
    wanted = np.zeros(kinds * (cups + kinds))
    for one, other in itertools.chain(*(itertools.permutations(row, 2) for row in sets)):
        wanted[kinds * cups + one * kinds + other] += 1 / cups
    totals = np.zeros((1, wanted.size))
    for row in sets:
        ways = np.array([counted(order, kinds) for order in itertools.permutations(row)])
        totals = (totals[:, None] + ways).reshape(-1, wanted.size)
    weight = np.repeat([POSITION_WEIGHT, 1.0], [kinds * cups, kinds * kinds])
    ours = sum(counted(order, kinds) for order in found.tolist())
    return (ours - wanted) ** 2 @ weight - ((totals - wanted) ** 2 @ weight).min()


def test_orders_of_given_sets_are_the_best_of_all_or_one_pair_of_cups_from_it():
    """One pair too many where one is missing costs 2; measured: 94 of 100 right, the rest < 1.4."""
    small = [(4, 3, 4), (6, 3, 5), (5, 4, 3), (4, 2, 9), (5, 3, 5)]
    gaps = np.array([gap(*sizes, seed) for sizes in small for seed in range(6)])
    assert gaps.max() <= 2
    assert (gaps < 1e-6).mean() >= 0.9


@pytest.mark.parametrize("seed", range(30))
def test_positions_can_be_made_even_whatever_the_sets(seed):
    rng = np.random.default_rng(seed)
    kinds, tasters = int(rng.integers(3, 13)), int(rng.integers(2, 60))
    cups = int(rng.integers(2, kinds + 1))
    rows = np.array([np.sort(rng.choice(kinds, cups, replace=False)) for _ in range(tasters)])
    even = even_positions(rows, kinds)
    assert np.array_equal(np.sort(even, axis=1), rows)
    for kind in range(kinds):
        assert np.ptp((even == kind).sum(axis=0)) <= 1


def test_even_positions_hold_with_the_control_twice_in_every_row():
    rng = np.random.default_rng(8)
    rows = np.array(
        [[0, 0, *np.sort(rng.choice(np.arange(1, 6), 3, replace=False))] for _ in range(23)]
    )
    even = even_positions(rows, 6)
    assert np.array_equal(np.sort(even, axis=1), rows)
    assert all(np.ptp((even == kind).sum(axis=0)) <= 1 for kind in range(6))


def test_every_item_may_take_every_place_in_a_square():
    """24 ways to label a square of four: 50 of each expected, standard deviation 7."""
    first = Counter(
        tuple(complete_orders(4, 4, 1, nothing(4, 4), np.random.default_rng(seed))[0].tolist())
        for seed in range(1200)
    )
    assert len(first) == 24
    assert min(first.values()) > 20


def test_orders_are_even_over_positions_whatever_the_search_finds(monkeypatch):
    monkeypatch.setattr(
        designs, "settle", lambda chunks, _, **__: np.concatenate([rows for rows, _ in chunks])
    )
    rows = np.tile(np.arange(4), (9, 1))
    found = arrange(rows, 4, nothing(4, 4), np.random.default_rng(1))
    assert max(np.ptp((found == item).sum(axis=0)) for item in range(4)) == 1
