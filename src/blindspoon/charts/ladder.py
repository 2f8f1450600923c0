"""Named rows beside one or more small axes: a mark a row, its range behind it."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon import wording
from blindspoon.charts.scene import Line, Marks, Scene, Shape, Text, column, rectangle
from blindspoon.charts.style import INSET, WIDE, Frame, Sheet, end_words, key_lines, nice_ticks
from blindspoon.charts.text import text_width, wrap
from blindspoon.stats.results import Interval

STYLE = WIDE.style
LABELS, LABELS_NARROW = 200.0, 104.0
"""Widest column of names on a wide and on a narrow sheet, in pixels."""
ROW, GAP, ASIDE, TICK = 18.0, 26.0, 8.0, 52.0
"""Height of a row, between two axes, between names and axis, and room for a number under one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """What one row shows on one axis; nothing where there is no value.

    Parameters
    ----------
    value : float or None
    thin, thick : Interval or None
        Lines behind the mark.
    """

    value: float | None
    thin: Interval | None = None
    thick: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One axis.

    Parameters
    ----------
    head : str
        What is measured.
    ends : tuple of str
        Words at both ends of the axis; both may be empty.
    low, high : float
    rungs : tuple of Rung
        One a row.
    reference : float or None
        Where a line runs through all rows.
    band : Interval or None
        Shaded.
    signed : bool
        Whether the numbers under the axis bear their sign.
    """

    head: str
    ends: tuple[str, str]
    low: float
    high: float
    rungs: tuple[Rung, ...]
    reference: float | None = None
    band: Interval | None = None
    signed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """Rows by name, their axes side by side, and the words that say how to read them."""

    labels: tuple[str, ...]
    tracks: tuple[Track, ...]
    key: str


def ladder_scene(ladder: Ladder, sheet: Sheet) -> Scene:
    """Lay a ladder out on a sheet."""
    room = LABELS if sheet.beside else LABELS_NARROW
    names = [wrap(label, STYLE.note, room) for label in ladder.labels]
    left = max(text_width(line, STYLE.note) for name in names for line in name) + ASIDE
    frames = _frames(ladder, sheet, left)
    shapes, top = _heads(ladder, frames)
    middles, bottom = _middles(names, top)
    for track, frame in zip(ladder.tracks, frames, strict=True):
        shapes += _behind(track, frame, top, bottom)
    for middle in middles:
        shapes.append(Line(start=(left, middle), end=(sheet.width, middle), ink="hair"))
    for track, frame in zip(ladder.tracks, frames, strict=True):
        for rung, middle in zip(track.rungs, middles, strict=True):
            shapes += _rung(rung, frame, middle)
        shapes += _numbers(track, frame, bottom)
    for name, middle in zip(names, middles, strict=True):
        first = middle - STYLE.leading * (len(name) - 1) / 2 + STYLE.note * 0.36
        shapes += column(name, Text(x=0, y=first, text="", size=STYLE.note), STYLE.leading)
    lines, end = key_lines(ladder.key, sheet.width, bottom + 9 + STYLE.small + 12)
    return Scene(width=sheet.width, height=round(end), shapes=(*shapes, *lines))


def _frames(ladder: Ladder, sheet: Sheet, left: float) -> list[Frame]:
    """Share the room beside the names among the axes."""
    count = len(ladder.tracks)
    gap = GAP if sheet.beside else GAP / 2
    wide = (sheet.width - left - gap * (count - 1)) / count
    return [
        Frame(
            sheet=sheet,
            left=left + place * (wide + gap) + INSET,
            right=left + place * (wide + gap) + wide - INSET,
            low=track.low,
            high=track.high,
        )
        for place, track in enumerate(ladder.tracks)
    ]


def _heads(ladder: Ladder, frames: list[Frame]) -> tuple[list[Shape], float]:
    """Set what each axis measures over it, its ends in words, and tell where the rows start."""
    sides = [(frame.left - INSET, frame.right + INSET) for frame in frames]
    heads = [
        wrap(track.head, STYLE.note, right - left, bold=True)
        for track, (left, right) in zip(ladder.tracks, sides, strict=True)
    ]
    y = STYLE.leading * max(map(len, heads)) - 3
    shapes: list[Shape] = []
    below = 0
    for track, head, side in zip(ladder.tracks, heads, sides, strict=True):
        first = y - STYLE.leading * (len(head) - 1)
        over = Text(x=side[0], y=first, text="", size=STYLE.note, bold=True)
        shapes += column(head, over, STYLE.leading)
        if any(track.ends):
            words, lines = end_words(track.ends, STYLE.small, side, y + STYLE.leading)
            shapes += words
            below = max(below, lines)
    return shapes, y + STYLE.leading * below + 8


def _middles(names: list[tuple[str, ...]], top: float) -> tuple[list[float], float]:
    """Place the middle of every row, and tell where the last one ends."""
    middles, y = [], top
    for name in names:
        tall = max(ROW, STYLE.leading * len(name) + 4)
        middles.append(y + tall / 2)
        y += tall
    return middles, y


def _behind(track: Track, frame: Frame, top: float, bottom: float) -> list[Shape]:
    """Draw the band and the line of reference behind all rows."""
    shapes: list[Shape] = []
    if track.band is not None:
        ends = frame.x(track.band.low), frame.x(track.band.high)
        shapes.append(rectangle(ends[0], top, ends[1], bottom, "band"))
        shapes += [Line(start=(x, top), end=(x, bottom), ink="edge", dashed=True) for x in ends]
    if track.reference is not None:
        x, dashed = frame.x(track.reference), track.band is None
        shapes.append(Line(start=(x, top), end=(x, bottom), ink="edge", dashed=dashed))
    return shapes


def _rung(rung: Rung, frame: Frame, y: float) -> list[Shape]:
    shapes: list[Shape] = []
    for interval, width, ink in ((rung.thin, 2.0, "people"), (rung.thick, 5.0, "people")):
        if interval is not None:
            ends = (frame.x(max(interval.low, frame.low)), frame.x(min(interval.high, frame.high)))
            shapes.append(Line(start=(ends[0], y), end=(ends[1], y), ink=ink, width=width))
    if rung.value is not None:
        centre = ((frame.x(rung.value), y),)
        shapes.append(Marks(centres=centre, radius=6.0, ink="ground"))
        shapes.append(Marks(centres=centre, radius=4.5, ink="ink"))
    return shapes


def _numbers(track: Track, frame: Frame, y: float) -> list[Shape]:
    """Draw an axis under the rows."""
    most = max(2, int((frame.right - frame.left) / TICK))
    values, digits = nice_ticks(track.low, track.high, most)
    shapes: list[Shape] = [Line(start=(frame.left, y), end=(frame.right, y), ink="edge")]
    write = wording.signed if track.signed else wording.number
    for value in values:
        x = frame.x(value)
        shapes.append(Line(start=(x, y), end=(x, y + 4), ink="edge"))
        shapes.append(
            Text(
                x=x,
                y=y + 5 + STYLE.small,
                text=write(value, digits),
                size=STYLE.small,
                ink="soft",
                anchor="middle",
            )
        )
    return shapes
