"""The map of the variants and the chart of correlations, from numbers made by hand."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from blindspoon.charts.chart import png_file
from blindspoon.charts.scene import Area, Line, Marks
from blindspoon.charts.style import NARROW, WIDE
from blindspoon.charts.together import (
    MOST,
    correlations_chart,
    correlations_scene,
    map_chart,
    map_scene,
)
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.multivariate import AttributePair, Correlation
from blindspoon.findings.variant_map import Direction, Map, Place
from blindspoon.stats.results import NoResult

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
WORDS = (("softer", "crisper"), ("less salty", "saltier"), ("", ""))
LONG = tuple(f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13))


def trial(labels=("Plain", "Oak <leaf>", "Cool", "Old"), words=WORDS, name="Trait"):
    attributes = ", ".join(
        f'{{ name = "a{at}", label = "{name} {at}", less = "{less}", more = "{more}" }}'
        for at, (less, more) in enumerate(words)
    )
    return parse_trial(
        'trial = { title = "Crisp?", control = "v0" }\nscale = { low = 0, high = 10 }\n'
        f"attribute = [{attributes}]\n"
        + "".join(
            f'[[variant]]\nname = "v{at}"\nlabel = "{label}"\n' for at, label in enumerate(labels)
        )
    )


def place(at, x, y, long=0.6, short=0.3, turned=0.5):
    way = np.array([[math.cos(turned), -math.sin(turned)], [math.sin(turned), math.cos(turned)]])
    return Place(variant=f"v{at}", x=x, y=y, shape=way @ np.diag([long**2, short**2]) @ way.T)


def drawn(places, loadings=((0.8, -0.6, 0.1), (0.1, 0.2, 0.97)), *, in_points=True):
    axes = [
        Direction(share=share, loadings={f"a{at}": each for at, each in enumerate(row)})
        for share, row in zip((0.62, 0.31), loadings, strict=True)
    ]
    return Map(
        places=places, across=axes[0], up=axes[1], in_points=in_points, tasters=12, p_value=0.001
    )


FOUR = (place(0, -2, 0.2), place(1, 1.5, 0.8), place(2, 1.7, -0.9), place(3, -1.6, 0.3))
RING = tuple(place(n, 2 * math.cos(n), math.sin(n), 1.0, 0.4, n) for n in range(12))
SAME = tuple(place(n, 0.01 * n, 0.0) for n in range(12))
TALL = (place(0, 0, 3), place(1, 0.1, -3), place(2, 0, 0, 0.2, 1e-9))
WIDEST = (place(0, -40, 0, 20, 3, 0.0), place(1, 40, 0, 20, 0, 0.0), place(2, 0, 1))
LONG_WORDS = (("much less of what one expects of it", "far more of it than anybody wants"),) * 3
HARD = {
    "usual": (drawn(FOUR), trial()),
    "twelve long": (drawn(RING), trial(LONG, LONG_WORDS)),
    "on one spot": (drawn(SAME), trial(LONG)),
    "tall": (drawn(TALL, ((1, 0, 0), (0, 1, 0))), trial()),
    "hundredths": (drawn(WIDEST, in_points=False), trial()),
}


@pytest.fixture(params=list(HARD), ids=lambda name: name.replace(" ", "-"))
def scenes(request):
    made = [map_scene(*HARD[request.param], sheet) for sheet in (WIDE, NARROW)]
    return [*made, map_chart(*HARD[request.param]).figure]


def readable(scene):
    """Nothing is cut, too small to read, or covered by other words."""
    assert min(text.size for text in scene.texts) >= 11
    for left, top, right, bottom in (shape.box for shape in scene.shapes):
        assert -0.01 <= left <= right <= scene.width + 0.01
        assert -0.01 <= top <= bottom <= scene.height + 0.01
    others = [shape for shape in scene.shapes if isinstance(shape, Line | Marks)]
    pairs = [*combinations(scene.texts, 2), *((t, o) for t in scene.texts for o in others)]
    assert [(one, other) for one, other in pairs if one.box.overlaps(other.box)] == []


def marks(scene):
    """Marks in the plot, on a ground of their own; first the control’s, which lies on top."""
    shapes = [shape for shape in scene.shapes if isinstance(shape, Marks)]
    grounds = {shape.centres for shape in shapes if shape.ink == "ground"}
    found = [shape for shape in shapes if shape.ink != "ground" and shape.centres in grounds]
    return sorted(found, key=lambda mark: mark.kind != "diamond")


def outlines(scene):
    return [shape for shape in scene.shapes if isinstance(shape, Area) and shape.ink != "ground"]


def words(scene) -> str:
    return " ".join(text.text for text in scene.texts)


def test_every_map_can_be_read(scenes):
    assert [scene.width for scene in scenes] == [720, 358, 768]
    for scene in scenes:
        readable(scene)


@SHEETS
def test_both_axes_have_the_same_unit(sheet):
    for places in (FOUR, TALL, WIDEST):
        scene = map_scene(drawn(places), trial(), sheet)
        at = np.array([each.centres[0] for each in marks(scene)])
        true = np.array([each.centre for each in places]) * [1, -1]
        units = [math.dist(at[i], at[j]) / math.dist(true[i], true[j]) for i, j in ((0, 1), (1, 2))]
        assert units[0] == pytest.approx(units[1])
        assert np.ptp(at / units[0] - true, axis=0) == pytest.approx([0, 0], abs=1e-9)


@SHEETS
def test_ellipses_lie_around_their_marks_and_bear_their_ink(sheet):
    scene = map_scene(drawn(FOUR), trial(), sheet)
    unit = math.dist(marks(scene)[0].centres[0], marks(scene)[1].centres[0])
    unit /= math.dist(FOUR[0].centre, FOUR[1].centre)
    for one, mark, outline in zip(FOUR, marks(scene), outlines(scene), strict=True):
        assert outline.ink == mark.ink
        away = (np.array(outline.corners) - mark.centres[0]) * [1, -1] / unit
        length = np.einsum("ci,ij,cj->c", away, np.linalg.inv(one.shape), away)
        assert np.sqrt(length[:48]).min() >= 1
        assert np.sqrt(length).mean() == pytest.approx(1, abs=0.01)


def test_the_scale_bar_is_as_long_as_it_says():
    scene = map_scene(drawn(FOUR), trial(), WIDE)
    (bar,) = [shape for shape in scene.shapes if isinstance(shape, Line) and shape.width == 2]
    (said,) = [text.text for text in scene.texts if text.text.endswith(("point", "points"))]
    at = [each.centres[0] for each in marks(scene)]
    unit = math.dist(at[0], at[1]) / math.dist(FOUR[0].centre, FOUR[1].centre)
    assert (bar.end[0] - bar.start[0]) / unit == pytest.approx(float(said.split(" ")[0]))
    assert "% of the scale" in words(map_scene(drawn(WIDEST, in_points=False), trial(), WIDE))


@SHEETS
def test_axes_are_named_by_what_loads_on_them(sheet):
    said = words(map_scene(drawn(FOUR), trial(), sheet))
    assert "← softer and saltier" in said
    assert "crisper and less salty →" in said
    assert "↑ higher on trait 2" in said
    assert "↓ lower on trait 2" in said
    assert all(label in said for label in ("Plain (control)", "Oak <leaf>", "Cool", "Old"))
    assert [each.kind for each in marks(map_scene(drawn(FOUR), trial(), sheet))].count(
        "diamond"
    ) == 1


def test_title_and_alt_state_the_finding():
    chart = map_chart(drawn(FOUR), trial())
    expected = (
        "The variants spread most from softer and saltier (“Plain”) to crisper and less salty"
    )
    assert chart.name == "map"
    assert chart.title == f"{expected} (“Cool”)"
    assert chart.alt.startswith(
        "Map of 4 variants by their mean profiles, where the variants spread"
    )
    assert "the ellipses of 5 pairs of 6 do not overlap" in chart.alt
    assert map_chart(drawn(SAME), trial(LONG)).title.startswith("The variants lie furthest apart")
    assert png_file(chart)[:4] == b"\x89PNG"


def correlation(r, low=None, high=None):
    return Correlation(r=r, interval=None if low is None else (low, high), pairs=60, df=43)


PAIRS = (
    AttributePair(
        first="a0",
        second="a1",
        within=correlation(0.5, 0.2, 0.7),
        between=correlation(-0.9, -1.0, 0.1),
    ),
    AttributePair(
        first="a0", second="a2", within=correlation(-0.6, -0.8, -0.3), between=NoResult("none")
    ),
    AttributePair(
        first="a1", second="a2", within=correlation(0.1, -0.2, 0.4), between=correlation(1.0)
    ),
)


@SHEETS
@pytest.mark.parametrize("name", ["Trait", "A long attribute name that has no end"])
def test_every_chart_of_correlations_can_be_read(sheet, name):
    readable(correlations_scene(PAIRS * 4, trial(name=name), sheet))


@SHEETS
def test_correlations_lie_where_they_are(sheet):
    scene = correlations_scene(PAIRS, trial(), sheet)
    left, right = (t.x for t in scene.texts if t.text in ("0", "0.5"))
    found = [shape for shape in scene.shapes if isinstance(shape, Marks)]
    values = [0.5 * (each.centres[0][0] - left) / (right - left) for each in found]
    assert values == pytest.approx([0.5, -0.9, -0.6, 0.1, 1.0])
    assert [each.kind for each in found] == ["disc", "ring", "disc", "disc", "ring"]
    bars = [shape for shape in scene.shapes if isinstance(shape, Line) and shape.width == 2]
    ends = [0.5 * (bar.start[0] - left) / (right - left) for bar in bars]
    assert ends == pytest.approx([0.2, -1.0, -0.8, -0.2])


def test_correlations_are_told_strongest_first_and_many_are_left_to_the_table():
    chart = correlations_chart(PAIRS, trial())
    assert chart.title == (
        "Within a variant, trait 0 and trait 1 went together; trait 0 and trait 2 went against "
        "each other; the other pair could go either way"
    )
    assert chart.wide.index("Trait 0 and trait 2") < chart.wide.index("Trait 0 and trait 1")
    many = correlations_chart(PAIRS * 10, trial())
    assert many.wide.count(">Trait") == MOST


def test_without_a_correlation_there_is_no_chart():
    nothing = AttributePair(first="a0", second="a1", within=NoResult("a"), between=NoResult("b"))
    assert correlations_chart([nothing], trial()) is None
