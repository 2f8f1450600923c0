"""A finished chart: its finding in words, for a page in two widths, and as files of its own."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.charts.measure import wrap
from blindspoon.charts.scene import Scene, Text, column, rectangle
from blindspoon.charts.svg import inline_svg, standalone_svg

EDGE = 24.0
TITLE, TITLE_LEADING, SOURCE, SOURCE_LEADING = 18.0, 23.0, 11.5, 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart.

    Parameters
    ----------
    name : str
        Stem of its files: "texture-differences".
    title : str
        What it shows; not drawn in `wide` and `narrow`, which a page heads with it.
    alt : str
        For people who do not see it.
    wide, narrow : str
        SVG elements for pages from about 760 px, and for phones (358 px), in the custom
        properties of `palette.css_variables`.
    figure : Scene
        The wide chart under its title and over its source.
    """

    name: str
    title: str
    alt: str
    wide: str
    narrow: str
    figure: Scene


def svg_file(chart: Chart) -> bytes:
    """Write the figure of a chart as an SVG file, on a light ground."""
    return standalone_svg(chart.figure, chart.alt)


def png_file(chart: Chart) -> bytes:
    """Write the figure of a chart as a PNG file, on a light ground."""
    from blindspoon.charts.png import png  # noqa: PLC0415 - a third of a second of imports

    return png(chart.figure)


def chart_of(*, name: str, title: str, alt: str, wide: Scene, narrow: Scene, source: str) -> Chart:
    """Finish a chart from its drawings."""
    return Chart(
        name=name,
        title=title,
        alt=alt,
        wide=inline_svg(wide, alt),
        narrow=inline_svg(narrow, alt),
        figure=framed(wide, title, source),
    )


def framed(scene: Scene, title: str, source: str) -> Scene:
    """Put a drawing on a ground, its title over it and its source under it."""
    over = _balanced(title, scene.width)
    under = wrap(f"Source: {source}", SOURCE, scene.width) if source else ()
    top = Text(x=EDGE, y=EDGE + TITLE, text="", size=TITLE, bold=True)
    body = EDGE + TITLE_LEADING * len(over) + 20
    foot = body + scene.height + 14
    below = Text(x=EDGE, y=foot + SOURCE, text="", size=SOURCE, ink="soft")
    width, height = scene.width + 2 * EDGE, round(foot + SOURCE_LEADING * len(under) + EDGE - 8)
    return Scene(
        width=width,
        height=height,
        shapes=(
            rectangle(0, 0, width, height, "ground"),
            *column(over, top, TITLE_LEADING),
            *(shape.moved(EDGE, body) for shape in scene.shapes),
            *column(under, below, SOURCE_LEADING),
        ),
    )


def _balanced(title: str, width: float) -> tuple[str, ...]:
    """Wrap a title into as few lines as it needs, of about the same length."""
    fewest = len(wrap(title, TITLE, width, bold=True))
    while width > 200 and len(wrap(title, TITLE, width - 10, bold=True)) == fewest:
        width -= 10
    return wrap(title, TITLE, width, bold=True)
