"""The tiny drawing of one verdict on the board."""

from __future__ import annotations

from functools import partial

from blindspoon.charts.scene import Line, Marks, Scene, Shape, rectangle
from blindspoon.charts.svg import inline_svg

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
