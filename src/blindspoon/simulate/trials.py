"""Trials that never took place: their scores, many at once or as the table of a folder.

`sweep` spreads such work over the cores, for sizing and calibration alike.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Literal, NamedTuple, TypeVar

import numpy as np
from joblib import Parallel, delayed  # type: ignore[import-untyped]

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.score_table import ScoreTable
from blindspoon.serving.designs import williams
from blindspoon.serving.draw import draw_session
from blindspoon.serving.plan import ServingRequest, request_for
from blindspoon.simulate.situations import Situation, Truths
from blindspoon.simulate.size_results import Spread
from blindspoon.trial import Scale, Trial


class PanelSize(NamedTuple):
    """A size of trial: every taster gets every variant, the control among them, once a session."""

    tasters: int
    variants: int
    sessions: int


class Served(NamedTuple):
    """Who gets which cup when, a row a cup: session, taster, place, variant and jar, from 0."""

    session: IntArray
    taster: IntArray
    place: IntArray
    variant: IntArray
    jar: IntArray


def draw_scatter(
    panel: PanelSize, spread: Spread, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw what tasters and cups add to the levels, shape (trials, tasters, variants, sessions).

    Trials come last in memory.
    """
    taster, variant, session = np.indices(panel).reshape(3, -1)
    nowhere = np.zeros_like(taster)
    situation = Situation(
        name="size", says="", cup_sd=spread.residual_sd, taster_sd=spread.taster_sd,
        opinion_sd=spread.taster_variant_sd, sessions=panel.sessions,
    )  # fmt: skip
    drawn = _scatter(situation, Served(session, taster, nowhere, variant, nowhere), trials, rng)
    return np.asfortranarray(drawn.reshape(trials, *panel))


def true_levels(scale: Scale, shift: float, trials: IntArray, variants: int) -> FloatArray:
    """Set the levels of numbered trials in which one variant differs, shape (m, 1, variants, 1).

    The difference lies across the middle of the scale, the control and the other variants below,
    the variant above.
    """
    levels = np.full((trials.size, variants), (scale.low + scale.high - shift) / 2)
    levels[np.arange(trials.size), differing(trials, variants)] += shift
    return levels[:, None, :, None]


def differing(trials: IntArray, variants: int) -> IntArray:
    """Name the variant that differs in each of numbered trials: each in turn."""
    return 1 + trials % (variants - 1)


def on_scale(scores: FloatArray, scale: Scale) -> FloatArray:
    """Round scores to the step of the scale, in place, and keep them within its ends."""
    if scale.step:
        scores -= scale.low
        scores /= scale.step
        np.rint(scores, out=scores)
        scores *= scale.step
        scores += scale.low
    return np.clip(scores, scale.low, scale.high, out=scores)


