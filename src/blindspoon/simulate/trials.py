"""Simulated trials of one size: the cups and orders that are drawn; and jobs, over the cores."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np
from joblib import Parallel, delayed  # type: ignore[import-untyped]

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.findings.comparison import By
from blindspoon.serving.designs import choose_sets, set_deviation, williams
from blindspoon.serving.draw import TIE, deal
from blindspoon.simulate.size_results import Spread
from blindspoon.trial import Scale

BOTH: tuple[By, ...] = ("mixed", "ranks")


class PanelSize(NamedTuple):
    """A size of trial; the control is one of the variants."""

    tasters: int
    variants: int
    sessions: int


def draw_scatter(
    panel: PanelSize, spread: Spread, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw what tasters and cups add to the levels, shape (trials, tasters, variants, sessions).

    Trials come last in memory.
    """
    tasters, variants, _ = panel
    own = rng.normal(0.0, spread.taster_sd, (trials, tasters, 1))
    opinion = rng.normal(0.0, spread.taster_variant_sd, (trials, tasters, variants)) + own
    cups = rng.standard_normal((trials, *panel))
    cups *= spread.residual_sd
    cups += opinion[..., None]
    return np.asfortranarray(cups)


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


def who_gets_what(panel: PanelSize, places: int, rng: np.random.Generator) -> BoolArray:
    """Draw who gets which variant at which session as `blind` does, shape of the panel.

    Everybody gets the control and as many others as there are places, first what they have not had.

    >>> panel = PanelSize(tasters=6, variants=4, sessions=3)
    >>> who_gets_what(panel, 1, np.random.default_rng(1)).sum(axis=(0, 2)).tolist()
    [18, 6, 6, 6]
    """
    tasters, variants, sessions = panel
    served, others = np.ones(panel, dtype=bool), variants - 1
    off, had = np.zeros(others * variants), np.zeros((tasters, others))
    for session in range(sessions if places < others else 0):
        sets = choose_sets(tasters, others, places, off, rng)
        rows = (sets[:, :, None] == np.arange(others)).any(axis=1)
        if session:
            rows = rows[deal(had @ rows.T, rng)]
        off += TIE * set_deviation(sets, others)
        had += rows
        served[:, 1:, session] = rows
    return served


Found = TypeVar("Found")
Progress = Callable[[int, int], None]  # called with the jobs done and their number, first with 0


def sweep(
    work: Callable[..., Found],
    jobs: Sequence[tuple[Any, ...]],
    n_jobs: int | None,
    progress: Progress | None,
) -> list[Found]:
    """Do every job, and give what was found in their order.

    `work` is called with what a job holds; its draws may depend on nothing else. Workers are as
    joblib counts them: threads, as numpy lets them run at once and a process takes long to start,
    or what an enclosing ``joblib.parallel_config`` says.
    """
    done = progress or (lambda _done, _all: None)
    done(0, len(jobs))
    found = []
    workers = Parallel(n_jobs=n_jobs, prefer="threads", return_as="generator")
    for result in workers(delayed(work)(*job) for job in jobs):
        found.append(result)
        done(len(found), len(jobs))
    return found
