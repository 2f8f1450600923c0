"""The chart of what panels, or rounds of one taster, can hope to show before anybody tasted."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.lines import RADIUS, TALL, LinePlot, NamedLine, lay_lines
from blindspoon.charts.scene import Laid, Sheet
from blindspoon.findings.naming import PROCEDURES
from blindspoon.simulate.size_results import (
    ALIKE,
    ONCE,
    TWICE,
    WANTED,
    Cells,
    Goal,
    Sizing,
    SizingCell,
    by_sessions,
    panel_words,
    spread_words,
    times,
)
from blindspoon.trial import Attribute, Trial

KINDS: tuple[Literal["ring", "disc", "diamond"], ...] = ("ring", "disc", "diamond")


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """All that is drawn, before the size of the page is known.

    `goals` are to see the margin, to see twice the margin, to show alike. `rows` are of the
    procedure that decides: one a number of sessions, tasters rising; of one person alone one,
    rounds rising. `planned` is the panel, or the rounds, that trial.toml plans, where as many were
    tried; `unit` what there is more of to the right.
    """

    goals: tuple[Goal, ...]
    rows: tuple[tuple[SizingCell, ...], ...]
    planned: SizingCell | None
    key: str
    unit: Literal["taster", "round"] = "taster"

    def size(self, cell: SizingCell) -> int:
        """Count the tasters, or the rounds of the only one."""
        return cell.tasters if self.unit == "taster" else cell.sessions

    @property
    def most(self) -> str:
        """Name the largest that was tried: "panel of up to 40 tasters in up to two sessions"."""
        if self.unit == "round":
            return f"series of up to {wording.count(self.rows[-1][-1].sessions, 'round')}"
        link = " in up to " if len(self.rows) > 1 else " in "
        return f"panel of up to {panel_words(self.rows[-1][-1], link)}"

    def lay(self, sheet: Sheet) -> Laid:
        """Set the goals side by side where there is room, otherwise under one another."""
        plots = [self._plot(goal) for goal in self.goals]
        return lay_lines(plots, self.key, sheet, across=len(plots) if sheet.beside else 1)

    def _plot(self, goal: Goal) -> LinePlot:
        """Draw a line a number of sessions; tasters or rounds stand in equal ratios."""
        sizes = sorted({self.size(cell) for row in self.rows for cell in row})
        alone = 0.5 * (len(sizes) == 1)
        first = [self.size(self.planned)] if self.planned else []
        shown = dict.fromkeys([*first, sizes[0], sizes[-1], *sizes])
        chance = "" if self.planned is None else times(goal.chance(self.planned).value)
        lines = []
        for kind, row in zip(itertools.cycle(KINDS), self.rows, strict=False):
            sessions = wording.count(row[0].sessions, "session")
            planned = row.index(self.planned) if self.planned in row else None
            line = NamedLine(
                label="one taster" if self.unit == "round" else sessions,
                points=tuple((math.log(self.size(cell)), goal.chance(cell).value) for cell in row),
                ink="people" if planned is None else "ink", kind=kind,
                width=1.5 if planned is None else 2.0, large=planned,
            )  # fmt: skip
            lines.append(line)
        return LinePlot(
            head=goal.words, note=chance and f"{PLANNED[self.unit]}: {chance}",
            under=f"{self.unit}s", x=(math.log(sizes[0]) - alone, math.log(sizes[-1]) + alone),
            y=(0.0, 1.0), dashed=WANTED,
            ticks=tuple((math.log(size), f"{size:,}") for size in shown),
            up=tuple((tenths / 10, str(tenths)) for tenths in range(0, 11, 2)),
            # the planned number of sessions lies on the others
            series=tuple(sorted(lines, key=lambda line: line.large is not None)),
        )  # fmt: skip


PLANNED = {"taster": "planned panel", "round": "planned rounds"}
OFTEN = times(WANTED).removeprefix("about ")


def chances_chart(sizing: Sizing, trial: Trial) -> Chart:
    """Draw what panels can hope for, or rounds of one taster, by the procedure that decides.

    The sizing has a cell for every pair of its numbers of tasters and sessions; the trial that was
    sized says which panel is planned.
    """
    chances, attribute = chances_of(sizing, trial), trial.attribute(sizing.attribute)
    title = _title(chances, sizing, attribute)
    tried = _span([chances.size(cell) for cell in chances.rows[0]], sizing.unit)
    if sizing.unit == "taster":
        sessions = _span([row[0].sessions for row in chances.rows], "session")
        tried = f"panels of {tried} in {sessions}"
    spread = spread_words(sizing.spread, attribute).replace("'", "’")
    if sizing.unit == "round":
        spread, _, _ = spread.partition(",")  # one taster's level and opinion cancel
    source = (
        f"simulated for “{trial.title}”, not tasted. Assumed standard deviations, in points:"
        f" {spread} ({sizing.spread.source})."
    )
    return chart_of(
        name=f"{attribute.name}-chances", title=title, data=f"the chances of {tried}",
        lay=chances.lay, source=source, finding=title + _rest(chances),
    )  # fmt: skip


def chances_of(sizing: Sizing, trial: Trial) -> Chances:
    """Gather what is drawn: goals, cells and words."""
    deciding = [cell for cell in sizing.cells if cell.procedure == sizing.decided_by]
    panel = (len(trial.tasting.tasters), len(trial.sessions))
    planned = next((c for c in deciding if (c.tasters, c.sessions) == panel), None)
    once, twice = (wording.in_points(many * sizing.margin) for many in (1, 2))
    goals = (
        Goal(f"A difference of {once}", ONCE),
        Goal(f"A difference of {twice}", TWICE),
        Goal("Alike, when nothing differs", ALIKE),
    )
    key = [
        f"Each mark: {sizing.trials:,} simulated trials, judged by {PROCEDURES[sizing.decided_by]},"
        f" which decides. Doubling the {sizing.unit}s is the same step everywhere.",
        "Difference: a variant that truly differs by so much is shown to differ. Alike: any one"
        f" variant is shown to be within {wording.in_points(sizing.margin)}.",
        f"Up the side: times in 10. Dashed: {OFTEN}.",
    ]
    if planned is not None:
        size = planned.sessions if sizing.unit == "round" else panel_words(planned)
        key.append(f"The large mark is the {PLANNED[sizing.unit]}: {size}.")
    error = max(goal.chance(cell).se for goal in goals for cell in deciding)
    small = ", too small to draw" if error * TALL < RADIUS else ""
    key.append(
        f"The simulation’s own standard error is at most {wording.number(10 * error, 1)}"
        f" in 10{small}."
    )
    rows = by_sessions(deciding) if sizing.unit == "taster" else (tuple(deciding),)
    return Chances(goals=goals, rows=rows, planned=planned, key=" ".join(key), unit=sizing.unit)


def _title(chances: Chances, sizing: Sizing, attribute: Attribute) -> str:
    """State what it takes to see a difference of the margin, or that nothing tried does."""
    once, twice = (_enough(chances, goal) for goal in chances.goals[:2])
    margin, double = wording.in_points(sizing.margin), wording.in_points(2 * sizing.margin)
    label = attribute.label.lower()
    if once:
        return f"A difference of {margin} on {label} would be seen {OFTEN} {_who(once)}"
    even = "" if twice else f", or even of {double},"
    none = f"No {chances.most} would see a difference of {margin}{even} on {label} {OFTEN}"
    return f"{none}; one of {double} would be seen {_who(twice)}" if twice else none


def _rest(chances: Chances) -> str:
    """Add, for people who do not see the chart, what it takes to show alike, and the plan."""
    alike = chances.goals[2]
    enough = _enough(chances, alike)
    who = _who(enough) if enough else f"by no {chances.most}"
    said = f"; when nothing differs, a variant would be shown alike {OFTEN} {who}"
    if chances.planned is None:
        return said
    three = [times(goal.chance(chances.planned).value) for goal in chances.goals]
    return f"{said}; for the {PLANNED[chances.unit]} the three chances are {wording.listing(three)}"


def _enough(chances: Chances, goal: Goal) -> list[SizingCell]:
    """Smallest panel that reaches what is wanted with each number of sessions, if it spares any."""
    found: list[SizingCell] = []
    for row in chances.rows:
        cell = goal.reached(row)
        if cell is not None and (not found or cell.tasters < found[-1].tasters):
            found.append(cell)
    return found


def _who(cells: Cells) -> str:
    """Name panels: "by 40 tasters in one session, 32 in two or 20 in three"."""
    first, *others = cells
    if first.tasters == 1:
        return f"over {wording.count(first.sessions, 'round')}"
    names = [f"{cell.tasters} in {wording.spelled(cell.sessions)}" for cell in others]
    return f"by {wording.listing([panel_words(first), *names], 'or')}"


def _span(sizes: Sequence[int], noun: str) -> str:
    few = f"{sizes[0]} to " if len(sizes) > 1 else ""
    return few + wording.count(sizes[-1], noun)
