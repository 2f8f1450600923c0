"""The verdict board as a figure: every variant on every attribute, a word and a mark in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import accumulate, pairwise, product

from blindspoon import wording
from blindspoon.charts.axis import Axis
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.outcome import AttributeOutcome
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.scene import Box, Line, Marks, Scene, Shape, Text, block, column, rectangle
from blindspoon.charts.style import Laid, Sheet, key_lines
from blindspoon.charts.svg import inline_svg
from blindspoon.charts.text import text_width, wrap
from blindspoon.charts.titles import board_title, differences_title
from blindspoon.stats.results import Interval
from blindspoon.trial import Scale

WIDTH, HEIGHT, EDGE = 72.0, 16.0, 4.0


def mark_svg(
    low: float | None,
    estimate: float | None,
    high: float | None,
    margin: float | None,
    limit: float,
) -> str:
    """Draw an interval against zero and the margin, without words; screen readers leave it out.

    All in points. `limit` is half the width of the drawing, above 0 and the same for all marks of
    an attribute; what reaches beyond it is cut.
    """
    interval = None if low is None or high is None else Interval(low, high)
    shapes = _mark_shapes(estimate, interval, margin, limit, Box(0, 0, WIDTH, HEIGHT), "ink", 3.5)
    return inline_svg(Scene(width=WIDTH, height=HEIGHT, shapes=tuple(shapes)), "")


def _mark_shapes(
    estimate: float | None,
    interval: Interval | None,
    margin: float | None,
    limit: float,
    box: Box,
    ink: str,
    radius: float,
) -> list[Shape]:
    """Draw an interval against zero and the margin in a box; what reaches beyond is cut."""
    axis = Axis(low=-limit, high=limit, left=box.left + EDGE, right=box.right - EDGE)
    middle = (box.top + box.bottom) / 2
    shapes: list[Shape] = []
    if margin is not None:
        left, right = (axis.x(axis.within(end)) for end in (-margin, margin))
        shapes.append(rectangle(left, box.top, right, box.bottom, "band"))
    zero = axis.x(0.0)
    shapes.append(Line(points=((zero, box.top), (zero, box.bottom)), ink="edge"))
    if interval is not None:
        left, right = (axis.x(axis.within(end)) for end in (interval.low, interval.high))
        bar = Line(points=((left, middle), (right, middle)), ink=ink, width=radius * 4 / 7)
        shapes.append(bar)
    if estimate is not None:
        centre = (axis.x(axis.within(estimate)), middle)
        shapes.append(Marks(points=(centre,), radius=radius, ink=ink))
    return shapes


GAP, APART = 14.0, 30.0
"""Pixels between columns, and between primary and exploratory ones."""
LABELS, MOST_LABELS = 0.32, 0.42
"""Share of the width that labels may take, with marks in the cells and without."""
LEAST_COLUMN, MARK, SMALL_MARK = 48.0, 150.0, 64.0
"""Narrowest column, widest mark, and a mark beside a word, in pixels."""


def board_chart(outcomes: Sequence[AttributeOutcome]) -> Chart:
    """Draw the verdicts of a trial; one outcome an attribute, at least one, primary ones first."""
    ordered = sorted(outcomes, key=lambda outcome: not outcome.result.primary)
    variants = wording.count(len(ordered[0].others), "variant")
    attributes = wording.count(len(ordered), "attribute")
    return chart_of(
        name="board",
        title=board_title(ordered) if len(ordered) > 1 else differences_title(ordered[0]),
        data=f"the verdicts on {variants} and {attributes}",
        lay=partial(_lay, ordered),
        source=outcomes[0].source,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Where columns lie.

    Parameters
    ----------
    outcomes : sequence of AttributeOutcome
        One a column.
    labels : dict of int to tuple of str
        Lines of each variant's label, by its place.
    lefts : tuple of float
        Left edges of the columns.
    width : float
        Of each.
    mark, words : tuple of float
        Width and height of a mark, 0 where there is no room for one; how far right and down of
        it the words begin.
    limits : dict of str to float
        How far from zero the marks of an attribute reach, in points: those of one scale and margin
        share it.
    """

    outcomes: Sequence[AttributeOutcome]
    sheet: Sheet
    labels: dict[int, tuple[str, ...]]
    lefts: tuple[float, ...]
    width: float
    mark: tuple[float, float]
    words: tuple[float, float]
    limits: dict[str, float]


