"""The chart of what panels of several sizes can hope to show, before anything is tasted.

Curves of chances over the number of tasters: how the chart of chances is laid out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.picture import alt
from blindspoon.charts.scene import Box, Line, Marks, Point, Scene, Shape, Text, column
from blindspoon.charts.style import (
    INSET,
    LEADING,
    NARROW,
    NOTE,
    SMALL,
    WIDE,
    Frame,
    Sheet,
    key_lines,
)
from blindspoon.charts.text import text_width, wrap
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.simulate.size_results import Chance, Sizing, SizingCell
from blindspoon.trial import Attribute, Trial

WANTED, HARDLY = 0.8, 0.05
"""The chance that is asked for, and the one below which a panel cannot hope; as sizing has them."""
AXIS, GAP, TALL = 22.0, 18.0, 170.0
"""Pixels for the numbers of the axis, between panels, and from a chance of 0 to one of 1."""
RADIUS, LEAST, PLANNED = 3.5, 2.0, 6.0
"""Largest and smallest radius of a mark, and that of the planned panel."""
KINDS: tuple[Literal["ring", "disc", "diamond"], ...] = ("ring", "disc", "diamond")

Cells = Sequence[SizingCell]


@dataclass(frozen=True, slots=True)
class Goal:
    """What a panel may hope to show, and how likely it is to."""

    head: str
    chance: Callable[[SizingCell], Chance]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """All that is drawn, before the size of the page is known.

    Parameters
    ----------
    goals : tuple of Goal
        To see the margin, to see twice the margin, to show alike.
    rows : tuple of tuple of SizingCell
        Of the procedure that decides: one row a number of sessions, tasters rising.
    planned : SizingCell or None
        The panel that trial.toml plans, where its size was tried.
    key : str
        How to read the chart, in words.
    """

    goals: tuple[Goal, ...]
    rows: tuple[tuple[SizingCell, ...], ...]
    planned: SizingCell | None
    key: str


def chances_scene(chances: Chances, sheet: Sheet) -> Scene:
    """Set the goals side by side where there is room, otherwise under one another."""
    across = len(chances.goals) if sheet.beside else 1
    wide = (sheet.width - AXIS - GAP * (across - 1)) / across
    starts = [AXIS + place * (wide + GAP) for place in range(across)]
    shapes: list[Shape] = []
    y = 0.0
    for first in range(0, len(chances.goals), across):
        goals = chances.goals[first : first + across]
        drawn, y = _tier(chances, goals, [_frame(chances, sheet, x, x + wide) for x in starts], y)
        shapes += drawn
        y += 16
    drawn, y = key_lines(chances.key, sheet.width, y - 6)
    return Scene(width=sheet.width, height=round(y), shapes=(*shapes, *drawn))


def _frame(chances: Chances, sheet: Sheet, left: float, right: float) -> Frame:
    """Leave room for the names of the lines; tasters stand in equal ratios."""
    tasters = [math.log(cell.tasters) for row in chances.rows for cell in row]
    alone = 0.5 * (min(tasters) == max(tasters))
    return Frame(
        sheet=sheet,
        left=left + INSET,
        right=right - _aside(chances),
        low=min(tasters) - alone,
        high=max(tasters) + alone,
    )


def _aside(chances: Chances) -> float:
    """Width beside a plot for the names of its lines, in pixels."""
    return 2 * INSET + 2 * RADIUS + max(text_width(_name(row), SMALL) for row in chances.rows)


def _tier(
    chances: Chances, goals: Sequence[Goal], frames: Sequence[Frame], y: float
) -> tuple[list[Shape], float]:
    """Draw goals side by side from y downwards, and tell where they end."""
    shapes: list[Shape] = []
    ends = []
    for goal, frame in zip(goals, frames, strict=True):
        drawn, end = _head(chances, goal, frame, y)
        shapes += drawn
        ends.append(end)
    up = Text(x=0, y=max(ends) + SMALL + 9, text="times in 10", size=SMALL, ink="soft")
    bottom = up.y + 12 + max(TALL, LEADING * len(chances.rows))
    for goal, frame in zip(goals, frames, strict=True):
        plot = Plot(frame=frame, top=up.y + 12, bottom=bottom)
        shapes += [
            *_guides(plot, numbers=frame is frames[0]),
            *_lines(chances, goal, plot),
            *_names(chances, goal, plot),
            *_tasters(chances, plot),
        ]
    return [*shapes, up], bottom + 2 * LEADING + 13


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Where one goal is drawn: across as its frame, a chance of 1 at the top, of 0 below."""

    frame: Frame
    top: float
    bottom: float

    def y(self, chance: float) -> float:
        """Place of a chance, in pixels."""
        return self.bottom - chance * (self.bottom - self.top)

    def point(self, tasters: int, chance: float) -> Point:
        """Place of a panel and its chance, in pixels."""
        return self.frame.x(math.log(tasters)), self.y(chance)


