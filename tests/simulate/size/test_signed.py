"""Many trials at once give what `compare_ranks` gives one by one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import wilcoxon

from blindspoon.findings.rule import kind_of
from blindspoon.simulate.by_ranks import make_flips, rank_differences, tell_apart, within
from blindspoon.simulate.size import size_panel
from blindspoon.simulate.size_results import Question
from blindspoon.simulate.trials import PanelSize, PanelTrials
from blindspoon.stats.sign_flips import settle_ties, signed_ranks, smallest_p
from blindspoon.stats.signed_ranks import _in_fixed_order, compare_ranks, shifts_with_intervals
from blindspoon.trial import Scale
from tests.simulate.size.drawing import draw_scores

MARGIN = 2.5


def simulated(tasters, variants, sessions, step, spread, trials):
    panel = PanelSize(tasters=tasters, sessions=sessions, variants=variants)
    rng = np.random.default_rng([tasters, variants, sessions])
    scale = Scale(low=0, high=10, step=step)
    return draw_scores(panel, spread, scale, 1.5, trials=trials, rng=rng)


def one_by_one(scores):
    """Verdicts by `compare_ranks`, the n-th trial with the seed n."""
    found = []
    for seed, means in enumerate(settle_ties(scores.mean(axis=3))):
        rng = np.random.default_rng(seed)
        contrasts = compare_ranks(means, control=0, alpha=0.05, rng=rng)
        found.append([kind_of(each, margin=MARGIN, alpha=0.05) for each in contrasts])
    return np.array(found)


def all_at_once(scores, kinds, seed=1):
    differences = np.array([_in_fixed_order(each) for each in rank_differences(scores)])
    flips = make_flips(differences.shape[1], np.random.default_rng(seed))
    different = tell_apart(signed_ranks(differences), flips, 0.05)
    return kinds(different, within(differences, flips, 0.05, MARGIN))


@pytest.mark.parametrize("step", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("sessions", [1, 2])
@pytest.mark.parametrize("variants", [2, 4])
@pytest.mark.parametrize("tasters", [4, 6, 9])
def test_verdicts_agree_with_compare_ranks(tasters, variants, sessions, step, usual, kinds):
    """Sizing tests the ends of the margin only, the others at their medians: 7 of 2,880 differ."""
    scores = simulated(tasters, variants, sessions, step, usual, trials=8)
    together, single = all_at_once(scores, kinds), one_by_one(scores)
    shown = [np.isin(found, ["different", "slight"]) for found in (together, single)]
    np.testing.assert_array_equal(*shown)
    assert np.count_nonzero(together != single) <= 2


def test_the_simulated_trials_reach_every_verdict(usual, kinds):
    """The agreement above covers more than trials in which nothing is shown."""
    scores = simulated(12, 4, 2, 0.5, usual, trials=100)
    assert set(np.unique(all_at_once(scores, kinds))) == {"alike", "different", "open", "slight"}


@pytest.mark.parametrize("tasters", [14, pytest.param(24, marks=pytest.mark.slow)])
def test_sampled_flips_seldom_change_a_verdict(tasters, usual, kinds):
    """`compare_ranks` makes all flips, or 99,999; sizing 2,047: 3 verdicts in 100 at most."""
    scores = simulated(tasters, 4, 1, 0.5, usual, trials=40)
    agree = all_at_once(scores, kinds) == one_by_one(scores)
    assert agree.mean() > 0.97


@pytest.mark.parametrize("tasters", [6, 8, 12])
def test_one_variant_without_ties_gives_the_exact_signed_rank_test(tasters):
    """Against scipy's exact Wilcoxon signed rank test."""
    rng = np.random.default_rng(tasters)
    differences = rng.normal(0.8, 1.0, size=(300, tasters, 1))
    found = tell_apart(signed_ranks(differences), make_flips(tasters, rng), 0.05)[:, 0]
    p = wilcoxon(differences[:, :, 0], axis=1, method="exact").pvalue
    assert found.tolist() == (p <= 0.05).tolist()
    assert 0 < found.mean() < 1


