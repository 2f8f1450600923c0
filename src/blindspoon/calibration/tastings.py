"""Complete trials that never took place: a `Trial` and its `ScoreTable`, as a folder gives them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from blindspoon.calibration.situations import Situation
from blindspoon.calibration.truth import Truths
from blindspoon.scores import FloatArray, IntArray, ScoreTable
from blindspoon.serving.draw import draw_session
from blindspoon.serving.request import ServingRequest, request_for
from blindspoon.trial import Trial
from blindspoon.trial_file import parse_trial

ON_ONE_PLAN = 20
"""Trials that are served by the same drawn orders: drawing costs more than judging."""

ALPHA = 0.05
ATTRIBUTE = "texture"


@dataclass(frozen=True, slots=True)
class Served:
    """Who gets which cup when, one row a cup: session, taster, place (all from 0) and variant."""

    session: IntArray
    taster: IntArray
    place: IntArray
    variant: IntArray


def make_trial(situation: Situation, variants: int, tasters: int) -> Trial:
    """Write down the trial that is simulated, with one primary attribute and alpha 0.05.

    Examples
    --------
    >>> from blindspoon.calibration.situations import SITUATIONS
    >>> trial = make_trial(SITUATIONS[0], 4, 8)
    >>> trial.control, len(trial.variants), trial.share_of_alpha("texture")
    ('plain', 4, 0.05)
    """
    scale = situation.scale
    names = ["plain", *(f"variant-{number}" for number in range(1, variants))]
    sessions = ", ".join(f'{{ name = "{number + 1}" }}' for number in range(situation.sessions))
    return parse_trial(f"""
        trial = {{ title = "Simulated", control = "plain" }}
        decision.declared = 2026-01-01
        decision.primary = ["{ATTRIBUTE}"]
        decision.by = "mixed"
        decision.alpha = {ALPHA}
        decision.margin = {situation.margin}
        scale = {{ low = {scale.low}, high = {scale.high}, step = {scale.step} }}
        attribute = [{{ name = "{ATTRIBUTE}" }}]
        variant = [{", ".join(f'{{ name = "{name}" }}' for name in names)}]
        session = [{sessions}]
        tasting = {{ tasters = {tasters}, servings = {variants - situation.without} }}
    """)


def simulate(
    trial: Trial, situation: Situation, true: Truths, trials: int, rng: np.random.Generator
) -> Iterator[tuple[Trial, ScoreTable]]:
    """Draw orders and scores, again and again.

    Parameters
    ----------
    trial : Trial
        As `make_trial` gives it.
    situation : Situation
    true : Truths
        The variants' levels.
    trials : int
    rng : numpy.random.Generator

    Yields
    ------
    trial : Trial
        With a seed of its own.
    table : ScoreTable
        As `build_table` would make it of the files of such a trial.
    """
    request = request_for(trial)
    for start in range(0, trials, ON_ONE_PLAN):
        served = draw_orders(request, rng)
        count = min(ON_ONE_PLAN, trials - start)
        scores = draw_scores(situation, true, served, count, rng)
        missing = rng.random(scores.shape) < situation.missing
        seeds = rng.integers(2**31, size=count).tolist()
        for each, absent, seed in zip(scores, missing, seeds, strict=True):
            table = _table(trial, served, each, ~absent, balanced=request.complete)
            yield replace(trial, seed=seed), table


def draw_orders(request: ServingRequest, rng: np.random.Generator) -> Served:
    """Draw every session's orders as `blind` does, without codes.

    Parameters
    ----------
    request : ServingRequest
    rng : numpy.random.Generator

    Returns
    -------
    Served
        Sorted by session, taster and place.
    """
    tasters, cups = len(request.tasters), request.cups
    met = np.zeros((tasters, len(request.variants)), dtype=np.int64)
    drawn = np.empty((0, cups), dtype=np.int64)
    for _ in request.sessions:
        rows = draw_session(request, drawn, met, rng)
        np.add.at(met, (np.arange(tasters)[:, None], rows), 1)
        drawn = np.concatenate((drawn, rows))
    shape = (len(request.sessions), tasters, cups)
    session, taster, place = (each.ravel() for each in np.indices(shape))
    return Served(session, taster, place, drawn.ravel())


def draw_scores(
    situation: Situation, true: Truths, served: Served, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw what tasters say, none missing.

    Parameters
    ----------
    situation : Situation
    true : Truths
    served : Served
        n cups.
    trials : int
    rng : numpy.random.Generator

    Returns
    -------
    float array, shape (trials, n)
        In points, on the steps of the scale.
    """
    tasters, variants = int(served.taster.max()) + 1, len(true.levels)
    own = rng.normal(0.0, situation.taster_sd, (trials, tasters))
    opinion = rng.normal(0.0, situation.opinion_sd, (trials, tasters, variants))
    shape = (trials, served.variant.size)
    normal = situation.tails == "normal"
    cups = rng.normal(size=shape) if normal else rng.standard_t(3, size=shape)
    scores = np.array(true.levels)[served.variant] + own[:, served.taster]
    scores += opinion[:, served.taster, served.variant]
    scores += np.array(situation.places(variants))[served.place]
    scores += cups * np.array(situation.spreads(variants))[served.variant]
    scale = situation.scale
    steps = np.round((scores - scale.low) / scale.step)
    return np.clip(np.round(scale.low + scale.step * steps, 9), scale.low, scale.high)


def _table(
    trial: Trial,
    served: Served,
    scores: FloatArray,
    given: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    *,
    balanced: bool,
) -> ScoreTable:
    """Put the scores that were given into a table; those who gave none are not in it."""
    present, taster = np.unique(served.taster[given], return_inverse=True)
    return ScoreTable(
        tasters=tuple(trial.tasting.tasters[place] for place in present),
        sessions=tuple(session.name for session in trial.sessions),
        taster=taster,
        session=served.session[given],
        variant=served.variant[given],
        batch=np.full(taster.size, -1),
        batches=(),
        position=served.place[given] + 1,
        scores=scores[given][:, None],
        coded=True,
        balanced=balanced,
        remarks=(),
        left_out=(),
    )
