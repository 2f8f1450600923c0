"""Each variant against the control by signed ranks."""

from __future__ import annotations

import itertools
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import norm, wilcoxon

from blindspoon.findings.rule import kind_of
from blindspoon.stats.results import NoResult, RankContrast
from blindspoon.stats.sign_flips import settle_ties, signed_ranks
from blindspoon.stats.signed_ranks import compare_ranks
from blindspoon.stats.two_way import gather

DATA = Path(__file__).parents[1] / "data"
EXAMPLES = json.loads((DATA / "worked_examples.json").read_text(encoding="utf-8"))
NAN = float("nan")


def compare(means, control=0, alpha=0.05, seed=1, **options):
    means, rng = np.asarray(means, dtype=float), np.random.default_rng(seed)
    return compare_ranks(means, control=control, alpha=alpha, rng=rng, **options)


def against_zero(differences, **options):
    return compare(np.column_stack((np.zeros(len(differences)), differences)), **options)[0]


# --- published values and other programs -----------------------------------------------------


def test_hamilton_depression_scale():
    # Hollander and Wolfe 1973, example 3.1: rank sums 40 and 5, two-sided p 20/512
    data = EXAMPLES["HW_hamilton_depression"]
    (found,) = compare(np.column_stack((data["y"], data["x"])))
    assert found.p_value == found.p_adjusted == 20 / 512
    assert found.shift == pytest.approx(0.46)
    assert (found.interval.low, found.interval.high) == pytest.approx((0.010, 0.786))
    assert found.smallest_p == 2 / 2**9
    assert found.method == "exact"


@pytest.mark.parametrize("n", [6, 9, 13, 16])
def test_agrees_with_scipys_exact_signed_rank_test(n):
    differences = np.random.default_rng(n).normal(0.4, 1, size=n)
    expected = wilcoxon(differences, method="exact").pvalue
    assert against_zero(differences).p_value == pytest.approx(expected, rel=1e-12)


def test_agrees_with_scipys_normal_limit_with_ties_and_zeros():
    differences = np.random.default_rng(4).integers(-4, 5, size=2500).astype(float)
    expected = wilcoxon(differences, zero_method="wilcox", method="approx").pvalue
    found = against_zero(differences)
    assert found.method == "normal"
    assert found.p_value == pytest.approx(expected, rel=1e-9)


def ranked(differences):
    """Signed ranks in exact fractions, by the definition."""
    sizes = [abs(d) for d in differences if d]
    return [
        Fraction(0) if not d else
        (1 if d > 0 else -1)
        * Fraction(2 * sum(s < abs(d) for s in sizes) + sizes.count(abs(d)) + 1, 2)
        for d in differences
    ]  # fmt: skip


def by_definition(columns):
    """Raw and single-step max-T p values over every flip, in exact arithmetic."""
    scores = [ranked(column) for column in columns]
    squares = [sum(r * r for r in column) or 1 for column in scores]

    def statistics(signs):
        sums = [sum(s * r for s, r in zip(signs, column, strict=True)) for column in scores]
        return [total**2 / square for total, square in zip(sums, squares, strict=True)]

    flips = [statistics(s) for s in itertools.product((1, -1), repeat=len(columns[0]))]
    observed = flips[0]
    raw = [Fraction(sum(f[v] >= o for f in flips), len(flips)) for v, o in enumerate(observed)]
    adjusted = [Fraction(sum(max(f) >= o for f in flips), len(flips)) for o in observed]
    return [float(p) for p in raw], [float(p) for p in adjusted]


score = st.one_of(st.just(NAN), st.integers(0, 4).map(float))
tables = st.integers(2, 4).flatmap(
    lambda k: st.lists(st.lists(score, min_size=k, max_size=k), min_size=1, max_size=7)
).map(np.array)  # fmt: skip


@given(tables)
@example(np.array([[1, 2, 3, 0], [1, 2, 3, 0], [1, 3, 2, 1], [0, 1, 1, NAN]]))
def test_p_values_follow_the_definition_with_ties_zeros_and_gaps(means):
    found = [each for each in compare(means) if isinstance(each, RankContrast)]
    if not found:
        return
    columns = [np.nan_to_num(means[:, each.variant] - means[:, 0]).tolist() for each in found]
    raw, adjusted = by_definition(columns)
    assert [each.p_value for each in found] == pytest.approx(raw, abs=1e-12)
    assert [each.p_adjusted for each in found] == pytest.approx(adjusted, abs=1e-12)


# --- properties ------------------------------------------------------------------------------