def test_smallest_p_is_what_compare_ranks_gives_when_all_lean_one_way():
    for tasters in (4, 5, 6, 12, 20):
        means = np.column_stack([np.zeros(tasters), np.arange(1.0, tasters + 1)])
        (found,) = compare_ranks(means, control=0, alpha=0.05, rng=np.random.default_rng(1))
        assert smallest_p(tasters) == found.smallest_p == found.p_adjusted


def test_five_tasters_cannot_reach_five_in_a_hundred():
    rng = np.random.default_rng(1)
    sure = np.tile(np.arange(3.0, 8.0)[:, None], (10, 1, 2))
    assert not tell_apart(signed_ranks(sure), make_flips(5, rng), 0.05).any()
    assert tell_apart(
        signed_ranks(np.tile(np.arange(3.0, 9.0)[:, None], (1, 1, 1))), make_flips(6, rng), 0.05
    )


def test_ranks_are_those_of_compare_ranks_with_ties_and_zeros():
    differences = np.random.default_rng(1).integers(-3, 4, size=(50, 9, 3)).astype(float)
    expected = [signed_ranks(each) for each in differences]
    assert signed_ranks(differences).tolist() == np.array(expected).tolist()


def test_no_variant_is_shown_before_a_clearer_one():
    """Alone the second would reach .047, but the first stops at .078: none is shown."""
    rows = [(-1, 1, 2), (1, 0, 1), (3, 0, 2), (3, 0, 2), (2, 1, 3), (2, 1, 3), (2, 5, -1)]
    means = np.column_stack([np.zeros(7), np.array(rows, dtype=float)])
    found = compare_ranks(means, control=0, alpha=0.05, rng=np.random.default_rng(1))
    assert sorted(each.p_adjusted for each in found) == [0.078125, 0.078125, 0.1875]
    flips = make_flips(7, np.random.default_rng(1))
    assert not tell_apart(signed_ranks(np.array([rows], dtype=float)), flips, 0.05).any()


def test_no_difference_at_all_shows_nothing():
    flips = make_flips(8, np.random.default_rng(1))
    assert not tell_apart(signed_ranks(np.zeros((3, 8, 2))), flips, 0.05).any()


@pytest.mark.parametrize(("rounds", "variants"), [(5, 4), (6, 4)])
def test_one_person_alone_is_promised_alike_as_often_as_their_intervals_show_it(
    rounds, variants, usual
):
    """Over rounds every variant has an interval of its own at alpha over the variants."""
    question = Question(
        variants=variants,
        scale=Scale(low=0, high=10, step=1),
        margin=3.0,
        alpha=0.05,
        spread=usual,
        trials=100,
        seed=1,
        rounds=True,
        places=variants - 1,
    )
    panel = PanelSize(tasters=rounds, sessions=1, variants=variants)
    rng = np.random.default_rng(1)
    share = 0.05 / (variants - 1)
    inside = [
        equivalence is not None
        and equivalence.within(3.0)
        and not (interval and interval.excludes_zero())
        for differences in rank_differences(PanelTrials(question, panel).scores(0.0, 0, 100))
        for column in differences.T
        for (_, interval, equivalence) in shifts_with_intervals(column[:, None], share, rng)
    ]
    (cell,) = size_panel(question, rounds, 1, ("ranks",))
    assert cell.chance_alike.value == pytest.approx(np.mean(inside), abs=0.02)


def test_what_lies_beyond_the_margin_is_not_within_it():
    differences = 5 + np.arange(8.0).reshape(1, 8, 1) / 10
    signs = make_flips(8, np.random.default_rng(1))
    for moved in (differences, -differences):
        assert not within(moved, signs, 0.05, 1.0).any()
        assert within(moved, signs, 0.05, 7.0).all()
