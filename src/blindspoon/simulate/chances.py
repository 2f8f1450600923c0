"""The chart of what panels, or rounds of one taster, can hope to show before anybody tasted."""

import itertools
import math
from collections.abc import Sequence
from typing import Literal

from blindspoon import wording
from blindspoon.charts.chart import Chart
from blindspoon.charts.lines import RADIUS, TALL, LinePlot, NamedLine, lay_lines
from blindspoon.charts.scene import MarkKind
from blindspoon.findings.rule import PROCEDURES
from blindspoon.simulate.size_results import (
    WANTED,
    Cells,
    Goal,
    Sizing,
    SizingCell,
    goals_of,
    panel_words,
    rows_of,
    spread_words,
    takes,
    times,
)
from blindspoon.trial import Trial

KINDS: tuple[MarkKind, ...] = ("ring", "disc", "diamond")
PLANNED = {"taster": "planned panel", "round": "planned rounds"}


def chances_chart(sizing: Sizing, trial: Trial) -> Chart:
    """Draw what panels can hope for, or rounds of one taster, by the procedure that decides.

    The sizing has a cell for every pair of its numbers of tasters and sessions; the trial that was
    sized says which panel is planned.
    """
    attribute, unit = trial.attribute(sizing.attribute), sizing.unit
    deciding = [cell for cell in sizing.cells if cell.procedure == sizing.decided_by]
    panel = (len(trial.tasting.tasters), len(trial.sessions))
    planned = next((cell for cell in deciding if (cell.tasters, cell.sessions) == panel), None)
    rows, goals = rows_of(deciding), goals_of(attribute, sizing.margin)
    plots = [_plot(goal, rows, planned, unit) for goal in goals]
    key = _key(sizing, goals, deciding, planned)
    tried = _span([cell.size for cell in rows[0]], unit)
    if unit == "taster":
        sessions = _span([row[0].sessions for row in rows], "session")
        tried = f"panels of {tried} in {sessions}"
    spread = spread_words(sizing.spread, attribute, alone=unit == "round").replace("'", "’")
    needed = [takes(goal, rows) for goal in goals]
    said = f"On {attribute.label.lower()}, {needed[0]}"
    under = [[plot] for plot in plots]
    return Chart(
        name=f"{attribute.name}-chances",
        title=said,
        data=f"the chances of {tried}",
        lay=lambda sheet: lay_lines([plots] if sheet.beside else under, key, sheet),
        source=f"simulated for “{trial.title}”, not tasted. Assumed standard deviations, in points:"
        f" {spread} ({sizing.spread.source}).",
        finding="; ".join((said, *needed[1:])),
    )


def _plot(
    goal: Goal, rows: Sequence[Cells], planned: SizingCell | None, unit: Literal["taster", "round"]
) -> LinePlot:
    """Draw a line a number of sessions; tasters or rounds stand in equal ratios."""
    sizes = sorted({cell.size for row in rows for cell in row})
    alone = 0.5 * (len(sizes) == 1)
    first = [planned.size] if planned else []
    shown = dict.fromkeys([*first, sizes[0], sizes[-1], *sizes])
    lines = []
    for kind, row in zip(itertools.cycle(KINDS), rows, strict=False):
        large = row.index(planned) if planned in row else None
        sessions = wording.count(row[0].sessions, "session")
        line = NamedLine(
            label="one taster" if unit == "round" else sessions,
            points=tuple((math.log(cell.size), goal.chance(cell).value) for cell in row),
            ink="people" if large is None else "ink", kind=kind,
            width=1.5 if large is None else 2.0, large=large,
        )  # fmt: skip
        lines.append(line)
    return LinePlot(
        head=goal.head,
        note=f"{PLANNED[unit]}: {times(goal.chance(planned).value)}" if planned else "",
        under=f"{unit}s", x=(math.log(sizes[0]) - alone, math.log(sizes[-1]) + alone),
        y=(0.0, 1.0), dashed=WANTED,
        ticks=tuple((math.log(size), f"{size:,}") for size in shown),
        up=tuple((tenths / 10, str(tenths)) for tenths in range(0, 11, 2)),
        # the planned number of sessions lies on the others
        series=tuple(sorted(lines, key=lambda line: line.large is not None)),
    )  # fmt: skip


def _key(sizing: Sizing, goals: Sequence[Goal], deciding: Cells, planned: SizingCell | None) -> str:
    """Say what a mark is, what the three chances are of, and how exact they are."""
    error = max(goal.chance(cell).se for goal in goals for cell in deciding)
    small = ", too small to draw" if error * TALL < RADIUS else ""
    large = ""
    if planned:
        large = f" The large mark is the {PLANNED[sizing.unit]}: {panel_words(planned)}."
    return (
        f"Each mark: {sizing.trials:,} simulated trials, judged by {PROCEDURES[sizing.decided_by]}."
        f" Doubling the {sizing.unit}s is the same step everywhere. Difference: a"
        " variant that truly differs by so much is shown to differ. Alike: any one variant is shown"
        f" to be within {wording.in_points(sizing.margin)}. Up the side: times in 10. Dashed: 8"
        f" times in 10.{large} The simulation’s own standard error is at most"
        f" {wording.number(10 * error, 1)} in 10{small}."
    )


def _span(sizes: Sequence[int], noun: str) -> str:
    few = f"{sizes[0]} to " if len(sizes) > 1 else ""
    return few + wording.count(sizes[-1], noun)
