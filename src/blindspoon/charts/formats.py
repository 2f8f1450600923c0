"""Sizes of pictures, and the ways in which a chart is set to fill them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from blindspoon.charts.layout import Style


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """A size of picture, in its pixels.

    Parameters
    ----------
    width, height : int
    side, top, bottom : int
        Kept free at the edges.
    lines : int
        Lines that a title should not exceed.
    logical : tuple of int
        Widths of the sheets that are tried, in CSS pixels: the narrower, the larger all is drawn.
    beside : bool
        Whether words stand beside the rows while there is room.
    """

    width: int
    height: int
    side: int
    top: int
    bottom: int
    lines: int
    logical: tuple[int, ...]
    beside: bool


POST = (315, 342, 369, 396, 432)
FORMATS = {
    "video": Format(
        width=1920,
        height=1080,
        side=80,
        top=64,
        bottom=56,
        lines=2,
        logical=(592, 640, 688, 736, 800),
        beside=True,
    ),
    "square": Format(
        width=1080, height=1080, side=54, top=50, bottom=44, lines=3, logical=POST, beside=False
    ),
    "tall": Format(
        width=1080, height=1920, side=54, top=130, bottom=160, lines=4, logical=POST, beside=False
    ),
}
"""A tall picture keeps more free at its ends, where players lay their buttons: common practice,
no source."""

GRAND = Style(
    brief=True,
    numbers=180.0,
    diameters=(16.0, 14.0, 12.0, 10.0),
    tallest=120.0,
    hill=100.0,
    least=24.0,
    under=28.0,
    pad=10.0,
    estimate=8.0,
    row=44.0,
)
LARGE = Style(
    brief=True,
    numbers=180.0,
    diameters=(12.0, 10.0, 9.0, 8.0),
    tallest=84.0,
    hill=68.0,
    least=18.0,
    under=22.0,
    pad=8.0,
    estimate=6.5,
    row=30.0,
)
PLAIN = Style(brief=True, numbers=180.0)
SNUG = Style(
    brief=True,
    numbers=180.0,
    leading=14.5,
    diameters=(6.0, 5.0, 4.0),
    tallest=34.0,
    hill=30.0,
    least=10.0,
    under=14.0,
    pad=3.0,
    row=17.0,
)
TIGHT = Style(
    brief=True,
    label=11.25,
    note=11.25,
    small=11.25,
    leading=13.5,
    diameters=(5.0, 4.0),
    tallest=22.0,
    hill=18.0,
    least=8.0,
    under=11.0,
    pad=2.0,
    estimate=4.0,
    row=14.0,
    labels=240.0,
)
LEAN = replace(TIGHT, notes=False, labels=190.0)
BARE = replace(LEAN, marks=0, hill=8.0, under=8.5, pad=0.5, labels=300.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """What is tried before something is given up.

    Parameters
    ----------
    asks : bool
        Whether the question stands over the title.
    titles : tuple of int
        Sizes of a title, in pixels of the picture; the smaller ones for those that are long.
    anywhere, last : tuple of Style
        What is tried at each scale, and at last at the smallest; the roomy ones first.
    """

    asks: bool
    titles: tuple[int, ...] = (64, 60, 56, 52, 48, 44, 40, 36)
    anywhere: tuple[Style, ...] = (GRAND, LARGE, PLAIN, SNUG)
    last: tuple[Style, ...]


ATTEMPTS = (
    Attempt(asks=True, last=(TIGHT,)),
    Attempt(asks=False, last=(TIGHT, LEAN)),
    Attempt(asks=False, titles=(44, 40, 36), anywhere=(), last=(BARE,)),
)
"""First goes the question, then the numbers, then the marks of the tasters."""
