"""How charts look: colours by name, sizes of text and marks, and the sheet that a chart fills.

A page sets the colours as CSS custom properties.
"""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.charts.scene import Scene, Shape, Text, block

PALETTE: dict[str, tuple[str, str]] = {
    "ground": ("#fffefb", "#17191b"),
    "ink": ("#1d2226", "#ececea"),
    "soft": ("#555d63", "#b3bac0"),
    "people": ("#6f787f", "#98a1a8"),
    "hair": ("#cdd4d7", "#3f474d"),
    "band": ("#e9eeec", "#2a3032"),
    "edge": ("#7a838a", "#7f8990"),
    "v1": ("#1c3f99", "#6cbcf7"),
    "v2": ("#b5651a", "#cf7f35"),
    "v3": ("#47897a", "#86ecd2"),
    "v4": ("#8959ba", "#a678da"),
    "v5": ("#674e21", "#d9bb3f"),
    "v6": ("#4f222e", "#f3929f"),
}
"""Colour on a light and on a dark ground. `people` and `v1` to `v6` are marks; `ink` and `soft`
are text; `band` fills the margin, `edge` bounds it and fills the density of many tasters."""

PREFIX = "--bs-"
COLOURS = sum(name[0] == "v" and name[1:].isdigit() for name in PALETTE)


def css_variables(*, dark: bool) -> str:
    """Declare every colour of one theme, for the rule of a style sheet.

    Examples
    --------
    >>> css_variables(dark=False)[:31]
    '--bs-ground:#fffefb;--bs-ink:#1'
    """
    return "".join(f"{PREFIX}{name}:{pair[dark]};" for name, pair in PALETTE.items())


def variant_inks(variants: int, control: int) -> tuple[str, ...]:
    """Give each variant its colour, the same in every chart; the control has the ink of text.

    Where there are more variants than colours that can be told apart, colour carries nothing:
    all have the first.

    Parameters
    ----------
    variants : int
        The control included.
    control : int
        Position of the control.

    Examples
    --------
    >>> variant_inks(4, 1)
    ('v1', 'ink', 'v2', 'v3')
    >>> variant_inks(12, 0)[:4]
    ('ink', 'v1', 'v1', 'v1')
    """
    few = variants - 1 <= COLOURS
    others = [place for place in range(variants) if place != control]
    rank = {place: number for number, place in enumerate(others, 1)}
    return tuple(
        "ink" if place == control else f"v{rank[place] if few else 1}" for place in range(variants)
    )


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
