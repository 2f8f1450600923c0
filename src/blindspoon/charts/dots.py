"""Dot plots: named rows beside one axis or more, each with people, an estimate and its interval.

Tasters are marks that do not hide one another; where they are too many, a density. They stand on
the base line of their row; what is concluded lies under it.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.charts.axis import (
    Axis,
    Reference,
    axis_bar,
    axis_behind,
    axis_header,
    axis_numbers,
)
from blindspoon.charts.scene import (
    INSET,
    LABEL,
    LEADING,
    NOTE,
    WIDE,
    Area,
    Laid,
    Line,
    MarkKind,
    Marks,
    Point,
    Scene,
    Shape,
    Sheet,
    Style,
    Text,
    block,
    key_lines,
    marked,
    rectangle,
    text_width,
)
from blindspoon.stats.results import Interval

MOST_MARKS = WIDE.style.marks  # tasters that are told apart; more are drawn as a density
DIAMETERS = (16.0, 14.0, 12.0, 10.0, 8.0, 7.0, 6.0, 5.0, 4.0)
ROWS = 7  # marks that a stack holds at least before it is too tall
DENSITY = 0.8  # height of the highest density, in that of the tallest stack
ABREAST = 0.7  # share of the way to the next place that marks side by side may fill
BINS = 200
LARGEST, LEAST = 7.0, 1.5
"""Radius of an answer's mark, and the one below which a bar stands for the marks, in pixels."""


class Size(NamedTuple):
    """How large marks are, and how many of one place stand side by side."""

    diameter: float
    abreast: int


def dodge(places: FloatArray, size: Size) -> tuple[Point, ...]:
    """Put marks, shape (n,), where none hides another: in stacks that are some marks wide.

    Gives the centre of each: along the axis, and above the base line, in pixels.

    >>> dodge(np.array([10.0, 10.0, 13.0]), Size(8.0, 1))
    ((10.0, 4.0), (10.0, 12.0), (13.0, 20.0))
    >>> dodge(np.array([10.0, 10.0, 10.0]), Size(8.0, 2))
    ((6.0, 4.0), (14.0, 4.0), (10.0, 12.0))
    """
    keys = places.round(3).tolist()
    tied, met, along = Counter(keys), Counter[float](), list[float]()
    for key, place in zip(keys, places.tolist(), strict=True):
        row, beside = divmod(met[key], size.abreast)  # each row of a stack is centred on the place
        met[key] += 1
        in_row = min(size.abreast, tied[key] - row * size.abreast)
        along.append(place + size.diameter * (beside - (in_row - 1) / 2))
    levels, ends = [0] * len(along), list[float]()  # the lowest where a mark touches no other
    for mark in sorted(range(len(along)), key=along.__getitem__):
        free = (n for n, end in enumerate(ends) if end <= along[mark] - size.diameter + 1e-6)
        levels[mark] = next(free, len(ends))
        ends[levels[mark] : levels[mark] + 1] = [along[mark]]
    return tuple((x, size.diameter * (n + 0.5)) for x, n in zip(along, levels, strict=True))


def height(places: FloatArray, size: Size) -> float:
    """How high the marks of a row reach above its base line, in pixels."""
    return max((above for _, above in dodge(places, size)), default=0.0) + size.diameter / 2


def size_for(rows: list[FloatArray], tallest: float) -> Size:
    """Choose the largest marks with which no row is too tall, the smallest if none will do.

    Rows are places along the axis; all is in pixels.
    """
    tied = [Counter(row.round(3).tolist()) for row in rows]
    gaps = (after - before for places in tied for before, after in pairwise(sorted(places)))
    room = min(ABREAST * min(gaps, default=math.inf), 2 * INSET)
    most = max((number for places in tied for number in places.values()), default=0)
    sizes = [
        Size(diameter, max(1, min(int(room / diameter), math.ceil(most * diameter / tallest))))
        for diameter in DIAMETERS
        if diameter <= max(tallest / ROWS, 5.0)
    ]
    fits = (size for size in sizes if all(height(row, size) <= tallest for row in rows))
    return next(fits, sizes[-1])


