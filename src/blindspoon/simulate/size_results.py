"""What sizing has to be told, what its simulated trials showed, and both in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import groupby, takewhile
from operator import attrgetter
from typing import TYPE_CHECKING, Literal, NamedTuple

from blindspoon import wording
from blindspoon.errors import DesignError, Rule
from blindspoon.findings.naming import PROCEDURES, By
from blindspoon.stats.results import MixedFit, NoResult, Record
from blindspoon.stats.sign_flips import smallest_p
from blindspoon.trial import Attribute, Scale, Trial

if TYPE_CHECKING:
    import pandas as pd

CUP, TASTER, TASTER_VARIANT = 0.12, 0.12, 0.06
"""Standard deviations as shares of the scale's range: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviations of the scores, in points, before they are rounded to the scale.

    - `residual_sd`: from cup to cup of one variant by one taster
    - `taster_sd`: between tasters' general levels; it cancels from every difference
    - `taster_variant_sd`: between tasters' own opinions of a variant; more sessions do not average
      it out
    - `source`: where they come from, as the end of the sentence "Spread of the scores: ..."

    Raises ValueError if a standard deviation is negative or not finite, or nothing scatters the
    differences.
    """

    residual_sd: float
    taster_sd: float
    taster_variant_sd: float
    source: str = "as given"

    def __post_init__(self) -> None:
        parts = (self.residual_sd, self.taster_sd, self.taster_variant_sd)
        if not all(math.isfinite(part) and part >= 0 for part in parts):
            raise ValueError(f"standard deviations are finite and not negative, not {parts}")
        if self.residual_sd == self.taster_variant_sd == 0:
            raise ValueError("the cup-to-cup or the taster:variant SD is above 0")


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

    The attribute was scored on the same scale; the title of the trial is for the sentence that says
    where the values come from. Where it had one session, cup-to-cup and taster:variant scatter
    cannot be told apart: their sum is then split in the proportion of common practice. Raises
    DesignError where the mixed model of the earlier trial gave no result.
    """
    if isinstance(fit, NoResult):
        rule = Rule(
            "no-spread",
            "an earlier trial has a mixed model of the attribute",
            "Name another trial, or give the standard deviations",
        )
        found = f"the trial “{title}” gives no spread: {fit.reason.rstrip('.')}"
        raise DesignError([rule.broken(found, "trial.toml")])
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

    The margin is the smallest difference that matters, in points; alpha the attribute's share. So
    many trials of each chance; None for as few as make it precise enough.
    With `rounds` the tasters of a panel are the rounds of one person. `jars` are those of each
    variant, the control first; none where each is one. Cups are a taster and
    session's, `controls` among them; 0 for one of every variant.
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
    cups: int = 0
    controls: int = 1

    def worth(self, by: By, sessions: int = 1) -> float:
        """Tell for what part of a taster who gets every variant each taster counts.

        By ranks a taster says nothing of a variant not tasted in any session, and less of one
        tasted in some. In the mixed model the variance of *variant minus control* within sessions
        counts, as in `comparison_variance`, of evenly dealt cups.
        """
        others = self.variants - 1
        own = min(max(self.cups - self.controls, 1), others) if self.cups else others
        once = own / others
        if by == "ranks" or own == others:
            tasted = min(once * sessions, 1.0)
            return 2 * tasted * once / (tasted + once)
        both = once * (own - 1) / (others - 1)  # two given variants with one taster
        free, tied = once - (once - both) / self.cups, both / self.cups
        return min(2 * free / (1 + tied / (free - others * tied)), 1.0)

    def panel(self, tasters: int, sessions: int, by: By) -> int:
        """Say for how many who get every variant so many tasters count, 3 at least."""
        return max(round(tasters * self.worth(by, sessions)), 3)


@dataclass(frozen=True, slots=True)
class Chance:
    """A share of simulated trials and its Monte Carlo standard error."""

    value: float
    se: float


@dataclass(frozen=True, slots=True)
class Seen:
    """The true difference, in points, that is shown with a stated chance, and its error.

    ``se`` is the Monte Carlo standard error, carried over from the chances that the difference
    was interpolated between.
    """

    difference: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingCell:
    """What one size of panel can hope for by one procedure, every variant once a session.

    - `chance_margin`, `chance_twice`: to show a variant different ("different" or "slight") that
      truly differs by the margin, or by twice the margin, while the others equal the control
    - `chance_alike`, `chance_all_alike`: to show a given variant, or all of them, alike when
      nothing differs
    - `chance_false`: to call any variant different when nothing differs
    - `smallest_p`: the smallest adjusted p that this many tasters can reach by ranks, whatever they
      say; None for the mixed model, which has no such floor
    - `smallest_seen`, `not_seen`: the difference that would be shown 8 times in 10, or why there is
      none
    """

    tasters: int
    sessions: int
    procedure: Literal["mixed", "ranks"]
    chance_margin: Chance
    chance_twice: Chance
    chance_alike: Chance
    chance_all_alike: Chance
    chance_false: Chance
    smallest_p: float | None
    smallest_seen: Seen | None
    not_seen: str

    def to_record(self) -> Record:
        """Give the fields as plain values; ``not_seen`` stands where there is no difference."""
        record = asdict(self)
        if self.smallest_seen is not None:
            del record["not_seen"]
        return record


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What panels of several sizes can hope for.

    The margin is the smallest difference that matters, in points; alpha the attribute's share; the
    control is one of the variants. Cells are by sessions, then tasters, then procedure. Assumptions
    say what was taken for granted, sentences what follows, and `foretold` what these jars, or one
    person alone, cannot tell whoever tastes. What is compared, the `unit`, is a round
    where one person tastes alone, each session one.
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
        from blindspoon.frames import records_frame  # noqa: PLC0415 - pandas when asked for

        unseen = {"smallest_seen": asdict(Seen(math.nan, math.nan))}
        return records_frame(
            [cell.to_record() | ({} if cell.smallest_seen else unseen) for cell in self.cells]
        )


