"""The Hodges-Lehmann estimate and its simultaneous intervals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.stats import signed_ranks
from blindspoon.stats.signed_ranks import shifts_with_intervals, walsh_quantiles

DATA = Path(__file__).parents[1] / "data"
EXAMPLES = json.loads((DATA / "worked_examples.json").read_text(encoding="utf-8"))
# OEIS A226330, largest signed rank sum significant at 2.5 % one-sided, n = 6 to 18
A226330 = (0, 2, 3, 5, 8, 10, 13, 17, 21, 25, 29, 34, 40)


def one(differences, alpha):
    column = np.asarray(differences, dtype=float)[:, None]
    return shifts_with_intervals(column, alpha, np.random.default_rng(1))[0]


def pair_means(differences):
    first, second = np.triu_indices(len(differences))
    return np.sort((differences[first] + differences[second]) / 2)


def hamilton():
    example = EXAMPLES["HW_hamilton_depression"]
    return np.round(np.array(example["x"]) - np.array(example["y"]), 9)


def test_hamilton_depression_scale():
    # Hollander and Wolfe 1973, examples 3.1 and 3.3: estimate .46, 96.1 % interval .010 to .786
    shift, interval, _ = one(hamilton(), 0.04)
    assert shift == pytest.approx(0.46)
    assert (interval.low, interval.high) == pytest.approx((0.010, 0.786))


def test_the_hamilton_interval_has_its_exact_level():
    # 1 - 2 x .01953 = .9609 is reached, so that 1 - .0390 is given and 1 - .0391 is not exceeded
    assert one(hamilton(), 0.0390625)[1].low == pytest.approx(0.010)
    assert one(hamilton(), 0.0390624)[1].low < 0.010


@pytest.mark.parametrize("n", range(6, 19))
def test_ends_are_the_pair_means_that_the_printed_table_names(n):
    differences = np.round(np.random.default_rng(n).normal(size=n), 6)
    ordered, cut = pair_means(differences), A226330[n - 6]
    _, interval, _ = one(differences, 0.05)
    assert (interval.low, interval.high) == pytest.approx((ordered[cut], ordered[-1 - cut]))


@pytest.mark.parametrize(("n", "first", "second"), [(4, False, False), (5, False, True),
                                                    (6, True, True)])  # fmt: skip
def test_few_tasters_have_no_interval(n, first, second):
    _, interval, equivalence = one(np.arange(n) + 0.5, 0.05)
    assert (interval is not None, equivalence is not None) == (first, second)


def test_more_variants_need_more_tasters():
    differences = np.random.default_rng(1).normal(size=(6, 3))
    joint = shifts_with_intervals(differences, 0.05, np.random.default_rng(1))
    assert [interval for _, interval, _ in joint] == [None, None, None]


def test_intervals_are_wider_for_more_variants():
    differences = np.round(np.random.default_rng(1).normal(size=(14, 4)), 9)
    joint = shifts_with_intervals(differences, 0.05, np.random.default_rng(1))[0]
    alone = one(differences[:, 0], 0.05)
    assert joint[0] == alone[0]
    assert joint[1].low < alone[1].low < alone[1].high < joint[1].high


@pytest.mark.parametrize("tasters", [8, 14, 40])
def test_an_interval_moves_with_its_variant_and_not_with_the_others(tasters):
    differences = np.round(np.random.default_rng(4).normal(size=(tasters, 4)), 3)
    moved = differences + np.array([2.0, 0.0, -3.0, 0.5])
    before, after = (
        shifts_with_intervals(each, 0.05, np.random.default_rng(1), 999)
        for each in (differences, moved)
    )
    for (_, own, wider), (_, shifted, shifted_wider), by in zip(
        before, after, [2.0, 0.0, -3.0, 0.5], strict=True
    ):
        for one_end, other in ((own, shifted), (wider, shifted_wider)):
            assert (one_end.low + by, one_end.high + by) == pytest.approx((other.low, other.high))


def test_everyone_undecided_is_a_shift_of_zero():
    shift, interval, equivalence = one(np.zeros(12), 0.05)
    assert shift == 0
    assert (interval.low, interval.high, equivalence.low, equivalence.high) == (0, 0, 0, 0)


def test_a_level_of_a_half_still_holds_the_shift():
    shift, interval, equivalence = one([0.0, 1.0, 5.0], 0.6)
    assert interval.low <= shift <= interval.high
    assert equivalence.low <= shift <= equivalence.high


differences = st.lists(st.integers(-10, 10), min_size=1, max_size=25).map(np.array)


@given(differences)
def test_pair_means_by_listing(values):
    values = values / 2
    expected = pair_means(values)
    np.testing.assert_allclose(walsh_quantiles(values, range(len(expected))), expected, atol=1e-12)


@given(differences)
def test_pair_means_by_halving(values):
    values = values / 10
    expected = pair_means(values)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(signed_ranks, "FEW", 0)
        found = walsh_quantiles(values, range(len(expected)))
    np.testing.assert_allclose(found, expected, atol=1e-12)


def test_both_selections_agree_on_many_distinct_differences():
    values = np.round(np.random.default_rng(3).standard_t(2, size=900), 9)
    last = 900 * 901 // 2 - 1
    positions = [0, 5, last // 3, last // 2, last - 7, last]
    listed = walsh_quantiles(values, positions)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(signed_ranks, "FEW", 0)
        np.testing.assert_allclose(walsh_quantiles(values, positions), listed, atol=1e-12)


def test_counts_are_exact_beyond_a_billion_pairs():
    values = np.repeat([0.0, 1.0], [60_000, 40_000])
    below = 60_000 * 60_001 // 2
    between = below + 60_000 * 40_000
    found = walsh_quantiles(values, [below - 1, below, between - 1, between])
    assert found.tolist() == [0.0, 0.5, 0.5, 1.0]
