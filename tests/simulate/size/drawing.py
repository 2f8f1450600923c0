"""The scores of many trials in which one variant differs, as sizing draws and moves them."""

from __future__ import annotations

import numpy as np

from blindspoon.simulate.trials import CupList, draw_scatter, on_scale, true_levels


def draw_scores(panel, spread, scale, shift, *, trials, rng):
    """In points, shape (trials, tasters, variants, sessions)."""
    levels = true_levels(scale, shift, np.arange(trials), panel.variants)
    return on_scale(draw_scatter(panel, spread, trials, rng) + levels, scale)


def complete_cups(panel, positions=None):
    """List the cups of a panel of which everybody gets every variant at every session."""
    session, variant, taster = (each.ravel() for each in np.indices(panel[::-1]))
    places = np.empty((taster.size, 0))
    if positions is not None:
        places = positions[taster, variant, session]
    return CupList(taster, variant, session, variant, places)


def as_listed(scores):
    """Lay scores, shape (trials, tasters, variants, sessions), out as `complete_cups`."""
    return scores.reshape(len(scores), -1, order="F")
