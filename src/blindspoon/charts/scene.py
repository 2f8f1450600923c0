"""A drawing as plain values, before any file format: texts, lines, areas, marks, their colours.

The same scene is written as SVG for a page, as an SVG file and as a PNG file. Distances are in
CSS pixels from the top left corner, y downwards. Colours go by name, which a page sets as CSS
custom properties. The face, Source Serif 4 cut down to the letters of `RANGES`, lies in ``face/``
with its licence: as WOFF2 for pages and SVG files, as TrueType for measuring and for PNG files.
"""

from __future__ import annotations

import base64
import io
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Literal, NamedTuple, Self

from blindspoon.files import shipped

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont


# Colours ----------------------------------------------------------------------------------------

PALETTE: dict[str, tuple[str, str]] = {
    "ground": ("#fffefb", "#17191b"),
    "ink": ("#1d2226", "#ececea"),
    "soft": ("#555d63", "#b3bac0"),
    "people": ("#6f787f", "#98a1a8"),
    "hair": ("#cdd4d7", "#3f474d"),
    "band": ("#e9eeec", "#2a3032"),
    "edge": ("#7a838a", "#7f8990"),
    "v1": ("#1c3f99", "#6cbcf7"),
    "v2": ("#b5651a", "#cf7f35"),
    "v3": ("#47897a", "#86ecd2"),
    "v4": ("#8959ba", "#a678da"),
    "v5": ("#674e21", "#d9bb3f"),
    "v6": ("#4f222e", "#f3929f"),
}
"""Colour on a light and on a dark ground. `people` and `v1` to `v6` are marks; `ink` and `soft`
are text; `band` fills the margin, `edge` bounds it and fills the density of many tasters."""

PREFIX = "--bs-"
COLOURS = sum(name[0] == "v" and name[1:].isdigit() for name in PALETTE)


def css_variables(*, dark: bool) -> str:
    """Declare every colour of one theme, for the rule of a style sheet.

    >>> css_variables(dark=False)[:31]
    '--bs-ground:#fffefb;--bs-ink:#1'
    """
    return "".join(f"{PREFIX}{name}:{pair[dark]};" for name, pair in PALETTE.items())


def variant_inks(variants: int, control: int) -> tuple[str, ...]:
    """Give each variant its colour, the same in every chart; the control has the ink of text.

    `variants` counts the control, whose place is `control`. Where there are more variants than
    colours that can be told apart, colour carries nothing: all have the first.

    >>> variant_inks(4, 1)
    ('v1', 'ink', 'v2', 'v3')
    >>> variant_inks(12, 0)[:4]
    ('ink', 'v1', 'v1', 'v1')
    """
    few = variants - 1 <= COLOURS
    others = [place for place in range(variants) if place != control]
    rank = {place: number for number, place in enumerate(others, 1)}
    return tuple(
        "ink" if place == control else f"v{rank[place] if few else 1}" for place in range(variants)
    )


# Text -------------------------------------------------------------------------------------------

FACE = "Blindspoon Serif"  # the licence reserves the name "Source"
FONTS = f"'{FACE}', Georgia, 'Times New Roman', serif"
RANGES = (
    *((0x20, 0x7E), (0xA0, 0x12B), (0x12E, 0x131), (0x134, 0x165), (0x168, 0x17F), (0x218, 0x21B)),
    *((0x394, 0x394), (0x3B1, 0x3C9), (0x2009, 0x200A), (0x2010, 0x2014), (0x2018, 0x201A)),
    *((0x201C, 0x201E), (0x2020, 0x2022), (0x2026, 0x2026), (0x202F, 0x202F), (0x2032, 0x2033)),
    *((0x2039, 0x203A), (0x20AC, 0x20AC), (0x2122, 0x2122), (0x2190, 0x2193), (0x2212, 0x2212)),
    *((0x2248, 0x2248), (0x2260, 0x2260), (0x2264, 0x2265)),
)
"""First and last code point of the letters in the face; a system's own fonts have the others."""
LETTERS = frozenset(letter for first, last in RANGES for letter in range(first, last + 1))
UNITS = 1000