def density(values: FloatArray, low: float, high: float, step: float) -> FloatArray:
    """Estimate how densely values, shape (n,), lie along an axis.

    The share of them in each of `BINS` equal parts of it, smoothed; ties over half a step of the
    scale, which is 0 if it has none.

    A Gaussian kernel with the bandwidth of D. W. Scott 1992, *Multivariate Density Estimation*:
    1.06 sd n**(-1/5), and not less than half a step.

    >>> found = density(np.array([4.0, 5.0, 6.0]), 0.0, 10.0, 1.0)
    >>> int(found.argmax()), round(float(found.sum()), 2)
    (100, 1.0)
    """
    from scipy.ndimage import gaussian_filter1d  # noqa: PLC0415 - only for a crowd

    counts, edges = np.histogram(values, BINS, (low, high))
    scott = 1.06 * float(values.std()) * values.size**-0.2
    width = max(scott, step / 2, (high - low) / 100)
    smooth = gaussian_filter1d(counts / values.size, width / (edges[1] - edges[0]), mode="constant")
    return np.asarray(smooth, dtype=np.float64)


def outline(shares: FloatArray, left: float, right: float, tall: float) -> tuple[Point, ...]:
    """Corners of a density that stands at height 0; a share of 1 is `tall` pixels high."""
    xs = np.linspace(left, right, shares.size)
    seen = shares * tall > 0.2
    first, last = int(seen.argmax()), shares.size - int(seen[::-1].argmax())
    top = [(float(x), -float(y)) for x, y in zip(xs, shares * tall, strict=True)][first:last]
    return ((top[0][0], 0.0), *top, (top[-1][0], 0.0))


ASIDE, GAP = 14.0, 26.0
"""Pixels between words and the plot beside them, and between axes side by side."""
LABELS, LABELS_ALONE, LABELS_NARROW, NUMBERS = 0.27, 0.4, 104.0, 180.0
"""Share of the width that labels beside the rows may take, with numbers and without, pixels where
it is narrow, and most pixels of the numbers."""
LEAST_PLOT = 100.0
"""Pixels that an axis has at least, or the sheet is too narrow for the words beside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """What one row shows on one axis: an estimate, its interval, and finite values of `people`.

    In their place may stand `answers`: how many were right, and of how many. `lines` are its own.
    """

    estimate: float | None = None
    interval: Interval | None = None
    people: FloatArray = field(default_factory=lambda: np.empty(0))
    answers: tuple[int, int] = (0, 0)
    lines: tuple[Reference, ...] = ()
    ink: str = "ink"
    mark: MarkKind = "disc"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row, a dot an axis; `head` begins a group.

    Where it is `bold`, the label and the first of the notes stand out.
    """

    label: str
    dots: tuple[Dot, ...]
    notes: tuple[str, ...] = ()
    head: str = ""
    bold: bool = True


