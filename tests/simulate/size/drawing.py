"""The scores of many trials in which one variant differs, as sizing draws and moves them."""

from __future__ import annotations

import numpy as np

from blindspoon.simulate.trials import draw_scatter, on_scale, true_levels


def draw_scores(panel, spread, scale, shift, *, trials, rng):
    """In points, shape (trials, tasters, variants, sessions)."""
    levels = true_levels(scale, shift, np.arange(trials), panel.variants)
    return on_scale(draw_scatter(panel, spread, trials, rng) + levels, scale)
