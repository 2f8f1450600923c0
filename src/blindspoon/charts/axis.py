"""A plot with a number across and a number up, its names beside it: for what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from blindspoon import wording
from blindspoon.charts.scene import Line, Marks, Point, Shape, Text, column
from blindspoon.charts.style import INSET, LEADING, NOTE, SMALL, Sheet, nice_ticks
from blindspoon.charts.text import text_width, wrap

NUMBERS, TALL, RADIUS = 34.0, 190.0, 4.0
"""Pixels for the numbers up the side, for the least height of a plot, and of a mark."""
WIDEST, WIDEST_NARROW = 0.38, 0.3
"""Largest share of a wide and of a narrow sheet that the names beside a plot take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Where things go in one plot, in pixels; `x` and `y` are the ends of both axes."""

    left: float
    right: float
    top: float
    bottom: float
    x: tuple[float, float]
    y: tuple[float, float]

    def point(self, x: float, y: float) -> Point:
        """Place of two values."""
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        return (
            self.left + across * (self.right - self.left),
            self.bottom - up * (self.bottom - self.top),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Name:
    """Words for one mark or line, its look, and the values where it ends."""

    words: str
    ink: str
    kind: Literal["disc", "diamond"]
    at: tuple[float, float]


def plane_for(
    names: Sequence[Name], sheet: Sheet, top: float, x: tuple[float, float], y: tuple[float, float]
) -> Plane:
    """Leave room for the numbers and for every line of every name."""
    aside = _room(names, sheet)
    tall = sum(_height(lines) for lines in _wrapped(names, aside))
    return Plane(
        left=NUMBERS + INSET,
        right=sheet.width - aside - 2 * INSET - 2 * RADIUS - 18,
        top=top,
        bottom=top + max(TALL, tall),
        x=x,
        y=y,
    )


def head(words: str, note: str, width: float, y: float) -> tuple[list[Shape], float]:
    """Set the words over a plot, a quieter note under them, and tell where the plot may start."""
    first = Text(x=0, y=y + NOTE, text="", size=NOTE, bold=True)
    bold = column(wrap(words, NOTE, width, bold=True), first, LEADING)
    under = Text(x=0, y=bold[-1].y + LEADING, text="", size=SMALL, ink="soft")
    soft = column(wrap(note, SMALL, width), under, LEADING) if note else ()
    return [*bold, *soft], (*bold, *soft)[-1].y + 18


def guides(plane: Plane, most: int, also: float | None = None) -> list[Shape]:
    """Draw lines across at round values, and one more that is dashed, with their numbers."""
    ticks, digits = nice_ticks(*plane.y, most)
    numbers = [(value, wording.number(value, digits)) for value in ticks]
    ends = (plane.left - INSET, plane.right + INSET)
    shapes: list[Shape] = []
    if also is not None:
        y = plane.point(0, also)[1]
        shapes.append(Line(start=(ends[0], y), end=(ends[1], y), ink="edge", dashed=True))
        shapes.append(_side(y, wording.plain(also), "ink"))
        numbers = [each for each in numbers if each[0] != also]
    for value, words in numbers:
        y = plane.point(0, value)[1]
        shapes.insert(0, Line(start=(ends[0], y), end=(ends[1], y), ink="hair"))
        if also is None or abs(y - plane.point(0, also)[1]) > LEADING:
            shapes.append(_side(y, words, "soft"))
    return shapes


def numbers_under(plane: Plane, words: str, *, whole: bool = False) -> tuple[list[Shape], float]:
    """Set the numbers under a plot, what they are below them, and tell where that ends."""
    ticks, digits = nice_ticks(*plane.x, 6)
    shapes: list[Shape] = []
    for value in ticks:
        if whole and value != round(value):
            continue
        x, y = plane.point(value, plane.y[0])
        y += 4
        number = wording.number(value, 0 if whole else digits)
        shapes.append(Line(start=(x, y), end=(x, y + 4), ink="edge"))
        shapes.append(
            Text(x=x, y=y + 8 + SMALL, text=number, size=SMALL, ink="soft", anchor="middle")
        )
    foot = plane.bottom + 4 + 8 + SMALL + LEADING
    first = Text(x=plane.left - INSET, y=foot, text="", size=SMALL, ink="soft")
    lines = column(wrap(words, SMALL, 2 * INSET + plane.right - plane.left), first, LEADING)
    return [*shapes, *lines], lines[-1].y + 5


def names_beside(plane: Plane, names: Sequence[Name], sheet: Sheet) -> list[Shape]:
    """Name each mark or line beside the plot, a thin line leading there; none meets another."""
    lines = _wrapped(names, _room(names, sheet))
    x = plane.right + INSET + 14
    places = [plane.point(*name.at) for name in names]
    middles = apart(
        [y for _, y in places], [_height(each) for each in lines], (plane.top, plane.bottom)
    )
    leads: list[Shape] = []
    shapes: list[Shape] = []
    for name, words, place, y in zip(names, lines, places, middles, strict=True):
        mark = (x + RADIUS, y)
        leads.append(Line(start=place, end=mark, ink="hair"))
        shapes.append(Marks(centres=(mark,), radius=RADIUS, ink=name.ink, kind=name.kind))
        first = Text(x=x + 2 * RADIUS + 6, y=y + 4, text="", size=SMALL)
        up = LEADING * (len(words) - 1) / 2
        shapes += column(words, replace(first, y=first.y - up), LEADING)
    return [*leads, *shapes]


def apart(
    wanted: Sequence[float], heights: Sequence[float], ends: tuple[float, float]
) -> list[float]:
    """Move the middles of things of some height apart, in the order that they have.

    Examples
    --------
    >>> apart([10, 11, 80], [20, 20, 20], (0, 100))
    [10, 30.0, 80]
    """
    order = sorted(range(len(wanted)), key=lambda place: wanted[place])
    found, edge = list(wanted), ends[0]
    for place in order:
        found[place] = max(found[place], edge + heights[place] / 2)
        edge = found[place] + heights[place] / 2
    edge = ends[1]
    for place in reversed(order):
        found[place] = min(found[place], edge - heights[place] / 2)
        edge = found[place] - heights[place] / 2
    return found


def _side(y: float, words: str, ink: str) -> Text:
    return Text(x=NUMBERS - 6, y=y + 4, text=words, size=SMALL, ink=ink, anchor="end")


def _room(names: Sequence[Name], sheet: Sheet) -> float:
    widest = max(text_width(name.words, SMALL) for name in names)
    return min(widest + 0.01, (WIDEST if sheet.beside else WIDEST_NARROW) * sheet.width)


def _wrapped(names: Sequence[Name], room: float) -> list[tuple[str, ...]]:
    return [wrap(name.words, SMALL, room) for name in names]


def _height(lines: Sequence[str]) -> float:
    return LEADING * len(lines) + 3
