"""Line charts: values over an axis up the side and one across, each line named where it ends."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

from blindspoon import wording
from blindspoon.charts.axis import Axis, apart, axis_numbers, nice_ticks
from blindspoon.charts.scene import (
    INSET,
    LEADING,
    NOTE,
    SMALL,
    Box,
    Laid,
    Line,
    MarkKind,
    Marks,
    Point,
    Scene,
    Shape,
    Sheet,
    Text,
    block,
    column,
    key_lines,
    marked,
    rectangle,
    text_width,
    wrap,
)

TALL, RADIUS, LARGE, LEAD = 190.0, 4.0, 6.0, 14.0
"""Pixels: least height of a plot, radius of a mark and of one that stands out, way to a name."""
GAP, UNDER = 18.0, 16.0  # pixels between plots side by side, and from one to the next under it
ROW = LEADING + 12.0  # height of a bracket over a plot, its words over it
LOW = 104.0  # least height of a plot beside or under others, in pixels
WIDEST, WIDEST_NARROW = 0.38, 0.3
"""Largest share of a plot that names beside it take, on a wide and on a narrow sheet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedLine:
    """One line, or one mark alone; `label` stands where it ends, and may be empty.

    `large` is the place of a point that stands out. A `bare` line has no marks where it has several
    points. `spans` are an interval of each point, drawn upright; there may be none.
    """

    label: str
    points: tuple[Point, ...]
    ink: str
    kind: MarkKind = "disc"
    width: float = 2.2
    large: int | None = None
    bare: bool = False
    spans: tuple[tuple[float, float], ...] = ()


class Happened(NamedTuple):
    """From where to where across something happened, None where that is not known; and what."""

    after: float | None
    by: float | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlot:
    """One plot, before the size of the sheet is known.

    Over it stand `head` and, quieter, `note`; under its numbers what they are. `x` and `y` are the
    ends of both axes. `ticks` are numbers across, the most important first, and `up` those up the
    side; round values where there are none, across with `digits` decimals at most, and up with a
    sign if `signed`. It is shaded between the heights of `band`; each of `brackets` has a row of
    its own. `tall` is its least height, in pixels.
    """

    head: str
    x: tuple[float, float]
    y: tuple[float, float]
    series: tuple[NamedLine, ...]
    note: str = ""
    under: str = ""
    dashed: float | None = None
    ticks: tuple[tuple[float, str], ...] = ()
    up: tuple[tuple[float, str], ...] = ()
    signed: bool = False
    digits: int | None = None
    band: tuple[float, float] | None = None
    brackets: tuple[Happened, ...] = ()
    tall: float = TALL


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plane:
    """Where a plot stands: its axis across, and from its top to its bottom."""

    plot: LinePlot
    axis: Axis
    top: float
    bottom: float

    def y(self, value: float) -> float:
        """Height of a value, in pixels."""
        low, high = self.plot.y
        return self.bottom - (value - low) / (high - low) * (self.bottom - self.top)

    def place(self, point: Point) -> Point:
        """Place of two values, in pixels."""
        return self.axis.x(point[0]), self.y(point[1])


