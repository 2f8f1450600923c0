"""Charts in an exact size, for video and posts: as large as they can be drawn there."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import NamedTuple

from blindspoon.charts.board import AttributeOutcome, board_chart, differences_chart
from blindspoon.charts.chart import Chart, balanced
from blindspoon.charts.scene import (
    LEADING,
    NOTE,
    SMALL,
    Laid,
    Scene,
    Shape,
    Sheet,
    Style,
    Text,
    block,
    column,
    rectangle,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """A size of picture, in its pixels; `side`, `top` and `bottom` are kept free at the edges.

    A title should not exceed so many `lines`. `logical` are the widths of the sheets that are
    tried, in CSS pixels: the narrower, the larger all is drawn.
    """

    width: int
    height: int
    side: int
    top: int
    bottom: int
    lines: int
    logical: tuple[int, ...]

    @property
    def beside(self) -> bool:
        """Whether words stand beside the rows; else, while there is room, over them."""
        return self.width > self.height


FILM, POST = (592, 640, 688, 736, 800, 848), (315, 342, 369, 396, 432, 443)
FORMATS = {
    "video": Format(width=1920, height=1080, side=80, top=64, bottom=56, lines=2, logical=FILM),
    "square": Format(width=1080, height=1080, side=54, top=50, bottom=44, lines=3, logical=POST),
    "tall": Format(width=1080, height=1920, side=54, top=130, bottom=160, lines=4, logical=POST),
}
"""A tall picture keeps more free at its ends, where players lay their buttons: common practice, no
source."""

ROOMY = (
    Style(tallest=120.0, under=28.0, pad=10.0, estimate=8.0, row=44.0),
    Style(tallest=84.0, under=22.0, pad=8.0, estimate=6.5, row=30.0),
    Style(),
)
SNUG = Style(tallest=34.0, under=14.0, pad=3.0, row=17.0)
TIGHT = Style(tallest=22.0, under=11.0, pad=2.0, estimate=4.0, row=14.0)
LEAN = replace(TIGHT, notes=False)
BARE = replace(LEAN, marks=0, tallest=10.0, under=8.5, pad=0.3)
"""The roomiest first. What does not fit the widest sheet loses first the question, then the
numbers, then a large title and the marks of the tasters."""

TITLES = (64, 60, 56, 52, 48, 44, 40, 36)
"""Sizes of a title in pixels of the picture, the smaller ones for those that are long."""
TITLE_LEADING, GAP = 1.18, 12.0
"""From one line of a title to the next, in its size; CSS pixels over and under the chart."""
SPREAD = 0.8  # share of a row's height that may be added to it to fill the page


class Captions(NamedTuple):
    """The line at the foot, and the question over the title while there is room; may be empty."""

    source: str
    question: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What stands around a chart, in CSS pixels.

    The ground, the question and the source are `fixed`; `heads` are the titles that may stand over
    the chart, which begins at `top` and may be as high as `room`.
    """

    width: float
    height: float
    side: float
    fixed: tuple[Shape, ...]
    heads: tuple[tuple[Text, ...], ...]
    top: float
    room: float

    def scene(self, head: int, shapes: Iterable[Shape]) -> Scene:
        """Draw shapes under one of the titles."""
        drawn = (*self.fixed, *self.heads[head], *shapes)
        return Scene(width=self.width, height=self.height, shapes=drawn)


def fit(
    chart: Chart, form: Format, titles: Sequence[str], captions: Captions
) -> tuple[Page, Laid] | None:
    """Place the largest drawing that fits in the middle of its room; None if the smallest does not.

    All titles have to find room, one at a time.
    """
    unasked = Captions(captions.source)
    for shown, sizes, last in (
        (captions, TITLES, (TIGHT,)),
        (unasked, TITLES, (TIGHT, LEAN)),
        (unasked, TITLES[-2:], (TIGHT, LEAN, BARE)),
    ):
        for logical in form.logical:
            page = _page(form, logical, titles, sizes, shown)
            width = page.width - 2 * page.side
            close = (SNUG, *last) if logical == form.logical[-1] else (SNUG,)
            ways = [(style, form.beside) for style in ROOMY]
            ways += product(close, (form.beside, True))
            for style, beside in ways:
                sheet = Sheet(width=width, beside=beside, style=style)
                laid = chart.lay(sheet)
                rest = page.room - 0.5 - laid.scene.height  # heights are rounded
                if not laid.cramped and rest >= -0.5:  # rows share what is left over
                    spare = min(max(rest, 0.0), SPREAD * laid.scene.height) / laid.rows
                    laid = chart.lay(replace(sheet, spare=spare))
                    down = page.top + max(page.room - laid.scene.height, 0) / 2
                    shapes = tuple(it.moved(page.side, down) for it in laid.scene.shapes)
                    return page, replace(laid, scene=replace(laid.scene, shapes=shapes))
    return None


