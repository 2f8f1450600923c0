"""The verdict board as a figure: every variant on every attribute, a word and a mark in each.

The tiny drawing of one verdict on the board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import accumulate

from blindspoon import wording
from blindspoon.charts.chart import Drawing
from blindspoon.charts.picture import Picture, board_title, differences_title
from blindspoon.charts.scene import Line, Marks, Scene, Shape, Text, column, rectangle
from blindspoon.charts.style import Laid, Sheet, Style, key_lines, variant_inks
from blindspoon.charts.svg import inline_svg
from blindspoon.charts.text import text_width, wrap
from blindspoon.findings.verdict import SHORT_NAMES, in_a_word
from blindspoon.stats.results import Interval

WIDTH, HEIGHT, EDGE = 72.0, 16.0, 4.0


def mark_svg(
    low: float | None,
    estimate: float | None,
    high: float | None,
    margin: float | None,
    limit: float,
) -> str:
    """Draw an interval against zero and the margin, without words; screen readers leave it out.

    Parameters
    ----------
    low, estimate, high : float or None
        Of the difference, in points; None where there is none. What reaches beyond the limit
        is cut.
    margin : float or None
        In points.
    limit : float
        Half the width of the drawing, in points, above 0; the same for all marks of an
        attribute.
    """
    x, middle = partial(_place, limit), HEIGHT / 2
    shapes: list[Shape] = []
    if margin is not None:
        shapes.append(rectangle(x(-margin), 0, x(margin), HEIGHT, "band"))
    shapes.append(Line(start=(x(0), 0), end=(x(0), HEIGHT), ink="edge"))
    if low is not None and high is not None:
        shapes.append(Line(start=(x(low), middle), end=(x(high), middle), ink="ink", width=2))
    if estimate is not None:
        shapes.append(Marks(centres=((x(estimate), middle),), radius=3.5, ink="ink"))
    return inline_svg(Scene(width=WIDTH, height=HEIGHT, shapes=tuple(shapes)), "")


def _place(limit: float, value: float) -> float:
    shown = min(max(value, -limit), limit)
    return EDGE + (shown + limit) / (2 * limit) * (WIDTH - 2 * EDGE)


GAP, APART = 14.0, 30.0
"""Pixels between columns, and between primary and exploratory ones."""
LABELS, MOST_LABELS = 0.32, 0.42
"""Share of the width that labels may take, with marks in the cells and without."""
LEAST_COLUMN, MARK, SMALL_MARK = 48.0, 150.0, 64.0
"""Narrowest column, widest mark, and a mark beside a word, in pixels."""
INSET = 4.0
OTHERWISE = {"mixed": "by ranks", "ranks": "by the mixed model"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardCell:
    """One variant on one attribute.

    Parameters
    ----------
    word, other : str
        What was judged; what the procedure that does not decide would say, where it is something
        else.
    shown : bool
        Whether a difference was shown.
    estimate : float or None
        Of the difference, in points.
    outer, inner : Interval or None
        Its interval, and the one that decides “alike”.
    """

    word: str
    other: str
    shown: bool
    estimate: float | None
    outer: Interval | None
    inner: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardColumn:
    """One attribute; its cells in the order of the board's variants."""

    label: str
    primary: bool
    margin: float | None
    cells: tuple[BoardCell, ...]

    @property
    def limit(self) -> float:
        """How far from zero the marks reach, so that those of a column can be compared."""
        spans = [each for cell in self.cells for each in (cell.outer, cell.inner) if each]
        ends = [abs(end) for each in spans for end in (each.low, each.high)]
        ends += [abs(cell.estimate) for cell in self.cells if cell.estimate is not None]
        return max([self.margin or 0.0, *ends]) or 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Variants down, attributes across.

    Parameters
    ----------
    title : str
        What was found.
    variants, inks : tuple of str
        Labels and colours of the variants but the control.
    control : str
        Its label.
    columns : tuple of BoardColumn
        Primary ones first.
    """

    title: str
    variants: tuple[str, ...]
    inks: tuple[str, ...]
    control: str
    columns: tuple[BoardColumn, ...]


def board_of(pictures: Sequence[Picture]) -> Board:
    """Gather the verdicts of a trial, primary attributes first.

    Parameters
    ----------
    pictures : sequence of Picture
        One an attribute, at least one, all of the same trial.
    """
    first, ordered = pictures[0], sorted(pictures, key=lambda each: not each.result.primary)
    inks = variant_inks(len(first.variants), first.control)
    return Board(
        title=board_title(ordered) if len(ordered) > 1 else differences_title(first),
        variants=tuple(first.variants[place].label for place in first.others),
        inks=tuple(inks[place] for place in first.others),
        control=first.variants[first.control].label,
        columns=tuple(
            BoardColumn(
                label=picture.attribute.label,
                primary=picture.result.primary,
                margin=picture.attribute.margin,
                cells=tuple(_cell(picture, place) for place in picture.others),
            )
            for picture in ordered
        ),
    )


def _cell(picture: Picture, place: int) -> BoardCell:
    compared, found = picture.comparison(place), picture.found(place)
    otherwise = compared.verdict_by_other if compared and compared.disputed else None
    other = SHORT_NAMES[otherwise] if otherwise else ""
    return BoardCell(
        word=_word(picture, place),
        other=f"{other} {OTHERWISE[picture.result.by]}" if other else "",
        shown=compared is not None and compared.differs,
        estimate=None if found is None else found.difference,
        outer=None if found is None else found.interval,
        inner=found.equivalence_interval
        if found is not None and picture.attribute.margin is not None
        else None,
    )


def _word(picture: Picture, place: int) -> str:
    compared, found, attribute = picture.comparison(place), picture.found(place), picture.attribute
    if compared is None:
        return "not compared"
    return in_a_word(compared.verdict, attribute, up=found is not None and found.difference > 0)


def board_drawing(board: Board) -> Drawing:
    """Draw the board on a sheet of any size."""
    variants = wording.count(len(board.variants), "variant")
    attributes = wording.count(len(board.columns), "attribute")
    return Drawing(
        name="board",
        title=board.title,
        data=f"the verdicts on {variants} and {attributes}",
        lay=partial(_lay, board),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Where columns lie.

    Parameters
    ----------
    sheet : Sheet
    labels : tuple of tuple of str
        Lines of each variant's label.
    lefts : tuple of float
        Left edges of the columns.
    width : float
        Of each.
    mark, words : tuple of float
        Width and height of a mark, 0 where there is no room for one; how far right and down of
        it the words begin.
    """

    sheet: Sheet
    labels: tuple[tuple[str, ...], ...]
    lefts: tuple[float, ...]
    width: float
    mark: tuple[float, float]
    words: tuple[float, float]


