"""The chart of all attributes: where each variant's mean lies on each attribute's own scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from blindspoon import wording
from blindspoon.charts.chart import Chart, Drawing
from blindspoon.charts.picture import Picture, profiles_title
from blindspoon.charts.scene import Line, Marks, Scene, Shape, Text, column
from blindspoon.charts.style import Frame, Laid, Sheet, Style, end_words, key_lines, variant_inks
from blindspoon.charts.text import text_width, wrap

INSET, GAP = 8.0, 26.0
MOST_COLUMNS, LEAST_COLUMN = 4, 56.0
LABELS_OVER = 150.0
"""Widest column of labels, in pixels, where a page has no room beside."""


def profiles_chart(pictures: Sequence[Picture]) -> Chart:
    """Draw the means of all variants on all attributes.

    Parameters
    ----------
    pictures : sequence of Picture
        One an attribute, at least one, all of the same trial.
    """
    return profiles_drawing(pictures).chart(pictures[0].source)


def profiles_drawing(pictures: Sequence[Picture]) -> Drawing:
    """Draw the same on a sheet of any size."""
    variants = wording.count(len(pictures[0].variants), "variant")
    return Drawing(
        name="profiles",
        title=profiles_title(pictures),
        data=f"the mean scores of {variants} on {wording.count(len(pictures), 'attribute')}",
        lay=partial(_lay, pictures),
        across=len(pictures),
    )


def profiles_scene(pictures: Sequence[Picture], sheet: Sheet) -> Scene:
    """Set attributes side by side, as many as there is room for, then in further tiers."""
    return _lay(pictures, sheet).scene


def _lay(pictures: Sequence[Picture], sheet: Sheet) -> Laid:
    style = sheet.style
    labels = _labels(pictures[0], sheet)
    left = max(text_width(line, style.note) for lines in labels for line in lines) + 12
    across = _columns(len(pictures), sheet)
    gap = min(GAP, 1.25 * style.row)
    wide = (sheet.width - left - gap * (across - 1)) / across
    shapes: list[Shape] = []
    y = 0.0
    for first in range(0, len(pictures), across):
        tier = pictures[first : first + across]
        starts = [left + place * (wide + gap) for place in range(len(tier))]
        drawn, y = _tier(tier, [(x, x + wide) for x in starts], labels, y, sheet)
        shapes += drawn
        y += 18
    drawn, y = key_lines(BRIEF if style.brief else KEY, sheet.width, y - 8, style)
    shapes += drawn
    return Laid(
        scene=Scene(width=sheet.width, height=y, shapes=tuple(shapes)),
        kind="Dot plot",
        rows=len(labels) * math.ceil(len(pictures) / across),
        cramped=wide < LEAST_COLUMN or _broken(pictures, wide, style),
        steps=(0,) * len(shapes),
    )


KEY = (
    "Means of the scores, each attribute on its own scale. The diamond and the dashed line are the "
    "control’s. A full dot: a difference from the control was shown; a ring: it was not."
)
BRIEF = (
    "Means. Diamond and dashed line: the control. Full dot: a difference was shown; ring: it was "
    "not."
)


def _labels(picture: Picture, sheet: Sheet) -> list[tuple[str, ...]]:
    style = sheet.style
    control = "" if style.brief else " (control)"
    room = style.labels if sheet.beside else min(style.labels, LABELS_OVER)
    return [
        wrap(variant.label + control * (place == picture.control), style.note, room)
        for place, variant in enumerate(picture.variants)
    ]


def _columns(attributes: int, sheet: Sheet) -> int:
    """Attributes side by side: tiers as even as they can be."""
    if sheet.across:
        return min(sheet.across, attributes)
    if not sheet.beside:
        return 1
    tiers = math.ceil(attributes / MOST_COLUMNS)
    return math.ceil(attributes / tiers)


def _broken(pictures: Sequence[Picture], width: float, style: Style) -> bool:
    """Whether a word at the head of a column, or at the end of its axis, is too long for it."""
    heads = [(word, picture) for picture in pictures for word in picture.attribute.label.split()]
    ends = [
        (word, picture)
        for picture in pictures
        for word in f"{picture.attribute.low} {picture.attribute.high}".split()
    ]
    bold = any(text_width(word, style.note, bold=True) > width for word, _ in heads)
    return bold or any(text_width(word, style.small) > width for word, _ in ends)


def _tier(
    pictures: Sequence[Picture],
    columns: Sequence[tuple[float, float]],
    labels: list[tuple[str, ...]],
    y: float,
    sheet: Sheet,
) -> tuple[list[Shape], float]:
    """Draw attributes side by side from y downwards, and tell where they end."""
    shapes: list[Shape] = []
    style = sheet.style
    heads = [
        wrap(picture.attribute.label, style.note, right - left, bold=True)
        for picture, (left, right) in zip(pictures, columns, strict=True)
    ]
    top = y + style.leading * max(map(len, heads))
    for lines, (left, _) in zip(heads, columns, strict=True):
        first = Text(
            x=left,
            y=top - style.leading * (len(lines) - 1) - 3,
            text="",
            size=style.note,
            bold=True,
        )
        shapes += column(lines, first, style.leading)
    tops = _row_tops(labels, top + 4, sheet)
    for lines, row in zip(labels, tops, strict=False):
        first = Text(x=0, y=row + _middle(sheet) + style.note / 3 - 0.5, text="", size=style.note)
        shapes += column(lines, first, style.leading)
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


def _row_tops(labels: list[tuple[str, ...]], y: float, sheet: Sheet) -> list[float]:
    """Where each row begins, and where the last ends."""
    tops = [y]
    for lines in labels:
        more = sheet.style.leading * (len(lines) - 1) + sheet.spare
        tops.append(tops[-1] + sheet.style.row + more)
    return tops


def _middle(sheet: Sheet) -> float:
    """From the top of a row to its line."""
    return (sheet.style.row + sheet.spare) / 2


def _panel(picture: Picture, frame: Frame, tops: list[float]) -> tuple[list[Shape], float]:
    """Draw one attribute: a line a variant, a mark at its mean, words at the ends."""
    shapes: list[Shape] = []
    for place in range(len(picture.variants)):
        if math.isfinite(picture.mean(place)):
            shapes += _behind(picture, frame, tops[place], tops[place + 1])
            shapes.append(_mark(picture, place, frame, tops[place] + _middle(frame.sheet)))
        else:
            y = tops[place] + _middle(frame.sheet) + 4
            shapes.append(
                Text(x=frame.left, y=y, text="not scored", size=frame.sheet.style.small, ink="soft")
            )
    words, end = _ends(picture, frame, tops[-1])
    return [*shapes, *words], end


def _behind(picture: Picture, frame: Frame, top: float, bottom: float) -> list[Shape]:
    """Draw the line of one variant, and the control's across it."""
    y, control = top + _middle(frame.sheet), picture.mean(picture.control)
    line = Line(start=(frame.left - INSET, y), end=(frame.right + INSET, y), ink="hair")
    if not math.isfinite(control):
        return [line]
    x = frame.x(control)
    return [line, Line(start=(x, top), end=(x, bottom), ink="edge", dashed=True)]


def _mark(picture: Picture, place: int, frame: Frame, y: float) -> Marks:
    ink = variant_inks(len(picture.variants), picture.control)[place]
    radius = frame.sheet.style.estimate
    centres = ((frame.x(picture.mean(place)), y),)
    if place == picture.control:
        return Marks(centres=centres, radius=radius + 1, ink=ink, kind="diamond")
    verdict = picture.verdict(place)
    shown = verdict is not None and verdict.kind in ("different", "slight")
    return Marks(centres=centres, radius=radius, ink=ink, kind="disc" if shown else "ring")


def _ends(picture: Picture, frame: Frame, y: float) -> tuple[list[Text], float]:
    """Put number and word at both ends of the scale."""
    attribute = picture.attribute
    low = f"{wording.plain(attribute.scale.low)} {attribute.low}".strip()
    high = f"{wording.plain(attribute.scale.high)} {attribute.high}".strip()
    sides, style = (frame.left - INSET, frame.right + INSET), frame.sheet.style
    texts, lines = end_words((low, high), style.small, sides, y + style.small + 3, style.leading)
    return texts, y + style.leading * lines + 4
