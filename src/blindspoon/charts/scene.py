"""A drawing as plain values: texts, lines, areas and marks in pixels, before any file format.

The same scene is written as SVG for a page, as an SVG file and as a PNG file. Distances are in
CSS pixels from the top left corner, y downwards.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from blindspoon.charts.text import text_width, wrap

ASCENT, DESCENT = 0.8, 0.22
"""How far text reaches above and below its baseline, in units of its size."""

Point = tuple[float, float]


class Box(NamedTuple):
    """The rectangle that something fills, in pixels."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Box) -> bool:
        """Whether two rectangles share more than an edge."""
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.bottom and other.top < self.bottom


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """One line of text; `x` is its start, middle or end, `y` its baseline."""

    x: float
    y: float
    text: str
    size: float
    ink: str = "ink"
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False

    @property
    def box(self) -> Box:
        """The rectangle that it fills."""
        width = text_width(self.text, self.size, bold=self.bold)
        left = self.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * width
        return Box(left, self.y - ASCENT * self.size, left + width, self.y + DESCENT * self.size)

    def moved(self, dx: float, dy: float) -> Text:
        """Put the same text elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line across or upright, cut off square at its ends."""

    start: Point
    end: Point
    ink: str
    width: float = 1.0
    dashed: bool = False

    @property
    def box(self) -> Box:
        """The rectangle that it fills."""
        left, top, right, bottom = _hull((self.start, self.end), 0.0)
        half = self.width / 2
        if top == bottom:
            return Box(left, top - half, right, bottom + half)
        return Box(left - half, top, right + half, bottom)

    def moved(self, dx: float, dy: float) -> Line:
        """Put the same line elsewhere."""
        start, end = _shift((self.start, self.end), dx, dy)
        return replace(self, start=start, end=end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A filled polygon."""

    corners: tuple[Point, ...]
    ink: str

    @property
    def box(self) -> Box:
        """The rectangle that it fills."""
        return _hull(self.corners, 0.0)

    def moved(self, dx: float, dy: float) -> Area:
        """Put the same area elsewhere."""
        return replace(self, corners=_shift(self.corners, dx, dy))


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Marks of one kind and size: filled discs, rings or diamonds; `radius` to the outer edge."""

    centres: tuple[Point, ...]
    radius: float
    ink: str
    kind: Literal["disc", "ring", "diamond"] = "disc"

    @property
    def box(self) -> Box:
        """The rectangle that they fill."""
        return _hull(self.centres, self.radius)

    def moved(self, dx: float, dy: float) -> Marks:
        """Put the same marks elsewhere."""
        return replace(self, centres=_shift(self.centres, dx, dy))


Shape = Text | Line | Area | Marks


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A finished drawing; later shapes lie on earlier ones."""

    width: float
    height: float
    shapes: tuple[Shape, ...]

    @property
    def texts(self) -> tuple[Text, ...]:
        """Its lines of text."""
        return tuple(shape for shape in self.shapes if isinstance(shape, Text))


def rectangle(left: float, top: float, right: float, bottom: float, ink: str) -> Area:
    """Fill a rectangle."""
    return Area(corners=((left, top), (right, top), (right, bottom), (left, bottom)), ink=ink)


def diamond(centre: Point, radius: float) -> tuple[Point, ...]:
    """Corners of a square that stands on one of them."""
    x, y = centre
    return ((x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y))


def column(lines: Iterable[str], like: Text, leading: float) -> tuple[Text, ...]:
    """Set lines of text under one another; the first at the place of `like`."""
    return tuple(
        replace(like, text=line, y=like.y + row * leading) for row, line in enumerate(lines)
    )


def block(words: str, width: float, leading: float, like: Text) -> tuple[Text, ...]:
    """Wrap words into a column that begins at the place of `like`; empty without words."""
    lines = wrap(words, like.size, width, bold=like.bold) if words else ()
    return column(lines, like, leading)


def _shift(points: tuple[Point, ...], dx: float, dy: float) -> tuple[Point, ...]:
    return tuple((x + dx, y + dy) for x, y in points)


def _hull(points: tuple[Point, ...], more: float) -> Box:
    xs, ys = zip(*points, strict=True)
    return Box(min(xs) - more, min(ys) - more, max(xs) + more, max(ys) + more)
