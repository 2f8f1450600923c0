"""Panels of many sizes: simulated trials of each, judged by both procedures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtri

from blindspoon import wording
from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.errors import DesignError, Rule
from blindspoon.findings.rule import By
from blindspoon.simulate.by_mixed import mixed_rule
from blindspoon.simulate.by_ranks import make_flips, rank_differences, tell_apart, within
from blindspoon.simulate.size_results import (
    WANTED,
    Chance,
    Question,
    Sizing,
    SizingCell,
    Spread,
    assumptions_of,
    sentences_of,
)
from blindspoon.simulate.trials import (
    BOTH,
    MOST,
    PanelSize,
    PanelTrials,
    Progress,
    differing,
    sweep,
)
from blindspoon.stats.assumptions import steady
from blindspoon.stats.sign_flips import signed_ranks
from blindspoon.trial import Attribute, Trial

TASTERS = (4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40)
SESSIONS = (1, 2, 3)
FEWEST = 100
SET_MARGIN = "Set margin in [decision] or in its [[attribute]]"


def size(  # noqa: PLR0913 - each is an option of the command
    trial: Trial,
    spread: Spread,
    *,
    tasters: Sequence[int] | None = None,
    sessions: Sequence[int] | None = None,
    trials: int | None = None,
    n_jobs: int | None = None,
    progress: Progress | None = None,
    procedures: Sequence[By] = BOTH,
    rounds: bool = False,
    jars: Sequence[int] = (),
) -> Sizing:
    """Simulate trials of this design with panels of several sizes, and judge them.

    Of the first primary attribute, or the first; the spread is in points of that.

    - `tasters`, `sessions`: sizes to try, at least 3 tasters; by default 4 to 40 tasters and 1 to 3
      sessions, and what trial.toml plans
    - `trials`: for each chance; by default as few as bring its Monte Carlo standard error to 0.01,
      at most 2,500
    - `n_jobs`, `progress`: as in `sweep`; the result is the same for any number of workers
    - `procedures`: the one that decides among them
    - `rounds`: whether the tasters of a panel are the rounds of one person
    - `jars`: how many of each variant, the control first; empty where each is one

    Raises DesignError where the attribute has no margin, or twice the margin does not fit on the
    scale; ValueError where sizes or trials are out of range, the argument first.
    """
    attribute = sized_attribute(trial)
    question = question_of(trial, spread, trials, rounds=rounds, jars=jars)
    who, planned = "sessions" if rounds else "tasters", len(trial.tasting.tasters)
    panels = [
        (t, s)
        for s in _sizes("sessions", sessions, SESSIONS, len(trial.sessions), least=1)
        for t in _sizes(who, tasters, TASTERS, planned, least=3)
    ]
    longest_first = sorted(panels, key=lambda panel: -panel[0] * panel[1])
    jobs = [(question, *panel, tuple(procedures)) for panel in longest_first]
    chances = sweep(size_panel, jobs, n_jobs, progress)
    found = dict(zip(longest_first, chances, strict=True))
    cells = tuple(cell for panel in panels for cell in found[panel])
    return Sizing(
        attribute=attribute.name, margin=question.margin, alpha=question.alpha,
        decided_by=trial.decision.by, variants=question.variants, spread=spread,
        trials=trials or MOST, seed=trial.seed, cells=cells,
        assumptions=assumptions_of(trial, attribute, question),
        sentences=sentences_of(trial, attribute, question, cells),
        unit="round" if rounds else "taster",
    )  # fmt: skip


def sized_attribute(trial: Trial) -> Attribute:
    """Give the attribute that a trial is sized for: the first primary one, or the first."""
    return (*trial.primary_attributes, *trial.attributes)[0]


def question_of(
    trial: Trial,
    spread: Spread,
    trials: int | None = None,
    *,
    rounds: bool = False,
    jars: Sequence[int] = (),
) -> Question:
    """Settle what every panel is asked; arguments and errors as those of `size`."""
    attribute = sized_attribute(trial)
    margin, span = attribute.margin, attribute.scale.high - attribute.scale.low
    if margin is None or 2 * margin > span:
        slug, found = "no-margin", f"{attribute.name} has no margin"
        allowed = "sizing needs the smallest difference that matters, in points"
        if margin is not None:
            found = f"the margin of {attribute.name} is {margin:g} on a scale of {span:g}"
            slug, allowed = "wide-margin", "a margin is at most half the length of the scale"
        rule = Rule(slug, allowed, SET_MARGIN)
        raise DesignError([rule.broken(found, "trial.toml", column="margin")])
    if trials is not None and trials < FEWEST:
        raise ValueError(f"trials: {FEWEST} or more are needed, not {trials}")
    controls, others = trial.tasting.controls, len(trial.variants) - 1
    places = (trial.tasting.servings or controls + others) - controls
    return Question(
        variants=len(trial.variants), scale=attribute.scale, margin=margin,
        alpha=trial.share_of_alpha(attribute.name), spread=spread, trials=trials, seed=trial.seed,
        rounds=rounds, jars=tuple(jars), places=min(max(places, 1), others), controls=controls,
    )  # fmt: skip


def _sizes(
    name: str, given: Sequence[int] | None, usual: Iterable[int], planned: int, least: int
) -> list[int]:
    """Sort the sizes to try; those planned join the usual ones, where none are given."""
    if given is None:
        given = [*usual, planned] if planned >= least else [*usual]
    sizes = sorted({*given})
    if not sizes or sizes[0] < least:
        found = wording.listing(map(str, sizes)) or "none"
        raise ValueError(f"{name}: whole numbers from {least} are needed, not {found}")
    return sizes


FIRST, MORE, PRECISE = 250, 50, 0.01
"""Trials of each chance at first, those that are added at least, and the Monte Carlo standard error
at which drawing stops."""

DEALS = 48  # of several jars, over the number of tasters: with few some tell more than others

CLOSE = 0.4  # normal deviates between that chance and one from which the difference is interpolated

NARROW, FARTHEST = 1.05, 2.0
"""Smallest and largest ratio of two differences that are tried one after the other."""


Judge = Callable[[FloatArray, np.random.Generator, BoolArray | None], tuple[BoolArray, BoolArray]]
"""From scores of shape (m, t, c, s) to whether each variant is shown different, and whether its
interval lies inside the margin, both (m, k - 1); only what is asked for has to be decided."""


def size_panel(
    question: Question, tasters: int, sessions: int, procedures: Sequence[By] = BOTH
) -> tuple[SizingCell, ...]:
    """Simulate the trials of one size of panel, and judge them by each procedure.

    The random draws depend on the seed and the size of the panel only.
    """
    size = PanelSize(tasters=tasters, sessions=sessions, variants=question.variants)
    panel = PanelTrials(question, size)
    called = (1, tasters) if question.rounds else (tasters, sessions)
    return tuple(
        replace(_cell(panel, by), tasters=called[0], sessions=called[1]) for by in procedures
    )


def _judge(panel: PanelTrials, by: By) -> Judge:
    question, tasters = panel.question, panel.panel.tasters
    if by == "mixed":
        rounding = (question.scale.step or 0.0) / math.sqrt(12)
        residual = math.hypot(question.spread.residual_sd, rounding)
        spread = replace(question.spread, residual_sd=residual)
        deals = range(max(1, DEALS // tasters) if question.jars else 1)
        rules = [mixed_rule(panel.cups(deal), spread, question.alpha) for deal in deals]

        def by_mixed(
            scores: FloatArray, _rng: np.random.Generator, _asked: BoolArray | None
        ) -> tuple[BoolArray, BoolArray]:
            cups = panel.of_cups(scores)
            shown = np.empty((2, len(scores), question.variants - 1), dtype=bool)
            for deal, rule in enumerate(rules):
                those = slice(deal, None, len(rules))
                shown[:, those] = rule.decide(cups[those], question.margin)
            return shown[0], shown[1]

        return by_mixed

    def by_ranks(
        scores: FloatArray, rng: np.random.Generator, asked: BoolArray | None
    ) -> tuple[BoolArray, BoolArray]:
        differences, signs = rank_differences(panel.cells(scores)), make_flips(tasters, rng)
        different = tell_apart(signed_ranks(differences), signs, question.alpha, asked)
        if asked is not None:
            return different, different
        alpha, shape = question.alpha, different.shape
        if question.rounds:  # the intervals of `compare_rounds` are each variant's own
            alpha /= shape[1]
            differences = differences.swapaxes(1, 2).reshape(-1, tasters, 1)
        inside = within(differences, signs, alpha, question.margin)
        return different, inside.reshape(shape)

    return by_ranks


def _chances(
    panel: PanelTrials,
    shift: float,
    shown: Callable[[FloatArray, int, np.random.Generator], FloatArray],
) -> list[Chance]:
    """Average what the trials show, until the errors are small enough.

    `shown` gives, for scores, the number of the first trial and a generator, a row a trial (or
    a pair) and a column a question, all 0 to 1.
    """
    pairs, given = 2 if shift else 1, panel.question.trials
    done, wanted, found = 0, -(-(given or FIRST) // pairs), []
    while wanted > done:
        start, done = done, wanted
        found.append(shown(panel.scores(shift, start, done), start, panel.rng(2, start)))
        so_far = np.concatenate(found)
        errors = so_far.std(axis=0) / np.sqrt(done)
        if given is None and errors.max() > PRECISE:
            enough = int(done * (errors.max() / PRECISE) ** 2)
            wanted = min(max(enough, done + MORE), MOST // pairs)
    values = zip(so_far.mean(axis=0).tolist(), errors.tolist(), strict=True)
    return [Chance(value, error) for value, error in values]


def _cell(panel: PanelTrials, procedure: By) -> SizingCell:
    question, judge = panel.question, _judge(panel, procedure)
    tasters, sessions = panel.panel.tasters, panel.panel.sessions
    least = question.least_p(tasters, sessions)
    reachable, others = procedure == "mixed" or least <= question.alpha, question.variants - 1

    def power(shift: float) -> Chance:
        """Chance that the variant that differs is shown different."""
        return _chances(panel, shift, shown)[0] if reachable else Chance(0.0, 0.0)

    def shown(scores: FloatArray, start: int, rng: np.random.Generator) -> FloatArray:
        pair = np.arange(start, start + len(scores) // 2)
        asked = np.tile(differing(pair, others + 1), 2)[:, None] == np.arange(1, others + 1)
        return judge(scores, rng, asked)[0][asked].reshape(2, -1).mean(axis=0)[:, None]

    def unlike(scores: FloatArray, _start: int, rng: np.random.Generator) -> FloatArray:
        """Tell of any false difference, of alike for a given variant, and for all variants."""
        different, inside = judge(scores, rng, None)
        alike = inside & ~different
        some = alike.any(axis=1)
        cells = panel.cells(scores[some])
        alike[some] &= steady(cells, question.alpha, question.margin)
        return np.column_stack([different.any(axis=1), alike.mean(axis=1), alike.all(axis=1)])

    known = {shift: power(shift) for shift in (question.margin, 2 * question.margin)}
    once, twice = known.values()
    false, alike, all_alike = _chances(panel, 0.0, unlike)
    seen = _seen(power, known, question) if reachable else None
    return SizingCell(
        tasters=tasters, sessions=sessions, procedure=procedure,
        chance_margin=once, chance_twice=twice, chance_alike=alike, chance_all_alike=all_alike,
        chance_false=false, smallest_p=least, smallest_seen=seen,
        not_seen="" if seen else UNSEEN if reachable else UNREACHABLE,
    )  # fmt: skip


UNREACHABLE = "so few can show no difference by ranks, whatever they say"
UNSEEN = "no difference that fits on the scale would be seen 8 times in 10"


def _seen(
    power: Callable[[float], Chance], known: dict[float, Chance], question: Question
) -> float | None:
    """Find the difference that is shown 8 times in 10, within the length of the scale.

    The chance rises steadily with the difference, almost in a line on the normal scale: the line
    through the nearest known ones gives the next to try.
    """
    longest, wanted = question.scale.high - question.scale.low, float(ndtri(WANTED))
    chances = {0.0: Chance(question.alpha / (question.variants - 1), 0.0), **known}
    while True:
        below = max(shift for shift, chance in chances.items() if chance.value < WANTED)
        above = min((shift for shift in chances if shift > below), default=None)
        if above is None and below >= longest:
            return None
        one, other = sorted(chances)[-2:] if above is None else (below, above)
        low, high = (
            float(ndtri(np.clip(chances[shift].value, 0.5 / MOST, 1 - 0.5 / MOST)))
            for shift in (one, other)
        )
        slope = (high - low) / (other - one)
        at = one + (wanted - low) / slope if slope > 0 else math.inf
        if above is None:
            at = min(max(at, below * NARROW), below * FARTHEST, longest)
        elif min(abs(low - wanted), abs(high - wanted)) < CLOSE or above < below * NARROW:
            return at
        chances[at] = power(at)
