"""A finished chart: its finding in words, and as SVG for a page in two widths or for a file.

No clock, no chance, no ids that could clash.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from html import escape

from blindspoon.charts.scene import (
    DASH,
    FONTS,
    LEADING,
    NARROW,
    PALETTE,
    PREFIX,
    RING,
    SMALL,
    WIDE,
    Area,
    Laid,
    Line,
    Marks,
    Scene,
    Shape,
    Sheet,
    Text,
    block,
    column,
    diamond,
    face_css,
    rectangle,
    wrap,
)
from blindspoon.trial import Trial


def inline_svg(scene: Scene, label: str) -> str:
    """Write a scene for a page, in the CSS custom properties of `css_variables`.

    The label is what a screen reader says; empty for an ornament that it leaves out.
    """
    named = f'role="img" aria-label="{escape(label)}"' if label else 'aria-hidden="true"'
    return _svg(scene, named, lambda ink: f"var({PREFIX}{ink})")


def _svg(scene: Scene, named: str, paint: Callable[[str], str], style: str = "") -> str:
    width, height = _short(scene.width), _short(scene.height)
    body = "".join(_element(shape, paint) for shape in scene.shapes)
    font = f' font-family="{FONTS}"' * bool(scene.texts)
    return (
        f'<svg {named} width="{width}" height="{height}" viewBox="0 0 {width} {height}"{font}>'
        f"{style}{body}</svg>"
    )


def _element(shape: Shape, paint: Callable[[str], str]) -> str:
    ink = paint(shape.ink)
    match shape:
        case Text():
            anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
            weight = ' font-weight="700"' if shape.bold else ""
            look = f'fill="{ink}" font-size="{_short(shape.size)}"{anchor}{weight}'
            place = f'x="{_short(shape.x)}" y="{_short(shape.y)}"'
            return f"<text {place} {look}>{escape(shape.text, quote=False)}</text>"
        case Line():
            width = "" if shape.width == 1 else f' stroke-width="{_short(shape.width)}"'
            dash = f' stroke-dasharray="{DASH[0]:g} {DASH[1]:g}"' if shape.dashed else ""
            (x1, y1), (x2, y2) = (tuple(map(_short, end)) for end in shape.points)
            place = f'x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"'
            return f'<line {place} stroke="{ink}"{width}{dash}/>'
        case Area():
            return f'<polygon points="{_points(shape.points)}" fill="{ink}"/>'
        case Marks():
            radius, look, marks = shape.radius, f'fill="{ink}"', ""
            if shape.kind == "ring":
                look = f'fill="{paint("ground")}" stroke="{ink}"'
                look += f' stroke-width="{_short(RING * radius)}"'
                radius *= 1 - RING / 2
            for x, y in shape.points:
                if shape.kind == "diamond":
                    marks += f'<polygon points="{_points(diamond((x, y), radius))}"/>'
                else:
                    marks += f'<circle cx="{_short(x)}" cy="{_short(y)}" r="{_short(radius)}"/>'
            return f"<g {look}>{marks}</g>"


def _points(points: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{_short(x)},{_short(y)}" for x, y in points)


def _short(value: float) -> str:
    """Write a length to a tenth of a pixel, which keeps pages small."""
    return f"{value:.1f}".removesuffix(".0")


EDGE = 24.0
TITLE, TITLE_LEADING = 18.0, 23.0


@dataclass(frozen=True, kw_only=True)
class Chart:
    """One chart; `name` is the stem of its files: "texture-differences".

    `data` says what it is drawn from: "the scores of 12 tasters on texture". `lay` lays it out on a
    sheet of any size. `finding` may say more than the title to whoever cannot see it.
    """

    name: str
    title: str
    data: str
    lay: Callable[[Sheet], Laid] = field(compare=False, repr=False)
    source: str
    finding: str = ""

    @cached_property
    def alt(self) -> str:
        """What was found, then what is drawn."""
        return f"{self.finding or self.title}. {self._laid.kind} of {self.data}."

    @cached_property
    def wide(self) -> str:
        """An SVG element for pages from about 760 px, which head it with the title."""
        return inline_svg(self._laid.scene, self.alt)

    @cached_property
    def narrow(self) -> str:
        """The same for phones (358 px)."""
        return inline_svg(self.lay(NARROW).scene, self.alt)

    @cached_property
    def figure(self) -> Scene:
        """The wide chart under its title and over its source."""
        return footed(self._laid.scene, self.title, self.source and f"Source: {self.source}")

    @cached_property
    def _laid(self) -> Laid:
        return self.lay(WIDE)


def source_of(trial: Trial, when: str = "") -> str:
    """Say where the data of a trial come from: its title, its host and perhaps its dates."""
    return ", ".join(filter(None, (f"“{trial.title}”", trial.host, when)))


def svg_file(chart: Chart) -> bytes:
    """Write the figure of a chart as an SVG file, on a light ground."""
    named = f'xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{escape(chart.alt)}"'
    style = f"<style>{face_css()}</style>"
    text = _svg(chart.figure, named, lambda ink: PALETTE[ink][0], style)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


def png_file(chart: Chart) -> bytes:
    """Write the figure of a chart as a PNG file, on a light ground."""
    from blindspoon.charts.png import png  # noqa: PLC0415 - a third of a second of imports

    return png(chart.figure)


def footed(scene: Scene, title: str, foot: str) -> Scene:
    """Put a drawing on a ground, its title over it and any words under it."""
    over = balanced(title, TITLE, scene.width)
    top = Text(x=EDGE, y=EDGE + TITLE, size=TITLE, bold=True)
    body = EDGE + TITLE_LEADING * len(over) + 20
    end = body + scene.height + 14
    soft = Text(x=EDGE, y=end + SMALL, size=SMALL, ink="soft")
    under = block(foot, scene.width, soft)
    width, height = scene.width + 2 * EDGE, round(end + LEADING * len(under) + EDGE - 8)
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
