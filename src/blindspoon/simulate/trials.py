"""Simulated trials of one size: the cups and orders that are drawn; and jobs, over the cores."""

import threading
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np
from joblib import Parallel, delayed  # type: ignore[import-untyped]
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.findings.rule import By
from blindspoon.serving.designs import choose_sets, set_deviation, williams
from blindspoon.serving.draw import TIE, deal, deal_batches
from blindspoon.simulate.size_results import Question, Spread
from blindspoon.trial import Scale

BOTH: tuple[By, ...] = ("mixed", "ranks")
MOST = 2500  # trials of each chance, which bring its Monte Carlo standard error to 0.01 in any case


class CupList(NamedTuple):
    """The n cups of one trial, in any order, each column coded from 0; variant 0 is the control.

    Jars are numbered over all variants. `places`, shape (n, q), are columns of the serving position
    in its session, such as indicators of all but one; q = 0 where the model has none.
    """

    taster: IntArray
    variant: IntArray
    session: IntArray
    jar: IntArray
    places: FloatArray


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
    cups = spread.residual_sd * rng.standard_normal((trials, *panel))
    return np.asfortranarray(cups + opinion[..., None])


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
    """Round scores to the step of the scale, and keep them within its ends."""
    if scale.step:
        scores = np.rint((scores - scale.low) / scale.step) * scale.step + scale.low
    return np.clip(scores, scale.low, scale.high)


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


def deal_jars(served: BoolArray, jars: Sequence[int], rng: np.random.Generator) -> IntArray:
    """Deal the jars of each variant as `blind` does, shape (tasters, variants, sessions).

    As evenly as can be, to each taster first what they have not had. Numbered over all variants;
    0 where nothing is `served`.
    """
    dealt, first = np.zeros(served.shape, dtype=np.int64), 0
    for variant, count in enumerate(jars):
        had = np.zeros((len(served), count), dtype=np.int64)
        for session in range(served.shape[2]):
            who = np.flatnonzero(served[:, variant, session])
            jar = deal_batches(had.sum(axis=0), had[who], rng)
            had[who, jar] += 1
            dealt[who, variant, session] = first + jar
        first += count
    return dealt


class PanelTrials:
    """The trials of one panel: the same tasters and cups, whatever the differences.

    Where one variant differs, trials come in pairs in which all that tasters and cups add has
    turned its sign: where one finds too much, the other finds too little, and fewer do (J. M.
    Hammersley and K. W. Morton 1956, Proc. Camb. Phil. Soc. 52, 449-475).

    Scores have shape (m, t, c, s): trials, tasters, columns, sessions.

    - `kinds`, shape (c,): the variant of each column; the last may be a second cup of the control
    - `served`, shape (t, c, s): who gets a cup when
    - `positions`, shape (t, c, s, q): columns of its place; q = 0 where the model has none
    """

    def __init__(self, question: Question, panel: PanelSize) -> None:
        self.question, self.panel = question, panel
        _, variants, sessions = panel
        twice = 0 if question.rounds else question.controls - 1
        self.kinds = np.resize(np.arange(variants), variants + twice)
        self.served = who_gets_what(panel, question.places, self.rng(4))[:, self.kinds]
        columns = panel._replace(variants=self.kinds.size)
        self.positions = serving_positions(columns, self.rng(0))
        if not question.complete:
            self.positions = self.positions[..., :0]
        twofold = panel._replace(sessions=sessions * (1 + twice))
        drawn = draw_scatter(twofold, question.spread, question.trials or MOST, self.rng(1))
        again = drawn[:, :, :twice, -sessions:]  # of the control
        self._scatter = np.concatenate([drawn[..., :sessions], again], axis=2)

    def scores(self, shift: float, start: int, stop: int) -> FloatArray:
        """Give the scores of some trials in which one variant differs by a shift, in points.

        Of pairs of trials where there is a shift; all the first, then all the second.
        """
        scale, variants = self.question.scale, self.panel.variants
        scatter = self._scatter[start:stop]
        levels = true_levels(scale, shift, np.arange(start, stop), variants)[:, :, self.kinds]
        if not shift:
            return on_scale(scatter + levels, scale)
        return on_scale(np.concatenate([scatter + levels, levels - scatter]), scale)

    def cups(self, deal: int = 0) -> CupList:
        """List the cups served, by session and then by column, after a `deal` of several jars."""
        variants = self.panel.variants
        session, column, taster = np.nonzero(self.served.T)
        jars = self.question.jars or (1,) * variants
        jar = deal_jars(self.served[:, :variants], jars, self.rng(3, deal))[:, self.kinds]
        where = taster, column, session
        return CupList(taster, self.kinds[column], session, jar[where], self.positions[where])

    def of_cups(self, scores: FloatArray) -> FloatArray:
        """Lay scores out as those of `cups`, shape (m, n)."""
        flat = scores.reshape(len(scores), -1, order="F")
        return flat if self.served.all() else flat[:, self.served.ravel(order="F")]

    def cells(self, scores: FloatArray) -> FloatArray:
        """Average a taster's cups of one variant at one session, to (m, t, k, s), NaN for none."""
        variants = self.panel.variants
        if self.question.complete and self.kinds.size == variants:
            return scores
        control = scores[:, :, self.kinds == 0].mean(axis=2, keepdims=True)
        means = np.concatenate([control, scores[:, :, 1:variants]], axis=2)
        return np.where(self.served[:, :variants], means, np.nan)

    def rng(self, *stream: int) -> np.random.Generator:
        """Give a stream of draws that depends on the seed and the size of the panel only."""
        panel = self.panel
        return np.random.default_rng((self.question.seed, panel.tasters, panel.sessions, *stream))


Found = TypeVar("Found")
Progress = Callable[[int, int], None]  # called with the jobs done and their number, first with 0

ONE_SWEEP = threading.RLock()  # the limit is the whole program's, and lifted by who set it


def sweep(
    work: Callable[..., Found],
    jobs: Sequence[tuple[Any, ...]],
    n_jobs: int | None,
    progress: Progress | None,
) -> list[Found]:
    """Do every job, and give what was found in their order.

    `work` is called with what a job holds; its draws may depend on nothing else. Workers are as
    joblib counts them: threads, as numpy lets them run at once and a process takes long to start,
    or what an enclosing ``joblib.parallel_config`` says. BLAS adds no threads of its own meanwhile.
    """
    done = progress or (lambda _done, _all: None)
    done(0, len(jobs))
    found = []
    workers = Parallel(n_jobs=n_jobs, prefer="threads", return_as="generator")
    with ONE_SWEEP, threadpool_limits(limits=1, user_api="blas"):
        for result in workers(delayed(work)(*job) for job in jobs):
            found.append(result)
            done(len(found), len(jobs))
    return found
