"""The Hodges-Lehmann estimate and its simultaneous intervals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from blindspoon.stats.signed_ranks import pairwise_means, shifts_with_intervals

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
        shifts_with_intervals(each, 0.05, np.random.default_rng(1)) for each in (differences, moved)
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


@given(st.lists(st.integers(-10, 10), min_size=1, max_size=25).map(np.array))
def test_pair_means_by_listing(values):
    means, times = pairwise_means(values / 2)
    found = np.repeat(means, times.astype(int))
    np.testing.assert_allclose(found, pair_means(values / 2), atol=1e-12)


def test_counts_are_exact_beyond_a_billion_pairs():
    means, times = pairwise_means(np.repeat([0.0, 1.0], [60_000, 40_000]))
    assert means.tolist() == [0.0, 0.5, 1.0]
    assert times.tolist() == [60_000 * 60_001 // 2, 60_000 * 40_000, 40_000 * 40_001 // 2]


def test_a_thousandth_of_the_span_moves_nothing_that_thousands_show():
    values = np.random.default_rng(3).normal(0.3, 2, size=1500)
    shift, interval, _ = one(values, 0.05)
    assert shift == pytest.approx(np.median(pair_means(values)), abs=np.ptp(values) / 2000)
    for end in (interval.low, interval.high):
        assert stats.wilcoxon(values - end).pvalue == pytest.approx(0.05, abs=0.007)
