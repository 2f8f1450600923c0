"""The chart of all attributes: where each variant's mean lies on each attribute's own scale."""

from __future__ import annotations

import math
from collections.abc import Sequence

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.layout import (
    LEADING,
    NARROW,
    NOTE,
    SMALL,
    WIDE,
    Frame,
    Sheet,
    end_words,
    key_lines,
)
from blindspoon.charts.measure import text_width, wrap
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.picture import Picture
from blindspoon.charts.scene import Line, Marks, Scene, Shape, Text, column
from blindspoon.charts.titles import alt, profiles_title

RADIUS, INSET, GAP = 5.0, 8.0, 26.0
ROW = 21.0
MOST_COLUMNS, LEAST_COLUMN = 4, 110.0


def profiles_chart(pictures: Sequence[Picture]) -> Chart:
    """Draw the means of all variants on all attributes.

    Parameters
    ----------
    pictures : sequence of Picture
        One an attribute, at least one, all of the same trial.
    """
    title = profiles_title(pictures)
    variants = wording.count(len(pictures[0].variants), "variant")
    data = f"the mean scores of {variants} on {wording.count(len(pictures), 'attribute')}"
    return chart_of(
        name="profiles",
        title=title,
        alt=alt("Dot plot", data, title),
        wide=profiles_scene(pictures, WIDE),
        narrow=profiles_scene(pictures, NARROW),
        source=pictures[0].source,
    )


def profiles_scene(pictures: Sequence[Picture], sheet: Sheet) -> Scene:
    """Set attributes side by side, as many as there is room for, then in further tiers."""
    labels = _labels(pictures[0], sheet)
    left = max(text_width(line, NOTE) for lines in labels for line in lines) + 12
    across = _columns(len(pictures), sheet)
    wide = (sheet.width - left - GAP * (across - 1)) / across
    shapes: list[Shape] = []
    y = 0.0
    for first in range(0, len(pictures), across):
        tier = pictures[first : first + across]
        starts = [left + place * (wide + GAP) for place in range(len(tier))]
        drawn, y = _tier(tier, [(x, x + wide) for x in starts], labels, y, sheet)
        shapes += drawn
        y += 18
    drawn, y = key_lines(KEY, sheet.width, y - 8)
    return Scene(width=sheet.width, height=y, shapes=(*shapes, *drawn))


KEY = (
    "Means of the scores, each attribute on its own scale. The diamond and the dashed line are the "
    "control’s. A full dot: a difference from the control was shown; a ring: it was not."
)


def _labels(picture: Picture, sheet: Sheet) -> list[tuple[str, ...]]:
    room = 190.0 if sheet.beside else 150.0
    return [
        wrap(variant.label + (" (control)" if place == picture.control else ""), NOTE, room)
        for place, variant in enumerate(picture.variants)
    ]


def _columns(attributes: int, sheet: Sheet) -> int:
    """Attributes side by side: tiers as even as they can be."""
    if not sheet.beside:
        return 1
    tiers = math.ceil(attributes / MOST_COLUMNS)
    return math.ceil(attributes / tiers)


def _tier(
    pictures: Sequence[Picture],
    columns: Sequence[tuple[float, float]],
    labels: list[tuple[str, ...]],
    y: float,
    sheet: Sheet,
) -> tuple[list[Shape], float]:
    """Draw attributes side by side from y downwards, and tell where they end."""
    shapes: list[Shape] = []
    heads = [
        wrap(picture.attribute.label, NOTE, right - left, bold=True)
        for picture, (left, right) in zip(pictures, columns, strict=True)
    ]
    top = y + LEADING * max(map(len, heads))
    for lines, (left, _) in zip(heads, columns, strict=True):
        start = top - LEADING * (len(lines) - 1) - 3
        shapes += column(lines, Text(x=left, y=start, text="", size=NOTE, bold=True), LEADING)
    tops = _row_tops(labels, top + 4)
    for lines, row in zip(labels, tops, strict=False):
        first = Text(x=0, y=row + NOTE + 2, text="", size=NOTE)
        shapes += column(lines, first, LEADING)
    ends = []
    for picture, (left, right) in zip(pictures, columns, strict=True):
        frame = Frame(
            sheet=sheet,
            left=left + INSET,
            right=right - INSET,
            low=picture.attribute.scale.low,
            high=picture.attribute.scale.high,
        )
        drawn, end = _panel(picture, frame, tops)
        shapes += drawn
        ends.append(end)
    return shapes, max(ends)


def _row_tops(labels: list[tuple[str, ...]], y: float) -> list[float]:
    """Where each row begins, and where the last ends."""
    tops = [y]
    for lines in labels:
        tops.append(tops[-1] + ROW + LEADING * (len(lines) - 1))
    return tops


def _panel(picture: Picture, frame: Frame, tops: list[float]) -> tuple[list[Shape], float]:
    """Draw one attribute: a line a variant, a mark at its mean, words at the ends."""
    shapes: list[Shape] = []
    for place in range(len(picture.variants)):
        if math.isfinite(picture.mean(place)):
            shapes += _behind(picture, frame, tops[place], tops[place + 1])
            shapes.append(_mark(picture, place, frame, tops[place] + ROW / 2))
        else:
            y = tops[place] + ROW / 2 + 4
            shapes.append(Text(x=frame.left, y=y, text="not scored", size=SMALL, ink="soft"))
    words, end = _ends(picture, frame, tops[-1])
    return [*shapes, *words], end


def _behind(picture: Picture, frame: Frame, top: float, bottom: float) -> list[Shape]:
    """Draw the line of one variant, and the control's across it."""
    y, control = top + ROW / 2, picture.mean(picture.control)
    line = Line(start=(frame.left - INSET, y), end=(frame.right + INSET, y), ink="hair")
    if not math.isfinite(control):
        return [line]
    x = frame.x(control)
    return [line, Line(start=(x, top), end=(x, bottom), ink="edge", dashed=True)]


def _mark(picture: Picture, place: int, frame: Frame, y: float) -> Marks:
    ink = variant_inks(len(picture.variants), picture.control)[place]
    centres = ((frame.x(picture.mean(place)), y),)
    if place == picture.control:
        return Marks(centres=centres, radius=RADIUS + 1, ink=ink, kind="diamond")
    verdict = picture.verdict(place)
    shown = verdict is not None and verdict.kind in ("different", "slight")
    return Marks(centres=centres, radius=RADIUS, ink=ink, kind="disc" if shown else "ring")


def _ends(picture: Picture, frame: Frame, y: float) -> tuple[list[Text], float]:
    """Put number and word at both ends of the scale."""
    attribute = picture.attribute
    low = f"{wording.plain(attribute.scale.low)} {attribute.low}".strip()
    high = f"{wording.plain(attribute.scale.high)} {attribute.high}".strip()
    sides = (frame.left - INSET, frame.right + INSET)
    texts, lines = end_words((low, high), SMALL, sides, y + SMALL + 3)
    return texts, y + LEADING * lines + 4
