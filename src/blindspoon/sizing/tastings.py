"""Scores of trials that never took place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.scores import FloatArray, IntArray
from blindspoon.serving.orders import williams
from blindspoon.sizing.spread import Spread
from blindspoon.trial import Scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A size of trial: every taster gets every variant once a session.

    Parameters
    ----------
    tasters, sessions, variants : int
        The control is variant 0 and counts among the variants.
    """

    tasters: int
    sessions: int
    variants: int

    @property
    def shape(self) -> tuple[int, int, int]:
        """Tasters, variants, sessions."""
        return self.tasters, self.variants, self.sessions


def draw_scores(
    panel: Panel,
    spread: Spread,
    scale: Scale,
    shift: float,
    *,
    trials: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Draw the scores of many trials in which one variant differs from all others.

    Parameters
    ----------
    panel : Panel
    spread : Spread
    scale : Scale
        Scores are rounded to its step and stop at its ends.
    shift : float
        True difference in points. It lies across the middle of the scale, the control and the
        other variants below, the variant above. In trial i it is variant ``1 + i % (k - 1)``.
    trials : int
    rng : numpy.random.Generator
        The same state gives the same tasters and cups, whatever the shift.

    Returns
    -------
    float array, shape (trials, tasters, variants, sessions)
        In points.

    Examples
    --------
    >>> scores = draw_scores(Panel(tasters=4, sessions=1, variants=3),
    ...     Spread(residual_sd=1.0, taster_sd=1.0, taster_variant_sd=0.0),
    ...     Scale(low=0, high=10, step=0.5), 2.0, trials=1000, rng=np.random.default_rng(1))
    >>> scores.shape, set((scores % 0.5).ravel().tolist())
    ((1000, 4, 3, 1), {0.0})
    """
    t, k, s = panel.shape
    scores = rng.normal(0.0, spread.residual_sd, (trials, t, k, s))
    scores += rng.normal(0.0, spread.taster_sd, (trials, t, 1, 1))
    scores += rng.normal(0.0, spread.taster_variant_sd, (trials, t, k, 1))
    levels = np.full((trials, k), (scale.low + scale.high - shift) / 2)
    levels[np.arange(trials), differing(trials, k)] += shift
    scores += levels[:, None, :, None]
    if scale.step:
        scores = scale.low + scale.step * np.round((scores - scale.low) / scale.step)
    return np.clip(scores, scale.low, scale.high)


def differing(trials: int, variants: int) -> IntArray:
    """Name the variant that differs in each trial: each in turn."""
    return 1 + np.arange(trials) % (variants - 1)


def serving_positions(panel: Panel, rng: np.random.Generator) -> FloatArray:
    """Draw serving orders that are balanced for position in each session.

    Parameters
    ----------
    panel : Panel
    rng : numpy.random.Generator

    Returns
    -------
    float array, shape (tasters, variants, sessions, variants - 1)
        Indicators of every position but the first. Orders are rows of Williams squares, so that
        each variant is in each position equally often, give or take one, in every session.

    Examples
    --------
    >>> panel = Panel(tasters=10, sessions=2, variants=5)
    >>> float(serving_positions(panel, np.random.default_rng(1)).sum(axis=0).min())
    2.0
    """
    t, k, s = panel.shape
    square = williams(k)
    rows = np.arange(t) % len(square)
    orders = [rng.permutation(rng.permutation(k)[square[rows]]) for _ in range(s)]
    places = np.argsort(np.stack(orders), axis=2)
    taken: FloatArray = (places[..., None] == np.arange(1, k)).astype(np.float64)
    return taken.transpose(1, 2, 0, 3)
