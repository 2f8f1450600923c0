"""Situations, panels and truths, spread over the cores: the entry to calibration."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from joblib import Parallel, delayed  # type: ignore[import-untyped]

from blindspoon.calibration.results import Calibration, CalibrationCell
from blindspoon.calibration.situations import BOTH, SITUATIONS, TRUTHS, Situation, Truth
from blindspoon.calibration.tally import QUESTIONS, answers, rates, tally
from blindspoon.calibration.tastings import make_trial, simulate
from blindspoon.calibration.truth import truths
from blindspoon.compare.family import compare_trial
from blindspoon.compare.flips import EXACT_UP_TO
from blindspoon.scores import IntArray
from blindspoon.verdict import judge

TASTERS = (4, 6, 8, 12, 16, 24)
VARIANTS = (4, 5)
TRIALS = 2000
CHUNK = 100
"""Trials drawn from one seed, whatever the number of workers."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One cell of the grid; both procedures judge the same simulated trials."""

    situation: Situation
    variants: int
    tasters: int
    truth: Truth


def calibrate(
    *,
    trials: int = TRIALS,
    seed: int = 1,
    tasters: Sequence[int] = TASTERS,
    variants: Sequence[int] = VARIANTS,
    situations: Sequence[Situation] = SITUATIONS,
    n_jobs: int | None = None,
    progress: Progress | None = None,
) -> Calibration:
    """Simulate complete trials, judge them as a folder is judged, and count what was right.

    Parameters
    ----------
    trials : int
        A cell where no variant differs and every flip is made; half as many where some variant
        differs, and half as many again where flips are sampled.
    seed : int
        The result is the same for any number of workers, and a cell's whatever else is asked.
    tasters : sequence of int
        Sizes of panels, from 2.
    variants : sequence of int
        From 3, the control included.
    situations : sequence of Situation
    n_jobs : int, optional
        Processes, as joblib counts them: -1 for all cores.
    progress : callable, optional
        Called with the chunks of trials done and their number, first with 0.

    Returns
    -------
    Calibration

    Examples
    --------
    >>> found = calibrate(trials=4, seed=1, tasters=[6], situations=SITUATIONS[:1])
    >>> len(found.cells), found.cells[0].trials, found.cells[0].found
    (12, 4, None)
    """
    grid = itertools.product(situations, variants, tasters, TRUTHS)
    panels = [
        Panel(situation=situation, variants=kinds, tasters=size, truth=truth)
        for situation, kinds, size, truth in grid
    ]
    wanted = {panel: _trials(panel, trials) for panel in panels}
    jobs = [
        (panel, start, min(CHUNK, count - start))
        for panel, count in wanted.items()
        for start in range(0, count, CHUNK)
    ]
    counted = _work(jobs, seed, n_jobs, progress or (lambda _done, _all: None))
    cells = [cell for panel in panels for cell in _cells(panel, wanted[panel], counted[panel])]
    return Calibration(trials=trials, seed=seed, cells=tuple(cells))


def _trials(panel: Panel, trials: int) -> int:
    halved = (panel.tasters > EXACT_UP_TO) + (panel.truth != "none")
    return max(1, trials >> halved)


def _work(
    jobs: list[tuple[Panel, int, int]], seed: int, n_jobs: int | None, progress: Progress
) -> dict[Panel, IntArray]:
    """Hand the chunks to the workers, the largest panels first, and add up what they count."""
    progress(0, len(jobs))
    counted = {panel: np.zeros((len(BOTH), len(QUESTIONS), 2), np.int64) for panel, _, _ in jobs}
    workers = Parallel(n_jobs=n_jobs, return_as="generator_unordered")
    longest_first = sorted(jobs, key=lambda job: -job[0].tasters)
    work = (delayed(count_chunk)(seed, *job) for job in longest_first)
    for done, (panel, counts) in enumerate(workers(work), 1):
        counted[panel] += counts
        progress(done, len(jobs))
    return counted


def count_chunk(seed: int, panel: Panel, start: int, trials: int) -> tuple[Panel, IntArray]:
    """Simulate and judge one chunk of trials.

    Parameters
    ----------
    seed : int
    panel : Panel
    start : int
        Number of the chunk's first trial in its cell.
    trials : int

    Returns
    -------
    panel : Panel
    counts : int array, shape (2, 4, 2)
        By the mixed model and by ranks, as `tally` counts.
    """
    situation, variants = panel.situation, panel.variants
    true = truths(situation, panel.truth, variants)
    drawn_for = (seed, *situation.name.encode(), variants, panel.tasters, *panel.truth.encode())
    rng = np.random.default_rng(np.random.SeedSequence(drawn_for, spawn_key=(start,)))
    plan = make_trial(situation, variants, panel.tasters)
    judged = []
    for trial, table in simulate(plan, situation, true, trials, rng):
        results = compare_trial(trial, table)
        judged.append((judge(trial, table, results), results))
    counts = [tally([answers(*each, by) for each in judged], true, by) for by in BOTH]
    return panel, np.array(counts)


def _cells(panel: Panel, trials: int, counts: IntArray) -> list[CalibrationCell]:
    return [
        CalibrationCell(
            situation=panel.situation.name,
            variants=panel.variants,
            tasters=panel.tasters,
            truth=panel.truth,
            procedure=procedure,
            trials=trials,
            **rates(counted),
        )
        for procedure, counted in zip(BOTH, counts, strict=True)
    ]