def _head(chances: Chances, goal: Goal, frame: Frame, y: float) -> tuple[list[Text], float]:
    """Set the words over a plot, what the planned panel can hope for under them."""
    left = frame.left - INSET
    room = frame.right + _aside(chances) - left
    first = Text(x=left, y=y + NOTE, text="", size=NOTE, bold=True)
    heads = column(wrap(goal.head, NOTE, room, bold=True), first, LEADING)
    if chances.planned is None:
        return [*heads], heads[-1].y
    words = f"planned panel: {times(goal.chance(chances.planned).value)}"
    under = Text(x=left, y=heads[-1].y + LEADING, text="", size=SMALL, ink="soft")
    notes = column(wrap(words, SMALL, room), under, LEADING)
    return [*heads, *notes], notes[-1].y


def _guides(plot: Plot, *, numbers: bool) -> list[Shape]:
    """Draw the lines across, the one that is asked for dashed, and their numbers."""
    ends = (plot.frame.left - INSET, plot.frame.right + INSET)
    shapes: list[Shape] = []
    for tenths in range(0, 11, 2):
        y, wanted = plot.y(tenths / 10), tenths == round(10 * WANTED)
        ink = "edge" if wanted else "hair"
        shapes.append(Line(start=(ends[0], y), end=(ends[1], y), ink=ink, dashed=wanted))
        if numbers:
            number = Text(x=AXIS - 6, y=y + 4, text=str(tenths), size=SMALL, anchor="end")
            shapes.append(number)
    return shapes


def _lines(chances: Chances, goal: Goal, plot: Plot) -> list[Shape]:
    """Draw a line a number of sessions, its marks, and the planned panel over all."""
    shapes: list[Shape] = []
    marks: list[Shape] = []
    for place, row in enumerate(chances.rows):
        points = [plot.point(cell.tasters, goal.chance(cell).value) for cell in row]
        ink, width = _look(chances, row)
        shapes += [
            Line(start=start, end=end, ink=ink, width=width) for start, end in pairwise(points)
        ]
        marks.append(
            Marks(centres=tuple(points), radius=_radius(row, plot), ink=ink, kind=_kind(place))
        )
    return [*shapes, *marks, *_planned(chances, goal, plot)]


def _planned(chances: Chances, goal: Goal, plot: Plot) -> list[Shape]:
    """Draw the planned panel large, on a line that stands on the axis."""
    cell = chances.planned
    if cell is None:
        return []
    place = next(at for at, row in enumerate(chances.rows) if cell in row)
    x, y = centre = plot.point(cell.tasters, goal.chance(cell).value)
    return [
        Line(start=(x, y), end=(x, plot.bottom + 4), ink="edge"),
        Marks(centres=(centre,), radius=PLANNED + 1.5, ink="ground", kind=_solid(place)),
        Marks(centres=(centre,), radius=PLANNED, ink="ink", kind=_kind(place)),
    ]


def _names(chances: Chances, goal: Goal, plot: Plot) -> list[Shape]:
    """Name each line where it ends, with its mark; names that would meet move apart."""
    wanted = [plot.y(goal.chance(row[-1]).value) for row in chances.rows]
    x = plot.frame.right + INSET + 4
    shapes: list[Shape] = []
    for place, y in enumerate(_apart(wanted, plot.top, plot.bottom)):
        row = chances.rows[place]
        mark = (x + RADIUS, y)
        ink, _ = _look(chances, row)
        shapes.append(Marks(centres=(mark,), radius=RADIUS, ink=ink, kind=_kind(place)))
        words = Text(x=x + 2 * RADIUS + 5, y=y + 4, text=_name(row), size=SMALL)
        shapes.append(words)
    return shapes


def _apart(wanted: Sequence[float], top: float, bottom: float) -> list[float]:
    """Move heights apart until none is nearer than a line of text, of equals the last on top."""
    order = sorted(range(len(wanted)), key=lambda place: (wanted[place], -place))
    found = list(wanted)
    least = top
    for place in order:
        found[place] = max(found[place], least)
        least = found[place] + LEADING
    most = bottom
    for place in reversed(order):
        found[place] = min(found[place], most)
        most = found[place] - LEADING
    return found


