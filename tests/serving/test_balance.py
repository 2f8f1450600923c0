"""The numbers of a plan against a second way of counting them, and against closed forms."""

import itertools

import numpy as np
import pytest

from blindspoon.serving.designs import known_plan
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import ServingRequest, Span, comparison_variance, measure


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


def plan(variants, tasters, **asked):
    others = tuple(f"way-{number}" for number in range(1, variants))
    names = tuple(f"T{number}" for number in range(tasters))
    request = ServingRequest(control="plain", others=others, tasters=names, **asked)
    return draw(request, np.random.default_rng(1))


def variance(rows, variants):
    return comparison_variance((np.array(rows)[:, :, None] == np.arange(variants)).sum(axis=1))


@pytest.mark.parametrize("seed", range(10))
def test_the_variance_is_that_of_least_squares_with_a_level_for_each_set(seed):
    rng = np.random.default_rng(seed)
    rows = [[0, *rng.choice(np.arange(1, 6), 3, replace=False).tolist()] for _ in range(9)]
    assert variance(rows, 6) == pytest.approx(least_squares_variance(rows, 6), rel=1e-9)


@pytest.mark.parametrize(("t", "k"), [(4, 2), (6, 3), (7, 3), (9, 3), (8, 4), (11, 5), (5, 1)])
def test_bechhofer_and_tamhane_designs_have_the_variance_of_their_formula(t, k):
    """Technometrics 23:45-57; the formula from memory, and least squares agrees with it."""
    rows = [[0, *(block + 1).tolist()] for block in known_plan(t, k)]
    l0 = len(rows) * k // t
    l1 = l0 * (k - 1) // (t - 1)
    expected = (k + 1) * (l0 + l1) / (l0 * (l0 + t * l1))
    assert variance(rows, t + 1) == pytest.approx(expected, rel=1e-12)
    assert variance(rows, t + 1) == pytest.approx(least_squares_variance(rows, t + 1), rel=1e-9)
    drawn = plan(variants=t + 1, tasters=len(rows), cups=k + 1)
    assert drawn.worth == pytest.approx(2 / expected, rel=1e-12)


@pytest.mark.parametrize("controls", [1, 2])
@pytest.mark.parametrize("items", range(2, 9))
def test_sets_of_everything_are_worth_as_many(items, controls):
    drawn = plan(variants=items, tasters=8, cups=items + controls - 1, controls=controls)
    assert drawn.worth == pytest.approx(8)


def test_the_control_twice_makes_complete_sets_more_precise():
    assert variance([[0, 1, 2, 0]] * 4, 3) == pytest.approx(1 / 4 + 1 / 8)
    assert measure(np.array([[0, 1, 2, 0]] * 4), 3, "1").control_positions == Span(low=0, high=4)


def test_counts_are_those_done_by_hand():
    found = measure(np.array([[0, 1, 2], [1, 0, 3], [2, 3, 0]]), 4, "1")
    assert (found.session, found.sets, found.cups) == ("1", 3, 3)
    assert found.positions == Span(low=0, high=1)
    assert found.control_positions == Span(low=1, high=1)
    assert found.follows == Span(low=0, high=1)


def test_one_other_variant_has_no_pairs():
    assert measure(np.array([[0, 1], [1, 0]]), 2, "1").follows is None
    assert variance([[0, 1], [1, 0]], 2) == pytest.approx(1)


def test_a_variant_that_nobody_gets_tells_nothing():
    assert comparison_variance(np.array([[1, 0, 1]])) == np.inf


def test_relabelling_the_others_and_reordering_the_sets_changes_nothing():
    rows = [[0, 1, 2], [1, 0, 3], [3, 2, 0], [0, 4, 1]]
    for labels in itertools.permutations([1, 2, 3, 4]):
        mapping = dict(zip([1, 2, 3, 4], labels, strict=True)) | {0: 0}
        again = [[mapping[item] for item in row] for row in rows[::-1]]
        assert measure(np.array(again), 5, "1") == measure(np.array(rows), 5, "1")
        assert variance(again, 5) == pytest.approx(variance(rows, 5))
