"""Charts of the tasters: what they show, and that words fit, with few tasters and with many."""

from __future__ import annotations

import re

import numpy as np
import pytest

from blindspoon.charts.axis import Axis
from blindspoon.charts.board import alikeness_chart
from blindspoon.charts.dots import MOST_MARKS, Dot, DotPlot, Row
from blindspoon.charts.scene import NARROW, WIDE, Line, Marks
from blindspoon.findings.panel import (
    AttributePanel,
    ScaleUse,
    TasterReview,
)
from blindspoon.stats.results import Interval, NoResult
from blindspoon.trial import Attribute, Scale

NONE = NoResult("Not asked for.")
TEXTURE = Attribute(
    name="texture",
    label="Texture",
    low="soft",
    high="crisp",
    less="softer",
    more="crisper",
    scale=Scale(low=0, high=10),
    margin=1.0,
)
LONG = tuple(f"The taster with a long name, number {k:03}" for k in range(40))


def review(taster, mean, correlation=NONE):
    low, high = max(mean - 2, 0.0), min(mean + 3, 10.0)
    return TasterReview(
        taster=taster,
        scale_use=ScaleUse(
            scores=10, mean=mean, sd=1.2, lowest=low, highest=high, at_low=0, at_high=0
        ),
        repeatability_sd=NONE,
        correlation=correlation,
        discrimination=NONE,
    )


def tasters(count, labels=None, *, seen=True):
    rng = np.random.default_rng(count)
    labels = labels or [f"T{k + 1:02}" for k in range(count)]
    return tuple(
        review(
            labels[k],
            float(rng.uniform(3, 8)),
            float(rng.uniform(-0.3, 1)) if seen else NONE,
        )
        for k in range(count)
    )


def panel(reviews=NONE):
    return AttributePanel(
        attribute="texture",
        primary=True,
        scale_use=NONE,
        repeatability=NONE,
        controls=NONE,
        concordance=NONE,
        interaction=NONE,
        position=NONE,
        first_cup=NONE,
        position_in_model=True,
        carry_over=NONE,
        tasters=reviews,
    )


CASES = {
    "twelve": panel(tasters(12)),
    "forty": panel(tasters(40)),
    "forty long names": panel(tasters(40, LONG)),
    "one": panel(tasters(1)),
}


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        ((0.9, 0.8, -0.4), "two of three tasters went with the others"),
        ((0.9, 0.8, 0.1), "all three tasters went with the others"),
        ((0.9, 0.9), "both tasters went with the others"),
        ((-0.1, 0.0, -0.4), "none of three tasters went with the others"),
        ((0.9,), "one taster could be set beside the others and went with them"),
    ],
)
def test_the_title_counts_in_words_who_sees_it_as_the_others_do(seen, said):
    reviews = [review(f"T{number}", 5.0, value) for number, value in enumerate(seen)]
    assert alikeness_chart(TEXTURE, panel(tuple(reviews)), "").title == f"On texture, {said}"


def test_nothing_is_drawn_of_what_is_not_known_nor_of_more_than_can_be_told_apart():
    for reviews in (NONE, tasters(3, seen=False), tasters(MOST_MARKS + 1)):
        assert alikeness_chart(TEXTURE, panel(reviews), "") is None
    assert ">T40<" in alikeness_chart(TEXTURE, panel(tasters(MOST_MARKS)), "").narrow


def test_tasters_are_sorted_by_what_is_shown():
    order = re.findall(r">(T\d\d)<", alikeness_chart(TEXTURE, CASES["twelve"], "").wide)
    seen = {each.taster: each.correlation for each in CASES["twelve"].tasters}
    assert order == sorted(seen, key=lambda taster: -seen[taster])


def test_a_mark_stands_at_its_value_and_a_line_over_its_range():
    row = Row(label="T01", dots=(Dot(estimate=5.0, interval=Interval(2.0, 9.0)),))
    axis = Axis(head="Texture", low=0.0, high=10.0)
    scene = DotPlot(axes=(axis,), rows=(row,), key=("How to read.",) * 2).lay(WIDE).scene
    (line,) = (s for s in scene.shapes if isinstance(s, Line) and s.ink == "ink")
    (mark,) = (s for s in scene.shapes if isinstance(s, Marks) and s.ink == "ink")
    share = (mark.points[0][0] - line.points[0][0]) / (line.points[1][0] - line.points[0][0])
    assert share == pytest.approx((5 - 2) / (9 - 2))


def test_an_interval_is_cut_at_the_axis(box_of):
    row = Row(label="T01", dots=(Dot(estimate=0.0, interval=Interval(-50.0, 50.0)),))
    axis = Axis(head="Texture", low=-1.0, high=1.0)
    scene = DotPlot(axes=(axis,), rows=(row,), key=("Key.",) * 2).lay(NARROW).scene
    boxes = [box_of(shape) for shape in scene.shapes]
    assert all(box.left >= 0 and box.right <= NARROW.width for box in boxes)


@pytest.mark.parametrize("case", CASES)
def test_words_fit_and_do_not_meet(case, faults):
    figure = alikeness_chart(TEXTURE, CASES[case], "invented").figure
    assert faults(figure) == []
    assert min(text.size for text in figure.texts) >= 11


@pytest.mark.browser
def test_no_text_is_cut_or_covered_in_a_browser(covered):
    assert covered([alikeness_chart(TEXTURE, found, "invented") for found in CASES.values()]) == []