Cells = Sequence[SizingCell]
ChanceOf = Callable[[SizingCell], Chance]
ONCE, TWICE, ALIKE = map(attrgetter, ("chance_margin", "chance_twice", "chance_alike"))


class Goal(NamedTuple):
    """What a panel may hope to show, in words, and how likely it is to."""

    words: str
    chance: ChanceOf

    def reached(self, cells: Iterable[SizingCell]) -> SizingCell | None:
        """Find the first of some cells that reaches it 8 times in 10."""
        return next((cell for cell in cells if self.chance(cell).value >= WANTED), None)


HARDLY = 0.05  # a chance below which a panel is said to be unable to show something


def assumptions_of(trial: Trial, attribute: Attribute, question: Question) -> tuple[str, ...]:
    """List what was taken for granted, in whole sentences."""
    spread, scale = question.spread, attribute.scale
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
    worth, gets = question.worth(trial.decision.by), "gets every variant once a session"
    if worth < 1:
        gets = (
            f"gets {wording.count(question.cups, 'cup')} a session and counts, in one, for"
            f" about {worth:.2g} of one who gets all {question.variants} variants"
        )
    return (
        f"Spread of the scores: {spread.source}. Standard deviations in points:"
        f" {spread_words(spread, attribute)}.",
        f"Scores run from {wording.plain(scale.low)} to {wording.plain(scale.high)}{step}; true"
        " differences lie across the middle of the scale, and scatter is normal.",
        f"Every taster {gets}, in orders balanced for position; position itself has no"
        " effect, but the mixed model allows for one.",
        f"{differs}, or nothing does, alike in every session; decided at alpha"
        f" {question.alpha:g} as the report will decide it.",
        *([several] if question.jars and trial.decision.by == "mixed" else []),
    )


def spread_words(spread: Spread, attribute: Attribute) -> str:
    """Give the three standard deviations, each with what it is of."""
    digits = wording.digits_for(attribute.scale) + 1
    cup, taster, own = (
        wording.number(sd, digits)
        for sd in (spread.residual_sd, spread.taster_sd, spread.taster_variant_sd)
    )
    return (
        f"{cup} from cup to cup, {taster} between tasters, {own} in a taster's own opinion of a"
        " variant"
    )