def _lay(board: Board, sheet: Sheet) -> Laid:
    grid = _grid(board, sheet)
    shapes, y = _head(board, grid)
    steps = [0] * len(shapes)
    for row in range(len(board.variants)):
        drawn, y = _row(board, grid, row, y)
        shapes += drawn
        steps += [row + 2] * len(drawn)
    lines, end = key_lines(_key(board, grid), sheet.width, y + 8, sheet.style)
    shapes += lines
    return Laid(
        scene=Scene(width=sheet.width, height=end, shapes=tuple(shapes)),
        kind="Board",
        rows=len(board.variants),
        cramped=grid.width < LEAST_COLUMN or _broken(board, grid),
        steps=(*steps, *[0] * (len(shapes) - len(steps))),
    )


def _grid(board: Board, sheet: Sheet) -> _Grid:
    """Share out the width; labels stand over the rows where there is no room beside them."""
    style = sheet.style
    share = LABELS if style.notes else MOST_LABELS
    room = min(style.labels, share * sheet.width) if sheet.beside else sheet.width
    labels = tuple(wrap(label, style.note, room, bold=True) for label in board.variants)
    widths = [text_width(line, style.note, bold=True) for each in labels for line in each]
    left = GAP + max(widths) if sheet.beside else 0.0
    gaps = [
        APART if before.primary != after.primary else GAP
        for before, after in zip(board.columns, board.columns[1:], strict=False)
    ]
    width = (sheet.width - left - sum(gaps)) / len(board.columns)
    mark, words = _places(board, style, width)
    return _Grid(
        sheet=sheet,
        labels=labels,
        lefts=tuple(accumulate((width + gap for gap in gaps), initial=left)),
        width=width,
        mark=mark,
        words=words,
    )


