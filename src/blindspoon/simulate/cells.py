"""One size of panel: its chances by both procedures, over all its simulated trials."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from scipy.special import ndtri

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.simulate.balanced import Rule, decide, make_rule
from blindspoon.simulate.flips import make_flips, smallest_p, tell_apart, within
from blindspoon.simulate.size_results import Chance, Seen, SizingCell, Spread
from blindspoon.simulate.trials import Panel, differing, draw_scores, serving_positions
from blindspoon.stats.sign_flips import settle_ties
from blindspoon.trial import Scale

Procedure = Literal["mixed", "ranks"]
PROCEDURES: tuple[Procedure, ...] = ("mixed", "ranks")

CHUNK = 500
"""Trials drawn from one seed, whatever the number of workers."""

WANTED = 0.8
"""The chance at which a difference counts as one that would be seen."""

STRIDE, CLOSE = 1.5, 1.2
"""Ratios of differences: of steps on the way to it, and of two between which it is interpolated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What every panel is asked.

    Parameters
    ----------
    variants : int
        The control included.
    scale : Scale
    margin, alpha : float
        Smallest difference that matters, in points; the attribute's share of alpha.
    spread : Spread
    trials, seed : int
    """

    variants: int
    scale: Scale
    margin: float
    alpha: float
    spread: Spread
    trials: int
    seed: int


def size_panel(question: Question, tasters: int, sessions: int) -> tuple[SizingCell, ...]:
    """Simulate the trials of one size of panel.

    Parameters
    ----------
    question : Question
    tasters, sessions : int

    Returns
    -------
    tuple of SizingCell
        By the mixed model and by ranks. The random draws depend on the seed and the size of the
        panel only.
    """
    panel = Panel(tasters=tasters, sessions=sessions, variants=question.variants)
    positions = serving_positions(panel, _rng(question, panel, 0))
    rule = make_rule(positions, question.alpha)
    judges: dict[Procedure, _Judge] = {
        "mixed": _ByMixed(question, rule),
        "ranks": _ByRanks(question),
    }
    return tuple(_cell(question, panel, name, judges[name]) for name in PROCEDURES)


def _rng(question: Question, panel: Panel, *stream: int) -> np.random.Generator:
    return np.random.default_rng((question.seed, panel.tasters, panel.sessions, *stream))


class _Judge(Protocol):
    """A procedure, applied to many trials' scores of shape (m, t, k, s)."""

    def different(self, scores: FloatArray, rng: np.random.Generator) -> BoolArray:
        """Whether each variant is shown different, shape (m, k - 1)."""

    def outcome(self, scores: FloatArray, rng: np.random.Generator) -> tuple[BoolArray, BoolArray]:
        """Whether each variant is shown different, and whether it is shown alike."""


@dataclass(frozen=True, slots=True)
class _ByMixed:
    question: Question
    rule: Rule

    def different(self, scores: FloatArray, rng: np.random.Generator) -> BoolArray:
        """Apply the mixed model."""
        return self.outcome(scores, rng)[0]

    def outcome(self, scores: FloatArray, rng: np.random.Generator) -> tuple[BoolArray, BoolArray]:
        """Apply the mixed model, which draws nothing."""
        del rng
        different, inside = decide(self.rule, scores, self.question.margin)
        return different, inside & ~different


@dataclass(frozen=True, slots=True)
class _ByRanks:
    question: Question

    def different(self, scores: FloatArray, rng: np.random.Generator) -> BoolArray:
        """Apply the rank comparison."""
        differences = rank_differences(scores)
        flips = make_flips(differences.shape[1], rng)
        return tell_apart(differences, flips, self.question.alpha)

    def outcome(self, scores: FloatArray, rng: np.random.Generator) -> tuple[BoolArray, BoolArray]:
        """Apply the rank comparison and its intervals."""
        differences = rank_differences(scores)
        flips = make_flips(differences.shape[1], rng)
        alpha, margin = self.question.alpha, self.question.margin
        different = tell_apart(differences, flips, alpha)
        draws = rng.random((*differences.shape, 2))
        return different, within(differences, flips, alpha, margin, draws) & ~different


def rank_differences(scores: FloatArray) -> FloatArray:
    """Give each taster's mean differences from variant 0, ties settled as `compare_ranks` does.

    Parameters
    ----------
    scores : float array, shape (m, t, k, s)

    Returns
    -------
    float array, shape (m, t, k - 1)
        In points.
    """
    means = settle_ties(scores.mean(axis=3))
    return settle_ties(means[:, :, 1:] - means[:, :, :1])


