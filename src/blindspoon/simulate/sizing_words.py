"""What sizing found, and what it took for granted, in plain sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby, takewhile
from operator import attrgetter
from typing import NamedTuple

from blindspoon import wording
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.simulate.flips import smallest_p
from blindspoon.simulate.size_results import (
    WANTED,
    Chance,
    Question,
    Sizing,
    SizingCell,
    Spread,
)
from blindspoon.trial import Attribute, Trial

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
    rest = f"{wording.spelled(others)} other{'s' * (others != 1)} equal it" if others else "rest"
    found = [
        f"Spread of the scores: {spread.source}. Standard deviations in points:"
        f" {spread_words(spread, attribute)}.",
        f"Scores run from {wording.plain(scale.low)} to {wording.plain(scale.high)}{step}; true"
        " differences lie across the middle of the scale, and scatter is normal.",
        "Every taster gets every variant once a session, in orders balanced for position;"
        " position itself has no effect, but the mixed model allows for one.",
        f"One variant differs from the control and the {rest}, or nothing differs, alike in"
        f" every session; decided at alpha {question.alpha:g} as the report will decide it.",
    ]
    cups = trial.tasting.servings
    if cups is not None and cups < question.variants:
        found.append(
            f"trial.toml plans {wording.count(cups, 'cup')} a taster and session, fewer than the"
            f" {question.variants} variants: expect less than is promised here."
        )
    return tuple(found)


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
    unable = [cell.tasters for cell in cells if smallest_p(cell.tasters) > question.alpha]
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
    if unable:
        said.append(f"With {max(unable)} rounds or fewer nothing can be shown, whatever you say.")
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
    planned, others = len(trial.tasting.tasters), question.variants - 1
    tasters = min({cell.tasters for cell in cells}, key=lambda t: abs(t - (planned or 12)))
    rows = [cell for cell in cells if cell.tasters == tasters]
    whole = "both of them" if others == 2 else f"all {wording.spelled(others)}"
    for cell in [cell for cell in rows if cell.sessions == len(trial.sessions)] or rows:
        alike = f"alike within {wording.margin(attribute)} {_times(cell.chance_alike.value)}"
        every = f", {whole} {_times(cell.chance_all_alike.value)}" if others > 1 else ""
        seen = cell.not_seen
        if cell.smallest_seen is not None:
            digits = max(1, wording.digits_for(attribute.scale))
            size = wording.number(cell.smallest_seen.difference, digits)
            seen = f"about 8 times in 10 you would see a {size}-point difference"
        yield (
            f"{panel_words(cell, ', ')}: {seen}; where nothing differs, a given variant would be "
            f"shown {alike}{every}."
        )


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

    Examples
    --------
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
