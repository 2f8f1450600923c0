from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from blindspoon.charts.board import differences_chart, mark_svg
from blindspoon.charts.chart import inline_svg, svg_file
from blindspoon.charts.scene import PALETTE, Marks, Scene
from blindspoon.findings.comparison import NotCompared
from blindspoon.stats.results import Interval

NAMESPACE = "{http://www.w3.org/2000/svg}"


def parse(svg: str | bytes) -> ElementTree.Element:
    return ElementTree.fromstring(svg)  # noqa: S314 - our own text


def test_every_svg_is_well_formed(charts):
    for chart in charts:
        for svg in (chart.wide, chart.narrow):
            assert parse(svg).tag == "svg"
        assert parse(svg_file(chart)).tag == f"{NAMESPACE}svg"


def test_several_on_a_page_cannot_clash(charts):
    for chart in charts:
        assert not re.search(r'<style|[ "](id|class)=|url\(|href', chart.wide + chart.narrow)


def test_inline_charts_take_their_colours_from_the_page(charts):
    for chart in charts:
        painted = re.findall(r'(?:fill|stroke)="([^"]*)"', chart.wide + chart.narrow)
        names = [re.fullmatch(r"var\(--bs-([a-z0-9]+)\)", each) for each in painted]
        assert painted
        assert all(name and name[1] in PALETTE for name in names)


def test_files_stand_alone(charts):
    for chart in charts:
        text = svg_file(chart).decode()
        assert "var(" not in text
        assert text.startswith('<?xml version="1.0" encoding="UTF-8"?>\n<svg xmlns=')
        assert "Source: " in text


def test_the_title_is_in_the_files_only(typical):
    chart = differences_chart(typical)

    def words(svg):
        return " ".join(text.text for text in parse(svg).iter() if text.tag.endswith("text"))

    assert chart.title in words(svg_file(chart))
    assert chart.title not in words(chart.wide)
    assert chart.title not in words(chart.narrow)


def test_what_people_wrote_is_escaped(make):
    label = 'Brine <b> & "dill" $x^2$'
    picture = make(labels=(label, label, "Vine", "Calcium", "Old"))
    chart = differences_chart(picture)
    texts = [text.text for text in parse(chart.wide).iter("text")]
    assert label in texts
    assert label in parse(chart.wide).get("aria-label", "") + chart.title + label
    assert "<b>" not in chart.wide


def test_a_screen_reader_gets_the_alt(typical):
    chart = differences_chart(typical)
    root = parse(chart.wide)
    assert (root.get("role"), root.get("aria-label")) == ("img", chart.alt)


def test_same_input_same_bytes(make):
    one, two = (differences_chart(make(tasters=30)) for _ in range(2))
    assert one == two
    assert svg_file(one) == svg_file(two)


@pytest.fixture
def other(typical):
    """A comparison at 0.2, -0.5 to 4.8 by one interval and -0.4 to 0.6 by the one within."""
    compared = typical.others[1]
    ends = {"interval": Interval(-0.5, 4.8), "equivalence_interval": Interval(-0.4, 0.6)}
    mixed = replace(compared.mixed, difference=0.2, **ends)
    return replace(compared, mixed=mixed, verdict="open")


def test_marks_on_the_board_are_small_and_silent(other):
    root = parse(mark_svg(other, 3.0))
    assert (root.get("width"), root.get("height"), root.get("aria-hidden")) == ("72", "16", "true")
    assert not list(root.iter("text"))
    assert bar(root) == pytest.approx([36 - 32 / 6, 68], abs=0.05)  # cut at the limit
    band = root.find("polygon").get("points")
    ends = [float(x) for x in re.findall(r"([\d.]+),", band)][:2]
    assert ends == pytest.approx([36 - 32 / 3, 36 + 32 / 3], abs=0.05)
    edges = [line for line in root.iter("line") if line.get("stroke-dasharray")]
    assert [float(line.get("x1")) for line in edges] == ends  # the band alone is hardly seen
    assert {line.get("stroke") for line in edges} == {"var(--bs-edge)"}


def bar(root) -> list[float]:
    (interval,) = [line for line in root.iter("line") if line.get("y1") == line.get("y2")]
    return [float(interval.get(name)) for name in ("x1", "x2")]


def test_a_mark_of_what_is_alike_has_the_interval_that_decides(other):
    root = parse(mark_svg(replace(other, verdict="alike"), 3.0))
    assert bar(root) == pytest.approx([36 - 0.4 * 32 / 3, 36 + 0.6 * 32 / 3], abs=0.06)


def test_a_mark_without_result_shows_only_where_zero_is(other):
    lost = NotCompared(
        attribute=replace(other.attribute, margin=None), variant=other.variant, reason=""
    )
    root = parse(mark_svg(lost, 3.0))
    assert [element.tag for element in root] == ["line"]


def test_dots_stand_where_the_scene_puts_them():
    dots = Marks(points=tuple((10.0 + place, 20.5) for place in range(3)), radius=3.6, ink="people")
    root = parse(inline_svg(Scene(width=60, height=40, shapes=(dots,)), ""))
    found = [[float(dot.get(name)) for name in ("cx", "cy", "r")] for dot in root.iter("circle")]
    assert found == [[10, 20.5, 3.6], [11, 20.5, 3.6], [12, 20.5, 3.6]]
