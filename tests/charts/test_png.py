from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from blindspoon.charts.board import scores_chart
from blindspoon.charts.chart import png_file
from blindspoon.charts.png import PIXEL_RATIO, png
from blindspoon.charts.scene import PALETTE, Line, Marks, Scene, Text, rectangle, text_width


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


def rgb(ink: str) -> list[int]:
    return [int(PALETTE[ink][0][at : at + 2], 16) for at in (1, 3, 5)]


def scene(*shapes) -> Scene:
    return Scene(width=60, height=40, shapes=(rectangle(0, 0, 60, 40, "ground"), *shapes))


def test_every_case_has_its_exact_size(charts, monkeypatch):
    figure = charts[0].figure
    monkeypatch.setattr("blindspoon.charts.png.PIXEL_RATIO", 1)  # a quarter of the work
    assert Image.open(io.BytesIO(png_file(charts[0]))).size == (figure.width, figure.height)


def test_a_figure_has_two_pixels_for_each_of_its_own(typical):
    figure = scores_chart(typical).figure
    assert Image.open(io.BytesIO(png(figure))).size == (2 * figure.width, 2 * figure.height)


def test_same_input_same_bytes_without_a_maker(typical):
    one, two = (png_file(scores_chart(typical)) for _ in range(2))
    assert one == two
    assert b"Software" not in one
    assert b"matplotlib" not in one


def test_shapes_lie_where_the_scene_puts_them():
    picture = pixels(
        png(
            scene(
                rectangle(10, 10, 20, 20, "v1"),
                Line(points=((30, 15), (50, 15)), ink="v2", width=4),
                Marks(points=((40, 30),), radius=5, ink="v3", kind="ring"),
            )
        )
    )
    assert picture[30, 30].tolist() == rgb("v1")
    assert picture[26:34, 80].tolist() == [rgb("v2")] * 8  # 4 pixels wide, at twice the size
    assert picture[60, 80].tolist() == rgb("ground")
    assert picture[60, 80 - 8].tolist() == rgb("v3")
    assert picture[60, 80 - 11].tolist() == rgb("ground")


@pytest.mark.parametrize(("anchor", "share"), [("start", 0.0), ("middle", 0.5), ("end", 1.0)])
def test_text_hangs_on_its_anchor(anchor, share):
    start = 30 - share * text_width("IIIII", 12)
    picture = pixels(png(scene(Text(x=30, y=25, text="IIIII", size=12, anchor=anchor))))
    dark = np.flatnonzero((picture.sum(axis=2) < 400).any(axis=0)) / PIXEL_RATIO
    assert dark.min() == pytest.approx(start, abs=2)


def test_dollars_are_dollars():
    plain = png(scene(Text(x=5, y=25, text="$x$", size=12)))
    assert pixels(plain).min() < 100
    assert plain != png(scene(Text(x=5, y=25, text="x", size=12)))


def test_letters_that_no_font_has_raise_no_warning():
    assert png(scene(Text(x=5, y=25, text="塩水\U0001f952", size=12)))


def test_a_line_that_begins_with_hebrew_runs_from_left_to_right_as_in_a_browser():
    begins, told = (
        png(scene(Text(x=2, y=25, text=f"{mark}\u05d0\u05d0 (x)", size=12)))
        for mark in ("", "\N{LEFT-TO-RIGHT MARK}")
    )
    assert begins == told