@given(tables)
def test_every_number_keeps_its_bounds(means):
    for each in compare(means, alpha=0.3):
        if isinstance(each, NoResult):
            continue
        assert 0 < each.smallest_p <= each.p_adjusted <= 1
        assert 0 < each.p_value <= each.p_adjusted
        assert 0 <= each.zero_differences <= each.tasters
        for interval in (each.interval, each.equivalence_interval):
            assert interval is None or interval.low <= each.shift <= interval.high
        if each.interval is not None:
            assert each.equivalence_interval.low >= each.interval.low
            assert each.equivalence_interval.high <= each.interval.high


@given(tables)
def test_a_shared_lean_reaches_the_smallest_p_value(means):
    leaning = means[:, :1] + np.abs(means - means[:, :1])
    contrasts = [each for each in compare(leaning) if isinstance(each, RankContrast)]
    clearest = [each for each in contrasts if each.tasters == len(means)]
    if len(clearest) == len(contrasts) and not any(each.zero_differences for each in contrasts):
        for each in contrasts:
            assert each.p_adjusted == each.smallest_p == min(1.0, 2.0 / 2**each.tasters)


def test_a_variant_that_can_stand_in_front_bounds_the_next():
    # Six equal differences can reach sqrt(6), seven unequal ones only 28 / sqrt(140): the second
    # variant's seven tasters cannot do better than the first variant's six.
    means = np.array([[0, 2, 1], [0, 2, 2], [0, 2, 3], [0, 2, 4], [0, 2, 5], [0, 2, 6], [0, 0, 7]])
    first, second = compare(means)
    assert (first.smallest_p, first.p_adjusted) == (2 / 2**6, 2 / 2**6)
    assert (second.smallest_p, second.p_adjusted, second.p_value) == (2 / 2**6, 2 / 2**6, 2 / 2**7)


def panel(n, k=4, seed=0, step=1.0):
    source = np.random.default_rng(seed)
    means = 5 + source.normal(size=(n, 1)) + 1.5 * source.normal(size=(n, k))
    return np.round(means / step) * step + np.linspace(0, 1, k).round()


@pytest.mark.parametrize("n", [9, 40, 1500])
def test_taster_labels_do_not_matter(n):
    means = panel(n)
    means[2, 1] = NAN
    order = np.random.default_rng(3).permutation(n)
    assert compare(means) == compare(means[order])


def test_variant_labels_do_not_matter():
    means = panel(10)
    order = [0, 3, 1, 2]
    first = {each.variant: each.p_adjusted for each in compare(means)}
    second = {order[each.variant]: each.p_adjusted for each in compare(means[:, order])}
    assert first == second


@pytest.mark.parametrize("n", [3, 9, 40, 1200])
def test_swapping_variant_and_control_turns_the_sign(n):
    means = panel(n, k=2)
    (first,), (second,) = compare(means), compare(means, control=1)
    assert second.shift == -first.shift
    assert (second.p_value, second.p_adjusted) == (first.p_value, first.p_adjusted)
    if first.interval:
        assert (second.interval.low, second.interval.high) == (
            -first.interval.high,
            -first.interval.low,
        )


@pytest.mark.parametrize("n", [9, 40, 1500])
def test_a_constant_moves_shift_and_interval_by_itself(n):
    means = panel(n)
    moved = means + np.array([0, 0, 2.5, 0])
    first, second = (compare(each)[1] for each in (means, moved))
    assert second.shift == first.shift + 2.5
    assert second.interval.low == first.interval.low + 2.5
    assert second.interval.high == first.interval.high + 2.5
    assert second.equivalence_interval.low == first.equivalence_interval.low + 2.5


@pytest.mark.parametrize("n", [9, 12, 16])
def test_wide_leads_do_not_narrow_the_intervals(n):
    means = panel(n, step=0.001)[:, :2]
    moved = means + np.array([0, 64])
    for first, second in zip(compare(means), compare(moved), strict=True):
        assert second.interval.low == pytest.approx(first.interval.low + 64)
        assert second.interval.high == pytest.approx(first.interval.high + 64)


@pytest.mark.parametrize("n", [8, 30])  # with 1,500 nothing is drawn
def test_the_same_seed_gives_the_same_result(n):
    assert compare(panel(n), seed=7) == compare(panel(n), seed=7)


def test_a_taster_who_cannot_tell_changes_no_p_value():
    means = panel(9)
    extra = np.vstack((means, np.full(4, 5.0)))
    before = [each.p_adjusted for each in compare(means)]
    assert [each.p_adjusted for each in compare(extra)] == before


def test_the_control_may_stand_anywhere():
    means = panel(9)
    moved = compare(means[:, [1, 2, 0, 3]], control=2)
    assert [each.variant for each in moved] == [0, 1, 3]
    assert [each.p_adjusted for each in moved] == [each.p_adjusted for each in compare(means)]


