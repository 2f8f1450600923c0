from __future__ import annotations

import pytest

from blindspoon.charts.profiles import profiles_chart, profiles_scene
from blindspoon.charts.scene import Marks
from blindspoon.charts.style import NARROW, WIDE


def dots(scene) -> list[Marks]:
    return [shape for shape in scene.shapes if isinstance(shape, Marks)]


@pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
def test_every_mean_is_a_mark_in_its_variants_colour(attributes, sheet):
    scene = profiles_scene(attributes, sheet)
    assert [dot.ink for dot in dots(scene)] == ["ink", "v1", "v2", "v3", "v4"] * 4
    assert all(len(dot.centres) == 1 for dot in dots(scene))


def test_marks_lie_where_the_means_are(make):
    picture = make()
    scene = profiles_scene([picture], WIDE)
    xs = [dot.centres[0][0] for dot in dots(scene)]
    means = [picture.mean(place) for place in range(5)]
    for x, mean in zip(xs, means, strict=True):
        share = (x - xs[0]) / (xs[1] - xs[0])
        assert share == pytest.approx((mean - means[0]) / (means[1] - means[0]), abs=1e-9)


def test_a_full_dot_is_a_difference_that_was_shown(make):
    picture = make()
    kinds = [dot.kind for dot in dots(profiles_scene([picture], WIDE))]
    shown = [picture.verdict(place).kind == "different" for place in picture.others]
    assert kinds == ["diamond", *("disc" if each else "ring" for each in shown)]
    assert {"disc", "ring"} < set(kinds)


def test_attributes_share_no_axis(make):
    small, large = make(), make(scale=make().attribute.scale.__class__(low=0, high=100))
    texts = {text.text for text in profiles_scene([small, large], WIDE).texts}
    assert {"0 soft", "10 crisp", "100 crisp"} <= texts


@pytest.mark.parametrize(("number", "tiers"), [(1, 1), (4, 1), (5, 2), (8, 2), (9, 3)])
def test_many_attributes_take_further_tiers(attributes, number, tiers):
    scene = profiles_scene((attributes * 3)[:number], WIDE)
    assert sum(text.text == "Cool cellar" for text in scene.texts) == 1 * tiers


def test_its_name_and_alt(attributes):
    chart = profiles_chart(attributes)
    assert chart.name == "profiles"
    assert chart.alt.startswith("Dot plot of the mean scores of 5 variants on 4 attributes, where ")