@cache
def face_css() -> str:
    """Declare the face in a style sheet, its two weights embedded."""
    weights = {400: "regular.woff2", 700: "bold.woff2"}
    files = {weight: shipped.content(f"charts/face/{name}") for weight, name in weights.items()}
    return "".join(
        f"@font-face{{font-family:'{FACE}';font-weight:{weight};"
        f"src:url(data:font/woff2;base64,{base64.b64encode(file).decode()})}}"
        for weight, file in files.items()
    )


def face_file(*, bold: bool) -> str:
    """Name the TrueType file of one weight, among those that come with the package."""
    return f"charts/face/{'bold' if bold else 'regular'}.ttf"


@cache
def _font(*, bold: bool) -> FreeTypeFont:
    from PIL import ImageFont  # noqa: PLC0415 - the score page takes colours, and no font

    file = io.BytesIO(shipped.content(face_file(bold=bold)))
    return ImageFont.truetype(file, UNITS, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=32768)
def _units(text: str, *, bold: bool) -> float:
    """Width of a text in units of its size; guessed of letters that another font has."""
    if len(text) != 1:
        return sum(_units(letter, bold=bold) for letter in text)
    if ord(text) in LETTERS:
        return _font(bold=bold).getlength(text) / UNITS
    if unicodedata.combining(text):
        return 0.0
    return 1.0 if unicodedata.east_asian_width(text) in "WF" else 0.7


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of one line of text, in pixels.

    >>> round(text_width("crisp", 12), 1)
    26.7
    """
    return size * _units(text, bold=bold)


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> tuple[str, ...]:
    """Break text into lines no wider than a width in pixels, between words where that is possible.

    At least one line; no letter is lost.

    >>> wrap("Cool cellar, three weeks", 12, 90)
    ('Cool cellar,', 'three weeks')
    """
    lines = [""]
    for word in filter(None, re.split(" (?!%)", text)):  # no-break spaces hold, and "2 %"
        pieces = [word]
        if text_width(word, size, bold=bold) > width:
            pieces = [""]
            for letter in word:
                if pieces[-1] and text_width(pieces[-1] + letter, size, bold=bold) > width:
                    pieces.append("")
                pieces[-1] += letter
        for piece in pieces:
            longer = f"{lines[-1]} {piece}".strip(" ")
            if lines[-1] and text_width(longer, size, bold=bold) > width:
                lines.append(piece)
            else:
                lines[-1] = longer
    return tuple(lines)


# Shapes -----------------------------------------------------------------------------------------

LABEL, NOTE, SMALL, LEADING = 13.0, 12.0, 11.5, 15.0
"""Sizes of text, and from one base line of text to the next."""
ASCENT, DESCENT = 0.8, 0.22
"""How far text reaches above and below its baseline, in units of its size."""

ANCHORS = {"start": 0.0, "middle": 0.5, "end": 1.0}  # share of a text that lies left of its place
Point = tuple[float, float]
MarkKind = Literal["disc", "ring", "diamond", "hollow diamond"]


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
    text: str = ""
    size: float
    ink: str = "ink"
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False

    @property
    def box(self) -> Box:
        width = text_width(self.text, self.size, bold=self.bold)
        left = self.x - ANCHORS[self.anchor] * width
        return Box(left, self.y - ASCENT * self.size, left + width, self.y + DESCENT * self.size)

    def moved(self, dx: float, dy: float) -> Text:
        return replace(self, x=self.x + dx, y=self.y + dy)

    def between(self, left: float, right: float) -> Text:
        """Move it sideways as far as it takes to lie between two edges."""
        box = self.box
        return self.moved(max(left - box.left, 0.0) + min(right - box.right, 0.0), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What is drawn at some points in one colour; each kind says what its points are."""

    points: tuple[Point, ...]
    ink: str

    def moved(self, dx: float, dy: float) -> Self:
        return replace(self, points=tuple((x + dx, y + dy) for x, y in self.points))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line(Drawn):
    """A line from point to point, across or upright, cut off square at its ends."""

    width: float = 1.0
    dashed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Area(Drawn):
    """A filled polygon; the points are its corners."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks(Drawn):
    """Filled discs, rings or diamonds around points; `radius` to the outer edge."""

    radius: float
    kind: MarkKind = "disc"


Shape = Text | Line | Area | Marks


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A finished drawing; later shapes lie on earlier ones."""

    width: float
    height: float
    shapes: tuple[Shape, ...]

    @property
    def texts(self) -> tuple[Text, ...]:
        return tuple(shape for shape in self.shapes if isinstance(shape, Text))


