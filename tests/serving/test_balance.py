"""The numbers of a plan against those counted by hand."""

import itertools

import numpy as np

from blindspoon.serving.plan import Span, measure


def test_the_control_twice_may_stand_in_one_place():
    assert measure(np.array([[0, 1, 2, 0]] * 4), 3, "1").control_positions == Span(low=0, high=4)


def test_counts_are_those_done_by_hand():
    found = measure(np.array([[0, 1, 2], [1, 0, 3], [2, 3, 0]]), 4, "1")
    assert (found.session, found.trays, found.cups) == ("1", 3, 3)
    assert found.positions == Span(low=0, high=1)
    assert found.control_positions == Span(low=1, high=1)
    assert found.follows == Span(low=0, high=1)


def test_one_other_variant_has_no_pairs():
    assert measure(np.array([[0, 1], [1, 0]]), 2, "1").follows is None


def test_relabelling_the_others_and_reordering_the_sets_changes_nothing():
    rows = [[0, 1, 2], [1, 0, 3], [3, 2, 0], [0, 4, 1]]
    for labels in itertools.permutations([1, 2, 3, 4]):
        mapping = dict(zip([1, 2, 3, 4], labels, strict=True)) | {0: 0}
        again = [[mapping[item] for item in row] for row in rows[::-1]]
        assert measure(np.array(again), 5, "1") == measure(np.array(rows), 5, "1")
