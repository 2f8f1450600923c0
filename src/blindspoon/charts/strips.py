"""Rows of tasters over one axis.

The charts of differences and of scores are both such strips; they differ in their axis and in
what is drawn behind the rows.
"""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.charts.layout import (
    INSET,
    LABEL,
    LEADING,
    NOTE,
    SMALL,
    Frame,
    Sheet,
    end_words,
    key_lines,
)
from blindspoon.charts.measure import text_width
from blindspoon.charts.people import MOST_MARKS, hill, size_for
from blindspoon.charts.rows import ASIDE, HILL, Crowd, Guides, Row, draw_row
from blindspoon.charts.scene import Box, Line, Scene, Shape, Text
from blindspoon.scores import FloatArray

LABELS, NOTES = 190.0, 126.0
"""Widest columns of words beside the rows, in pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """All rows and their axis, before the size of the page is known.

    Parameters
    ----------
    rows : tuple of Row
    low, high : float
        Ends of the axis.
    step : float
        Step of the scale; 0 if it has none.
    ends : tuple of str
        Words at both ends of the axis.
    guides : Guides
    ticks : tuple of (float, str)
    key : str
        How to read the chart, in words.
    """

    rows: tuple[Row, ...]
    low: float
    high: float
    step: float
    ends: tuple[str, str]
    guides: Guides
    ticks: tuple[tuple[float, str], ...]
    key: str


def draw(strip: Strip, sheet: Sheet) -> Scene:
    """Lay a strip out on a sheet."""
    frame = _frame(strip, sheet)
    crowd, hills = _crowd(strip, frame)
    shapes, y = _header(strip, frame)
    for row, high in zip(strip.rows, hills, strict=True):
        drawn, y = draw_row(row, high, strip.guides, frame, crowd, y)
        shapes += drawn
    drawn, y = _axis(strip, frame, y)
    shapes += drawn
    drawn, y = key_lines(strip.key, sheet.width, y + 10)
    return Scene(width=sheet.width, height=round(y), shapes=(*shapes, *drawn))


def _frame(strip: Strip, sheet: Sheet) -> Frame:
    left, right = INSET, sheet.width - INSET
    if sheet.beside:
        labels = [text_width(row.label, LABEL, bold=True) for row in strip.rows]
        notes = [text_width(note, NOTE, bold=True) for row in strip.rows for note in row.notes]
        left += min(LABELS, max(labels)) + ASIDE
        right -= min(NOTES, max(notes)) + ASIDE
    return Frame(sheet=sheet, left=left, right=right, low=strip.low, high=strip.high)


def _crowd(strip: Strip, frame: Frame) -> tuple[Crowd, list[FloatArray | None]]:
    """Decide how people are drawn; hills share one scale, so that equal areas are equal shares."""
    rows = [row.values for row in strip.rows]
    if max(values.size for values in rows) <= MOST_MARKS:
        return Crowd(size=size_for([frame.xs(values) for values in rows])), [None] * len(rows)
    hills = [
        hill(values, strip.low, strip.high, strip.step) if values.size else None for values in rows
    ]
    highest = max(float(each.max()) for each in hills if each is not None)
    return Crowd(per_density=HILL / highest), hills


def _header(strip: Strip, frame: Frame) -> tuple[list[Shape], float]:
    """Words over the axis: its ends, and what the line through the rows stands for."""
    shapes, rows = end_words(strip.ends, NOTE, (frame.left - INSET, frame.right + INSET), NOTE)
    words = _reference_words(strip, frame)
    if words is not None and any(words.box.overlaps(_padded(shape)) for shape in shapes):
        words = words.moved(0, LEADING * rows)
        rows += 1
    return [*shapes, *([words] if words else [])], LEADING * rows + 4


def _padded(text: Text) -> Box:
    box = text.box
    return Box(box.left - 8, box.top, box.right + 8, box.bottom)


def _reference_words(strip: Strip, frame: Frame) -> Text | None:
    if not strip.guides.words or strip.guides.reference is None:
        return None
    half = text_width(strip.guides.words, NOTE) / 2
    x = min(max(frame.x(strip.guides.reference), half), frame.sheet.width - half)
    return Text(x=x, y=NOTE, text=strip.guides.words, size=NOTE, anchor="middle")


def _axis(strip: Strip, frame: Frame, y: float) -> tuple[list[Shape], float]:
    shapes: list[Shape] = []
    for value, words in strip.ticks:
        x = frame.x(value)
        half = text_width(words, SMALL) / 2
        place = min(max(x, half), frame.sheet.width - half)
        shapes.append(Line(start=(x, y), end=(x, y + 4), ink="edge"))
        shapes.append(
            Text(x=place, y=y + 5 + SMALL, text=words, size=SMALL, ink="soft", anchor="middle")
        )
    return shapes, y + SMALL + 9
