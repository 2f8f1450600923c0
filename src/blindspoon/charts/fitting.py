"""A chart, its title and its source -> the largest drawing that fits a picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from blindspoon.charts.chart import Drawing, balanced
from blindspoon.charts.formats import ATTEMPTS, BARE, LEAN, PLAIN, SNUG, TIGHT, Format
from blindspoon.charts.layout import Laid, Sheet, Style
from blindspoon.charts.measure import wrap
from blindspoon.charts.scene import Shape, Text, column, rectangle

LEADING, GAP = 1.18, 12.0
"""From one line of a title to the next, in its size; CSS pixels over and under the chart."""
SPREAD = 0.8
"""Share of a row's height that may be added to it to fill the page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What stands around a chart, in CSS pixels.

    Parameters
    ----------
    width, height, side : float
    fixed : tuple of Shape
        The ground, the question and the source.
    heads : tuple of tuple of Text
        Each title that may stand over the chart.
    top, room : float
        Where the chart begins, and how high it may be.
    """

    width: float
    height: float
    side: float
    fixed: tuple[Shape, ...]
    heads: tuple[tuple[Text, ...], ...]
    top: float
    room: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A chart on the sheet that fits a page best."""

    page: Page
    laid: Laid

    @property
    def body(self) -> tuple[Shape, ...]:
        """Its shapes where they stand on the page; what is left over lies at both ends."""
        down = self.page.top + max(self.page.room - self.laid.scene.height, 0) / 2
        return tuple(shape.moved(self.page.side, down) for shape in self.laid.scene.shapes)


def fit(
    drawing: Drawing, form: Format, titles: Sequence[str], *, source: str, question: str
) -> Fitted | None:
    """Find the largest drawing that fits; None if the smallest does not.

    Parameters
    ----------
    drawing : Drawing
    form : Format
    titles : sequence of str
        All have to find room, one at a time.
    source, question : str
        At the foot, and over the title while there is room for it; both may be empty.
    """
    for attempt in ATTEMPTS if question else ATTEMPTS[1:]:
        for logical in form.logical:
            asked = question if attempt.asks else ""
            page = _page(form, logical, titles, attempt.titles, source=source, question=asked)
            styles = attempt.anywhere
            if logical == form.logical[-1]:
                styles += attempt.last
            laid = _largest(drawing, form, page, styles)
            if laid is not None:
                return Fitted(page=page, laid=laid)
    return None


def _largest(drawing: Drawing, form: Format, page: Page, styles: Sequence[Style]) -> Laid | None:
    """Lay a chart out in the roomiest style that fits; its rows share what is left over."""
    if not any(
        _fits(drawing.lay(sheet), page) for sheet in _sheets(drawing, form, page, styles[-1:])
    ):
        return None
    for sheet in _sheets(drawing, form, page, styles):
        laid = drawing.lay(sheet)
        if _fits(laid, page):
            rest = page.room - 0.5 - laid.scene.height  # heights are rounded
            spare = min(rest, SPREAD * laid.scene.height) / laid.rows
            return drawing.lay(replace(sheet, spare=max(spare, 0.0)))
    return None


def _fits(laid: Laid, page: Page) -> bool:
    return not laid.cramped and laid.scene.height <= page.room


def _sheets(drawing: Drawing, form: Format, page: Page, styles: Sequence[Style]) -> Iterator[Sheet]:
    """Ways to set a chart on a page: words beside or over the rows, attributes in columns."""
    for style in styles:
        if style in (LEAN, BARE):
            besides = {True}
        else:
            besides = {form.beside, form.beside or style in (SNUG, TIGHT)}
        for beside in sorted(besides):
            for across in range(1, drawing.across + 1):
                yield Sheet(
                    width=page.width - 2 * page.side, beside=beside, style=style, across=across
                )


def _page(
    form: Format,
    logical: int,
    titles: Sequence[str],
    sizes: Sequence[int],
    *,
    source: str,
    question: str,
) -> Page:
    """Set all that stands around a chart."""
    scale = logical / form.width
    width, height = float(logical), form.height * scale
    side, room = form.side * scale, (form.width - 2 * form.side) * scale
    asked = _column(question, PLAIN.note, PLAIN.leading, (side, form.top * scale), room)
    top = asked[-1].y + 12 if asked else form.top * scale
    heads, top = _heads(titles, [size * scale for size in sizes], form.lines, (side, top), room)
    lines = wrap(source, PLAIN.small, room) if source else ()
    foot = height - form.bottom * scale - PLAIN.leading * len(lines)
    below = _column(source, PLAIN.small, PLAIN.leading, (side, foot), room)
    ground = rectangle(0, 0, width, height, "ground")
    return Page(
        width=width,
        height=height,
        side=side,
        fixed=(ground, *asked, *below),
        heads=heads,
        top=top + GAP,
        room=foot - GAP - top - GAP,
    )


def _column(
    words: str, size: float, leading: float, at: tuple[float, float], width: float
) -> tuple[Text, ...]:
    """Set soft words from a top left corner downwards."""
    first = Text(x=at[0], y=at[1] + 0.8 * size, text="", size=size, ink="soft")
    return column(wrap(words, size, width), first, leading) if words else ()


def _heads(
    titles: Sequence[str],
    sizes: Sequence[float],
    most: int,
    at: tuple[float, float],
    width: float,
) -> tuple[tuple[tuple[Text, ...], ...], float]:
    """Set titles in one size, the largest that keeps them short, and tell where they end."""
    for size in sizes:
        wrapped = [balanced(title, size, width) for title in titles]
        lines = max(map(len, wrapped))
        if lines <= most:
            break
    first = Text(x=at[0], y=at[1] + 0.8 * size, text="", size=size, bold=True)
    heads = tuple(column(each, first, LEADING * size) for each in wrapped)
    return heads, at[1] + LEADING * size * lines