def _chunks(
    question: Question, panel: Panel, shift: float
) -> Iterator[tuple[FloatArray, np.random.Generator]]:
    """Draw scores chunk by chunk, each with the generator for what its judge draws."""
    for start in range(0, question.trials, CHUNK):
        scores = draw_scores(
            panel,
            question.spread,
            question.scale,
            shift,
            trials=min(CHUNK, question.trials - start),
            rng=_rng(question, panel, 1, start),
        )
        yield scores, _rng(question, panel, 2, start)


def _cell(question: Question, panel: Panel, procedure: Procedure, judge: _Judge) -> SizingCell:
    least = smallest_p(panel.tasters) if procedure == "ranks" else None
    reachable = least is None or least <= question.alpha

    def power(shift: float) -> float:
        return _power(question, panel, judge, shift) if reachable else 0.0

    chances = {shift: power(shift) for shift in (question.margin, 2 * question.margin)}
    once, twice = (_chance(chances[m * question.margin], question.trials) for m in (1, 2))
    false, alike, all_alike = _nothing_differs(question, panel, judge)
    seen = reachable and _seen(power, chances, question)
    return SizingCell(
        tasters=panel.tasters,
        sessions=panel.sessions,
        procedure=procedure,
        chance_margin=once,
        chance_twice=twice,
        chance_alike=alike,
        chance_all_alike=all_alike,
        chance_false=false,
        smallest_p=least,
        smallest_seen=seen or None,
        not_seen="" if seen else _why_not(question, least),
    )


def _why_not(question: Question, least: float | None) -> str:
    if least is not None and least > question.alpha:
        return "so few tasters cannot reach alpha by ranks, whatever they say"
    return "no difference that fits on the scale would be seen 8 times in 10"


def _power(question: Question, panel: Panel, judge: _Judge, shift: float) -> float:
    """Share of trials in which the variant that differs is shown different."""
    shown = 0
    for scores, rng in _chunks(question, panel, shift):
        rows = np.arange(len(scores))
        found = judge.different(scores, rng)
        shown += int(found[rows, differing(len(scores), panel.variants) - 1].sum())
    return shown / question.trials


def _nothing_differs(
    question: Question, panel: Panel, judge: _Judge
) -> tuple[Chance, Chance, Chance]:
    """Chances of any false difference, of alike for a given variant, and for all variants."""
    shares = []
    for scores, rng in _chunks(question, panel, 0.0):
        different, alike = judge.outcome(scores, rng)
        shares.append([different.any(axis=1), alike.mean(axis=1), alike.all(axis=1)])
    by_trial = np.concatenate(shares, axis=1, dtype=np.float64)
    mean, error = by_trial.mean(axis=1), by_trial.std(axis=1) / np.sqrt(question.trials)
    found = [Chance(*pair) for pair in zip(mean.tolist(), error.tolist(), strict=True)]
    return found[0], found[1], found[2]


def _chance(share: float, trials: int) -> Chance:
    return Chance(share, float(np.sqrt(share * (1 - share) / trials)))


def _seen(
    power: Callable[[float], float], known: dict[float, float], question: Question
) -> Seen | None:
    """Find the difference that is shown 8 times in 10, within the length of the scale.

    The same tasters and cups are drawn for every difference, so that the chance rises steadily
    with it; it is interpolated on the normal scale.
    """
    longest = question.scale.high - question.scale.low
    chances = dict(known)
    below, above = _around(chances)
    while below == 0 or above > CLOSE * below:
        if below >= longest:
            return None
        at = _between(below, above, chances, question) if above < np.inf else below * STRIDE
        at = min(at, longest)
        chances[at] = power(at)
        below, above = _around(chances)
    difference, slope = _crossing(below, above, chances, question)
    error = np.sqrt(WANTED * (1 - WANTED) / question.trials)
    density = np.exp(-(ndtri(WANTED) ** 2) / 2) / np.sqrt(2 * np.pi)
    return Seen(difference, float(error / density / slope))


def _around(chances: dict[float, float]) -> tuple[float, float]:
    """Largest difference that is seen too seldom (or 0), next larger one (or infinity)."""
    below = max((d for d, chance in chances.items() if chance < WANTED), default=0.0)
    return below, min((d for d in chances if d > below), default=np.inf)


def _between(below: float, above: float, chances: dict[float, float], question: Question) -> float:
    """Choose the next difference to try, not too near to those that are known."""
    if below == 0:
        return above / STRIDE
    at = _crossing(below, above, chances, question)[0]
    return float(np.clip(at, below * CLOSE**0.5, above / CLOSE**0.5))


def _crossing(
    below: float, above: float, chances: dict[float, float], question: Question
) -> tuple[float, float]:
    """Difference at which the line through two deviates reaches the wanted one, and its slope."""
    half = 0.5 / question.trials
    low, high, wanted = (
        float(ndtri(np.clip(chance, half, 1 - half)))
        for chance in (chances[below], chances[above], WANTED)
    )
    slope = (high - low) / (above - below)
    return below + (wanted - low) / slope, slope
