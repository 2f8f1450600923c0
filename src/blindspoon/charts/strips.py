"""Rows of tasters over one axis.

The charts of differences and of scores are both such strips; they differ in their axis and in
what is drawn behind the rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from blindspoon.charts.layout import (
    INSET,
    Frame,
    Laid,
    Sheet,
    end_words,
    key_lines,
)
from blindspoon.charts.measure import text_width
from blindspoon.charts.people import hill, size_for
from blindspoon.charts.rows import ASIDE, Crowd, DrawnRow, Guides, Row, draw_row
from blindspoon.charts.scene import Box, Line, Scene, Shape, Text
from blindspoon.scores import FloatArray

LABELS = 0.45
"""Share of the width that the labels beside the rows may take."""
LEAST_PLOT, TICK_GAP = 100.0, 4.0
"""Pixels that the plot has at least between the words beside it, and between ticks' words."""


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
    brief : tuple of str
        The same for a picture that is seen for seconds: with people as marks, and as hills.
    """

    rows: tuple[Row, ...]
    low: float
    high: float
    step: float
    ends: tuple[str, str]
    guides: Guides
    ticks: tuple[tuple[float, str], ...]
    key: str
    brief: tuple[str, str]


def draw(strip: Strip, sheet: Sheet) -> Scene:
    """Draw a strip on a sheet."""
    return lay(strip, sheet).scene


def lay(strip: Strip, sheet: Sheet) -> Laid:
    """Lay a strip out on a sheet."""
    frame = _frame(strip, sheet)
    crowd, hills = _crowd(strip, frame)
    ends, words, y = _header(strip, frame)
    rows = list[DrawnRow]()
    for row, high in zip(strip.rows, hills, strict=True):
        rows.append(draw_row(row, high, strip.guides, frame, crowd, y))
        y = rows[-1].bottom
    ticks, y = _axis(strip, frame, y)
    key = strip.brief[crowd.size is None] if sheet.style.brief else strip.key
    lines, y = key_lines(key, sheet.width, y + 10, sheet.style)
    parts: list[tuple[int, list[Shape]]] = [(0, [*ends]), (1, [*words])]
    for step, drawn in enumerate(rows, 2):
        parts += [(1, drawn.behind), (0, [drawn.line]), (step, drawn.shapes)]
    parts += [(0, ticks), (2, lines)]
    return Laid(
        scene=Scene(
            width=sheet.width,
            height=round(y),
            shapes=tuple(shape for _, shapes in parts for shape in shapes),
        ),
        kind="Dot plot" if crowd.size else "Density plot",
        rows=len(rows),
        cramped=frame.right - frame.left < LEAST_PLOT,
        steps=tuple(step for step, shapes in parts for _ in shapes),
    )


def _frame(strip: Strip, sheet: Sheet) -> Frame:
    left, right, style = INSET, sheet.width - INSET, sheet.style
    if sheet.beside:
        labels = [text_width(row.label, style.label, bold=True) for row in strip.rows]
        left += min(style.labels, LABELS * sheet.width, max(labels)) + ASIDE
    if sheet.beside and style.notes:
        notes = [each for row in strip.rows for each in row.said(style)]
        widest = max(text_width(note, style.note, bold=True) for note in notes)
        right -= min(style.numbers, widest) + ASIDE
    return Frame(sheet=sheet, left=left, right=right, low=strip.low, high=strip.high)


def _crowd(strip: Strip, frame: Frame) -> tuple[Crowd, list[FloatArray | None]]:
    """Decide how people are drawn; hills share one scale, so that equal areas are equal shares."""
    style = frame.sheet.style
    rows = [row.values for row in strip.rows]
    if max(values.size for values in rows) <= style.marks:
        places = [frame.xs(values) for values in rows]
        return Crowd(size=size_for(places, style.diameters, style.tallest)), [None] * len(rows)
    hills = [
        hill(values, strip.low, strip.high, strip.step) if values.size else None for values in rows
    ]
    highest = max(float(each.max()) for each in hills if each is not None)
    return Crowd(per_density=style.hill / highest), hills


def _header(strip: Strip, frame: Frame) -> tuple[list[Text], list[Text], float]:
    """Words over the axis: its ends, what the line through the rows stands for; where they end."""
    style, sides = frame.sheet.style, (frame.left - INSET, frame.right + INSET)
    ends, rows = end_words(strip.ends, style.note, sides, style.note, style.leading)
    words = _reference_words(strip, frame)
    if words is not None and any(words.box.overlaps(_padded(text)) for text in ends):
        words = words.moved(0, style.leading * rows)
        rows += 1
    return ends, [words] if words else [], style.leading * rows + 4


def _padded(text: Text) -> Box:
    box = text.box
    return Box(box.left - 8, box.top, box.right + 8, box.bottom)


def _reference_words(strip: Strip, frame: Frame) -> Text | None:
    if not strip.guides.words or strip.guides.reference is None:
        return None
    size = frame.sheet.style.note
    half = text_width(strip.guides.words, size) / 2
    x = min(max(frame.x(strip.guides.reference), half), frame.sheet.width - half)
    return Text(x=x, y=size, text=strip.guides.words, size=size, anchor="middle")


def _axis(strip: Strip, frame: Frame, y: float) -> tuple[list[Shape], float]:
    shapes: list[Shape] = []
    size = frame.sheet.style.small
    for value, words in _ticks(strip, frame):
        x = frame.x(value)
        half = text_width(words, size) / 2
        place = min(max(x, half), frame.sheet.width - half)
        shapes.append(Line(start=(x, y), end=(x, y + 4), ink="edge"))
        shapes.append(
            Text(x=place, y=y + 5 + size, text=words, size=size, ink="soft", anchor="middle")
        )
    return shapes, y + size + 9


def _ticks(strip: Strip, frame: Frame) -> tuple[tuple[float, str], ...]:
    """Leave ticks out, but not zero, where their words would touch."""
    zero = next((place for place, (value, _) in enumerate(strip.ticks) if value == 0), 0)
    for every in (1, 2, 5):
        kept = strip.ticks[zero % every :: every]
        widths = [text_width(words, frame.sheet.style.small) for _, words in kept]
        gaps = (frame.x(b) - frame.x(a) for (a, _), (b, _) in pairwise(kept))
        room = zip(gaps, pairwise(widths), strict=True)
        if all(gap >= (one + other) / 2 + TICK_GAP for gap, (one, other) in room):
            break
    return kept