@dataclass(frozen=True, kw_only=True)
class DotPlot:
    """Rows and axes, before the size of the sheet is known.

    `key` says how to read the chart and `kind` what it is called, first with a mark for each person
    or answer, then where they are too many. `noted` explains the notes, where they are shown.
    """

    axes: tuple[Axis, ...]
    rows: tuple[Row, ...]
    key: tuple[str, str]
    noted: str = ""
    kind: tuple[str, str] = ("Dot plot", "Density plot")

    @cached_property
    def shares(self) -> list[FloatArray]:
        """Densities of the people of each row along the first axis; empty where there are none."""
        axis, rows = self.axes[0], [row.dots[0].people for row in self.rows]
        return [density(v, axis.low, axis.high, axis.step) if v.size else v for v in rows]

    def lay(self, sheet: Sheet) -> Laid:
        style = sheet.style
        beside = sheet.beside or not any(row.notes for row in self.rows)
        axes = _axes(self, sheet, beside=beside)
        crowds, tall, dense = _people(self, axes[0], style)
        words = [_words(row, axes, sheet) for row in self.rows if beside]
        high = tall + style.under + 2 * style.pad if tall else style.row
        if words:
            most = max(len(texts) for pair in words for texts in pair)
            high = max(high, LEADING * most + (2 * style.pad if tall else min(2 * style.pad, 4.0)))
        high += sheet.spare
        fixed, over, y = axis_header(axes, sheet.width, style.pad)
        parts: list[tuple[int, Sequence[Shape]]] = [(0, fixed), (1, over)]
        for step, (row, crowd) in enumerate(zip(self.rows, crowds, strict=True), 2):
            if row.head:
                rule = Line(points=((0, y + 8), (sheet.width, y + 8)), ink="hair")
                top, size = y + 12 + LEADING, LABEL + 1
                first = Text(x=0, y=top, size=size, bold=True)
                heading = block(row.head, sheet.width, first)
                parts.append((step, [rule, *heading]))
                y = heading[-1].box.bottom + 2
            if not beside:
                over_row, y = _words_over(row, sheet, y)
                parts.append((step, over_row))
            under = style.under if tall else 0.0
            base = y + (high + tall - under) / 2
            if beside:
                middle = base - NOTE / 3 if tall else base
                parts.append((step, _placed(words[step - 2], middle, (y, y + high))))
            for axis, dot in zip(axes, row.dots, strict=True):
                parts.append((1, axis_behind(axis, dot.lines, y, y + high)))
                line = Line(points=((axis.sides[0], base), (axis.sides[1], base)), ink="hair")
                parts.append((0, [line]))
                if axis is axes[0]:
                    parts.append((step, [shape.moved(0, base) for shape in crowd]))
                parts.append((step, _concluded(dot, axis, style, base + under / 2)))
            y += high
        bottom = y
        for axis in axes:
            numbers, y = axis_numbers(axis, bottom, sheet.width)
            parts.append((0, numbers))
        lines, y = key_lines(self.key[dense] + self.noted * style.notes, sheet.width, y + 10)
        parts.append((2, lines))
        return Laid(
            scene=Scene(
                width=sheet.width,
                height=round(y),
                shapes=tuple(shape for _, shapes in parts for shape in shapes),
            ),
            kind=self.kind[dense],
            rows=len(self.rows),
            cramped=min(axis.right - axis.left for axis in axes) < LEAST_PLOT,
            steps=tuple(step for step, shapes in parts for _ in shapes),
        )


def _axes(plot: DotPlot, sheet: Sheet, *, beside: bool) -> list[Axis]:
    """Share the width that the words beside the rows leave among the axes."""
    style, left, right = sheet.style, 0.0, sheet.width
    if beside:
        share = LABELS if style.notes else LABELS_ALONE
        room = share * sheet.width if sheet.beside else LABELS_NARROW
        widest = max(text_width(row.label, LABEL, bold=row.bold) for row in plot.rows)
        left = ASIDE + min(room, widest)
    if beside and style.notes and any(row.notes for row in plot.rows):
        notes = [note for row in plot.rows for note in row.notes]
        widest = max(text_width(note, NOTE, bold=True) for note in notes)
        right -= min(NUMBERS, widest) + ASIDE
    gap = GAP if sheet.beside else GAP / 2
    wide = (right - left - gap * (len(plot.axes) - 1)) / len(plot.axes)
    starts = [left + place * (wide + gap) for place in range(len(plot.axes))]
    return [
        replace(axis, left=start + INSET, right=start + wide - INSET)
        for axis, start in zip(plot.axes, starts, strict=True)
    ]


def _people(plot: DotPlot, axis: Axis, style: Style) -> tuple[list[list[Shape]], float, bool]:
    """Draw people at height 0, alike in all rows: marks of one size, or densities on one scale.

    With how high they reach at most, and whether they are densities, or bars of answers.
    """
    dots = [row.dots[0] for row in plot.rows]
    if most := max(dot.answers[1] for dot in dots):
        radius = min(LARGEST, 0.42 * (axis.x(1) - axis.x(0)), style.row / 2)
        return [_answers(*dot.answers, axis, radius) for dot in dots], 0.0, radius < LEAST
    most = max(dot.people.size for dot in dots)
    if most > style.marks:
        highest = DENSITY * style.tallest
        tall = highest / max(float(share.max()) for share in plot.shares if share.size)
        hills = [outline(it, axis.left, axis.right, tall) if it.size else () for it in plot.shares]
        return [[Area(points=hill, ink="edge")] if hill else [] for hill in hills], highest, True
    places = [np.array([axis.x(value) for value in dot.people.tolist()]) for dot in dots]
    size = size_for(places, style.tallest)
    stacks = [tuple((x, -above) for x, above in dodge(row, size)) for row in places]
    mark = Marks(points=(), radius=size.diameter / 2 - 0.4, ink="people")
    highest = max(style.tallest / 4, *(height(row, size) for row in places)) if most else 0.0
    return [[replace(mark, points=stack)] if stack else [] for stack in stacks], highest, False


