from __future__ import annotations

import pytest

from blindspoon.charts.chart import EDGE, footed
from blindspoon.charts.scene import Line, Scene, Text, text_width

DRAWING = Scene(
    width=720, height=100, shapes=(Line(points=((0, 50), (720, 50)), ink="ink"),)
)  # fmt: skip


def test_a_figure_is_its_drawing_between_title_and_source(box_of):
    figure = footed(DRAWING, "Nothing is settled on texture", "Source: “Crisp?”")
    ground, *rest = figure.shapes
    assert box_of(ground) == (0, 0, figure.width, figure.height)
    title, line, source = rest
    assert (title.text, source.text) == ("Nothing is settled on texture", "Source: “Crisp?”")
    assert title.box.bottom < line.points[0][1] - 50 < line.points[0][1] + 50 < source.box.top
    assert line.points[0][0] == EDGE


def test_a_title_of_two_lines_has_no_orphan():
    title = "Two of four batches were crisper than the control; two were within 1 point of it"
    lines = [
        each
        for each in footed(DRAWING, f"{title}, or just over", "").shapes
        if isinstance(each, Text)
    ]
    assert len(lines) == 2
    one, two = (text_width(line.text, line.size, bold=True) for line in lines)
    assert two == pytest.approx(one, rel=0.3)


def test_without_a_source_there_is_no_line_for_it():
    assert len(footed(DRAWING, "Title", "").shapes) == 3
