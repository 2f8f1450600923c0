"""Make the face of pages and figures from Source Serif 4: ``python face.py FOLDER_OF_ITS_TTF``.

Source Serif 4.005 by Adobe, SIL Open Font License 1.1, from github.com/adobe-fonts/source-serif.

The letters named in `blindspoon.charts.scene.LETTERS` stay, with their kerning. The licence
reserves the name "Source", so what was cut down bears a name of its own. Needs brotli for WOFF2.
"""

from __future__ import annotations

import sys
from pathlib import Path

from fontTools.subset import Options, Subsetter
from fontTools.ttLib import TTFont

from blindspoon.charts.scene import FACE, LETTERS

HERE = Path(__file__).parents[2] / "src" / "blindspoon" / "charts" / "face"


def cut(source: Path, style: str) -> TTFont:
    """Keep the letters that pages and figures are set in, under a name of their own."""
    font = TTFont(source)
    kept = Options(layout_features=["kern"], hinting=False)
    subsetter = Subsetter(kept)
    subsetter.populate(unicodes=LETTERS)
    subsetter.subset(font)
    stem = f"{FACE.replace(' ', '')}-{style}"
    for number, text in ((1, FACE), (3, f"4.005;{stem}"), (4, f"{FACE} {style}"), (6, stem)):
        font["name"].setName(text, number, 3, 1, 0x409)
    return font


if __name__ == "__main__":
    for style in ("Regular", "Bold"):
        made = cut(Path(sys.argv[1]) / f"SourceSerif4-{style}.ttf", style)
        made.save(HERE / f"{style.lower()}.ttf")
        made.flavor = "woff2"
        made.save(HERE / f"{style.lower()}.woff2")