def sentences_of(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> tuple[str, ...]:
    """Say what the panels can hope for, by the procedure that decides, in whole sentences.

    They say what it takes, what the planned panel can do, and what cannot be done.
    """
    deciding = [cell for cell in cells if cell.procedure == trial.decision.by]
    wanted = _goals(attribute, question.margin)
    unable = [
        cell.tasters
        for cell in cells
        if smallest_p(question.panel(cell.tasters, cell.sessions, "ranks")) > question.alpha
    ]
    who = wording.count(max(unable, default=0), "taster")
    alpha = f"{question.alpha:.3g}".removeprefix("0")
    floor = f"With {who} or fewer {PROCEDURES['ranks']} cannot reach {alpha} whatever they say."
    variants = Goal(f"show variants alike within {wording.margin(attribute)}", ALIKE)
    return (
        *(_takes(goal, deciding) for goal in wanted),
        *_of_one_panel(trial, attribute, question, deciding),
        *filter(None, (_hardly(goal, deciding) for goal in (wanted[0], variants))),
        *([floor] if unable else ()),
    )


def in_rounds(trial: Trial, sizing: Sizing, source: str) -> Sizing:
    """Tell of one person alone what was simulated: the tasters of a panel are their rounds."""
    attribute = trial.attribute(sizing.attribute)
    ranked = (cell for cell in sizing.cells if cell.procedure == "ranks")
    cells = tuple(replace(cell, tasters=1, sessions=cell.tasters) for cell in ranked)
    said = []
    for goal in _goals(attribute, sizing.margin):
        enough = goal.reached(cells)
        rounds = f"more than {cells[-1].sessions}" if enough is None else f"{enough.sessions}"
        said.append(f"To {goal.words} 8 times in 10 takes {rounds} rounds.")
    unable = [cell.sessions for cell in cells if (cell.smallest_p or 0) > sizing.alpha]
    for cell in cells:
        if cell.sessions == len(trial.sessions) and cell.sessions not in unable:
            rounds = wording.spelled(cell.sessions)
            said.append(f"1 taster, {rounds} rounds: {_can(cell, attribute, sizing.variants - 1)}")
    if unable:
        said.append(f"With {max(unable)} rounds or fewer no difference can be shown.")
    cup = wording.number(sizing.spread.residual_sd, wording.digits_for(attribute.scale) + 1)
    assumptions = (
        "One person tastes every variant once a round, in an order drawn afresh for each, and "
        "decides by ranks over the rounds: the answer is about this person.",
        f"Spread of the scores from cup to cup: {cup} points ({source}).",
    )
    return replace(
        sizing, unit="round", cells=cells, sentences=tuple(said), assumptions=assumptions
    )


def _goals(attribute: Attribute, margin: float) -> tuple[Goal, Goal, Goal]:
    once, twice = (wording.plain(times * margin) for times in (1, 2))
    alike = f"show a variant that does not differ alike within {wording.margin(attribute)}"
    return (
        Goal(f"see a {once}-point difference", ONCE),
        Goal(f"see a {twice}-point difference", TWICE),
        Goal(alike, ALIKE),
    )


def _takes(goal: Goal, cells: Cells) -> str:
    """Say what panel it takes to reach a goal."""
    enough = map(goal.reached, by_sessions(cells))
    panels = [panel_words(cell) for cell in enough if cell is not None]
    if panels:
        return f"To {goal.words} 8 times in 10 takes {wording.listing(panels, 'or')}."
    best = max(cells, key=lambda cell: goal.chance(cell).value)
    return (
        f"No panel tried here would {goal.words} 8 times in 10; {panel_words(best)} would do so"
        f" {_times(goal.chance(best).value)}."
    )


def _of_one_panel(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> Iterator[str]:
    """Say what the planned panel can do; where none is planned, one of about a dozen."""
    planned = len(trial.tasting.tasters)
    tasters = min({cell.tasters for cell in cells}, key=lambda t: abs(t - (planned or 12)))
    rows = [cell for cell in cells if cell.tasters == tasters]
    for cell in [cell for cell in rows if cell.sessions == len(trial.sessions)] or rows:
        yield f"{panel_words(cell, ', ')}: {_can(cell, attribute, question.variants - 1)}"


def _can(cell: SizingCell, attribute: Attribute, others: int) -> str:
    """Say what a panel would see, and what it would show alike."""
    alike = f"alike within {wording.margin(attribute)} {_times(cell.chance_alike.value)}"
    whole = "both of them" if others == 2 else f"all {wording.spelled(others)}"
    told = others > 1 and cell.chance_alike.value >= HARDLY  # else it goes without saying
    every = f", {whole} {_times(cell.chance_all_alike.value)}" if told else ""
    seen = cell.not_seen
    if cell.smallest_seen is not None:
        digits = max(1, wording.digits_for(attribute.scale))
        size = wording.number(cell.smallest_seen.difference, digits)
        seen = f"about 8 times in 10 you would see a {size}-point difference"
    return f"{seen}; where nothing differs, a given variant would be shown {alike}{every}."


def _hardly(goal: Goal, cells: Cells) -> str:
    """Name the panels that can hardly ever reach a goal; empty where there are none."""
    rows = by_sessions(cells)
    unable = [[*takewhile(lambda cell: goal.chance(cell).value < HARDLY, row)] for row in rows]
    last = [panel_words(row[-1]).replace("tasters", "tasters or fewer", 1) for row in unable if row]
    said = f"Panels that can hardly ever {goal.words} (less than 1 time in 20)"
    return f"{said}: {wording.listing(last)}." if last else ""


def by_sessions(cells: Cells) -> tuple[tuple[SizingCell, ...], ...]:
    """Rows of cells with the same number of sessions, tasters rising."""
    ordered = sorted(cells, key=lambda cell: (cell.sessions, cell.tasters))
    return tuple(tuple(row) for _, row in groupby(ordered, key=lambda cell: cell.sessions))


def panel_words(cell: SizingCell, link: str = " in ") -> str:
    """Name a panel: "12 tasters in two sessions"."""
    sessions = f"{wording.spelled(cell.sessions)} session{'s' * (cell.sessions > 1)}"
    return f"{wording.count(cell.tasters, 'taster')}{link}{sessions}"


def times(chance: float, hardly: str = "hardly ever") -> str:
    r"""Write a chance as people say it, without promising what rounding would.

    >>> times(0.02), times(0.43), times(0.97)
    ('hardly ever', 'about 4\xa0times\xa0in\xa010', 'nearly always')
    """
    if chance < HARDLY:
        return hardly
    if chance >= 1 - HARDLY:
        return "nearly always"
    tenths = min(max(round(10 * chance), 1), 9)
    return "about " + f"{wording.count(tenths, 'time')} in 10".replace(" ", wording.NO_BREAK)


def _times(chance: float) -> str:
    return times(chance, "less than 1 time in 20").replace(wording.NO_BREAK, " ")
