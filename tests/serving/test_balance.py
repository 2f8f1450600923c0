"""The numbers of a plan against a second way of counting them, and against closed forms."""

import itertools
from dataclasses import asdict

import numpy as np
import pytest

from blindspoon.serving.designs import known_plan, williams
from blindspoon.serving.plan import Span, comparison_variance, measure


def least_squares_variance(rows, variants):
    """Mean variance of variant minus control from the design matrix, sets as dummy columns."""
    cups = [(number, item) for number, row in enumerate(rows) for item in row]
    matrix = np.zeros((len(cups), len(rows) + variants))
    for line, (number, item) in enumerate(cups):
        matrix[line, number] = matrix[line, len(rows) + item] = 1
    inverse = np.linalg.pinv(matrix.T @ matrix)
    variances = []
    for other in range(1, variants):
        contrast = np.zeros(len(rows) + variants)
        contrast[len(rows) + other], contrast[len(rows)] = 1, -1
        variances.append(contrast @ inverse @ contrast)
    return float(np.mean(variances))


@pytest.mark.parametrize("seed", range(10))
def test_the_variance_is_that_of_least_squares_with_a_level_for_each_set(seed):
    rng = np.random.default_rng(seed)
    rows = [[0, *rng.choice(np.arange(1, 6), 3, replace=False).tolist()] for _ in range(9)]
    found = measure(rows, 6)
    assert found.variance == pytest.approx(least_squares_variance(rows, 6), rel=1e-9)


@pytest.mark.parametrize(("t", "k"), [(4, 2), (6, 3), (7, 3), (9, 3), (8, 4), (11, 5), (5, 1)])
def test_bechhofer_and_tamhane_designs_have_the_variance_of_their_formula(t, k):
    """Technometrics 23:45-57; the formula from memory, and least squares agrees with it."""
    rows = [[0, *(block + 1).tolist()] for block in known_plan(t, k)]
    l0 = len(rows) * k // t
    l1 = l0 * (k - 1) // (t - 1)
    found = measure(rows, t + 1)
    assert found.controls == Span(low=1, high=1)
    assert found.replication == Span(low=l0, high=l0)
    assert found.concurrence == Span(low=l1, high=l1)
    expected = (k + 1) * (l0 + l1) / (l0 * (l0 + t * l1))
    assert found.variance == pytest.approx(expected, rel=1e-12)
    assert found.variance == pytest.approx(least_squares_variance(rows, t + 1), rel=1e-9)
    assert found.efficiency == pytest.approx((1 / len(rows) + 1 / l0) / expected, rel=1e-12)
    assert found.tasters_worth == pytest.approx(2 / expected, rel=1e-12)


@pytest.mark.parametrize("items", range(2, 9))
def test_complete_plans_are_fully_efficient(items):
    rows = williams(items)
    found = measure(rows, items)
    assert found.variance == pytest.approx(2 / len(rows))
    assert found.efficiency == pytest.approx(1)
    assert found.tasters_worth == pytest.approx(len(rows))


def test_the_control_twice_makes_complete_sets_more_precise():
    rows = [[0, 1, 2, 0]] * 4
    found = measure(rows, 3)
    assert found.variance == pytest.approx(1 / 4 + 1 / 8)
    assert found.efficiency == pytest.approx(1)
    assert found.tasters_worth == pytest.approx(4)
    assert found.controls == Span(low=2, high=2)
    assert found.control_positions == Span(low=0, high=4)


def test_counts_are_those_done_by_hand():
    found = measure([[0, 1, 2], [1, 0, 3], [2, 3, 0]], 4, "1")
    assert (found.session, found.sets, found.cups) == ("1", 3, 3)
    assert found.replication == Span(low=2, high=2)
    assert found.concurrence == Span(low=1, high=1)
    assert found.positions == Span(low=0, high=1)
    assert found.control_positions == Span(low=1, high=1)
    assert found.follows == Span(low=0, high=1)
    assert found.control_follows == Span(low=0, high=1)


def test_one_other_variant_has_no_pairs():
    found = measure([[0, 1], [1, 0]], 2)
    assert found.concurrence is None
    assert found.follows is None
    assert found.variance == pytest.approx(1)


def test_a_variant_that_nobody_gets_leaves_no_variance():
    found = measure([[0, 1], [1, 0]], 3)
    assert found.variance is None
    assert found.efficiency == found.tasters_worth == 0
    assert comparison_variance(np.array([[1, 0, 1]])) is None


def test_relabelling_the_others_and_reordering_the_sets_changes_nothing():
    rows = [[0, 1, 2], [1, 0, 3], [3, 2, 0], [0, 4, 1]]
    for labels in itertools.permutations([1, 2, 3, 4]):
        mapping = dict(zip([1, 2, 3, 4], labels, strict=True)) | {0: 0}
        again = [[mapping[item] for item in row] for row in rows[::-1]]
        one, other = asdict(measure(again, 5)), asdict(measure(rows, 5))
        floats = ("variance", "efficiency", "tasters_worth")
        assert [one.pop(f) for f in floats] == pytest.approx([other.pop(f) for f in floats])
        assert one == other