def _tasters(chances: Chances, plot: Plot) -> list[Shape]:
    """Set the numbers of tasters under a plot where there is room, the planned one first."""
    sizes = sorted({cell.tasters for row in chances.rows for cell in row})
    planned = chances.planned.tasters if chances.planned else sizes[0]
    middle = (plot.frame.left + plot.frame.right) / 2
    like = Text(x=middle, y=plot.bottom + 8 + SMALL, text="", size=SMALL, anchor="middle")
    shown: list[Text] = []
    for size in (planned, sizes[0], sizes[-1], *sizes):
        ink = "ink" if chances.planned and size == planned else "soft"
        text = replace(like, x=plot.point(size, 0)[0], text=f"{size:,}", ink=ink)
        left, top, right, bottom = text.box
        if not any(Box(left - 5, top, right + 5, bottom).overlaps(each.box) for each in shown):
            shown.append(text)
    words = replace(like, y=like.y + LEADING, text="tasters", ink="soft")
    ends = [Line(start=(t.x, plot.bottom), end=(t.x, plot.bottom + 4), ink="edge") for t in shown]
    return [*ends, *shown, words]


def _look(chances: Chances, row: Cells) -> tuple[str, float]:
    """Ink and width of a line: the planned number of sessions stands out."""
    return ("ink", 2.0) if chances.planned in row else ("people", 1.5)


def _kind(place: int) -> Literal["ring", "disc", "diamond"]:
    return KINDS[place % len(KINDS)]


def _solid(place: int) -> Literal["disc", "diamond"]:
    return "diamond" if _kind(place) == "diamond" else "disc"


def _radius(row: Cells, plot: Plot) -> float:
    """Make marks as large as they can be without hiding one another."""
    xs = [plot.point(cell.tasters, 0)[0] for cell in row]
    gaps = [after - before for before, after in pairwise(xs)]
    return max(min(RADIUS, 0.6 * min(gaps, default=RADIUS / 0.6)), LEAST)


def _name(row: Cells) -> str:
    return wording.count(row[0].sessions, "session")


def times(chance: float) -> str:
    r"""Write a chance as people say it, without promising what rounding would.

    Examples
    --------
    >>> times(0.02), times(0.43), times(0.97)
    ('hardly ever', 'about 4\xa0times\xa0in\xa010', 'nearly always')
    """
    if chance < HARDLY:
        return "hardly ever"
    if chance >= 1 - HARDLY:
        return "nearly always"
    tenths = min(max(round(10 * chance), 1), 9)
    often = f"{wording.count(tenths, 'time')} in 10".replace(" ", wording.NO_BREAK)
    return f"about {often}"


OFTEN = times(WANTED).removeprefix("about ")


def chances_chart(sizing: Sizing, trial: Trial) -> Chart:
    """Draw what panels can hope for, by the procedure that decides.

    Parameters
    ----------
    sizing : Sizing
        With a cell for every pair of its numbers of tasters and sessions.
    trial : Trial
        The one that was sized: names the attribute, and says which panel is planned.
    """
    chances, attribute = chances_of(sizing, trial), trial.attribute(sizing.attribute)
    title = _title(chances, sizing, attribute)
    tasters = _span([cell.tasters for cell in chances.rows[0]], "taster")
    panels = f"{tasters} in {_span([row[0].sessions for row in chances.rows], 'session')}"
    return chart_of(
        name=f"{attribute.name}-chances",
        title=title,
        alt=alt("Line chart", f"the chances of panels of {panels}", title + _rest(chances)),
        wide=chances_scene(chances, WIDE),
        narrow=chances_scene(chances, NARROW),
        source=_source(sizing, trial, attribute),
    )


def chances_of(sizing: Sizing, trial: Trial) -> Chances:
    """Gather what is drawn: goals, cells and words."""
    deciding = [cell for cell in sizing.cells if cell.procedure == sizing.decided_by]
    rows = tuple(
        tuple(sorted((c for c in deciding if c.sessions == s), key=lambda c: c.tasters))
        for s in sorted({cell.sessions for cell in deciding})
    )
    panel = (len(trial.tasting.tasters), len(trial.sessions))
    planned = next((c for c in deciding if (c.tasters, c.sessions) == panel), None)
    goals = (
        Goal(f"A difference of {_points(sizing.margin)}", lambda cell: cell.chance_margin),
        Goal(f"A difference of {_points(2 * sizing.margin)}", lambda cell: cell.chance_twice),
        Goal("Alike, when nothing differs", lambda cell: cell.chance_alike),
    )
    key = _key(sizing, planned, _largest_error(goals, deciding))
    return Chances(goals=goals, rows=rows, planned=planned, key=key)


