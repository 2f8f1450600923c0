"""A scene as a PNG file, drawn by matplotlib's Agg renderer in the face of the pages."""

import io
import unicodedata
import warnings
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font
from matplotlib.ft2font import FT2Font, LoadFlags
from matplotlib.path import Path
from matplotlib.transforms import Affine2D
from PIL import Image

from blindspoon.charts.scene import (
    ANCHORS,
    DASH,
    PALETTE,
    RING,
    Area,
    Line,
    Marks,
    Point,
    Scene,
    Shape,
    Text,
    diamond,
    face_file,
)

PIXEL_RATIO = 2  # pixels of a PNG file for each pixel of its scene
FALLBACKS = (
    "Noto Sans CJK JP",
    "Noto Sans CJK SC",
    "Hiragino Sans",
    "PingFang SC",
    "Yu Gothic",
    "Microsoft YaHei",
    "Malgun Gothic",
    "Noto Sans Devanagari",
    "Noto Sans Thai",
)
"""Fonts for letters that the face and matplotlib's DejaVu Sans lack, where they are installed."""
LEFT_TO_RIGHT = "\N{LEFT-TO-RIGHT MARK}"


def png(scene: Scene, *, width: int | None = None, dark: bool = False) -> bytes:
    """Write a scene as a PNG file so many pixels wide; without, `PIXEL_RATIO` to its pixel."""
    ratio = width / scene.width if width else PIXEL_RATIO
    page, out, dpi = Canvas(scene, ratio, dark), io.BytesIO(), 72 * ratio
    for shape in scene.shapes:
        page.draw(shape)
    image = Image.fromarray(np.asarray(page.agg.buffer_rgba())).convert("RGB")
    image.save(out, "PNG", dpi=(dpi, dpi), compress_level=3)
    return out.getvalue()


class Canvas:
    """Pixels to draw the shapes of a scene on, so many (`ratio`) for each of its pixels."""

    def __init__(self, scene: Scene, ratio: float, dark: bool) -> None:
        width, height = (round(side * ratio) for side in (scene.width, scene.height))
        self.agg: Any = RendererAgg(width, height, 72 * ratio)  # type: ignore[no-untyped-call]
        self._place = Affine2D().scale(ratio, -ratio).translate(0, height)
        self._ratio, self._dark = ratio, dark

    def draw(self, shape: Shape) -> None:
        ink = PALETTE[shape.ink][self._dark]
        match shape:
            case Text():
                with warnings.catch_warnings():  # a letter that no font here has becomes a box
                    warnings.filterwarnings("ignore", message=r"(?s)Glyph .* missing from")
                    self._letters(shape, ink)
            case Line():
                dash = DASH if shape.dashed else None
                self._path(Path(shape.points), None, ink, shape.width, dash)
            case Area():
                self._path(_closed(shape.points), ink)
            case Marks(kind="ring"):
                ground = PALETTE["ground"][self._dark]
                for centre in shape.points:
                    circle = Path.circle(centre, shape.radius * (1 - RING / 2))
                    self._path(circle, ground, ink, RING * shape.radius)
            case Marks():
                for centre in shape.points:
                    corners = diamond(centre, shape.radius)
                    disc = Path.circle(centre, shape.radius)
                    self._path(disc if shape.kind == "disc" else _closed(corners), ink)

    def _path(
        self,
        path: Path,
        fill: str | None,
        ink: str = "none",
        width: float = 0.0,
        dash: Sequence[float] | None = None,
    ) -> None:
        pen = self.agg.new_gc()
        pen.set_foreground(ink)
        pen.set_linewidth(width)  # Agg reckons from points to pixels by itself
        pen.set_capstyle("butt")
        if dash:
            pen.set_dashes(0, list(dash))
        self.agg.draw_path(pen, path, self._place, None if fill is None else to_rgba(fill))

    def _letters(self, shape: Text, ink: str) -> None:
        """Draw a line of text as one picture, which costs a sixth of a picture a letter."""
        font = _font(bold=shape.bold)
        font.set_size(shape.size, self.agg.dpi)
        hebrew_or_arabic = any(unicodedata.bidirectional(it) in ("R", "AL") for it in shape.text)
        mark = LEFT_TO_RIGHT * hebrew_or_arabic  # their line runs as the browser sets it
        font.set_text(mark + shape.text, 0, flags=LoadFlags.NO_HINTING)
        font.draw_glyphs_to_bitmap()
        width, left = font.get_width_height()[0] / 64, font.get_bitmap_offset()[0] / 64
        x = shape.x * self._ratio - ANCHORS[shape.anchor] * width
        y = shape.y * self._ratio + font.get_descent() / 64
        image, pen = font.get_image(), self.agg.new_gc()
        pen.set_foreground(ink)
        self.agg._renderer.draw_text_image(image, round(x + left), round(y) + 1, 0, pen)


def _closed(corners: Sequence[Point]) -> Path:
    return Path([*corners, corners[0]], closed=True)


@cache
def _font(*, bold: bool) -> FT2Font:
    installed = {font.name for font in fontManager.ttflist}
    families = ["DejaVu Sans", *(name for name in FALLBACKS if name in installed)]
    weight = "bold" if bold else "normal"
    others = [findfont(FontProperties(family=family, weight=weight)) for family in families]
    return get_font([str(files("blindspoon") / face_file(bold=bold)), *others])
