"""How wide text is in the face of pages and figures, and where it wraps.

The face, Source Serif 4 cut down to the letters of `RANGES`, lies in ``face/`` with its licence: as
WOFF2 for pages and SVG files, as TrueType for measuring and for PNG files.
"""

from __future__ import annotations

import base64
import io
import unicodedata
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from blindspoon.files import disk

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

FACE = "Blindspoon Serif"
"""The licence reserves the name "Source"."""
FONTS = f"'{FACE}', Georgia, 'Times New Roman', serif"
RANGES = (
    *((0x20, 0x7E), (0xA0, 0x12B), (0x12E, 0x131), (0x134, 0x165), (0x168, 0x17F), (0x218, 0x21B)),
    *((0x394, 0x394), (0x3B1, 0x3C9), (0x2009, 0x200A), (0x2010, 0x2014), (0x2018, 0x201A)),
    *((0x201C, 0x201E), (0x2020, 0x2022), (0x2026, 0x2026), (0x202F, 0x202F), (0x2032, 0x2033)),
    *((0x2039, 0x203A), (0x20AC, 0x20AC), (0x2122, 0x2122), (0x2190, 0x2193), (0x2212, 0x2212)),
    *((0x2248, 0x2248), (0x2260, 0x2260), (0x2264, 0x2265)),
)
"""First and last code point of the letters in the face; a system's own fonts have the others."""
LETTERS = frozenset(letter for first, last in RANGES for letter in range(first, last + 1))
UNITS = 1000


@cache
def face_css() -> str:
    """Declare the face in a style sheet, its two weights embedded."""
    weights = {400: "regular.woff2", 700: "bold.woff2"}
    files = {weight: disk.shipped_bytes(f"charts/face/{name}") for weight, name in weights.items()}
    return "".join(
        f"@font-face{{font-family:'{FACE}';font-weight:{weight};"
        f"src:url(data:font/woff2;base64,{base64.b64encode(file).decode()})}}"
        for weight, file in files.items()
    )


def face_file(*, bold: bool) -> str:
    """Name the TrueType file of one weight, among those that come with the package."""
    return f"charts/face/{'bold' if bold else 'regular'}.ttf"


@cache
def _font(*, bold: bool) -> FreeTypeFont:
    from PIL import ImageFont  # noqa: PLC0415 - the score page takes colours, and no font

    file = io.BytesIO(disk.shipped_bytes(face_file(bold=bold)))
    return ImageFont.truetype(file, UNITS, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=32768)
def _units(text: str, *, bold: bool) -> float:
    """Width of a text in units of its size; guessed of letters that another font has."""
    if len(text) != 1:
        return sum(_units(letter, bold=bold) for letter in text)
    if ord(text) in LETTERS:
        return _font(bold=bold).getlength(text) / UNITS
    if unicodedata.combining(text):
        return 0.0
    return 1.0 if unicodedata.east_asian_width(text) in "WF" else 0.7


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of one line of text, in pixels.

    Examples
    --------
    >>> round(text_width("crisp", 12), 1)
    26.7
    """
    return size * _units(text, bold=bold)


@lru_cache(maxsize=4096)
def wrap(text: str, size: float, width: float, *, bold: bool = False) -> tuple[str, ...]:
    """Break text into lines no wider than a width, between words where that is possible.

    Parameters
    ----------
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
    for word in filter(None, text.split(" ")):  # no-break spaces hold
        pieces = [word]
        if text_width(word, size, bold=bold) > width:
            pieces = [""]
            for letter in word:
                if pieces[-1] and text_width(pieces[-1] + letter, size, bold=bold) > width:
                    pieces.append("")
                pieces[-1] += letter
        for piece in pieces:
            longer = f"{lines[-1]} {piece}".strip(" ")
            if lines[-1] and text_width(longer, size, bold=bold) > width:
                lines.append(piece)
            else:
                lines[-1] = longer
    return tuple(lines)