def _lay(outcomes: Sequence[AttributeOutcome], sheet: Sheet) -> Laid:
    grid, first, style = _grid(outcomes, sheet), outcomes[0], sheet.style
    shapes, y = _head(grid)
    for place in first.others:
        drawn, y = _row(grid, place, y)
        shapes += drawn
    control = first.variants[first.control].label
    margin = any(outcome.attribute.margin is not None for outcome in outcomes)
    key = f"Each against “{control}”."
    if grid.mark[0]:
        key = (
            f"Upright line: “{control}”. Dot and bar: the difference and its interval, to the "
            f"right is more.{' Shaded: the margin.' if margin else ''}"
        )
    lines, end = key_lines(key, sheet.width, y + 8, style)
    said = [outcome.attribute.label for outcome in outcomes]
    for outcome, place in product(outcomes, first.others):
        said += [outcome.word(place), outcome.other_word(place)]
    words = {word for text in said for word in text.split(" ")}
    broken = any(text_width(word, style.note, bold=True) > grid.width for word in words)
    return Laid(
        scene=Scene(width=sheet.width, height=end, shapes=(*shapes, *lines)),
        kind="Board",
        rows=len(first.others),
        cramped=grid.width < LEAST_COLUMN or broken,
    )


def _grid(outcomes: Sequence[AttributeOutcome], sheet: Sheet) -> _Grid:
    """Share out the width; labels stand over the rows where there is no room beside them.

    Marks stand over their words; in a style for many rows beside them, or they are left out.
    """
    style, first = sheet.style, outcomes[0]
    share = LABELS if style.notes else MOST_LABELS
    room = min(style.labels, share * sheet.width) if sheet.beside else sheet.width
    labels = {
        place: wrap(first.variants[place].label, style.note, room, bold=True)
        for place in first.others
    }
    lines = [line for wrapped in labels.values() for line in wrapped]
    widest = max(text_width(line, style.note, bold=True) for line in lines)
    left = GAP + widest if sheet.beside else 0.0
    gaps = [
        APART if before.result.primary != after.result.primary else GAP
        for before, after in pairwise(outcomes)
    ]
    width = (sheet.width - left - sum(gaps)) / len(outcomes)
    tall = 0.7 * style.row
    mark, words = (min(width, MARK), tall), (0.0, tall + 2)
    if not style.notes:
        said = [outcome.word(place) for outcome in outcomes for place in outcome.others]
        widest = max(text_width(word, style.note, bold=True) for word in said)
        fits = width >= widest + SMALL_MARK + 8
        mark, words = ((SMALL_MARK, tall), (SMALL_MARK + 8, 0.0)) if fits else ((0, 0), (0, 0))
    return _Grid(
        outcomes=outcomes,
        sheet=sheet,
        labels=labels,
        lefts=tuple(accumulate((width + gap for gap in gaps), initial=left)),
        width=width,
        mark=mark,
        words=words,
        limits=_limits(outcomes),
    )


def _limits(outcomes: Sequence[AttributeOutcome]) -> dict[str, float]:
    """Find how far marks reach from zero, not beyond the scale; one scale and margin share it."""
    reach: dict[tuple[Scale, float | None], float] = {}
    kinds = [(outcome.attribute.scale, outcome.attribute.margin) for outcome in outcomes]
    for outcome, kind in zip(outcomes, kinds, strict=True):
        ends = [reach.get(kind, 0.0), outcome.attribute.margin or 0.0]
        for other in outcome.result.comparisons:
            ends += [abs(other.interval.low), abs(other.interval.high)] if other.interval else []
            ends += [abs(other.found.difference)] if other.found else []
        reach[kind] = min(max(ends), max(kind[0].high - kind[0].low, ends[1]))
    names = (outcome.attribute.name for outcome in outcomes)
    return {name: reach[kind] or 1.0 for name, kind in zip(names, kinds, strict=True)}


