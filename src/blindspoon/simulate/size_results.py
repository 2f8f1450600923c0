"""What sizing has to be told, what its simulated trials showed, and both in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from itertools import chain, groupby, takewhile
from operator import attrgetter
from typing import TYPE_CHECKING, Literal, NamedTuple

from blindspoon import wording
from blindspoon.errors import DesignError, Rule
from blindspoon.findings.rule import PROCEDURES
from blindspoon.stats.results import MixedFit, NoResult, Record, records_frame
from blindspoon.stats.sign_flips import smallest_p
from blindspoon.trial import Attribute, Scale, Trial

if TYPE_CHECKING:
    import pandas as pd

CUP, TASTER, TASTER_VARIANT = 0.12, 0.12, 0.06
"""Standard deviations as shares of the scale's range: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviations of the scores, in points, before they are rounded to the scale.

    From cup to cup, between tasters' general levels, and between their own opinions of a variant,
    which more sessions do not average out; the source ends "Spread of the scores: ...".
    """

    residual_sd: float
    taster_sd: float
    taster_variant_sd: float
    source: str = "as given"


def common_practice(scale: Scale) -> Spread:
    """Give the spread that is usual among untrained tasters (common practice, no source).

    >>> common_practice(Scale(low=0, high=10)).residual_sd
    1.2
    """
    span = scale.high - scale.low
    return Spread(
        residual_sd=CUP * span, taster_sd=TASTER * span, taster_variant_sd=TASTER_VARIANT * span,
        source="common practice, no source",
    )  # fmt: skip


def spread_from(fit: MixedFit | NoResult, title: str) -> Spread:
    """Take the spread from the mixed model of a trial that was compared before.

    Where that had one session, cup-to-cup and taster:variant scatter cannot be told apart: their
    sum is split in the proportion of common practice. Raises DesignError where it gives none.
    """
    if isinstance(fit, NoResult) or not fit.residual_sd:
        why = fit.reason.rstrip(".") if isinstance(fit, NoResult) else "all cups repeat one another"
        allowed = "an earlier trial has a mixed model of the attribute"
        rule = Rule("no-spread", allowed, "Name another trial")
        raise DesignError(
            [rule.broken(f"the trial “{title}” gives no spread: {why}", "trial.toml")]
        )
    cup, own, source = fit.residual_sd, fit.taster_variant_sd, f"as in the trial “{title}”"
    if own is None:
        whole = math.hypot(CUP, TASTER_VARIANT)
        cup, own = (fit.residual_sd * share / whole for share in (CUP, TASTER_VARIANT))
        source += (
            ", whose one session cannot tell cup-to-cup scatter from tasters' own opinions of a"
            " variant, so that their sum was split as is common practice"
        )
    return Spread(residual_sd=cup, taster_sd=fit.taster_sd, taster_variant_sd=own, source=source)


WANTED = 0.8  # the chance at which a difference counts as one that would be seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What every panel is asked; the control is one of the variants.

    Alpha is the attribute's share. So many trials of each chance; None for as few as make it
    precise enough. With `rounds` the tasters of a panel are the rounds of one person. `jars` are
    those of each variant, the control first; none where each is one. A taster gets the control so
    often (`controls`) in a session, and so many (`places`) of the other variants.
    """

    variants: int
    scale: Scale
    margin: float
    alpha: float
    spread: Spread
    trials: int | None
    seed: int
    rounds: bool = False
    jars: tuple[int, ...] = ()
    places: int
    controls: int = 1

    @property
    def complete(self) -> bool:
        """Whether every taster gets every variant in a session."""
        return self.places == self.variants - 1

    @property
    def cups(self) -> str:
        """What a taster gets in a session, or one person in a round, in words."""
        if self.complete and self.controls == 1:
            return "every variant once"
        control = "the control twice" if self.controls > 1 else "the control"
        others = wording.spelled(self.variants - 1)
        if not self.complete:
            return f"{control} and {wording.spelled(self.places)} of the {others} others"
        every = {2: "the other", 3: "both others"}.get(self.variants, f"all {others} others")
        return f"{control} and {every}"

    def least_p(self, tasters: int, sessions: int) -> float:
        """Give the smallest p by ranks; who is not served a variant says nothing of it."""
        others = self.variants - 1
        return smallest_p(-(-tasters * min(self.places * sessions, others) // others))


@dataclass(frozen=True, slots=True)
class Chance:
    """A share of simulated trials and its Monte Carlo standard error."""

    value: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingCell:
    """What one size of panel can hope for by one procedure.

    - `chance_margin`, `chance_twice`: to show a variant different ("different" or "slight") that
      truly differs by the margin, or by twice the margin, while the others equal the control
    - `chance_alike`, `chance_all_alike`: to show a given variant, or all of them, alike when
      nothing differs
    - `chance_false`: to call any variant different when nothing differs
    - `smallest_p`: the smallest adjusted p that so many can reach by ranks, whatever they say
    - `smallest_seen`, `not_seen`: the difference, in points, that would be shown 8 times in 10, or
      why there is none
    """

    tasters: int
    sessions: int
    procedure: Literal["mixed", "ranks"]
    chance_margin: Chance
    chance_twice: Chance
    chance_alike: Chance
    chance_all_alike: Chance
    chance_false: Chance
    smallest_p: float
    smallest_seen: float | None
    not_seen: str

    @property
    def size(self) -> int:
        """Count the tasters, or the rounds of the only one."""
        return self.tasters if self.tasters > 1 else self.sessions

    def to_record(self) -> Record:
        """Give the fields as plain values; ``not_seen`` stands where there is no difference."""
        record = asdict(self)
        if self.smallest_seen is not None:
            del record["not_seen"]
        return record


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What panels of several sizes can hope for.

    Alpha is the attribute's share; the control is one of the variants. Cells are by sessions, then
    tasters, then procedure. Sentences say what follows, assumptions what was taken for granted; in
    JSON also what is foretold: what these jars, or one person alone, cannot tell. What is compared,
    the `unit`, is a round where one person tastes alone, each session one; ranks decide then.
    """

    attribute: str
    margin: float
    alpha: float
    decided_by: Literal["mixed", "ranks"]
    variants: int
    spread: Spread
    trials: int
    seed: int
    cells: tuple[SizingCell, ...] = field(repr=False)
    assumptions: tuple[str, ...] = field(repr=False)
    sentences: tuple[str, ...]
    unit: Literal["taster", "round"] = "taster"
    foretold: tuple[str, ...] = ()

    def to_record(self) -> Record:
        """Everything, ready for JSON: text, finite numbers, None, lists and dictionaries."""
        record = asdict(self) | {
            "cells": [cell.to_record() for cell in self.cells],
            "assumptions": [*self.assumptions, *self.foretold],
            "sentences": list(self.sentences),
        }
        del record["foretold"]
        return record

    def to_frame(self) -> pd.DataFrame:
        """Lay out the sizes, a row a size and procedure."""
        return records_frame([cell.to_record() for cell in self.cells])


Cells = Sequence[SizingCell]
A_ROUND = "A round is one sitting: you taste"
HARDLY = 0.05  # a chance below which a panel is said to be unable to show something


class Goal(NamedTuple):
    """What may be shown, as a heading and in a sentence, and how likely a panel is to."""

    head: str
    words: str
    chance: Callable[[SizingCell], Chance]


def goals_of(attribute: Attribute, margin: float) -> tuple[Goal, Goal, Goal]:
    """Name what is hoped for: to see the margin, to see twice the margin, to show alike."""
    once, twice = (
        Goal(
            f"A difference of {wording.in_points(size)}",
            f"see a {wording.plain(size)}-point difference",
            attrgetter(name),
        )
        for size, name in ((margin, "chance_margin"), (2 * margin, "chance_twice"))
    )
    alike = f"show that a variant without a difference is within {wording.margin(attribute)}"
    return once, twice, Goal("Alike, when nothing differs", alike, attrgetter("chance_alike"))


def assumptions_of(trial: Trial, attribute: Attribute, question: Question) -> tuple[str, ...]:
    """List what was taken for granted, in whole sentences."""
    spread, scale = question.spread, attribute.scale
    deviations = spread_words(spread, attribute, alone=question.rounds)
    source = f"Spread of the scores: {spread.source}. Standard deviations in points: {deviations}."
    if question.rounds:
        more = ""
        if question.controls > 1:
            more = " The second cup of the control is left out of the sum: expect to see more."
        elif question.variants > 2:
            more = (
                " Several variants are judged a little more sharply than here: expect to see more."
            )
        alone = f"It is decided by ranks over the rounds: the answer is about this person.{more}"
        return alone, source
    step = f", in steps of {wording.plain(scale.step)}" if scale.step else ""
    others = question.variants - 2
    rest = f"the {wording.spelled(others)} others equal it" if others > 1 else "the other equals it"
    differs = (
        f"One variant differs from the control and {rest}" if others else "The variant differs"
    )
    several = (
        "Several jars of a variant make the answer one about the method. How far jars differ has"
        " to be told from so few that panels show less than of one jar each. Here they do not"
        " differ; if yours do, expect less."
    )
    position = "in orders balanced for position; position itself has no effect"
    if question.complete:
        position += ", but the mixed model allows for one"
    return (
        source,
        f"Scores run from {wording.plain(scale.low)} to {wording.plain(scale.high)}{step}; true"
        " differences lie across the middle of the scale, and scatter is normal.",
        f"Every taster gets {question.cups} a session, {position}.",
        f"{differs}, or nothing does, alike in every session; decided at alpha"
        f" {question.alpha:g} as the report will decide it.",
        *([several] if question.jars and trial.decision.by == "mixed" else []),
    )


def spread_words(spread: Spread, attribute: Attribute, *, alone: bool) -> str:
    """Give the standard deviations, each with what it is of; `alone` what one taster has."""
    digits = wording.digits_for(attribute.scale) + 1
    cup, taster, own = (
        wording.number(sd, digits)
        for sd in (spread.residual_sd, spread.taster_sd, spread.taster_variant_sd)
    )
    others = f", {taster} between tasters, {own} in a taster's own opinion of a variant"
    return f"{cup} from cup to cup" + others * (not alone)


def sentences_of(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> tuple[str, ...]:
    """Say what the panels can hope for, by the procedure that decides, in whole sentences.

    They say what it takes, what the planned panel can do, and what cannot be done.
    """
    deciding = [cell for cell in cells if cell.procedure == trial.decision.by]
    wanted, rows = goals_of(attribute, question.margin), rows_of(deciding)
    planned = (len(trial.sessions) if question.rounds else len(trial.tasting.tasters)) or 12
    near = min({cell.size for cell in deciding}, key=lambda size: abs(size - planned))
    chosen = [cell for cell in deciding if cell.size == near]
    listed = [cell for cell in chosen if cell.sessions == len(trial.sessions)] or chosen
    variants = wanted[2]._replace(words=f"show variants alike within {wording.margin(attribute)}")
    a_round = f"{A_ROUND} {question.cups}, in an order drawn afresh."
    return (
        *[a_round] * question.rounds,
        *(wording.sentence(takes(goal, rows)) for goal in wanted),
        *(f"{panel_words(cell)}: {_can(cell, attribute, question)}" for cell in listed),
        *filter(None, (_hardly(goal, rows) for goal in (wanted[0], variants))),
        *_floor(question, cells),
    )


def takes(goal: Goal, rows: Sequence[Cells]) -> str:
    """Say in a clause what it takes to reach a goal, more sessions where they spare tasters."""
    enough: list[SizingCell] = []
    for row in rows:
        cell = next((cell for cell in row if goal.chance(cell).value >= WANTED), None)
        if cell is not None and (not enough or cell.tasters < enough[-1].tasters):
            enough.append(cell)
    if enough:
        panels = wording.listing(map(panel_words, enough), "or")
        return f"to {goal.words} 8 times in 10 takes {panels}"
    best = max(chain(*rows), key=lambda cell: goal.chance(cell).value)
    if goal.chance(best).value < HARDLY:
        return f"nothing tried here would {goal.words} even 1 time in 20"
    said = times(goal.chance(best).value)
    often = "nearly as often" if said == times(WANTED) else said
    panel = panel_words(best)
    return f"nothing tried here would {goal.words} 8 times in 10; {panel} would do so {often}"


def _can(cell: SizingCell, attribute: Attribute, question: Question) -> str:
    """Say what a panel would see, and what it would show alike."""
    others = question.variants - 1
    alike = f"alike within {wording.margin(attribute)} {times(cell.chance_alike.value)}"
    whole = "both at once" if others == 2 else f"all {wording.spelled(others)} at once"
    told = others > 1 and cell.chance_alike.value >= HARDLY  # else it goes without saying
    every = f", {whole} {times(cell.chance_all_alike.value)}" if told else ""
    seen = cell.not_seen
    if cell.smallest_seen is not None:
        digits = max(1, wording.digits_for(attribute.scale))
        size = wording.number(cell.smallest_seen, digits)
        seen = f"about 8 times in 10 you would see a {size}-point difference"
    return f"{seen}. A variant that does not differ would be shown {alike}{every}."


def _hardly(goal: Goal, rows: Sequence[Cells]) -> str:
    """Name the panels that can hardly ever reach a goal; empty where there are none, or all."""
    unable = [[*takewhile(lambda cell: goal.chance(cell).value < HARDLY, row)] for row in rows]
    if unable == rows:
        return ""
    last = [panel_words(row[-1], " or fewer") for row in unable if row]
    return f"{wording.listing(last)} would {goal.words} {times(0.0)}." if last else ""


def _floor(question: Question, cells: Cells) -> Iterator[str]:
    """Say how many cannot show anything by ranks."""
    unable = [cell.size for cell in rows_of(cells)[-1] if cell.smallest_p > question.alpha]
    if unable:
        who = wording.count(max(unable), "round" if question.rounds else "taster")
        ranks = PROCEDURES["ranks"]
        yield f"With {who} or fewer {ranks} can show no difference, whatever the scores."


def rows_of(cells: Cells) -> list[Cells]:
    """Lay out cells in rows with the same number of sessions; rounds of one person are one row."""
    ordered = sorted(cells, key=lambda cell: (cell.sessions, cell.tasters))
    return [[*row] for _, row in groupby(ordered, key=lambda it: it.tasters > 1 and it.sessions)]


def panel_words(cell: SizingCell, more: str = "") -> str:
    """Name a panel, or the rounds of one person: "12 tasters in two sessions", "12 rounds"."""
    if cell.tasters == 1:
        return wording.count(cell.sessions, "round") + more
    sessions = f"{wording.spelled(cell.sessions)} session{'s' * (cell.sessions > 1)}"
    return f"{wording.count(cell.tasters, 'taster')}{more} in {sessions}"


def times(chance: float) -> str:
    r"""Write a chance as people say it, without promising what rounding would.

    >>> times(0.02), times(0.43), times(0.97)
    ('less than 1 time in 20', 'about 4 times in 10', 'nearly always')
    """
    if chance < HARDLY:
        return "less than 1 time in 20"
    if chance >= 1 - HARDLY:
        return "nearly always"
    return f"about {wording.count(min(max(round(10 * chance), 1), 9), 'time')} in 10"
