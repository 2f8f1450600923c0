"""Charts in an exact size, for video, posts and print: as large as they can be drawn there."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from blindspoon.charts.board import AttributeOutcome, board_chart, differences_chart
from blindspoon.charts.chart import Chart, alt_text, balanced, footed, standalone_svg
from blindspoon.charts.scene import (
    WIDE,
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
    tried, in CSS pixels: the narrower, the larger all is drawn. Words stand `beside` the rows while
    there is room.
    """

    width: int
    height: int
    side: int
    top: int
    bottom: int
    lines: int
    logical: tuple[int, ...]
    beside: bool


FILM, POST = (592, 640, 688, 736, 800), (315, 342, 369, 396, 432)
FORMATS = {
    "video": Format(
        width=1920, height=1080, side=80, top=64, bottom=56, lines=2, logical=FILM, beside=True
    ),
    "square": Format(
        width=1080, height=1080, side=54, top=50, bottom=44, lines=3, logical=POST, beside=False
    ),
    "tall": Format(
        width=1080, height=1920, side=54, top=130, bottom=160, lines=4, logical=POST, beside=False
    ),
    "preview": Format(
        width=1200, height=630, side=50, top=40, bottom=34, lines=2, logical=FILM, beside=True
    ),
}
"""A tall picture keeps more free at its ends, where players lay their buttons, and a link's preview
is 1200 by 630: common practice, no source."""
POSTED = ("video", "square", "tall")  # sizes of which every chart is made

