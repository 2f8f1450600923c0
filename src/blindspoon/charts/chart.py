"""A finished chart: its finding in words, for a page in two widths, and as files of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from blindspoon.charts.scene import Scene, Text, block, column, rectangle
from blindspoon.charts.style import NARROW, WIDE, Laid, Sheet
from blindspoon.charts.svg import inline_svg, standalone_svg
from blindspoon.charts.text import wrap
from blindspoon.trial import Trial

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
    data : str
        What it is drawn from: "the scores of 12 tasters on texture".
    lay : callable
        Lays it out on a sheet of any size.
    """

    name: str
    title: str
    alt: str
    wide: str
    narrow: str
    figure: Scene
    data: str
    lay: Callable[[Sheet], Laid] = field(compare=False, repr=False)


def source_of(trial: Trial, when: str = "") -> str:
    """Say where the data of a trial come from: its title, its host and perhaps its dates."""
    return ", ".join(filter(None, (f"“{trial.title}”", trial.host, when)))


def chart_of(
    *,
    name: str,
    title: str,
    data: str,
    lay: Callable[[Sheet], Laid],
    source: str,
    finding: str = "",
) -> Chart:
    """Finish a chart; the finding stands for its title in `alt` where the title has none."""
    wide = lay(WIDE)
    alt = alt_text(wide.kind, data, finding or title)
    return Chart(
        name=name,
        title=title,
        alt=alt,
        wide=inline_svg(wide.scene, alt),
        narrow=inline_svg(lay(NARROW).scene, alt),
        figure=footed(wide.scene, title, f"Source: {source}" if source else ""),
        data=data,
        lay=lay,
    )


def alt_text(kind: str, data: str, finding: str) -> str:
    """Say what a chart shows as "[chart] of [data], where [finding]".

    Examples
    --------
    >>> alt_text("Dot plot", "12 tasters", "Nothing is settled on texture")
    'Dot plot of 12 tasters, where nothing is settled on texture.'
    """
    return f"{kind} of {data}, where {finding[:1].lower()}{finding[1:]}."


def svg_file(chart: Chart) -> bytes:
    """Write the figure of a chart as an SVG file, on a light ground."""
    return standalone_svg(chart.figure, chart.alt)


def png_file(chart: Chart) -> bytes:
    """Write the figure of a chart as a PNG file, on a light ground."""
    from blindspoon.charts.png import png  # noqa: PLC0415 - a third of a second of imports

    return png(chart.figure)


def chart_file(chart: Chart, ending: str) -> bytes:
    """Write the figure of a chart as a PNG file, or as SVG, by the ending of the file's name."""
    return (png_file if ending.lower() == ".png" else svg_file)(chart)


def footed(scene: Scene, title: str, foot: str) -> Scene:
    """Put a drawing on a ground, its title over it and any words under it."""
    over = balanced(title, TITLE, scene.width)
    top = Text(x=EDGE, y=EDGE + TITLE, text="", size=TITLE, bold=True)
    body = EDGE + TITLE_LEADING * len(over) + 20
    end = body + scene.height + 14
    soft = Text(x=EDGE, y=end + SOURCE, text="", size=SOURCE, ink="soft")
    under = block(foot, scene.width, SOURCE_LEADING, soft)
    width, height = scene.width + 2 * EDGE, round(end + SOURCE_LEADING * len(under) + EDGE - 8)
    return Scene(
        width=width,
        height=height,
        shapes=(
            rectangle(0, 0, width, height, "ground"),
            *column(over, top, TITLE_LEADING),
            *(shape.moved(EDGE, body) for shape in scene.shapes),
            *under,
        ),
    )


def balanced(title: str, size: float, width: float) -> tuple[str, ...]:
    """Wrap a title into as few lines as it needs, of about the same length."""
    lines = wrap(title, size, width, bold=True)
    while width > 200:
        width -= 10
        closer = wrap(title, size, width, bold=True)
        if len(closer) > len(lines):
            break
        lines = closer
    return lines