def test_floating_point_makes_no_difference_of_a_tie():
    found = against_zero(np.array([0.3, 0.1 + 0.2, -(0.7 - 0.4), 1.0]))
    assert found.p_value == against_zero(np.array([3, 3, -3, 10.0])).p_value


def test_thirds_that_are_equal_are_ties():
    # what three sittings give: 16/3 - 5, 17/3 - 16/3 and 6 - 17/3 are the same difference
    means = np.array([[15, 16], [16, 17], [18, 17], [13, 17], [12, 14], [14, 19], [15, 16]])
    thirds, whole = (
        compare_ranks(points, control=0, alpha=0.05, rng=np.random.default_rng(1))[0]
        for points in (settle_ties(means / 3), means.astype(float))
    )
    assert thirds.p_value == whole.p_value
    assert 3 * thirds.shift == pytest.approx(whole.shift)
    for end in ("low", "high"):
        assert 3 * getattr(thirds.interval, end) == pytest.approx(getattr(whole.interval, end))


# --- few tasters, many tasters, gaps ---------------------------------------------------------


@pytest.mark.parametrize(("n", "p_value"), [(1, 1.0), (2, 0.5), (5, 0.0625), (6, 0.03125)])
def test_five_tasters_or_fewer_cannot_reach_five_percent(n, p_value):
    found = against_zero(np.arange(n) + 1.0)
    assert found.p_value == found.p_adjusted == found.smallest_p == p_value
    assert (found.interval is not None) == (n >= 6)


def test_a_sparse_variant_among_clear_ones_keeps_its_own_least_p():
    means = panel(12, k=3)
    means[5:, 1] = NAN
    sparse, full = compare(means)
    assert sparse.tasters == 5
    assert sparse.smallest_p >= 2 / 2**5
    assert full.smallest_p < 2 / 2**5
    assert sparse.interval is None
    assert full.interval is not None


def test_all_differences_zero():
    found = against_zero(np.zeros(10))
    assert (found.p_value, found.p_adjusted, found.smallest_p, found.shift) == (1, 1, 1, 0)
    assert (found.zero_differences, found.tasters) == (10, 10)
    assert (found.interval.low, found.interval.high) == (0, 0)


def test_a_variant_that_nobody_tasted_with_the_control_has_a_reason():
    means = np.array([[1, 2, NAN, 4], [NAN, 3, 4, NAN], [2, 2, NAN, 5]])
    first, none, last = compare(means)
    assert none == NoResult("No taster scored both this variant and the control.")
    assert (first.tasters, last.tasters) == (2, 2)


@pytest.mark.parametrize("means", [np.empty((0, 3)), [[NAN, 1, 2], [NAN, 3, 4]]])
def test_without_the_control_nothing_is_compared(means):
    assert compare(means) == (NoResult("Nobody scored the control."),) * 2


def test_the_control_alone_gives_no_comparison():
    assert compare([[1.0], [2.0]]) == ()


@pytest.mark.parametrize(
    ("n", "k", "method"),
    [(18, 4, "exact"), (19, 4, "sampled"), (1000, 2, "sampled"), (1001, 3, "normal")],
)
def test_method_by_the_number_of_tasters(n, k, method):
    # half a point below all others, so that nobody finds no difference
    results = compare(panel(n, k) - np.eye(1, k) / 2)
    assert len(results) == k - 1
    assert {each.method for each in results} == {method}


@pytest.mark.parametrize(("n", "missing"), [(7, 0.2), (7, 0.6), (60, 0.2), (60, 0.6), (1500, 0.6)])
def test_gaps_of_any_pattern_give_numbers(n, missing):
    means = panel(n, 5)
    means[np.random.default_rng(n).random(means.shape) < missing] = NAN
    found = [each for each in compare(means) if isinstance(each, RankContrast)]
    assert len(found) >= 2
    for each in found:
        assert np.isfinite([each.shift, each.p_value, each.p_adjusted, each.smallest_p]).all()
        assert each.smallest_p <= each.p_adjusted


def test_few_among_thousands_are_not_given_the_normal_limit():
    means = panel(3000, 3)
    means[5:, 2] = NAN
    means[:5, 2] = means[:5, 0] + [1, 2, 3, 4, 5]
    full, sparse = compare(means)
    assert sparse.p_value == pytest.approx(2 / 2**5, abs=0.003)  # sampled; the limit has 0.043
    assert sparse.p_adjusted >= sparse.smallest_p == sparse.p_value
    assert sparse.interval is None
    assert full.interval is not None


def test_five_thousand_who_agree_give_positive_p_values():
    # z = 61: the chance has more than 800 zeros after its point, far below the smallest number
    means = np.tile([3.0, 5.0, 3.0, 4.0], (5_000, 1))
    clear, none, also = compare(means)
    assert 0 < clear.p_adjusted < 1e-300
    assert 0 < also.p_adjusted < 1e-300
    assert none.p_adjusted == 1
    assert (clear.shift, clear.interval.low, clear.interval.high) == (2, 2, 2)


