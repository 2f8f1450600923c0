"""An axis: where values stand across a drawing, its numbers and words, what runs behind rows."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from blindspoon import wording
from blindspoon.charts.scene import (
    INSET,
    LEADING,
    NOTE,
    SMALL,
    Area,
    Box,
    Line,
    Shape,
    Text,
    column,
    rectangle,
    text_width,
    wrap,
)
from blindspoon.stats.results import Interval
from blindspoon.trial import Attribute

ROOM = 0.18  # share of an axis of differences that is kept on either side of zero
TICK_GAP = 4.0  # pixels between the numbers of an axis


class Reference(NamedTuple):
    """A line at a value, under its words; one that has no width is dashed."""

    at: float
    words: str = ""
    width: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis and its place on the sheet: its ends in points, and where they stand in pixels.

    `ends` are words at both ends, `head` says what is measured where that is not clear without
    words, `step` is that of the scale, 0 if it has none. `lines` run through all rows, and `band`
    is shaded. Numbers have a sign where they are differences (`signed`), and no more than `digits`
    decimals.
    """

    low: float
    high: float
    ends: tuple[str, str] = ("", "")
    head: str = ""
    step: float = 0.0
    lines: tuple[Reference, ...] = ()
    band: Interval | None = None
    signed: bool = False
    digits: int | None = None
    left: float = 0.0
    right: float = 1.0

    @property
    def sides(self) -> tuple[float, float]:
        """Left and right edge of the plot, a mark's room beyond the ends."""
        return self.left - INSET, self.right + INSET

    def x(self, value: float) -> float:
        """Place of a value, in pixels."""
        return self.left + (value - self.low) / (self.high - self.low) * (self.right - self.left)

    def within(self, value: float) -> float:
        return min(max(value, self.low), self.high)

    def ticks(self) -> list[tuple[float, str]]:
        """Choose round values whose words keep apart."""
        write = wording.signed if self.signed else wording.number
        ticks: list[tuple[float, str]] = []
        for most in (10, 6, 4, 2):
            values, digits = nice_ticks(self.low, self.high, most)
            if self.digits is not None and digits > self.digits:
                digits = self.digits
                values = tuple(value for value in values if value == round(value, digits))
            ticks = [(value, write(value, digits)) for value in values]
            widest = max((text_width(words, SMALL) for _, words in ticks), default=0.0)
            if len(ticks) < 2 or self.x(ticks[1][0]) - self.x(ticks[0][0]) >= widest + TICK_GAP:
                break
        return ticks


def difference_axis(attribute: Attribute, seen: Iterable[float], *, head: str = "") -> Axis:
    """Make an axis of differences in points: zero is the reference, the margin is shaded.

    It holds all that is seen, no farther than the scale can go, and on either side of zero room
    for the words of the scale. Under a head there are no words over zero.
    """
    less, more = wording.directions(attribute)
    margin, scale = attribute.margin, attribute.scale
    held = [-(margin or 0.0), margin or 0.0, *seen]
    span = max(scale.high - scale.low, margin or 0.0)
    low, high = max(min(held), -span), min(max(held), span)
    room = max((high - low) * ROOM, span / 50)
    return Axis(
        low=min(low - room / 6, -room),
        high=max(high + room / 6, room),
        ends=(f"←{wording.NO_BREAK}{less}", f"{more}{wording.NO_BREAK}→"),
        head=head,
        step=scale.step,
        lines=(Reference(0.0, "" if head else "same as the control", 1.0),),
        band=None if margin is None else Interval(-margin, margin),
        signed=True,
    )


def shaded_words(attribute: Attribute) -> tuple[str, ...]:
    """Say in a key what the band of `difference_axis` is, where it has one."""
    margin = attribute.margin
    return () if margin is None else (f"Shaded: within {wording.margin(attribute)}.",)