def _scatter(
    situation: Situation, served: Served, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw all that tasters, cups, sessions, jars and kitchens add to the variants' levels.

    The one simulator of `size` and `calibrate`; shape (trials, cups).
    """
    tasters, variants = int(served.taster.max()) + 1, int(served.variant.max()) + 1
    own = rng.normal(0.0, situation.taster_sd, (trials, tasters))
    opinion = rng.normal(0.0, situation.opinion_sd, (trials, tasters, variants)) + own[:, :, None]
    shape = (trials, served.variant.size)
    normal = situation.tails == "normal"
    scores = rng.standard_normal(shape) if normal else rng.standard_t(3, shape)
    scores *= np.array(situation.spreads(variants))[served.variant]
    scores += opinion[:, served.taster, served.variant]
    if situation.moves_sd:
        moved = rng.normal(0.0, situation.moves_sd, (trials, situation.sessions, variants))
        moved -= moved.mean(axis=1, keepdims=True)
        scores += moved[:, served.session, served.variant]
    if situation.sitting_sd:
        came = rng.normal(0.0, situation.sitting_sd, (trials, tasters, situation.sessions))
        scores += came[:, served.taster, served.session]
    if situation.jars > 1:
        off = rng.normal(0.0, situation.jar_sd, (trials, variants, situation.jars))
        off -= off.mean(axis=2, keepdims=True) * situation.these
        scores += off[:, served.variant, served.jar]
    if situation.kitchens > 1:  # each trial is that of one kitchen
        wide = [situation.kitchen_sd, situation.odd_kitchen_sd]
        wide += [situation.kitchen_sd] * (variants - 2)
        scores += (rng.standard_normal((trials, variants)) * wide)[:, served.variant]
    if situation.first:
        scores += np.array(situation.places(variants))[served.place]
    return scores


def serving_positions(panel: PanelSize, rng: np.random.Generator) -> FloatArray:
    """Draw serving orders that are balanced for position in each session.

    Indicators of every position but the first, shape (tasters, variants, sessions, variants - 1).
    Orders are rows of Williams squares, so that each variant is in each position equally often,
    give or take one, in every session: as `blind` balances them, in a hundredth of its time.

    >>> panel = PanelSize(tasters=10, sessions=2, variants=5)
    >>> float(serving_positions(panel, np.random.default_rng(1)).sum(axis=0).min())
    2.0
    """
    t, k, s = panel
    square = williams(k)
    rows = np.arange(t) % len(square)
    orders = [rng.permutation(rng.permutation(k)[square[rows]]) for _ in range(s)]
    places = np.argsort(np.stack(orders), axis=2)
    taken: FloatArray = (places[..., None] == np.arange(1, k)).astype(np.float64)
    return taken.transpose(1, 2, 0, 3)


ON_ONE_PLAN = 20  # trials that are served by the same drawn orders: drawing costs more than judging

ALPHA = 0.05
ATTRIBUTE = "texture"


def make_trial(situation: Situation, variants: int, tasters: int) -> Trial:
    """Write down the trial that is simulated, with one primary attribute and alpha 0.05.

    >>> from blindspoon.simulate.situations import SITUATIONS
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
    """Draw orders and scores of a trial that `make_trial` gave, again and again.

    Each trial has a seed of its own, and its table is as `build_table` would make it of such files.
    """
    request, one_jar = request_for(trial), situation.jars == 1
    for start in range(0, trials, ON_ONE_PLAN):
        served = draw_orders(request, rng, situation.jars)
        batch = np.full(served.jar.size, -1)
        if not one_jar:  # the jars of one variant stand after those of another
            batch = served.variant * (int(served.jar.max()) + 1) + served.jar
        jars = tuple(map(str, range(int(batch.max()) + 1)))
        count = min(ON_ONE_PLAN, trials - start)
        scores = draw_trial_scores(situation, true, served, count, rng)
        missing = rng.random(scores.shape) < situation.missing
        seeds = rng.integers(2**31, size=count).tolist()
        for drawn, absent, seed in zip(scores, missing, seeds, strict=True):
            given = ~absent
            present, taster = np.unique(served.taster[given], return_inverse=True)
            yield replace(trial, seed=seed), ScoreTable(
                tasters=tuple(trial.tasting.tasters[place] for place in present),
                sessions=tuple(session.name for session in trial.sessions), taster=taster,
                session=served.session[given], variant=served.variant[given], batch=batch[given],
                batches=jars, position=served.place[given] + 1, scores=drawn[given][:, None],
                coded=True, balanced=request.complete, remarks=(), left_out=(),
            )  # fmt: skip


def draw_orders(request: ServingRequest, rng: np.random.Generator, jars: int = 1) -> Served:
    """Draw every session's orders as `blind` does, without codes; by session, taster and place.

    So many jars of every variant are dealt to the tasters as evenly as can be.
    """
    tasters, cups = len(request.tasters), request.cups
    met = np.zeros((tasters, len(request.variants)), dtype=np.int64)
    drawn = np.empty((0, cups), dtype=np.int64)
    for _ in request.sessions:
        rows = draw_session(request, drawn, met, rng)
        np.add.at(met, (np.arange(tasters)[:, None], rows), 1)
        drawn = np.concatenate((drawn, rows))
    shape = (len(request.sessions), tasters, cups)
    session, taster, place = np.indices(shape).reshape(3, -1)
    variant = drawn.ravel()
    if jars == 1:
        return Served(session, taster, place, variant, np.zeros_like(variant))
    dealt = np.tile(np.arange(tasters) % jars, (len(request.variants), 1))
    return Served(session, taster, place, variant, rng.permuted(dealt, axis=1)[variant, taster])


def draw_trial_scores(
    situation: Situation, true: Truths, served: Served, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw what tasters say of n cups, none missing: shape (trials, n), on the scale's steps."""
    scores = _scatter(situation, served, trials, rng)
    scores += np.array(true.levels)[served.variant]
    return np.round(on_scale(scores, situation.scale), 9)


Found = TypeVar("Found")
Progress = Callable[[int, int], None]  # called with the jobs done and their number, first with 0


def sweep(
    work: Callable[..., Found],
    jobs: Sequence[tuple[Any, ...]],
    n_jobs: int | None,
    progress: Progress | None,
    prefer: Literal["threads", "processes"] = "processes",
) -> list[Found]:
    """Do every job, the longest first, and give what was found in their order.

    `work` is called with what a job holds; its draws may depend on nothing else. Workers are as
    joblib counts them. Threads where the work is in numpy, which lets them run at once, and not
    much longer than a process takes to start. What an enclosing ``joblib.parallel_config`` says
    comes first.
    """
    done = progress or (lambda _done, _all: None)
    done(0, len(jobs))
    found = []
    workers = Parallel(n_jobs=n_jobs, prefer=prefer, return_as="generator")
    for result in workers(delayed(work)(*job) for job in jobs):
        found.append(result)
        done(len(found), len(jobs))
    return found
