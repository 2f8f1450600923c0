"""Charts as pictures of an exact size: for video, for posts and for print."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from blindspoon.charts.chart import Drawing, footed
from blindspoon.charts.fitting import Fitted, fit
from blindspoon.charts.formats import FORMATS, Format
from blindspoon.charts.layout import WIDE
from blindspoon.charts.scene import Scene, Shape
from blindspoon.charts.svg import standalone_svg

PRINT_DPI, CSS_DPI = 300, 96
"""Dots per inch of a picture for print, and CSS pixels per inch by definition of CSS."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A picture of an exact size.

    Parameters
    ----------
    name, alt : str
        Stem of its files; what it shows.
    scene : Scene
        On an opaque ground; in CSS pixels, to be enlarged to the size.
    width, height : int
        In pixels.
    dark : bool
    dpi : int
        Pixels per inch where it is printed.
    """

    name: str
    alt: str
    scene: Scene
    width: int
    height: int
    dark: bool
    dpi: int

    @property
    def svg(self) -> bytes:
        """Write it as an SVG file, of the picture's size on a screen and in inches on paper."""
        size = (self.width * CSS_DPI // self.dpi, self.height * CSS_DPI // self.dpi)
        return standalone_svg(self.scene, self.alt, dark=self.dark, size=size)

    @property
    def png(self) -> bytes:
        """Write it as a PNG file."""
        return next(png_series([self]))


def png_series(stages: Iterable[Stage]) -> Iterator[bytes]:
    """Write pictures of one size and theme as PNG files.

    A picture that goes on where the one before it ended costs only what was added.
    """
    from blindspoon.charts.png import Canvas  # noqa: PLC0415 - a third of a second of imports

    canvas, drawn = None, tuple[Shape, ...]()
    for each in stages:
        shapes = each.scene.shapes
        if canvas is None or shapes[: len(drawn)] != drawn:
            canvas = Canvas(each.width, each.height, each.width / each.scene.width, each.dark)
            drawn = ()
        for shape in shapes[len(drawn) :]:
            canvas.draw(shape)
        drawn = shapes
        yield canvas.png(each.dpi)


def stage(
    drawing: Drawing, size: str, *, dark: bool = False, source: str, question: str = ""
) -> Stage | None:
    """Draw a chart as a picture of an exact size, as large as it can be drawn there.

    Parameters
    ----------
    drawing : Drawing
    size : {"video", "square", "tall", "print"}
        1920 x 1080, 1080 x 1080 and 1080 x 1920 pixels; "print" is as wide as the chart of a page
        (8 inches) at 300 dots an inch, and as high as it needs to be.
    dark : bool
    source : str
        The line at the foot.
    question : str
        Stands over the title where there is room; may be empty.

    Returns
    -------
    Stage or None
        None where the chart cannot be drawn in this size without words on one another.
    """
    if size == "print":
        return _for_print(drawing, source, dark=dark)
    form = FORMATS[size]
    fitted = fit(drawing, form, (drawing.title,), source=source, question=question)
    if fitted is None:
        return None
    shapes = (*fitted.page.fixed, *fitted.page.heads[0], *fitted.body)
    return staged(drawing, form, fitted, shapes, dark=dark)


def staged(
    drawing: Drawing, form: Format, fitted: Fitted, shapes: tuple[Shape, ...], *, dark: bool
) -> Stage:
    """Finish a picture from the shapes that it shows."""
    page = fitted.page
    return Stage(
        name=drawing.name,
        alt=drawing.alt(fitted.laid),
        scene=Scene(width=page.width, height=page.height, shapes=shapes),
        width=form.width,
        height=form.height,
        dark=dark,
        dpi=CSS_DPI,
    )


def _for_print(drawing: Drawing, source: str, *, dark: bool) -> Stage | None:
    laid = drawing.lay(WIDE)
    if laid.cramped:
        return None
    scene = footed(laid.scene, drawing.title, source)
    width, height = (round(side * PRINT_DPI / CSS_DPI) for side in (scene.width, scene.height))
    return Stage(
        name=drawing.name,
        alt=drawing.alt(laid),
        scene=scene,
        width=width,
        height=height,
        dark=dark,
        dpi=PRINT_DPI,
    )
