"""How wide text is, and where it wraps.

Measured with the font that comes with matplotlib, DejaVu Sans. It is the font of the PNG files,
and is wider than the system fonts that a browser takes, so what fits here fits there.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.ft2font import FT2Font

UNITS = 100


@lru_cache(maxsize=2)
def _font(*, bold: bool) -> FT2Font:
    import matplotlib  # noqa: PLC0415 - the score page takes colours from here, and no font
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = FT2Font(str(Path(matplotlib.get_data_path(), "fonts", "ttf", name)))
    font.set_size(UNITS, 72)
    return font


@lru_cache(maxsize=4096)
def _advance(letter: str, *, bold: bool) -> float:
    """Width of a letter in units of the text's size."""
    font = _font(bold=bold)
    if font.get_char_index(ord(letter)):
        return float(font.load_char(ord(letter)).linearHoriAdvance) / 65536 / UNITS
    if unicodedata.combining(letter):
        return 0.0
    return 1.0 if unicodedata.east_asian_width(letter) in "WF" else 0.7


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of one line of text, in pixels.

    Examples
    --------
    >>> round(text_width("crisp", 12), 1)
    28.7
    """
    return size * _units(text, bold=bold)


@lru_cache(maxsize=32768)
def _units(text: str, *, bold: bool) -> float:
    """Width of a text in units of its size."""
    return sum(_advance(letter, bold=bold) for letter in text)


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> tuple[str, ...]:
    """Break text into lines no wider than a width, between words where that is possible.

    Parameters
    ----------
    text : str
    size, width : float
        In pixels.

    Returns
    -------
    tuple of str
        At least one line; no letter is lost.

    Examples
    --------
    >>> wrap("Cool cellar, three weeks", 12, 90)
    ('Cool cellar,', 'three weeks')
    """
    lines = [""]
    for word in _words(text, size, width, bold=bold):
        longer = f"{lines[-1]} {word}".strip(" ")
        if lines[-1] and text_width(longer, size, bold=bold) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return tuple(lines)


def _words(text: str, size: float, width: float, *, bold: bool) -> list[str]:
    """Words, those that are wider than a line cut into pieces; no-break spaces hold."""
    pieces = []
    for word in text.split(" "):
        if text_width(word, size, bold=bold) <= width:
            pieces.append(word)
            continue
        piece = ""
        for letter in word:
            if piece and text_width(piece + letter, size, bold=bold) > width:
                pieces.append(piece)
                piece = ""
            piece += letter
        pieces.append(piece)
    return [piece for piece in pieces if piece]
