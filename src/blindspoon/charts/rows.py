"""One row of a strip: people stand on a base line, what is concluded lies under it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from blindspoon.charts.layout import INSET, LABEL, LEADING, NOTE, Frame
from blindspoon.charts.measure import text_width, wrap
from blindspoon.charts.people import Size, dodge, height, outline
from blindspoon.charts.scene import Area, Line, Marks, Shape, Text, column, rectangle
from blindspoon.compare.results import Interval
from blindspoon.scores import FloatArray

HILL, LEAST = 44.0, 14.0
"""Pixels over a base line for the highest hill, and for the lowest stack of marks."""
UNDER, ABOVE, BELOW = 18.0, 6.0, 6.0
"""Pixels under a base line for the estimate, and free over and under a row."""
ESTIMATE = 5.0
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


def draw_row(
    row: Row, hill: FloatArray | None, guides: Guides, frame: Frame, crowd: Crowd, y: float
) -> tuple[list[Shape], float]:
    """Draw one variant from y downwards, and tell where it ends."""
    tall = _people_height(row, frame, crowd)
    least = ABOVE + tall + UNDER + BELOW
    if frame.sheet.beside:
        top, bottom = y, y + max(least, _height_beside(row, frame))
    else:
        over, top = _words_over(row, frame, y)
        bottom = top + least
    base = (top + bottom - least) / 2 + ABOVE + tall
    words = _words_beside(row, frame, base, (top, bottom)) if frame.sheet.beside else over
    shapes = _behind(guides, frame, top, bottom)
    ends = (frame.left - INSET, frame.right + INSET)
    shapes.append(Line(start=(ends[0], base), end=(ends[1], base), ink="hair"))
    shapes += _people(row, hill, frame, crowd, base)
    shapes += _concluded(row, frame, base + UNDER / 2)
    return [*shapes, *words], bottom


def _people_height(row: Row, frame: Frame, crowd: Crowd) -> float:
    if crowd.size is None:
        return HILL
    return max(height(frame.xs(row.values), crowd.size), LEAST)


def _label(row: Row, frame: Frame) -> tuple[str, ...]:
    return wrap(row.label, LABEL, frame.left - INSET - ASIDE, bold=True)


def _notes(row: Row, frame: Frame) -> list[str]:
    room = frame.sheet.width - frame.right - INSET - ASIDE
    first = list(wrap(row.notes[0], NOTE, room, bold=True))
    return first + [line for note in row.notes[1:] for line in wrap(note, NOTE, room)]


def _height_beside(row: Row, frame: Frame) -> float:
    lines = max(len(_label(row, frame)), len(_notes(row, frame)))
    return LEADING * lines + ABOVE + BELOW


def _words_beside(row: Row, frame: Frame, base: float, within: tuple[float, float]) -> list[Shape]:
    """Set the label and the numbers beside a row, as near to its base line as they fit."""
    label, notes = _label(row, frame), _notes(row, frame)
    left, right = (_first_line(len(lines), base, within) for lines in (label, notes))
    first = Text(x=0, y=left, text="", size=LABEL, bold=True)
    aside = Text(x=frame.right + INSET + ASIDE, y=right, text="", size=NOTE, ink="soft")
    head, *rest = column(notes, aside, LEADING)
    return [*column(label, first, LEADING), replace(head, ink="ink", bold=True), *rest]


def _first_line(lines: int, base: float, within: tuple[float, float]) -> float:
    """Place the first of some lines so that their middle is near a base line."""
    half = LEADING * lines / 2
    middle = min(max(base - NOTE / 3, within[0] + 4 + half), within[1] - 4 - half)
    return middle - half + LEADING / 2 + NOTE * 0.36


def _words_over(row: Row, frame: Frame, y: float) -> tuple[list[Shape], float]:
    width, notes = frame.sheet.width, row.aside
    label = wrap(row.label, LABEL, width, bold=True)
    y += LABEL + 6
    texts = column(label, Text(x=0, y=y, text="", size=LABEL, bold=True), LEADING)
    y = texts[-1].y
    if texts[-1].box.right + 12 + text_width(notes, NOTE) <= width:
        note = Text(x=width, y=y, text=notes, size=NOTE, ink="soft", anchor="end")
        return [*texts, note], y + 5
    lines = column(
        wrap(notes, NOTE, width), Text(x=0, y=y + LEADING, text="", size=NOTE, ink="soft"), LEADING
    )
    return [*texts, *lines], lines[-1].y + 5


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
    for interval, width in ((row.outer, 2.0), (row.inner, 5.0)):
        if interval is not None:
            shapes += _bar(interval, width, row.ink, frame, y)
    if row.estimate is not None:
        centre = (frame.x(min(max(row.estimate, frame.low), frame.high)), y)
        shapes.append(Marks(centres=(centre,), radius=ESTIMATE + 1.5, ink="ground", kind=row.mark))
        shapes.append(Marks(centres=(centre,), radius=ESTIMATE, ink=row.ink, kind=row.mark))
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
