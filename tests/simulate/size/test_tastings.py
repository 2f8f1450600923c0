from __future__ import annotations

import numpy as np
import pytest

from blindspoon.simulate.size_results import Spread
from blindspoon.simulate.trials import PanelSize, deal_jars, differing, serving_positions
from blindspoon.trial import Scale
from tests.simulate.size.drawing import draw_scores

PANEL = PanelSize(tasters=6, sessions=2, variants=4)
WIDE = Scale(low=-1000, high=1000)


def draw(spread, scale=WIDE, shift=0.0, trials=3000, seed=1):
    rng = np.random.default_rng(seed)
    return draw_scores(PANEL, spread, scale, shift, trials=trials, rng=rng)


def test_scores_have_the_spread_that_was_asked_for():
    spread = Spread(residual_sd=1.0, taster_sd=3.0, taster_variant_sd=2.0)
    scores = draw(spread)
    cups = scores.var(axis=3, ddof=1).mean()
    cells = scores.mean(axis=3).var(axis=2, ddof=1).mean()
    tasters = scores.mean(axis=(2, 3)).var(axis=1, ddof=1).mean()
    assert [cups, cells, tasters] == pytest.approx([1, 4 + 1 / 2, 9 + (4 + 1 / 2) / 4], rel=0.05)


def test_one_variant_in_turn_differs_and_the_others_equal_the_control(usual):
    scores = draw(usual, shift=3.0)
    means = scores.mean(axis=(1, 3))
    for variant in (1, 2, 3):
        rows = differing(np.arange(len(scores)), 4) == variant
        found = means[rows].mean(axis=0) - means[rows].mean(axis=0)[0]
        assert found == pytest.approx(3.0 * (np.arange(4) == variant), abs=0.15)


def test_differences_lie_across_the_middle_of_the_scale(usual):
    scores = draw(usual, Scale(low=0, high=100), shift=20.0)
    control, variant = (
        scores[:, :, 0].mean(),
        scores[differing(np.arange(3000), 4) == 1, :, 1].mean(),
    )
    assert (control, variant) == pytest.approx((40, 60), abs=0.2)


def test_scores_stay_on_the_scale_and_its_steps(usual):
    scores = draw(usual, Scale(low=1, high=4, step=0.75), shift=3.0)
    assert set(np.unique(scores)) == {1, 1.75, 2.5, 3.25, 4}


def test_the_same_cups_are_drawn_whatever_the_shift(usual):
    apart = draw(usual, shift=2.0) - draw(usual)
    assert np.unique(np.round(apart, 9)).tolist() == [-1.0, 1.0]


@pytest.mark.parametrize("tasters", [4, 7, 10, 23])
@pytest.mark.parametrize("variants", [2, 3, 5, 6])
def test_every_variant_is_in_each_position_equally_often_give_or_take_one(tasters, variants):
    panel = PanelSize(tasters=tasters, sessions=2, variants=variants)
    taken = serving_positions(panel, np.random.default_rng(1))
    assert taken.sum(axis=1).tolist() == np.ones((tasters, 2, variants - 1)).tolist()
    first = 1 - taken.sum(axis=3, keepdims=True)
    counts = np.concatenate([first, taken], axis=3).sum(axis=0)
    assert counts.max() - counts.min() <= 1


def test_a_taster_gets_another_jar_at_each_sitting_and_every_jar_goes_out_alike():
    jar = deal_jars(np.ones((6, 2, 3), bool), (3, 2), np.random.default_rng(1))
    assert [sorted(own) for own in jar[:, 0].tolist()] == [[0, 1, 2]] * 6
    assert all(set(own) == {3, 4} for own in jar[:, 1].tolist())
    assert all(np.bincount(jar[:, 0, at]).tolist() == [2, 2, 2] for at in range(3))
