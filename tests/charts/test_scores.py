from __future__ import annotations

import numpy as np
import pytest

from blindspoon.charts.board import scores_chart, scores_plot
from blindspoon.charts.scene import NARROW, WIDE, Line, Marks
from blindspoon.trial import Scale


def falling(picture):
    """Places of the variants, the highest mean first."""
    return np.argsort(-picture.means.mean(axis=0), kind="stable").tolist()


def marks(scene, ink):
    return [shape for shape in scene.shapes if isinstance(shape, Marks) and shape.ink == ink]


@pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
def test_every_taster_is_a_mark_at_their_score(typical, sheet):
    plot = scores_plot(typical)
    scene = plot.lay(sheet).scene
    rows = marks(scene, "people")
    assert len(rows) == 5
    xs = np.array([[x for x, _ in row.points] for row in rows])
    scores = typical.means.T[falling(typical)]
    slope, start = np.polyfit(scores.ravel(), xs.ravel(), 1)
    assert xs == pytest.approx(start + slope * scores, abs=1e-6)


def test_the_axis_is_the_scale(make):
    plot = scores_plot(make())
    (axis,) = plot.axes
    assert (axis.low, axis.high) == (0, 10)
    words = [text.text for text in plot.lay(WIDE).scene.texts if text.anchor == "middle"]
    assert words == [str(n) for n in range(11)]
    assert axis.ends == ("soft", "crisp")


def test_a_scale_of_whole_points_has_no_halves_under_it(make):
    for step, digits in ((1, "1"), (0.5, "1.0")):
        texts = scores_plot(make(scale=Scale(low=1, high=5, step=step))).lay(WIDE).scene.texts
        assert next(text.text for text in texts if text.anchor == "middle") == digits


def test_means_are_marked_and_written(typical):
    plot = scores_plot(typical)
    for place, row in zip(falling(typical), plot.rows, strict=True):
        (dot,) = row.dots
        assert dot.estimate == pytest.approx(typical.means[:, place].mean())
        assert float(row.notes[0]) == pytest.approx(dot.estimate, abs=0.05)


def test_the_control_is_set_apart_by_shape_line_and_word(typical):
    plot = scores_plot(typical)
    scene = plot.lay(WIDE).scene
    assert "Plain brine (control)" in [row.label for row in plot.rows]
    assert {mark.kind for mark in marks(scene, "ink")} == {"diamond"}
    dashed = [shape for shape in scene.shapes if isinstance(shape, Line) and shape.dashed]
    assert {line.points[0][0] for line in dashed} == {marks(scene, "ink")[0].points[0][0]}


def test_where_the_control_has_no_scores_no_diamond_is_promised(make):
    for missing, told in (((), True), ((0,), False)):
        assert ("Diamond" in scores_plot(make(missing=missing)).key[0]) == told


def test_a_variant_without_scores_says_so(make):
    assert scores_plot(make(missing=(2,))).rows[-1].notes == ("not scored",)


def test_nobody_scored_anything_is_borne(make):
    chart = scores_chart(make(missing=(0, 1, 2, 3, 4)))
    assert chart.title == "Nothing was scored on texture"
    assert chart.wide.count("not scored") == 5