def _title(chances: Chances, sizing: Sizing, attribute: Attribute) -> str:
    """State what it takes to see a difference of the margin, or that nothing tried does."""
    once, twice = (_enough(chances, goal) for goal in chances.goals[:2])
    margin, double = _points(sizing.margin), _points(2 * sizing.margin)
    label = attribute.label.lower()
    if once:
        return f"A difference of {margin} on {label} would be seen {OFTEN} by {_who(once)}"
    panel, even = _largest(chances), "" if twice else f", or even of {double},"
    none = f"No panel of {panel} would see a difference of {margin}{even} on {label} {OFTEN}"
    return f"{none}; one of {double} would be seen by {_who(twice)}" if twice else none


def _rest(chances: Chances) -> str:
    """Add, for people who do not see the chart, what it takes to show alike, and the plan."""
    alike = chances.goals[2]
    enough = _enough(chances, alike)
    who = _who(enough) if enough else f"no panel of {_largest(chances)}"
    said = f"; when nothing differs, a variant would be shown alike {OFTEN} by {who}"
    if chances.planned is None:
        return said
    each = [times(goal.chance(chances.planned).value) for goal in chances.goals]
    return f"{said}; for the planned panel the three chances are {wording.listing(each)}"


def _enough(chances: Chances, goal: Goal) -> list[SizingCell]:
    """Smallest panel that reaches what is wanted with each number of sessions, if it spares any."""
    found: list[SizingCell] = []
    for row in chances.rows:
        cell = next((cell for cell in row if goal.chance(cell).value >= WANTED), None)
        if cell is not None and (not found or cell.tasters < found[-1].tasters):
            found.append(cell)
    return found


def _who(cells: Cells) -> str:
    """Name panels: "40 tasters in one session, 32 in two or 20 in three"."""
    first, *others = cells
    names = [f"{cell.tasters} in {wording.spelled(cell.sessions)}" for cell in others]
    return wording.listing([_panel(first), *names], "or")


def _panel(cell: SizingCell, at_most: str = "") -> str:
    sessions = f"{wording.spelled(cell.sessions)} session{'s' * (cell.sessions > 1)}"
    return f"{wording.count(cell.tasters, 'taster')} in {at_most}{sessions}"


def _span(sizes: Sequence[int], noun: str) -> str:
    few = f"{sizes[0]} to " if len(sizes) > 1 else ""
    return few + wording.count(sizes[-1], noun)


def _largest(chances: Chances) -> str:
    return f"up to {_panel(chances.rows[-1][-1], 'up to ' if len(chances.rows) > 1 else '')}"


def _points(value: float) -> str:
    return f"{wording.plain(value)}{wording.NO_BREAK}{'point' if value == 1 else 'points'}"


def _largest_error(goals: Sequence[Goal], cells: Cells) -> float:
    return max(goal.chance(cell).se for goal in goals for cell in cells)


def _key(sizing: Sizing, planned: SizingCell | None, error: float) -> str:
    """Say how to read the chart."""
    parts = [
        f"Each mark: {sizing.trials:,} simulated trials, judged by {PROCEDURES[sizing.decided_by]},"
        " which decides. Doubling the tasters is the same step everywhere.",
        "Difference: a variant that truly differs by so much is shown to differ. Alike: any one"
        f" variant is shown to be within {_points(sizing.margin)}.",
        f"Dashed: {OFTEN}.",
    ]
    if planned is not None:
        parts.append(f"The large mark is the planned panel: {_panel(planned)}.")
    small = ", too small to draw" if error * TALL < RADIUS else ""
    parts.append(
        f"The simulation’s own standard error is at most {wording.number(10 * error, 1)}"
        f" in 10{small}."
    )
    return " ".join(parts)


def _source(sizing: Sizing, trial: Trial, attribute: Attribute) -> str:
    """Say that nobody tasted anything, and what scatter was assumed."""
    spread, digits = sizing.spread, wording.digits_for(attribute.scale) + 1
    cup, taster, own = (
        wording.number(sd, digits)
        for sd in (spread.residual_sd, spread.taster_sd, spread.taster_variant_sd)
    )
    return (
        f"simulated for “{trial.title}”, not tasted. Assumed standard deviations, in points: {cup}"
        f" from cup to cup, {taster} between tasters, {own} in a taster’s own opinion of a variant"
        f" ({spread.source})."
    )