def _page(
    form: Format, logical: int, titles: Sequence[str], sizes: Sequence[int], captions: Captions
) -> Page:
    """Set all that stands around a chart: titles in the largest size that keeps them short."""
    scale = logical / form.width
    width, height = float(logical), form.height * scale
    side, room = form.side * scale, (form.width - 2 * form.side) * scale
    soft = Text(x=side, y=0.0, size=NOTE, ink="soft")
    asked = block(captions.question, room, replace(soft, y=form.top * scale + 0.8 * NOTE))
    top = asked[-1].y + 12 if asked else form.top * scale
    for size in (size * scale for size in sizes):
        wrapped = [balanced(title, size, room) for title in titles]
        lines = max(map(len, wrapped))
        if lines <= form.lines:
            break
    bold = Text(x=side, y=top + 0.8 * size, size=size, bold=True)
    below = block(captions.source, room, replace(soft, y=0.8 * SMALL, size=SMALL))
    foot = height - form.bottom * scale - LEADING * len(below)
    top += TITLE_LEADING * size * lines + GAP
    return Page(
        width=width,
        height=height,
        side=side,
        fixed=(
            rectangle(0, 0, width, height, "ground"),
            *asked,
            *(line.moved(0, foot) for line in below),
        ),
        heads=tuple(column(lines, bold, TITLE_LEADING * size) for lines in wrapped),
        top=top,
        room=foot - GAP - top,
    )


def picture_of(chart: Chart, size: str, captions: Captions) -> Scene | None:
    """Draw a chart in one of `FORMATS`, as large as it can be; None where words would overlap."""
    fitted = fit(chart, FORMATS[size], (chart.title,), captions)
    if fitted is None:
        return None
    page, laid = fitted
    return page.scene(0, laid.scene.shapes)


BEHIND = {1: 0, 0: 1}
"""What is shown second lies behind what is shown first, and that behind all else."""


def frames(outcome: AttributeOutcome, size: str, captions: Captions) -> tuple[Scene, ...]:
    """Draw the frames of a reveal; nothing that was seen moves; none where there is no room.

    First the axis under the question, then the control's line and the margin, then one more variant
    in each frame, at last the finding in the place of the question.
    """
    chart = differences_chart(outcome)
    titles = (captions.question or outcome.attribute.label, chart.title)
    fitted = fit(chart, FORMATS[size], titles, Captions(captions.source))
    if fitted is None:
        return ()
    page, laid = fitted
    pairs = zip(laid.scene.shapes, laid.steps, strict=True)
    order = sorted(pairs, key=lambda pair: BEHIND.get(pair[1], pair[1]))
    steps = range(max(laid.steps) + 1)
    shown = [[shape for shape, when in order if when <= step] for step in steps]
    return (*(page.scene(0, shapes) for shapes in shown), page.scene(1, shown[-1]))


Drawn = tuple[str, bytes | None]
"""The path of a picture; None, with the path short of its ending, where there is no room for it."""
REVEALED = {"video": "figures/frames", "tall": "figures/frames/tall"}


def figure_files(
    outcomes: Sequence[AttributeOutcome], size: str, captions: Captions
) -> Iterator[Drawn]:
    """Make every picture of a trial in one of `FORMATS`.

    ``figures/video/``, ``figures/square/`` and ``figures/tall/`` with ``<name>.png``, for video
    also ``<name>-dark.png``; ``figures/frames/01.png`` and so on of the first attribute, and
    ``figures/frames/tall/01.png``.
    """
    ordered = sorted(outcomes, key=lambda outcome: not outcome.result.primary)
    compared = [outcome for outcome in ordered if outcome.result.comparisons]
    for outcome in compared:
        yield from chart_files(differences_chart(outcome), size, captions)
    if len(compared) > 1:
        yield from shared_files(len(compared), partial(board_chart, compared), size, captions)
    if compared and size in REVEALED:
        from blindspoon.charts.png import png  # noqa: PLC0415 - a third of a second of imports

        shown = frames(compared[0], size, captions)
        for number, scene in enumerate(shown, 1):
            yield f"{REVEALED[size]}/{number:02d}.png", png(scene, width=FORMATS[size].width)
        if not shown:
            yield f"{REVEALED[size]}/frames", None


def chart_files(chart: Chart, size: str, captions: Captions) -> Iterator[Drawn]:
    """Draw a chart in one of `FORMATS`."""
    return shared_files(1, lambda _: chart, size, captions)


def shared_files(
    parts: int, chart: Callable[[slice], Chart], size: str, captions: Captions
) -> Iterator[Drawn]:
    """Draw a chart of so many parts; where there is no room, several that share them out."""
    from blindspoon.charts.png import png  # noqa: PLC0415 - a third of a second of imports

    for several in range(1, parts + 1):
        across = math.ceil(parts / several)
        shared = [chart(slice(at, at + across)) for at in range(0, parts, across)]
        drawn = [picture_of(it, size, captions) for it in shared]
        if all(drawn):
            break
    stem, width = f"figures/{size}/{shared[0].name}", FORMATS[size].width
    if not all(drawn):
        yield stem, None
        return
    for number, scene in enumerate(filter(None, drawn), 1):
        path = f"{stem}-{number}" if len(drawn) > 1 else stem
        yield f"{path}.png", png(scene, width=width)
        if size == "video":
            yield f"{path}-dark.png", png(scene, width=width, dark=True)
