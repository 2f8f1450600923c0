"""Rows of tasters over one axis.

The charts of differences and of scores are both such strips; they differ in their axis and in
what is drawn behind the rows.

Tasters as marks that do not hide one another; where they are too many, as a hill.

One row of a strip: people stand on a base line, what is concluded lies under it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blindspoon.arrays import FloatArray
from blindspoon.charts.scene import (
    Area,
    Box,
    Line,
    Marks,
    Point,
    Scene,
    Shape,
    Text,
    column,
    rectangle,
)
from blindspoon.charts.style import INSET, WIDE, Frame, Laid, Sheet, Style, end_words, key_lines
from blindspoon.charts.text import text_width, wrap
from blindspoon.stats.results import Interval

MOST_MARKS = WIDE.style.marks
"""Tasters that are told apart; more are drawn as a hill."""
DIAMETERS, TALLEST = WIDE.style.diameters, WIDE.style.tallest
"""Of marks, and what a stack should not exceed while it can be split or they made smaller."""
ABREAST = 0.7
"""Share of the way to the next place that marks side by side may fill."""
BINS = 200


Places = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Size:
    """How large marks are, and how many of one place stand side by side."""

    diameter: float
    abreast: int


def dodge(places: Places, size: Size) -> tuple[Point, ...]:
    """Put marks where none hides another: in stacks that are some marks wide.

    Parameters
    ----------
    places : float array, shape (n,)
        Along the axis, in pixels.
    size : Size

    Returns
    -------
    tuple of (float, float)
        Centre of each mark: along the axis, and above the base line, in pixels.

    Examples
    --------
    >>> dodge(np.array([10.0, 10.0, 13.0]), Size(8.0, 1))
    ((10.0, 4.0), (10.0, 12.0), (13.0, 20.0))
    >>> dodge(np.array([10.0, 10.0, 10.0]), Size(8.0, 2))
    ((6.0, 4.0), (14.0, 4.0), (10.0, 12.0))
    """
    shifted = places + size.diameter * _aside(places, size.abreast)
    levels = _levels(shifted, size.diameter)
    return tuple(
        (float(x), size.diameter * (level + 0.5)) for x, level in zip(shifted, levels, strict=True)
    )


def _aside(places: Places, abreast: int) -> Places:
    """Shift marks of one place aside, in diameters: each level is centred on the place."""
    shifts = np.zeros(places.size)
    for place in np.unique(places.round(3)):
        tied = np.flatnonzero(places.round(3) == place)
        order = np.arange(tied.size)
        in_level = np.minimum(abreast, tied.size - order // abreast * abreast)
        shifts[tied] = order % abreast - (in_level - 1) / 2
    return shifts


def _levels(places: Places, diameter: float) -> list[int]:
    """Give each mark the lowest level where it touches no other."""
    levels, ends = [0] * places.size, list[float]()
    for mark in np.argsort(places, kind="stable"):
        place = float(places[mark])
        free = (level for level, end in enumerate(ends) if end <= place - diameter + 1e-6)
        level = next(free, len(ends))
        ends[level : level + 1] = [place]
        levels[mark] = level
    return levels


def height(places: Places, size: Size) -> float:
    """How high the marks of a row reach above its base line, in pixels."""
    return max((above for _, above in dodge(places, size)), default=0.0) + size.diameter / 2


def size_for(
    rows: list[Places], diameters: tuple[float, ...] = DIAMETERS, tallest: float = TALLEST
) -> Size:
    """Choose the largest marks with which no row is too tall, the smallest if none will do.

    Parameters
    ----------
    rows : list of float array
        Places along the axis, in pixels.
    diameters : tuple of float
        Largest first.
    tallest : float
        Pixels that no row should exceed.
    """
    distinct = [np.unique(row.round(3), return_counts=True) for row in rows if row.size]
    gaps = [float(np.diff(places).min()) for places, _ in distinct if places.size > 1]
    room = min(ABREAST * min(gaps, default=math.inf), 2 * INSET)
    most = max((int(counts.max()) for _, counts in distinct), default=0)
    sizes = [
        Size(diameter, max(1, min(int(room / diameter), math.ceil(most * diameter / tallest))))
        for diameter in diameters
    ]
    fits = (size for size in sizes if max(height(row, size) for row in rows) <= tallest)
    return next(fits, sizes[-1])


def hill(values: FloatArray, low: float, high: float, step: float) -> FloatArray:
    """Estimate how densely values lie along an axis.

    Parameters
    ----------
    values : float array, shape (n,)
    low, high : float
        Ends of the axis.
    step : float
        Step of the scale, 0 if it has none: ties are smoothed over half of it.

    Returns
    -------
    float array, shape (BINS,)
        Share of the values in each of equal parts of the axis, smoothed.

    Notes
    -----
    A Gaussian kernel with the bandwidth of D. W. Scott 1992, *Multivariate Density Estimation*:
    1.06 sd n**(-1/5), and not less than half a step.

    Examples
    --------
    >>> density = hill(np.array([4.0, 5.0, 6.0]), 0.0, 10.0, 1.0)
    >>> int(density.argmax()), round(float(density.sum()), 2)
    (100, 1.0)
    """
    counts, edges = np.histogram(values, BINS, (low, high))
    scott = 1.06 * float(values.std()) * values.size**-0.2
    width = max(scott, step / 2, (high - low) / 100)
    offsets = np.arange(-BINS, BINS + 1) * (edges[1] - edges[0])
    kernel = np.exp(-0.5 * (offsets / width) ** 2)
    smooth = np.convolve(counts, kernel / kernel.sum(), mode="full")[BINS : 2 * BINS]
    return np.asarray(smooth / values.size, dtype=np.float64)


def outline(
    density: FloatArray, left: float, right: float, base: float, tall: float
) -> tuple[Point, ...]:
    """Corners of a hill that stands on a base line; a density of 1 is `tall` pixels high."""
    xs = np.linspace(left, right, density.size)
    seen = density * tall > 0.2
    first, last = int(seen.argmax()), density.size - int(seen[::-1].argmax())
    top = [(float(x), base - float(y)) for x, y in zip(xs, density * tall, strict=True)][first:last]
    return ((top[0][0], base), *top, (top[-1][0], base))


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
