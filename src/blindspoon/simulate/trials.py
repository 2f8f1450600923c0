"""Simulated trials of one size: the cups and orders that are drawn; and jobs, over the cores."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np
from joblib import Parallel, delayed  # type: ignore[import-untyped]

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.findings.comparison import By
from blindspoon.serving.designs import williams
from blindspoon.simulate.size_results import Spread
from blindspoon.trial import Scale

BOTH: tuple[By, ...] = ("mixed", "ranks")


class PanelSize(NamedTuple):
    """A size of trial: every taster gets every variant, the control among them, once a session."""

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
