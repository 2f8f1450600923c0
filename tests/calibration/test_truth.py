"""True differences on rounded and bounded scales."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from blindspoon.stats.assumptions import find_flags
from blindspoon.trial import Scale
from tests.calibration.situations import SITUATIONS, truths

NAMES = [each.name for each in SITUATIONS]


@pytest.mark.parametrize("name", NAMES)
def test_the_pseudomedian_halves_the_means_of_two_tasters_differences(grid, situation, name):
    scores = grid(name, truth="one")
    differences = (scores[:, :, 3] - scores[:, :, 0]).mean(axis=2)
    differences = differences[np.isfinite(differences)]
    half = differences.size // 2
    pairs = (differences[:half] + differences[half : 2 * half]) / 2
    centre = truths(situation(name), "one", 4).pseudomedians[2]
    assert np.mean(pairs < centre - 1e-6) < 0.5 < np.mean(pairs < centre + 1e-6) + 0.02
    assert centre == pytest.approx(situation(name).margin, abs=1e-9)


def test_a_boundless_scale_moves_nothing(situation):
    wide = replace(situation("normal"), scale=Scale(low=-40, high=60, step=1))
    true = truths(wide, "all", 4)
    assert true.levels == pytest.approx((10, 11.5, 11.5, 11.5), abs=1e-9)


def test_the_mean_of_a_censored_normal(situation):
    # E max(X, c) for a normal X: c Phi(z) + mu (1 - Phi(z)) + sd phi(z), z = (c - mu) / sd
    # (J. Tobin 1958, Econometrica 26:24, for a limited variable); fine steps stand for none.
    near = replace(situation("normal"), scale=Scale(low=0, high=4, step=0.01), margin=1.0)
    level = truths(near, "all", 4).levels[1]
    sd = np.hypot(1.2, 1.2)

    def above(end):
        z = (end - level) / sd
        return (level - end) * stats.norm.sf(z) + sd * stats.norm.pdf(z)

    assert 0.0 + above(0.0) - above(4.0) == pytest.approx(2.0 + 1.0, abs=1e-4)
    assert level > 3.05


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("variants", [4, 5])
def test_where_nothing_differs_both_differences_are_zero(situation, name, variants):
    true = truths(situation(name), "none", variants)
    assert true.means == pytest.approx([0] * (variants - 1), abs=1e-12)
    assert true.pseudomedians == (0.0,) * (variants - 1)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("truth", ["none", "all"])
def test_uneven_is_what_the_flags_of_a_very_large_panel_say(grid, situation, name, truth):
    scores, scale = grid(name, truth=truth), situation(name).scale
    cups = scores[:, :, :, 0].reshape(-1, 4)  # every taster of every trial as one panel
    cups = cups[np.isfinite(cups).all(axis=1)] if name != "incomplete" else cups
    rows, variant = np.nonzero(np.isfinite(cups))
    found = find_flags(cups, cups[rows, variant], variant, names=["a", "b", "c", "d"],
                       low=scale.low, high=scale.high)  # fmt: skip
    assert truths(situation(name), truth, 4).uneven is bool(found), found
