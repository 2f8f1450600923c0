"""What sizing found, and what it took for granted, in plain sentences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import takewhile

from blindspoon import wording
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.simulate.panels import WANTED, Question
from blindspoon.simulate.size_results import Chance, SizingCell
from blindspoon.trial import Attribute, Trial

Cells = Sequence[SizingCell]
ChanceOf = Callable[[SizingCell], Chance]

HARDLY = 0.05
"""A chance below which a panel is said to be unable to show something."""


def assumptions_of(trial: Trial, attribute: Attribute, question: Question) -> tuple[str, ...]:
    """List what was taken for granted, in whole sentences."""
    spread, scale = question.spread, attribute.scale
    digits = wording.digits_for(scale) + 1
    cup, taster, own = (
        wording.number(sd, digits)
        for sd in (spread.residual_sd, spread.taster_sd, spread.taster_variant_sd)
    )
    step = f", in steps of {wording.plain(scale.step)}" if scale.step else ""
    found = [
        f"Spread of the scores: {spread.source}. Standard deviations in points: {cup} from cup to"
        f" cup, {taster} between tasters, {own} in a taster's own opinion of a variant.",
        f"Scores run from {wording.plain(scale.low)} to {wording.plain(scale.high)}{step}; true"
        " differences lie across the middle of the scale, and scatter is normal.",
        "Every taster gets every variant once a session, in orders balanced for position;"
        " position itself has no effect, but the mixed model allows for one.",
        f"One variant differs from the control and the {_others(question)}, or nothing differs;"
        f" decided at alpha {question.alpha:g} as the report will decide it.",
    ]
    cups = trial.tasting.servings
    if cups is not None and cups < question.variants:
        found.append(
            f"trial.toml plans {wording.count(cups, 'cup')} a taster and session, fewer than the"
            f" {question.variants} variants: expect less than is promised here."
        )
    return tuple(found)


def _others(question: Question) -> str:
    others = question.variants - 2
    return f"{wording.spelled(others)} other{'s' * (others != 1)} equal it" if others else "rest"


def sentences_of(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> tuple[str, ...]:
    """Say what the panels can hope for, by the procedure that decides, in whole sentences.

    They say what it takes, what the planned panel can do, and what cannot be done.
    """
    deciding = [cell for cell in cells if cell.procedure == trial.decision.by]
    return (
        *_needed(attribute, question, deciding),
        *_of_one_panel(trial, attribute, question, deciding),
        *_cannot(attribute, question, deciding),
        *_rank_floor(question, [cell for cell in cells if cell.procedure == "ranks"]),
    )


def _needed(attribute: Attribute, question: Question, cells: Cells) -> list[str]:
    """Say what panel it takes to see the margin, twice the margin, and to show alike."""
    margin = wording.plain(question.margin)
    twice = wording.plain(2 * question.margin)
    goals: list[tuple[str, ChanceOf]] = [
        (f"see a {margin}-point difference", lambda cell: cell.chance_margin),
        (f"see a {twice}-point difference", lambda cell: cell.chance_twice),
        (
            f"show a variant that does not differ alike within {wording.margin(attribute)}",
            lambda cell: cell.chance_alike,
        ),
    ]
    return [_takes(goal, chance, cells) for goal, chance in goals]


def _takes(goal: str, chance: ChanceOf, cells: Cells) -> str:
    enough = [
        min((cell for cell in row if chance(cell).value >= WANTED), key=_tasters, default=None)
        for row in _by_sessions(cells)
    ]
    panels = [panel_words(cell) for cell in enough if cell is not None]
    if panels:
        return f"To {goal} 8 times in 10 takes {wording.listing(panels, 'or')}."
    best = max(cells, key=lambda cell: chance(cell).value)
    return (
        f"No panel tried here would {goal} 8 times in 10; {panel_words(best)} would do so"
        f" {_times(chance(best).value)}."
    )


def _of_one_panel(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> list[str]:
    """Say what the planned panel can do; where none is planned, one of about a dozen."""
    planned = len(trial.tasting.tasters)
    tasters = min({cell.tasters for cell in cells}, key=lambda t: abs(t - (planned or 12)))
    rows = [cell for cell in cells if cell.tasters == tasters]
    chosen = [cell for cell in rows if cell.sessions == len(trial.sessions)] or rows
    return [_can(attribute, question, cell) for cell in chosen]


def _can(attribute: Attribute, question: Question, cell: SizingCell) -> str:
    who = panel_words(cell, ", ")
    alike = f"alike within {wording.margin(attribute)}"
    others = question.variants - 1
    whole = "both of them" if others == 2 else f"all {wording.spelled(others)}"
    every = f", {whole} {_times(cell.chance_all_alike.value)}"
    if cell.smallest_seen is None:
        seen = cell.not_seen
    else:
        digits = max(1, wording.digits_for(attribute.scale))
        size = wording.number(cell.smallest_seen.difference, digits)
        seen = f"about 8 times in 10 you would see a {size}-point difference"
    return (
        f"{who}: {seen}; where nothing differs, a given variant would be shown {alike}"
        f" {_times(cell.chance_alike.value)}{every if others > 1 else ''}."
    )


def _cannot(attribute: Attribute, question: Question, cells: Cells) -> list[str]:
    """Name the panels that can hardly show a difference of one margin, or alike."""
    margin = wording.plain(question.margin)
    goals: list[tuple[str, ChanceOf]] = [
        (f"see a {margin}-point difference", lambda cell: cell.chance_margin),
        (f"show variants alike within {wording.margin(attribute)}", lambda c: c.chance_alike),
    ]
    return [said for goal, chance in goals if (said := _hardly(goal, chance, cells))]


def _hardly(goal: str, chance: ChanceOf, cells: Cells) -> str:
    rows = _by_sessions(cells)
    unable = [[*takewhile(lambda cell: chance(cell).value < HARDLY, row)] for row in rows]
    last = [panel_words(row[-1]).replace("tasters", "tasters or fewer", 1) for row in unable if row]
    said = f"Panels that can hardly ever {goal} (less than 1 time in 20)"
    return f"{said}: {wording.listing(last)}." if last else ""


def _rank_floor(question: Question, cells: Cells) -> list[str]:
    unable = [cell.tasters for cell in cells if (cell.smallest_p or 0) > question.alpha]
    if not unable:
        return []
    who = wording.count(max(unable), "taster")
    alpha = f"{question.alpha:.3g}".removeprefix("0")
    return [f"With {who} or fewer {PROCEDURES['ranks']} cannot reach {alpha} whatever they say."]


def _by_sessions(cells: Cells) -> list[list[SizingCell]]:
    """Rows of cells with the same sessions, tasters rising."""
    return [
        sorted((cell for cell in cells if cell.sessions == s), key=_tasters)
        for s in sorted({cell.sessions for cell in cells})
    ]


def _tasters(cell: SizingCell) -> int:
    return cell.tasters


def panel_words(cell: SizingCell, link: str = " in ") -> str:
    """Name a panel: "12 tasters in two sessions"."""
    sessions = f"{wording.spelled(cell.sessions)} session{'s' * (cell.sessions > 1)}"
    return f"{wording.count(cell.tasters, 'taster')}{link}{sessions}"


def _times(chance: float) -> str:
    """Write a chance as people say it.

    Examples
    --------
    >>> _times(0.02), _times(0.43), _times(0.97)
    ('less than 1 time in 20', 'about 4 times in 10', 'nearly always')
    """
    if chance < HARDLY:
        return "less than 1 time in 20"
    if chance >= 0.95:
        return "nearly always"
    tenths = max(1, min(9, round(10 * chance)))
    return f"about {wording.count(tenths, 'time')} in 10"