def _places(
    board: Board, style: Style, width: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Put marks over their words; in a style for many rows beside them, or leave them out."""
    tall = 0.7 * style.row
    if style.notes:
        return (min(width, MARK), tall), (0.0, tall + 2)
    widest = max(
        text_width(cell.word, style.note, bold=True)
        for each in board.columns
        for cell in each.cells
    )
    if width >= widest + SMALL_MARK + 8:
        return (SMALL_MARK, tall), (SMALL_MARK + 8, 0.0)
    return (0.0, 0.0), (0.0, 0.0)


def _broken(board: Board, grid: _Grid) -> bool:
    """Whether a single word is wider than its column."""
    style = grid.sheet.style
    words = {
        word
        for each in board.columns
        for text in (each.label, *(f"{cell.word} {cell.other}" for cell in each.cells))
        for word in text.split(" ")
    }
    return any(text_width(word, style.note, bold=True) > grid.width for word in words)


def _head(board: Board, grid: _Grid) -> tuple[list[Shape], float]:
    """Set what the columns are, the primary ones apart, and tell where they end."""
    style, shapes = grid.sheet.style, list[Shape]()
    heads = [wrap(each.label, style.note, grid.width, bold=True) for each in board.columns]
    y = style.small
    for place, (each, left) in enumerate(zip(board.columns, grid.lefts, strict=True)):
        if place == 0 or each.primary != board.columns[place - 1].primary:
            group = "Primary" if each.primary else "Exploratory"
            shapes.append(Text(x=left, y=y, text=group, size=style.small, ink="soft"))
    bottom = y + 4 + style.leading * max(map(len, heads))
    for lines, left in zip(heads, grid.lefts, strict=True):
        start = bottom - style.leading * (len(lines) - 1)
        first = Text(x=left, y=start, text="", size=style.note, bold=True)
        shapes += column(lines, first, style.leading)
    return shapes, bottom + 6


def _row(board: Board, grid: _Grid, row: int, y: float) -> tuple[list[Shape], float]:
    """Draw one variant under a line: its label, and what was found on each attribute."""
    style, sheet = grid.sheet.style, grid.sheet
    top = y + style.pad + sheet.spare / 2
    first = Text(x=0, y=top + 0.8 * style.leading, text="", size=style.note, bold=True)
    shapes: list[Shape] = [Line(start=(0, y), end=(sheet.width, y), ink="hair")]
    shapes += column(grid.labels[row], first, style.leading)
    ends = [top + style.leading * len(grid.labels[row])]
    top = top if sheet.beside else ends[0] + 2
    for each, left in zip(board.columns, grid.lefts, strict=True):
        drawn, end = _cell_shapes(each, each.cells[row], board.inks[row], (left, top), grid)
        shapes += drawn
        ends.append(end)
    end = max(ends) + style.pad + sheet.spare / 2
    return [*shapes, *_divider(board, grid, y if sheet.beside else top, end)], end


def _cell_shapes(
    each: BoardColumn, cell: BoardCell, ink: str, at: tuple[float, float], grid: _Grid
) -> tuple[list[Shape], float]:
    """Draw a mark over its words, and tell where they end."""
    (left, top), style = at, grid.sheet.style
    shapes = _mark(each, cell, ink, at, grid) if grid.mark[0] else []
    (right, down), room = grid.words, grid.width - grid.words[0]
    first = Text(
        x=left + right,
        y=top + down + 0.8 * style.leading,
        text="",
        size=style.note,
        bold=cell.shown,
        ink="ink" if cell.shown else "soft",
    )
    words = column(wrap(cell.word, style.note, room, bold=cell.shown), first, style.leading)
    after = Text(
        x=left + right, y=words[-1].y + style.leading, text="", size=style.small, ink="soft"
    )
    other = wrap(f"({cell.other})", style.small, room) if cell.other else ()
    aside = column(other, after, style.leading)
    end = (*words, *aside)[-1].y + 0.2 * style.leading
    return [*shapes, *words, *aside], end


def _mark(
    each: BoardColumn, cell: BoardCell, ink: str, at: tuple[float, float], grid: _Grid
) -> list[Shape]:
    """Draw an interval against zero and the margin."""
    (left, top), radius, (wide, tall) = at, grid.sheet.style.estimate, grid.mark
    half, bottom = wide / 2 - INSET, top + tall
    zero, unit, middle = left + INSET + half, half / each.limit, top + tall / 2
    shapes: list[Shape] = []
    if each.margin is not None:
        reach = unit * each.margin
        shapes.append(rectangle(zero - reach, top, zero + reach, bottom, "band"))
    shapes.append(Line(start=(zero, top), end=(zero, bottom), ink="edge"))
    for interval, width in ((cell.outer, 0.4 * radius), (cell.inner, 0.7 * radius)):
        if interval is not None:
            ends = [(zero + unit * end, middle) for end in (interval.low, interval.high)]
            shapes.append(Line(start=ends[0], end=ends[1], ink=ink, width=width))
    if cell.estimate is not None:
        centre = (zero + unit * cell.estimate, middle)
        shapes.append(Marks(centres=(centre,), radius=0.75 * radius, ink=ink))
    return shapes


def _divider(board: Board, grid: _Grid, top: float, bottom: float) -> list[Shape]:
    """Set exploratory attributes apart from primary ones."""
    primary = sum(each.primary for each in board.columns)
    if not 0 < primary < len(board.columns):
        return []
    x = grid.lefts[primary] - APART / 2
    return [Line(start=(x, top), end=(x, bottom), ink="edge")]


def _key(board: Board, grid: _Grid) -> str:
    """Say how to read the board."""
    if not grid.mark[0]:
        return f"Each against “{board.control}”."
    margin = any(each.margin is not None for each in board.columns)
    cells = [cell for each in board.columns for cell in each.cells]
    thick = " (thick: the one for “alike”)" if any(cell.inner for cell in cells) else ""
    return (
        f"Upright line: “{board.control}”. Dot and bar: the difference and its interval{thick}, "
        f"to the right is more.{' Shaded: the margin.' if margin else ''}"
    )