def test_normal_p_value_of_a_wide_lead():
    means = np.zeros((4000, 2))
    means[:, 1] = np.where(np.arange(4000) < 3000, 1, -1)
    (found,) = compare(means)
    assert found.p_value == pytest.approx(2 * norm.sf(2000 / np.sqrt(4000)), rel=1e-9)


# --- means over replicates -------------------------------------------------------------------


def test_replicates_are_averaged_and_gaps_left():
    taster, variant = np.array([0, 0, 1, 1, 0, 2]), np.array([1, 1, 0, 1, 0, 0])
    score = np.array([4.0, 5.0, 2.0, NAN, 7.0, 1.0])
    found = gather(score, taster, variant, n_tasters=4, n_variants=2).mean
    expected = [[7, 4.5], [2, NAN], [1, NAN], [NAN, NAN]]
    np.testing.assert_array_equal(found, expected)


def test_equal_means_are_equal_numbers():
    score = np.array([0.1, 0.1, 0.1, 0.1])
    found = gather(score, np.zeros(4, int), np.array([0, 0, 0, 1]), n_tasters=1, n_variants=2).mean
    assert found[0, 0] == found[0, 1]


def test_no_rows_give_no_means():
    none = np.array([], dtype=int)
    found = gather(none.astype(float), none, none, n_tasters=2, n_variants=2).mean
    assert np.isnan(found).all()


def test_signed_ranks_of_an_empty_column_are_zero():
    assert not signed_ranks(np.array([[0.0, NAN], [NAN, NAN]])).any()


# --- the test and its interval --------------------------------------------------------------


def rates(tasters, variants, shift, trials, seed, step=1.0):
    """Share of trials with a false "different", with the truth outside, and that contradict."""
    rng, true = np.random.default_rng(seed), np.zeros(variants)
    true[:1] = shift
    false = missed = apart = 0
    for number in range(trials):
        points = rng.normal(5, 1, (tasters, 1)) + rng.normal(0, 1.2, (tasters, variants + 1))
        means = np.round(points / step) * step
        means[:, 1:] += true
        found = compare(means, seed=number)
        shown = [c.interval is not None and c.interval.excludes_zero() for c in found]
        apart += shown != [c.p_adjusted <= 0.05 for c in found]
        false += any(shown[1:])
        missed += any(
            c.interval is not None and (c.interval.above(t) or c.interval.below(t))
            for c, t in zip(found, true, strict=True)
        )
    return false / trials, missed / trials, apart / trials


def test_different_is_an_interval_without_zero():
    # evidence: 32 of 159 contradicted each other with step-down p and untied intervals
    false, missed, apart = rates(8, 3, 2.0, trials=60, seed=3)
    assert apart == 0
    assert max(false, missed) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 60)


@pytest.mark.slow
@pytest.mark.parametrize(("tasters", "variants", "shift"), [(8, 3, 2.0), (12, 3, 2.0), (8, 6, 5.0)])
def test_the_interval_holds_the_family_level(tasters, variants, shift):
    false, missed, apart = rates(tasters, variants, shift, trials=2000, seed=5)
    assert apart == 0
    assert max(false, missed) <= 0.055 + 2 * np.sqrt(0.05 * 0.95 / 2000)


def test_no_difference_is_shown_above_alpha_where_the_interval_is_not_by_all_flips():
    # by hand: of the 2^9 flips of those who differ 26 reach as far, p = .0508; 14 more see none
    differences = np.r_[np.zeros(14), np.ones(6), [2, 2, 2, -2]]
    for sign in (1, -1):
        found = against_zero(sign * differences)
        assert (found.method, found.p_adjusted) == ("exact", 26 / 2**9)
        assert not found.interval.excludes_zero()
        assert not found.interval.low_open
        assert not found.interval.high_open


def test_where_most_find_no_difference_a_small_p_alone_shows_none():
    # by hand: nine agree, 2 of their 2^9 flips; most pairwise means with 30 zeros are zero
    found = against_zero(np.r_[np.zeros(30), np.ones(9)])
    assert (found.p_adjusted, found.shift) == (2 / 2**9, 0)
    assert not found.interval.excludes_zero()
    assert kind_of(found, margin=None, alpha=0.05) == "open"


def test_open_ends_of_a_worked_case():
    # by hand: six agree; at 1 five are above and one ties, at 0 all lie above, 2/64 of flips
    found = against_zero([1, 1, 2, 2, 3, 4.0])
    assert found.p_adjusted == 2 / 2**6
    assert found.interval.above(0)
    assert (found.interval.low, found.interval.high) == (1, 4)