GRAND = Style(
    numbers=180.0,
    diameters=(16.0, 14.0, 12.0, 10.0),
    tallest=120.0,
    density=100.0,
    least=24.0,
    under=28.0,
    pad=10.0,
    estimate=8.0,
    row=44.0,
)
LARGE = Style(
    numbers=180.0,
    diameters=(12.0, 10.0, 9.0, 8.0),
    tallest=84.0,
    density=68.0,
    least=18.0,
    under=22.0,
    pad=8.0,
    estimate=6.5,
    row=30.0,
)
PLAIN = Style(numbers=180.0)
SNUG = Style(
    numbers=180.0,
    leading=14.5,
    diameters=(6.0, 5.0, 4.0),
    tallest=34.0,
    density=30.0,
    least=10.0,
    under=14.0,
    pad=3.0,
    row=17.0,
)
TIGHT = Style(
    label=11.25,
    note=11.25,
    small=11.25,
    leading=13.5,
    diameters=(5.0, 4.0),
    tallest=22.0,
    density=18.0,
    least=8.0,
    under=11.0,
    pad=2.0,
    estimate=4.0,
    row=14.0,
    labels=240.0,
)
LEAN = replace(TIGHT, notes=False, labels=190.0)
BARE = replace(LEAN, marks=0, density=8.0, under=8.5, pad=0.3, labels=300.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """What is tried before something is given up; the question stands over the title if it `asks`.

    `titles` are sizes in pixels of the picture, the smaller ones for those that are long. Styles
    are tried at each scale (`anywhere`), and at last at the smallest; the roomy ones first.
    """

    asks: bool
    titles: tuple[int, ...] = (64, 60, 56, 52, 48, 44, 40, 36)
    anywhere: tuple[Style, ...] = (GRAND, LARGE, PLAIN, SNUG)
    last: tuple[Style, ...]


ATTEMPTS = (
    Attempt(asks=True, last=(TIGHT,)),
    Attempt(asks=False, last=(TIGHT, LEAN)),
    Attempt(asks=False, titles=(40, 36), anywhere=(), last=(BARE,)),
)
"""First goes the question, then the numbers, then the marks of the tasters."""

LEADING, GAP = 1.18, 12.0
"""From one line of a title to the next, in its size; CSS pixels over and under the chart."""
SPREAD = 0.8  # share of a row's height that may be added to it to fill the page


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

    def fits(self, chart: Chart, sheet: Sheet) -> Laid | None:
        """Lay a chart out on a sheet; None where it is cramped or too high."""
        laid = chart.lay(sheet)
        return None if laid.cramped or laid.scene.height > self.room else laid

    def scene(self, shapes: tuple[Shape, ...]) -> Scene:
        """Make a drawing as large as the page."""
        return Scene(width=self.width, height=self.height, shapes=shapes)

    def body(self, laid: Laid) -> tuple[Shape, ...]:
        """Shapes of the chart where they stand; what is left over lies at both ends."""
        down = self.top + max(self.room - laid.scene.height, 0) / 2
        return tuple(shape.moved(self.side, down) for shape in laid.scene.shapes)


def fit(
    chart: Chart, form: Format, titles: Sequence[str], *, source: str, question: str
) -> tuple[Page, Laid] | None:
    """Find the largest drawing that fits; None if the smallest does not.

    All titles have to find room, one at a time; the question stands over them while there is room.
    Question and source may be empty.
    """
    for attempt in ATTEMPTS if question else ATTEMPTS[1:]:
        for logical in form.logical:
            asked = question if attempt.asks else ""
            page = _page(form, logical, titles, attempt.titles, source=source, question=asked)
            styles = attempt.anywhere + attempt.last * (logical == form.logical[-1])
            least = [page.fits(chart, sheet) for sheet in _sheets(form, page, styles[-1:])]
            if not any(least):
                continue
            for sheet in _sheets(form, page, styles):
                if laid := page.fits(chart, sheet):  # its rows share what is left over
                    rest = page.room - 0.5 - laid.scene.height  # heights are rounded
                    spare = min(rest, SPREAD * laid.scene.height) / laid.rows
                    return page, chart.lay(replace(sheet, spare=max(spare, 0.0)))
    return None


def _sheets(form: Format, page: Page, styles: Sequence[Style]) -> Iterator[Sheet]:
    """Ways to set a chart on a page, the roomiest first: words over the rows or beside them."""
    for style in styles:
        besides = {form.beside, form.beside or style in (SNUG, TIGHT)}
        for beside in [True] if style in (LEAN, BARE) else sorted(besides):
            yield Sheet(width=page.width - 2 * page.side, beside=beside, style=style)


def _page(
    form: Format,
    logical: int,
    titles: Sequence[str],
    sizes: Sequence[int],
    *,
    source: str,
    question: str,
) -> Page:
    """Set all that stands around a chart: titles in the largest size that keeps them short."""
    scale = logical / form.width
    width, height = float(logical), form.height * scale
    side, room = form.side * scale, (form.width - 2 * form.side) * scale
    soft = Text(x=side, y=0.0, size=PLAIN.note, ink="soft")
    at = replace(soft, y=form.top * scale + 0.8 * PLAIN.note)
    asked = block(question, room, PLAIN.leading, at)
    top = asked[-1].y + 12 if asked else form.top * scale
    for size in (size * scale for size in sizes):
        wrapped = [balanced(title, size, room) for title in titles]
        lines = max(map(len, wrapped))
        if lines <= form.lines:
            break
    bold = Text(x=side, y=top + 0.8 * size, size=size, bold=True)
    at = replace(soft, y=0.8 * PLAIN.small, size=PLAIN.small)
    below = block(source, room, PLAIN.leading, at)
    foot = height - form.bottom * scale - PLAIN.leading * len(below)
    top += LEADING * size * lines + GAP
    return Page(
        width=width,
        height=height,
        side=side,
        fixed=(
            rectangle(0, 0, width, height, "ground"),
            *asked,
            *(line.moved(0, foot) for line in below),
        ),
        heads=tuple(column(lines, bold, LEADING * size) for lines in wrapped),
        top=top,
        room=foot - GAP - top,
    )


PRINT_DPI, CSS_DPI = 300, 96
"""Dots per inch of a picture for print, and CSS pixels per inch by definition of CSS."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture of an exact size in pixels, its scene in CSS pixels on an opaque ground."""

    name: str
    alt: str
    scene: Scene
    width: int
    height: int
    dpi: int
    dark: bool = False

    @property
    def svg(self) -> bytes:
        """Write it as an SVG file, of the picture's size on a screen and in inches on paper."""
        size = (self.width * CSS_DPI // self.dpi, self.height * CSS_DPI // self.dpi)
        return standalone_svg(self.scene, self.alt, dark=self.dark, size=size)

    @property
    def png(self) -> bytes:
        return next(png_series([self]))


def png_series(figures: Iterable[Figure]) -> Iterator[bytes]:
    """Write pictures of one size and theme as PNG files.

    A picture that goes on where the one before it ended costs only what was added.
    """
    from blindspoon.charts.png import Canvas  # noqa: PLC0415 - a third of a second of imports

    canvas, drawn = None, tuple[Shape, ...]()
    for figure in figures:
        shapes = figure.scene.shapes
        if canvas is None or shapes[: len(drawn)] != drawn:
            ratio = figure.width / figure.scene.width
            canvas = Canvas(figure.width, figure.height, ratio, figure.dark)
            drawn = ()
        for shape in shapes[len(drawn) :]:
            canvas.draw(shape)
        drawn = shapes
        yield canvas.png(figure.dpi)


def figure_of(chart: Chart, size: str, *, source: str, question: str = "") -> Figure | None:
    """Draw a chart as a picture of an exact size, as large as it can be drawn there.

    "print" is as wide as the chart of a page (8 inches) at 300 dots an inch, and as high as it
    needs to be; the other sizes are `FORMATS`. The source is the line at the foot; the question
    stands over the title where there is room, and may be empty. None where words would lie on one
    another.
    """
    if size == "print":
        laid = chart.lay(WIDE)
        scene = footed(laid.scene, chart.title, source)
        return None if laid.cramped else pictured(chart, laid, scene)
    form = FORMATS[size]
    fitted = fit(chart, form, (chart.title,), source=source, question=question)
    if fitted is None:
        return None
    page, laid = fitted
    shapes = (*page.fixed, *page.heads[0], *page.body(laid))
    return pictured(chart, laid, page.scene(shapes), form)


def pictured(chart: Chart, laid: Laid, scene: Scene, form: Format | None = None) -> Figure:
    """Make a picture of a scene in a format; in its own size, for print, without one."""
    width, height = (round(side * PRINT_DPI / CSS_DPI) for side in (scene.width, scene.height))
    return Figure(
        name=chart.name,
        alt=alt_text(laid.kind, chart.data, chart.title),
        scene=scene,
        width=form.width if form else width,
        height=form.height if form else height,
        dpi=CSS_DPI if form else PRINT_DPI,
    )


BEHIND = {1: 0, 0: 1}
"""What is shown second lies behind what is shown first, and that behind all else."""


def frames(
    outcome: AttributeOutcome, size: str, *, source: str, question: str
) -> tuple[Figure, ...]:
    """Draw the frames of a reveal; nothing that was seen moves; none where there is no room.

    First the axis under the question, then the control's line and the margin, then one more variant
    in each frame, at last the finding in the place of the question.
    """
    chart, form = differences_chart(outcome), FORMATS[size]
    title = question or outcome.attribute.label
    fitted = fit(chart, form, (title, chart.title), source=source, question="")
    if fitted is None:
        return ()
    page, laid = fitted
    asked, answered = ((*page.fixed, *head) for head in page.heads)
    pairs = zip(page.body(laid), laid.steps, strict=True)
    order = sorted(pairs, key=lambda pair: BEHIND.get(pair[1], pair[1]))
    last = max(laid.steps)
    shown = [tuple(shape for shape, when in order if when <= step) for step in range(last + 1)]
    scenes = [*((*asked, *shapes) for shapes in shown), (*answered, *shown[-1])]
    return tuple(pictured(chart, laid, page.scene(shapes), form) for shapes in scenes)


REVEALED = {"frames": "video", "frames/tall": "tall"}  # folders of frames, and the size of each
SIZES = ("preview", *POSTED, "print", *REVEALED)  # all that `figure_files` makes pictures for
Drawn = tuple[str, bytes | None]
"""The path of a picture; None, with the path short of its ending, where there is no room for it."""


def figure_files(
    outcomes: Sequence[AttributeOutcome], size: str, *, question: str, source: str
) -> Iterator[Drawn]:
    """Make every picture of a trial in one of `SIZES`, with a line of source at the foot of each.

    ``figures/video/``, ``figures/square/`` and ``figures/tall/`` with ``<name>.png``,
    ``<name>.svg`` and ``<name>-dark.svg``, for video also ``<name>-dark.png``; ``figures/print/``
    with ``<name>.png`` at 300 dots an inch and ``<name>.svg``; ``figures/frames/01.png`` and so on,
    and ``figures/frames/tall/01.png``; ``preview.png`` of the first attribute.
    """
    ordered = sorted(outcomes, key=lambda outcome: not outcome.result.primary)
    compared = [outcome for outcome in ordered if outcome.result.comparisons]
    if size in REVEALED:
        for head in compared[:1]:
            shown = frames(head, REVEALED[size], question=question, source=source)
            for number, data in enumerate(png_series(shown), 1):
                yield f"figures/{size}/{number:02d}.png", data
            if not shown:
                yield f"figures/{size}/frames", None
        return
    for outcome in compared[:1] if size == "preview" else compared:
        yield from chart_files(differences_chart(outcome), size, question=question, source=source)
    if len(compared) > 1 and size != "preview":
        words = {"source": source, "question": question}
        yield from shared_files(len(compared), lambda at: board_chart(compared[at]), size, **words)


def shared_files(
    parts: int, chart: Callable[[slice], Chart], size: str, *, source: str, question: str
) -> Iterator[Drawn]:
    """Draw a chart of so many parts; where there is no room, several that share them out."""
    for several in range(1, parts + 1):
        across = math.ceil(parts / several)
        shared = [chart(slice(at, at + across)) for at in range(0, parts, across)]
        drawn = [figure_of(it, size, source=source, question=question) for it in shared]
        if all(drawn):
            break
    drawn = drawn if all(drawn) else [None]
    for number, it in enumerate(drawn, 1):
        named = replace(it, name=f"{it.name}-{number}") if it and len(drawn) > 1 else it
        yield from sized_files(named, size, shared[0].name)


def chart_files(chart: Chart, size: str, *, question: str, source: str) -> Iterator[Drawn]:
    """Draw a chart in one of `SIZES` but those of frames."""
    figure = figure_of(chart, size, source=source, question=question)
    return sized_files(figure, size, chart.name)


def sized_files(figure: Figure | None, size: str, name: str) -> Iterator[Drawn]:
    """Write a picture, for paper light only, for posts dark as SVG only; None if there is none."""
    if figure is None:
        yield "preview" if size == "preview" else f"figures/{size}/{name}", None
        return
    if size == "preview":
        yield "preview.png", figure.png
        return
    stem = f"figures/{size}/{figure.name}"
    yield f"{stem}.svg", figure.svg
    yield f"{stem}.png", figure.png
    if size != "print":
        dark = replace(figure, dark=True)
        yield f"{stem}-dark.svg", dark.svg
        if size == "video":
            yield f"{stem}-dark.png", dark.png