def _answers(right: int, tests: int, axis: Axis, radius: float) -> list[Shape]:
    """Draw the right ones filled, then the others open, or a bar where they are too many."""
    if radius < LEAST:
        start, turn, end = map(axis.x, (0, right, tests))
        return [rectangle(start, -5, turn, 5, "v1"), rectangle(turn, -1, end, 1, "edge")]
    places = tuple((axis.x(number + 0.5), 0.0) for number in range(tests))
    filled = Marks(points=places[:right], radius=radius, ink="v1")
    rings = Marks(points=places[right:], radius=radius, ink="people", kind="ring")
    return [marks for marks in (filled, rings) if marks.points]


def _words(row: Row, axes: Sequence[Axis], sheet: Sheet) -> tuple[list[Text], list[Text]]:
    """Set label and notes beside a row, at no height yet; the first note stands out."""
    label = Text(x=0, y=0, size=LABEL, bold=row.bold)
    named = block(row.label, axes[0].sides[0] - ASIDE + 0.01, label)
    notes, left = list[Text](), axes[-1].sides[1] + ASIDE
    for note in row.notes if sheet.style.notes else ():
        ink, bold = ("soft", False) if notes else ("ink", row.bold)
        first = Text(x=left, y=LEADING * len(notes), size=NOTE, ink=ink, bold=bold)
        notes += block(note, sheet.width - left + 0.01, first)
    return [*named], notes


def _placed(columns: Sequence[list[Text]], near: float, within: tuple[float, float]) -> list[Text]:
    """Set columns of lines with their middles as near to a height as they fit."""
    placed = list[Text]()
    for lines in columns:
        half = LEADING * len(lines) / 2
        middle = min(max(near, within[0] + half), within[1] - half)
        top = middle - half + LEADING / 2 + NOTE * 0.36
        placed += [line.moved(0, top) for line in lines]
    return placed


def _words_over(row: Row, sheet: Sheet, y: float) -> tuple[list[Shape], float]:
    """Set the label over a row, the notes behind it where they fit; tell where they end."""
    width, style = sheet.width, sheet.style
    first = Text(x=0, y=y + LABEL + style.pad, size=LABEL, bold=row.bold)
    texts = block(row.label, width, first)
    y, free = texts[-1].y, max(style.pad - 1, 3.0)
    if not (style.notes and row.notes):
        return [*texts], y + free
    first = Text(x=0, y=y, text=row.notes[0], size=NOTE, bold=row.bold)
    notes = [first]
    if len(row.notes) > 1:
        words = ", ".join(row.notes[1:]).replace(", (", " (")
        notes.append(replace(first, x=first.box.right + 6, text=words, ink="soft", bold=False))
    long = notes[-1].box.right
    if texts[-1].box.right + 12 <= width - long:
        return [*texts, *(note.moved(width - long, 0) for note in notes)], y + free
    if long > width:
        under = [line for note in notes for line in block(note.text, width, replace(note, x=0))]
        notes = [replace(line, y=y + number * LEADING) for number, line in enumerate(under)]
    return [*texts, *(note.moved(0, LEADING) for note in notes)], notes[-1].y + LEADING + free


def _concluded(dot: Dot, axis: Axis, style: Style, y: float) -> list[Shape]:
    shapes: list[Shape] = []
    if dot.interval is not None:
        shapes += axis_bar(axis, dot.interval, y, dot.ink, style.estimate / 2)
    if dot.estimate is not None:
        radius = style.estimate + ("diamond" in dot.mark)
        shapes += marked((axis.x(axis.within(dot.estimate)), y), radius, dot.ink, dot.mark)
    return shapes
