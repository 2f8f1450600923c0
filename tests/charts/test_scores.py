from __future__ import annotations

import numpy as np
import pytest

from blindspoon.charts.comparisons import scores_chart, scores_strip
from blindspoon.charts.dots import draw
from blindspoon.charts.scene import Line, Marks
from blindspoon.charts.style import NARROW, WIDE


def marks(scene, ink):
    return [shape for shape in scene.shapes if isinstance(shape, Marks) and shape.ink == ink]


@pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
def test_every_taster_is_a_mark_at_their_score(typical, sheet):
    strip = scores_strip(typical)
    scene = draw(strip, sheet)
    rows = marks(scene, "people")
    assert len(rows) == 5
    xs = np.array([[x for x, _ in row.centres] for row in rows])
    scores = typical.means.T
    slope, start = np.polyfit(scores.ravel(), xs.ravel(), 1)
    assert xs == pytest.approx(start + slope * scores, abs=1e-6)


def test_the_axis_is_the_scale(make):
    strip = scores_strip(make())
    assert (strip.low, strip.high) == (0, 10)
    assert [words for _, words in strip.ticks] == [str(n) for n in range(11)]
    assert strip.ends == ("soft", "crisp")


def test_means_are_marked_and_written(typical):
    strip = scores_strip(typical)
    for place, row in enumerate(strip.rows):
        assert row.estimate == pytest.approx(typical.means[:, place].mean())
        assert float(row.notes[0]) == pytest.approx(row.estimate, abs=0.05)


def test_the_control_is_set_apart_by_shape_line_and_word(typical):
    strip = scores_strip(typical)
    scene = draw(strip, WIDE)
    assert strip.rows[0].label == "Plain brine (control)"
    assert {mark.kind for mark in marks(scene, "ink")} == {"diamond"}
    dashed = [shape for shape in scene.shapes if isinstance(shape, Line) and shape.dashed]
    assert {line.start[0] for line in dashed} == {marks(scene, "ink")[0].centres[0][0]}


def test_a_variant_without_scores_says_so(make):
    assert scores_strip(make(missing=(2,))).rows[2].notes == ("not scored",)


def test_nobody_scored_anything_is_borne(make):
    chart = scores_chart(make(missing=(0, 1, 2, 3, 4)))
    assert chart.title == "Nothing was scored on texture"
    assert chart.wide.count("not scored") == 5
