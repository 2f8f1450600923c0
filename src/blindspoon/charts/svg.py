"""A scene as SVG, for a page or as a file. No clock, no chance, no ids that could clash."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from blindspoon.charts.palette import PALETTE, PREFIX
from blindspoon.charts.scene import Area, Line, Marks, Scene, Shape, Text, diamond

FONTS = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"
RING = 0.42
"""Thickness of a ring in units of its radius."""
DASH = (3.0, 3.0)

Paint = Callable[[str], str]


def inline_svg(scene: Scene, label: str) -> str:
    """Write a scene for a page, in CSS custom properties that fall back to the light theme.

    Parameters
    ----------
    scene : Scene
    label : str
        What a screen reader says; empty for an ornament that it leaves out.
    """
    named = f'role="img" aria-label="{escape(label)}"' if label else 'aria-hidden="true"'
    return _svg(scene, named, lambda ink: f"var({PREFIX}{ink},{PALETTE[ink][0]})")


def standalone_svg(
    scene: Scene, label: str, *, dark: bool = False, size: tuple[int, int] | None = None
) -> bytes:
    """Write a scene as an SVG file.

    Parameters
    ----------
    scene : Scene
    label : str
        What a screen reader says.
    dark : bool
        Whether its colours are those for a dark ground.
    size : tuple of int, optional
        Width and height in pixels to which the scene is enlarged; its own without.
    """
    named = f'xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{escape(label)}"'
    text = _svg(scene, named, lambda ink: PALETTE[ink][dark], size)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


def _svg(scene: Scene, named: str, paint: Paint, size: tuple[int, int] | None = None) -> str:
    own = (_short(scene.width), _short(scene.height))
    width, height = size or own
    body = "".join(_element(shape, paint) for shape in scene.shapes)
    return (
        f'<svg {named} width="{width}" height="{height}" viewBox="0 0 {own[0]} {own[1]}" '
        f'font-family="{FONTS}">{body}</svg>'
    )


def _element(shape: Shape, paint: Paint) -> str:
    ink = paint(shape.ink)
    match shape:
        case Text():
            return _text(shape, ink)
        case Line():
            dash = f' stroke-dasharray="{DASH[0]:g} {DASH[1]:g}"' if shape.dashed else ""
            (x1, y1), (x2, y2) = shape.start, shape.end
            place = f'x1="{_short(x1)}" y1="{_short(y1)}" x2="{_short(x2)}" y2="{_short(y2)}"'
            return f'<line {place} stroke="{ink}" stroke-width="{_short(shape.width)}"{dash}/>'
        case Area():
            return f'<polygon fill="{ink}" points="{_points(shape.corners)}"/>'
        case Marks():
            return _marks(shape, ink, paint("ground"))


def _text(shape: Text, ink: str) -> str:
    anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
    weight = ' font-weight="600"' if shape.bold else ""
    place = f'x="{_short(shape.x)}" y="{_short(shape.y)}" font-size="{_short(shape.size)}"'
    return f'<text {place} fill="{ink}"{anchor}{weight}>{escape(shape.text, quote=False)}</text>'


def _marks(shape: Marks, ink: str, ground: str) -> str:
    radius, look = shape.radius, f'fill="{ink}"'
    if shape.kind == "diamond":
        each = (f'<polygon points="{_points(diamond(c, radius))}"/>' for c in shape.centres)
        return f"<g {look}>{''.join(each)}</g>"
    if shape.kind == "ring":
        look = f'fill="{ground}" stroke="{ink}" stroke-width="{_short(RING * radius)}"'
        radius *= 1 - RING / 2
    each = (
        f'<circle cx="{_short(x)}" cy="{_short(y)}" r="{_short(radius)}"/>'
        for x, y in shape.centres
    )
    return f"<g {look}>{''.join(each)}</g>"


def _points(points: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{_short(x)},{_short(y)}" for x, y in points)


def _short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
