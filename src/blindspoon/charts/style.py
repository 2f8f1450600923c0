"""How charts look: sizes of text and marks, and the sheet that a chart fills."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.charts.scene import Scene, Shape, Text, block

LABEL, NOTE, SMALL, LEADING = 13.0, 12.0, 11.5, 15.0
"""Sizes of text, and from one base line of text to the next."""
INSET = 12.0
"""Pixels between the ends of an axis and the edge of its plot, so that no mark is cut."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How large words and marks are, and how much room rows take, in pixels.

    Parameters
    ----------
    label, note, small, leading : float
        Sizes of text, and from one base line to the next.
    diameters : tuple of float
        Of a taster's mark; the largest with which no stack is too tall is taken.
    tallest, least, density : float
        Over a base line: what a stack should not exceed, what it takes at least, the highest
        density.
    under, pad : float
        Under a base line for the estimate; free over and under a row.
    estimate : float
        Radius of its mark.
    row : float
        Height of a row that has no people in it.
    labels, numbers : float
        Widest columns of words beside the rows.
    marks : int
        Most tasters that are told apart; 0 for densities only.
    notes : bool
        Whether numbers stand beside or over the rows.
    """

    label: float = LABEL
    note: float = NOTE
    small: float = SMALL
    leading: float = LEADING
    diameters: tuple[float, ...] = (8.0, 7.0, 6.0, 5.0, 4.0)
    tallest: float = 56.0
    least: float = 14.0
    density: float = 44.0
    under: float = 18.0
    pad: float = 6.0
    estimate: float = 5.0
    row: float = 21.0
    labels: float = 190.0
    numbers: float = 150.0
    marks: int = 40
    notes: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The room for a chart.

    Parameters
    ----------
    beside : bool
        Whether words stand beside the rows or over them.
    spare : float
        Further height that every row is given, in pixels.
    """

    width: float
    beside: bool
    style: Style = Style()
    spare: float = 0.0


WIDE = Sheet(width=720.0, beside=True)
NARROW = Sheet(width=358.0, beside=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A chart laid out on a sheet.

    Parameters
    ----------
    kind : str
        What it is called: "Dot plot".
    rows : int
        How many rows `Sheet.spare` was given to.
    cramped : bool
        Whether words are broken or leave too little room; for want of a better sheet it is drawn
        all the same.
    steps : tuple of int
        For each shape of the scene, when a reveal shows it: 0 the axis, 1 what runs behind all
        rows, from 2 on a number for each row.
    """

    scene: Scene
    kind: str
    rows: int = 1
    cramped: bool = False
    steps: tuple[int, ...] = ()


def key_lines(
    key: str, width: float, y: float, style: Style = WIDE.style
) -> tuple[list[Shape], float]:
    """Set the words that say how to read a chart, and tell where they end."""
    first = Text(x=0, y=y + style.small, text="", size=style.small, ink="soft")
    lines = block(key, width, style.leading, first)
    return [*lines], lines[-1].y + 5
