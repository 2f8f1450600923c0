"""One row of a strip: people stand on a base line, what is concluded lies under it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from blindspoon.charts.layout import INSET, Frame, Style
from blindspoon.charts.measure import wrap
from blindspoon.charts.people import Size, dodge, height, outline
from blindspoon.charts.scene import Area, Line, Marks, Shape, Text, column, rectangle
from blindspoon.compare.results import Interval
from blindspoon.scores import FloatArray

ASIDE = 14.0
"""Pixels between words and the plot beside them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One variant.

    Parameters
    ----------
    label : str
    notes : tuple of str
        Numbers and words beside the row; the first stands out.
    aside : str
        The same in one line.
    values : float array, shape (n,)
        One a taster, finite.
    ink : str
        Colour of the estimate.
    mark : {"disc", "diamond"}
        Shape of the estimate.
    estimate : float or None
    outer, inner : Interval or None
        Thin and thick part of the interval.
    short : tuple of str
        The notes in fewer words, for a picture that is seen for seconds; may be empty.
    """

    label: str
    notes: tuple[str, ...]
    aside: str
    values: FloatArray
    ink: str
    mark: Literal["disc", "diamond"] = "disc"
    estimate: float | None = None
    outer: Interval | None = None
    inner: Interval | None = None
    short: tuple[str, ...] = ()

    def said(self, style: Style) -> tuple[str, ...]:
        """Choose the notes for a style."""
        return self.short if style.brief and self.short else self.notes


@dataclass(frozen=True, slots=True, kw_only=True)
class Guides:
    """What runs behind all rows, in points.

    Parameters
    ----------
    reference : float or None
        Where a line runs through the rows.
    words : str
        What stands over that line; empty for a dashed line without words.
    band : Interval or None
        Shaded.
    """

    reference: float | None
    words: str = ""
    band: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Crowd:
    """How people are drawn, alike in all rows: as marks of one size, or as hills.

    Parameters
    ----------
    size : Size or None
        None for hills.
    per_density : float
        Pixels of height a unit of density; 0 for marks.
    """

    size: Size | None = None
    per_density: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnRow:
    """What lies behind a row, its base line, all that stands on it, and where it ends."""

    behind: list[Shape]
    line: Line
    shapes: list[Shape]
    bottom: float


def draw_row(
    row: Row, hill: FloatArray | None, guides: Guides, frame: Frame, crowd: Crowd, y: float
) -> DrawnRow:
    """Draw one variant from y downwards."""
    style = frame.sheet.style
    tall = _people_height(row, frame, crowd)
    least = style.pad + tall + style.under + style.pad
    if frame.sheet.beside:
        top, bottom = y, y + max(least, _height_beside(row, frame)) + frame.sheet.spare
    else:
        over, top = _words_over(row, frame, y)
        bottom = top + least + frame.sheet.spare
    base = (top + bottom - least) / 2 + style.pad + tall
    words = _words_beside(row, frame, base, (top, bottom)) if frame.sheet.beside else over
    ends = (frame.left - INSET, frame.right + INSET)
    people = _people(row, hill, frame, crowd, base)
    return DrawnRow(
        behind=_behind(guides, frame, top, bottom),
        line=Line(start=(ends[0], base), end=(ends[1], base), ink="hair"),
        shapes=[*people, *_concluded(row, frame, base + style.under / 2), *words],
        bottom=bottom,
    )


def _people_height(row: Row, frame: Frame, crowd: Crowd) -> float:
    if crowd.size is None:
        return frame.sheet.style.hill
    return max(height(frame.xs(row.values), crowd.size), frame.sheet.style.least)


def _label(row: Row, frame: Frame) -> tuple[str, ...]:
    return wrap(row.label, frame.sheet.style.label, frame.left - INSET - ASIDE, bold=True)


def _notes(row: Row, frame: Frame) -> tuple[list[str], list[str]]:
    """Lines of the note that stands out, and of the others."""
    if not frame.sheet.style.notes:
        return [], []
    size, room = frame.sheet.style.note, frame.sheet.width - frame.right - INSET - ASIDE
    notes = row.said(frame.sheet.style)
    first = list(wrap(notes[0], size, room, bold=True))
    return first, [line for note in notes[1:] for line in wrap(note, size, room)]


def _height_beside(row: Row, frame: Frame) -> float:
    lines = max(len(_label(row, frame)), sum(map(len, _notes(row, frame))))
    return frame.sheet.style.leading * lines + 2 * frame.sheet.style.pad


def _words_beside(row: Row, frame: Frame, base: float, within: tuple[float, float]) -> list[Shape]:
    """Set the label and the numbers beside a row, as near to its base line as they fit."""
    style = frame.sheet.style
    label, (first, others) = _label(row, frame), _notes(row, frame)
    notes = [*first, *others]
    left, right = (_first_line(len(lines), base, within, style) for lines in (label, notes))
    name = Text(x=0, y=left, text="", size=style.label, bold=True)
    aside = Text(x=frame.right + INSET + ASIDE, y=right, text="", size=style.note, ink="soft")
    numbers = column(notes, aside, style.leading)
    head = [replace(each, ink="ink", bold=True) for each in numbers[: len(first)]]
    return [*column(label, name, style.leading), *head, *numbers[len(first) :]]


def _first_line(lines: int, base: float, within: tuple[float, float], style: Style) -> float:
    """Place the first of some lines so that their middle is near a base line."""
    half, free = style.leading * lines / 2, max(style.pad - 2, 0.0)
    middle = min(max(base - style.note / 3, within[0] + free + half), within[1] - free - half)
    return middle - half + style.leading / 2 + style.note * 0.36


def _words_over(row: Row, frame: Frame, y: float) -> tuple[list[Shape], float]:
    width, style = frame.sheet.width, frame.sheet.style
    label = wrap(row.label, style.label, width, bold=True)
    first = Text(x=0, y=y + style.label + style.pad, text="", size=style.label, bold=True)
    texts = column(label, first, style.leading)
    y, free = texts[-1].y, max(style.pad - 1, 3.0)
    if not style.notes:
        return [*texts], y + free
    words = ", ".join(row.said(style)) if style.brief else row.aside
    note = Text(x=width, y=y, text=words, size=style.note, ink="soft", anchor="end")
    if texts[-1].box.right + 12 <= note.box.left:
        return [*texts, note], y + free
    under = replace(note, x=0, y=y + style.leading, anchor="start")
    lines = column(wrap(words, style.note, width), under, style.leading)
    return [*texts, *lines], lines[-1].y + free


def _behind(guides: Guides, frame: Frame, top: float, bottom: float) -> list[Shape]:
    """Draw the band and the reference line behind one row."""
    shapes: list[Shape] = []
    if guides.band is not None:
        low, high = frame.x(guides.band.low), frame.x(guides.band.high)
        shapes.append(rectangle(low, top, high, bottom, "band"))
        shapes += [_upright(x, top, bottom, "edge", dashed=True) for x in (low, high)]
    if guides.reference is not None:
        solid, x = bool(guides.words), frame.x(guides.reference)
        shapes.append(_upright(x, top, bottom, "ink" if solid else "edge", dashed=not solid))
    return shapes


def _upright(x: float, top: float, bottom: float, ink: str, *, dashed: bool) -> Line:
    return Line(start=(x, top), end=(x, bottom), ink=ink, dashed=dashed)


def _people(
    row: Row, hill: FloatArray | None, frame: Frame, crowd: Crowd, base: float
) -> list[Shape]:
    if hill is not None:
        edge = outline(hill, frame.left, frame.right, base, crowd.per_density)
        return [Area(corners=edge, ink="edge")]
    if crowd.size is None or not row.values.size:
        return []
    centres = tuple((x, base - above) for x, above in dodge(frame.xs(row.values), crowd.size))
    return [Marks(centres=centres, radius=crowd.size.diameter / 2 - 0.4, ink="people")]


def _concluded(row: Row, frame: Frame, y: float) -> list[Shape]:
    """Draw the estimate and its interval under a base line."""
    shapes: list[Shape] = []
    radius = frame.sheet.style.estimate
    for interval, width in ((row.outer, 0.4 * radius), (row.inner, radius)):
        if interval is not None:
            shapes += _bar(interval, width, row.ink, frame, y)
    if row.estimate is not None:
        centre = (frame.x(min(max(row.estimate, frame.low), frame.high)), y)
        shapes.append(Marks(centres=(centre,), radius=radius + 1.5, ink="ground", kind=row.mark))
        shapes.append(Marks(centres=(centre,), radius=radius, ink=row.ink, kind=row.mark))
    return shapes


def _bar(interval: Interval, width: float, ink: str, frame: Frame, y: float) -> list[Shape]:
    """Draw a line; where it goes on beyond the axis it ends in an arrow."""
    low, high = (min(max(end, frame.low), frame.high) for end in (interval.low, interval.high))
    shapes: list[Shape] = [
        Line(start=(frame.x(low), y), end=(frame.x(high), y), ink=ink, width=width)
    ]
    for end, shown, way in ((interval.low, low, -1), (interval.high, high, 1)):
        if end != shown:
            tip, root = frame.x(shown) + way * (INSET - 1), frame.x(shown)
            shapes.append(Area(corners=((root, y - 4.5), (tip, y), (root, y + 4.5)), ink=ink))
    return shapes