def nice_ticks(low: float, high: float, most: int) -> tuple[tuple[float, ...], int]:
    """Choose round values between two ends, and the decimals that they need.

    >>> nice_ticks(-1.3, 3.4, 7)
    ((-1.0, 0.0, 1.0, 2.0, 3.0), 0)
    """
    raw = (high - low) / most
    power = math.floor(math.log10(raw))
    step = next(m * 10.0**power for m in (1, 2, 5, 10) if m * 10.0**power >= raw * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    digits = max(0, -math.floor(math.log10(step)))
    return tuple(round(k * step, 9) for k in range(first, last + 1)), digits


def axis_header(
    axes: Sequence[Axis], width: float, pad: float
) -> tuple[list[Text], list[Text], float]:
    """Set the words over axes side by side: heads and ends, words of reference; where they end."""
    heads = [
        wrap(axis.head, NOTE, axis.sides[1] - axis.sides[0], bold=True) if axis.head else ()
        for axis in axes
    ]
    y = LEADING * max(map(len, heads))
    fixed, over, bottom = list[Text](), list[Text](), y
    for axis, head in zip(axes, heads, strict=True):
        first = y - LEADING * len(head) + NOTE
        bold = Text(x=axis.sides[0], y=first, size=NOTE, bold=True)
        ends, named = end_words(axis.ends, axis.sides, y + NOTE), list[Text]()
        for line in filter(lambda line: line.words, axis.lines):
            at = Text(x=axis.x(line.at), y=y + NOTE, text=line.words, size=NOTE, anchor="middle")
            at = at.between(0, width)
            while any(at.box.overlaps(padded(text)) for text in (*ends, *named)):
                at = at.moved(0, LEADING)
            named.append(at)
        fixed += (*column(head, bold), *ends)
        over += named
        bottom = max([bottom, *(text.y + LEADING - NOTE for text in (*ends, *named))])
    return fixed, over, bottom + max(pad - 2, 1.0)


def padded(text: Text) -> Box:
    """Give the rectangle of a text with room on either side."""
    box = text.box
    return Box(box.left - 8, box.top, box.right + 8, box.bottom)


def axis_behind(axis: Axis, own: Sequence[Reference], top: float, bottom: float) -> list[Shape]:
    """Draw behind a row the band, the lines of the axis and the row's own."""
    shapes: list[Shape] = []
    if axis.band is not None:
        sides = axis.x(axis.band.low), axis.x(axis.band.high)
        shapes.append(rectangle(sides[0], top, sides[1], bottom, "band"))
        shapes += [Line(points=((x, top), (x, bottom)), ink="edge", dashed=True) for x in sides]
    for line in (*axis.lines, *own):
        x, ink = axis.x(line.at), "ink" if line.width else "edge"
        ends, dashed = ((x, top), (x, bottom)), not line.width
        shapes.append(Line(points=ends, ink=ink, width=line.width or 1.0, dashed=dashed))
    return shapes


def axis_bar(axis: Axis, interval: Interval, y: float, ink: str, width: float) -> list[Shape]:
    """Draw an interval; where it goes on beyond the axis it ends in an arrow."""
    low, high = axis.x(axis.within(interval.low)), axis.x(axis.within(interval.high))
    shapes: list[Shape] = [Line(points=((low, y), (high, y)), ink=ink, width=width)]
    for beyond, root, way in (
        (interval.low < axis.low, low, -1),
        (interval.high > axis.high, high, 1),
    ):
        if beyond:
            tip = (root + way * (INSET - 1), y)
            shapes.append(Area(points=((root, y - 4.5), tip, (root, y + 4.5)), ink=ink))
    return shapes


def axis_numbers(
    axis: Axis, y: float, width: float, ticks: Sequence[tuple[float, str]] = ()
) -> tuple[list[Shape], float]:
    """Set the numbers under an axis, and tell where they end.

    Ticks that are given, the most important first, are left out where they have no room.
    """
    shapes, shown = list[Shape](), list[Text]()
    soft = Text(x=0, y=y + 5 + SMALL, size=SMALL, ink="soft", anchor="middle")
    for value, words in ticks or axis.ticks():
        x = axis.x(value)
        text = replace(soft, x=x, text=words).between(0, width)
        if not any(padded(text).overlaps(other.box) for other in shown if ticks):
            shapes.append(Line(points=((x, y), (x, y + 4)), ink="edge"))
            shown.append(text)
    return [*shapes, *shown], y + SMALL + 9


def end_words(words: tuple[str, str], sides: tuple[float, float], y: float) -> list[Text]:
    """Set the words at both ends of an axis.

    They stand side by side where that takes two lines at most, otherwise one under the other.
    `sides` are the left and right edge, `y` is the base line of the first line, in pixels.
    """
    if not any(words):
        return []
    width = sides[1] - sides[0]
    longest = [max(text_width(word, NOTE) for word in text.split(" ")) for text in words]
    share = (width - 10) / sum(text_width(text, NOTE) for text in words)
    rooms = [text_width(text, NOTE) * share for text in words]
    low, high = (wrap(text, NOTE, room) for text, room in zip(words, rooms, strict=True))
    broken = any(word > room for word, room in zip(longest, rooms, strict=True))
    under = broken or max(len(low), len(high)) > 2
    if under:
        low, high = (wrap(text, NOTE, width) for text in words)
    start = Text(x=sides[0], y=y, size=NOTE, ink="soft")
    below = y + LEADING * len(low) * under
    end = Text(x=sides[1], y=below, size=NOTE, ink="soft", anchor="end")
    return [*column(low, start), *column(high, end)]


def apart(
    wanted: Sequence[float], heights: Sequence[float], ends: tuple[float, float]
) -> list[float]:
    """Move the middles of things of some height apart, in the order that they have.

    >>> apart([10, 11, 80], [20, 20, 20], (0, 100))
    [10, 30.0, 80]
    """
    order = sorted(range(len(wanted)), key=lambda place: wanted[place])
    middles, edge = list(wanted), ends[0]
    for place in order:
        middles[place] = max(middles[place], edge + heights[place] / 2)
        edge = middles[place] + heights[place] / 2
    edge = ends[1]
    for place in reversed(order):
        middles[place] = min(middles[place], edge - heights[place] / 2)
        edge = middles[place] - heights[place] / 2
    return middles