def _head(grid: _Grid) -> tuple[list[Shape], float]:
    """Set what the columns are, the primary ones apart, and tell where they end."""
    style, shapes = grid.sheet.style, list[Shape]()
    labels = [outcome.attribute.label for outcome in grid.outcomes]
    heads = [wrap(label, style.note, grid.width, bold=True) for label in labels]
    bottom = style.small + 4 + style.leading * max(map(len, heads))
    before = None
    for outcome, lines, left in zip(grid.outcomes, heads, grid.lefts, strict=True):
        if outcome.result.primary != before:
            before = outcome.result.primary
            group = "Primary" if before else "Exploratory"
            shapes.append(Text(x=left, y=style.small, text=group, size=style.small, ink="soft"))
        start = bottom - style.leading * (len(lines) - 1)
        first = Text(x=left, y=start, text="", size=style.note, bold=True)
        shapes += column(lines, first, style.leading)
    return shapes, bottom + 6


def _row(grid: _Grid, place: int, y: float) -> tuple[list[Shape], float]:
    """Draw one variant under a line: its label, and what was found on each attribute."""
    style, sheet, lines = grid.sheet.style, grid.sheet, grid.labels[place]
    top = y + style.pad + sheet.spare / 2
    first = Text(x=0, y=top + 0.8 * style.leading, text="", size=style.note, bold=True)
    shapes: list[Shape] = [Line(points=((0, y), (sheet.width, y)), ink="hair")]
    shapes += column(lines, first, style.leading)
    ends = [top + style.leading * len(lines)]
    top = top if sheet.beside else ends[0] + 2
    for outcome, left in zip(grid.outcomes, grid.lefts, strict=True):
        drawn, end = _cell(grid, outcome, place, (left, top))
        shapes += drawn
        ends.append(end)
    end = max(ends) + style.pad + sheet.spare / 2
    primary = sum(outcome.result.primary for outcome in grid.outcomes)
    if 0 < primary < len(grid.outcomes):  # exploratory attributes are set apart
        x = grid.lefts[primary] - APART / 2
        start = (x, y if sheet.beside else top)
        shapes.append(Line(points=(start, (x, end)), ink="edge"))
    return shapes, end


def _cell(
    grid: _Grid, outcome: AttributeOutcome, place: int, at: tuple[float, float]
) -> tuple[list[Shape], float]:
    """Draw a mark and its words, and tell where they end."""
    (left, top), style, (wide, tall), shapes = at, grid.sheet.style, grid.mark, list[Shape]()
    other = outcome.other(place)
    if wide:
        shapes = _mark_shapes(
            None if other.found is None else other.found.difference,
            other.interval,
            outcome.attribute.margin,
            grid.limits[outcome.attribute.name],
            Box(left, top, left + wide, top + tall),
            variant_inks(len(outcome.variants), outcome.control)[place],
            0.75 * style.estimate,
        )
    shown = other.verdict in ("different", "slight")
    x, room = left + grid.words[0], grid.width - grid.words[0]
    y = top + grid.words[1] + 0.8 * style.leading
    ink = "ink" if shown else "soft"
    first = Text(x=x, y=y, text="", size=style.note, bold=shown, ink=ink)
    words = block(outcome.word(place), room, style.leading, first)
    after = Text(x=x, y=words[-1].y + style.leading, text="", size=style.small, ink="soft")
    aside = block(outcome.other_word(place), room, style.leading, after)
    return [*shapes, *words, *aside], (*words, *aside)[-1].y + 0.2 * style.leading