def lay_lines(
    tiers: Sequence[Sequence[LinePlot]], key: str, sheet: Sheet, *, kind: str = "Line chart"
) -> Laid:
    """Set tiers of plots under one another, the key under all.

    Plots of one tier stand side by side and share the numbers up the side; all plots are as wide.
    """
    plots = [plot for tier in tiers for plot in tier]
    across = max(map(len, tiers))
    numbers = 10 + max(text_width(words, SMALL) for plot in plots for _, words in _up(plot))
    wide = (sheet.width - numbers - GAP * (across - 1)) / across
    room = wide * (WIDEST if sheet.beside else WIDEST_NARROW)
    labels = [wrap(line.label, SMALL, room) for plot in plots for line in plot.series if line.label]
    widest = max((text_width(line, SMALL) for name in labels for line in name), default=0.0)
    beside = widest + 2 * RADIUS + 6 + LEAD if widest else 0.0
    shapes, y = list[Shape](), 0.0
    for tier in tiers:
        heads, names = [], []
        for place, plot in enumerate(tier):
            left = numbers + place * (wide + GAP)
            heads.append(_head(plot, left if place else 0.0, left + wide, y))
            names.append([wrap(it.label, SMALL, room) for it in plot.series if it.label])
        top = max(texts[-1].y for texts in heads) + 18
        top += max(ROW * len(plot.brackets) for plot in tier)
        tall = max(*(plot.tall for plot in tier), *(sum(map(_height, lines)) for lines in names))
        shapes += [text for texts in heads for text in texts]
        for place, (plot, lines) in enumerate(zip(tier, names, strict=True)):
            left, (low, high) = numbers + place * (wide + GAP), plot.x
            right = left + wide - INSET
            axis = Axis(low=low, high=high, left=left + INSET, right=right, digits=plot.digits)
            plane = _Plane(plot=plot, axis=axis, top=top, bottom=top + tall)
            named: Sequence[Shape] = _names_at_marks(plane)
            if not named:
                axis = replace(axis, right=right - beside)
                plane = replace(plane, axis=axis)
                named = _names(plane, lines)
            shapes += [*_guides(plane, numbers=place == 0), *_brackets(plane, sheet)]
            shapes += [*named, *_series(plane)]
            ticks, end = axis_numbers(axis, plane.bottom + 4, sheet.width, plot.ticks)
            first = Text(x=axis.sides[0], y=end + LEADING - 3, size=SMALL, ink="soft")
            said = block(plot.under, axis.sides[1] - axis.sides[0], first)
            shapes += [*ticks, *said]
            y = max(y, (said[-1].y if said else end) + 5 + UNDER)
    keyed, y = key_lines(key, sheet.width, y - UNDER + 8)
    scene = Scene(width=sheet.width, height=round(y), shapes=(*shapes, *keyed))
    return Laid(scene=scene, kind=kind)


def _head(plot: LinePlot, left: float, right: float, y: float) -> list[Text]:
    first = Text(x=left, y=y + NOTE, size=NOTE, bold=True)
    bold = block(plot.head, right - left, first)
    after = Text(x=left, y=bold[-1].y + LEADING, size=SMALL, ink="soft")
    return [*bold, *block(plot.note, right - left, after)]


def _up(plot: LinePlot) -> list[tuple[float, str]]:
    """Numbers up the side; the dashed line has one of its own."""
    ticks, digits = nice_ticks(*plot.y, 5)
    write = wording.signed if plot.signed else wording.number
    numbers = [*plot.up] or [(value, write(value, digits)) for value in ticks]
    if plot.dashed is not None and plot.dashed not in (value for value, _ in numbers):
        numbers.append((plot.dashed, wording.plain(plot.dashed)))
    return numbers


def _guides(plane: _Plane, *, numbers: bool) -> list[Shape]:
    """Draw lines across, the dashed one among them, and their numbers."""
    plot, (left, right) = plane.plot, plane.axis.sides
    shapes: list[Shape] = []
    if plot.band is not None:
        low, high = map(plane.y, plot.band)
        shapes.append(rectangle(left, high, right, low, "band"))
        shapes += [Line(points=((left, y), (right, y)), ink="hair") for y in (low, high)]
    for value, words in _up(plot):
        y, dashed = plane.y(value), value == plot.dashed
        ink = "edge" if dashed else "hair"
        shapes.append(Line(points=((left, y), (right, y)), ink=ink, dashed=dashed))
        near = plot.dashed is not None and abs(y - plane.y(plot.dashed)) <= LEADING
        if numbers and (dashed or not near):
            ink = "ink" if dashed else "soft"
            shapes.append(Text(x=left - 6, y=y + 4, text=words, size=SMALL, ink=ink, anchor="end"))
    return shapes


