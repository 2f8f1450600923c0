"""The chart of what panels of several sizes can hope to show, before anything is tasted."""

from __future__ import annotations

from collections.abc import Sequence

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.curves import (
    RADIUS,
    TALL,
    WANTED,
    Cells,
    Chances,
    Goal,
    chances_scene,
    times,
)
from blindspoon.charts.layout import NARROW, WIDE
from blindspoon.charts.titles import alt
from blindspoon.sizing.results import Sizing, SizingCell
from blindspoon.trial import Attribute, Trial
from blindspoon.verdict import PROCEDURES

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