def marked(centre: Point, radius: float, ink: str, kind: MarkKind) -> tuple[Marks, ...]:
    """Draw a mark on a ground of its own, so that it stands out from what lies under it."""
    hollow = kind == "hollow diamond"
    mark = Marks(points=(centre,), radius=radius, ink=ink, kind="diamond" if hollow else kind)
    ground = replace(mark, ink="ground", kind="diamond" if mark.kind == "diamond" else "disc")
    inside = replace(ground, radius=(1 - RING) * radius)
    return replace(ground, radius=radius + 1.5), mark, *[inside] * hollow


def rectangle(left: float, top: float, right: float, bottom: float, ink: str) -> Area:
    return Area(points=((left, top), (right, top), (right, bottom), (left, bottom)), ink=ink)


def diamond(centre: Point, radius: float) -> tuple[Point, ...]:
    """Corners of a square that stands on one of them."""
    x, y = centre
    return ((x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y))


def column(lines: Iterable[str], like: Text, leading: float = LEADING) -> tuple[Text, ...]:
    """Set lines of text under one another; the first at the place of `like`."""
    return tuple(
        replace(like, text=line, y=like.y + row * leading) for row, line in enumerate(lines)
    )


def block(words: str, width: float, like: Text) -> tuple[Text, ...]:
    """Wrap words into a column that begins at the place of `like`; empty without words."""
    lines = wrap(words, like.size, width, bold=like.bold) if words else ()
    return column(lines, like)


# Sheets -----------------------------------------------------------------------------------------

RING = 0.42  # thickness of a ring in units of its radius
DASH = (3.0, 3.0)
INSET = 12.0  # pixels between the ends of an axis and the edge of its plot, so that no mark is cut


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How large marks are, and how much room rows take, in pixels.

    - `tallest`: what a stack of tasters' marks should not exceed
    - `under`, `pad`: under a base line for the estimate; free over and under a row
    - `estimate`: radius of its mark
    - `row`: height of a row that has no people in it
    - `marks`: most tasters that are told apart; 0 for densities only
    - `notes`: whether numbers stand beside or over the rows
    """

    tallest: float = 56.0
    under: float = 18.0
    pad: float = 6.0
    estimate: float = 5.0
    row: float = 21.0
    marks: int = 40
    notes: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The room for a chart, words `beside` the rows or over them.

    Every row is given `spare` further pixels of height.
    """

    width: float
    beside: bool
    style: Style = Style()
    spare: float = 0.0


WIDE = Sheet(width=720.0, beside=True)
NARROW = Sheet(width=358.0, beside=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A chart laid out on a sheet; `kind` is what it is called: "Dot plot".

    `Sheet.spare` was given to so many rows. It is `cramped` where words are broken or leave too
    little room; for want of a better sheet it is drawn all the same. `steps` tell for each shape of
    the scene when a reveal shows it: 0 the axis, 1 what runs behind all rows, from 2 on a number
    for each row.
    """

    scene: Scene
    kind: str
    rows: int = 1
    cramped: bool = False
    steps: tuple[int, ...] = ()


def key_lines(key: str, width: float, y: float) -> tuple[list[Shape], float]:
    """Set the words that say how to read a chart, and tell where they end."""
    lines = block(key, width, Text(x=0, y=y + SMALL, size=SMALL, ink="soft"))
    return [*lines], lines[-1].y + 5
