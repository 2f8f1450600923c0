"""A drawing as plain values: texts, lines, areas and marks in pixels, before any file format.

The same scene is written as SVG for a page, as an SVG file and as a PNG file. Distances are in
CSS pixels from the top left corner, y downwards.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, Self

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
class Drawn:
    """What is drawn at some points in one colour; each kind says what its points are."""

    points: tuple[Point, ...]
    ink: str

    @property
    def reach(self) -> Point:
        """How far it goes beyond its points, across and down."""
        return 0.0, 0.0

    @property
    def box(self) -> Box:
        """The rectangle that it fills."""
        (xs, ys), (x, y) = zip(*self.points, strict=True), self.reach
        return Box(min(xs) - x, min(ys) - y, max(xs) + x, max(ys) + y)

    def moved(self, dx: float, dy: float) -> Self:
        """Put the same elsewhere."""
        return replace(self, points=tuple((x + dx, y + dy) for x, y in self.points))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line(Drawn):
    """A line from point to point, across or upright, cut off square at its ends."""

    width: float = 1.0
    dashed: bool = False

    @property
    def reach(self) -> Point:
        """Half its width, to either side."""
        (_, start), (_, end) = self.points
        return (0.0, self.width / 2) if start == end else (self.width / 2, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Area(Drawn):
    """A filled polygon; the points are its corners."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks(Drawn):
    """Filled discs, rings or diamonds around points; `radius` to the outer edge."""

    radius: float
    kind: Literal["disc", "ring", "diamond"] = "disc"

    @property
    def reach(self) -> Point:
        """Its radius."""
        return self.radius, self.radius


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
    return Area(points=((left, top), (right, top), (right, bottom), (left, bottom)), ink=ink)


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