def _brackets(plane: _Plane, sheet: Sheet) -> list[Shape]:
    """Draw over the plot between which values something happened; open where that is not known."""
    shapes: list[Shape] = []
    left, right = plane.axis.sides
    for row, (after, by, words) in enumerate(plane.plot.brackets):
        y = plane.top - 6 - ROW * row
        start = left if after is None else plane.axis.x(after)
        end = right if by is None else plane.axis.x(by)
        shapes.append(Line(points=((start, y), (end, y)), ink="ink", width=2.0))
        for x in [start] * (after is not None) + [end] * (by is not None):
            shapes.append(Line(points=((x, y - 5), (x, y + 5)), ink="ink", width=2.0))
            shapes.append(Line(points=((x, plane.top), (x, plane.bottom)), ink="edge", dashed=True))
        text = Text(x=(start + end) / 2, y=y - 9, text=words, size=SMALL, anchor="middle")
        shapes.append(text.between(0, sheet.width))
    return shapes


def _names_at_marks(plane: _Plane) -> list[Text]:
    """Name marks that stand alone, each at its own; nothing where a name would meet anything."""
    lone, (left, right) = plane.plot.series, plane.axis.sides
    if not all(line.label and len(line.points) == 1 for line in lone):
        return []
    marks = [plane.place(line.points[0]) for line in lone]
    taken = [Box(x - 7, y - 7, x + 7, y + 7) for x, y in marks]
    taken += [Box(left, y, right, y) for y in (plane.y(value) for value, _ in _up(plane.plot))]

    def free(text: Text) -> bool:
        box = text.box
        inside = left <= box.left and box.right <= right and plane.top - 12 <= box.top
        return inside and box.bottom <= plane.bottom and not any(map(box.overlaps, taken))

    names = list[Text]()
    for line, (x, y) in zip(lone, marks, strict=True):
        after = Text(x=x + 10, y=y + 4, text=line.label, size=SMALL)
        before = replace(after, x=x - 10, anchor="end")
        over = replace(after, x=x, anchor="middle").between(left, right)
        places = [it.moved(0, dy) for dy in (0, -6, 6) for it in (after, before)]
        name = next(filter(free, (*places, over.moved(0, -15), over.moved(0, 15))), None)
        if name is None:
            return []
        names.append(name)
        taken.append(name.box)
    return names


def _names(plane: _Plane, names: Sequence[tuple[str, ...]]) -> list[Shape]:
    """Name each line beside the plot, a thin line leading there; none meets another."""
    x, named = plane.axis.sides[1] + LEAD, [line for line in plane.plot.series if line.label]
    ends = [plane.place(series.points[-1]) for series in named]
    middles = apart([y for _, y in ends], [*map(_height, names)], (plane.top, plane.bottom))
    leads, shapes = list[Shape](), list[Shape]()
    for series, lines, end, y in zip(named, names, ends, middles, strict=True):
        mark = (x + RADIUS, y)
        leads.append(Line(points=(end, mark), ink="edge", width=0.75))
        shapes.append(Marks(points=(mark,), radius=RADIUS, ink=series.ink, kind=series.kind))
        first = y + 4 - LEADING * (len(lines) - 1) / 2
        shapes += column(lines, Text(x=x + 2 * RADIUS + 6, y=first, size=SMALL))
    return [*leads, *shapes]


def _height(lines: Sequence[str]) -> float:
    return LEADING * len(lines) + 3


def _series(plane: _Plane) -> list[Shape]:
    """Draw lines under marks; a mark alone, or one that stands out, has a ground of its own."""
    lines, marks = list[Shape](), list[Shape]()
    for series in plane.plot.series:
        ink, width, kind = series.ink, series.width, series.kind
        places = tuple(plane.place(point) for point in series.points)
        lines += [Line(points=(a, b), ink=ink, width=width) for a, b in pairwise(places)]
        for (x, _), span in zip(places, series.spans, strict=False):
            low, high = map(plane.y, span)
            lines.append(Line(points=((x, low), (x, high)), ink=ink, width=2.0))
        gaps = [after[0] - before[0] for before, after in pairwise(places)]
        radius = max(min([RADIUS, *(0.48 * gap for gap in gaps if gap > 0)]), 2.0)
        mark = Marks(points=places, radius=radius, ink=ink, kind=kind)
        if len(places) > 1 and not series.bare:
            marks.append(mark)
        if len(places) == 1 or series.large is not None:
            larger = LARGE if series.large is not None else RADIUS + 1
            marks += marked(places[series.large or 0], larger, ink, kind)
    return [*lines, *marks]
