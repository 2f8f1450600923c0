from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blindspoon.charts.board import differences_chart, differences_plot
from blindspoon.charts.posts import LEAN
from blindspoon.charts.scene import NARROW, WIDE, Area, Line, Marks, Style
from blindspoon.stats.results import Interval
from blindspoon.wording import span
from blindspoon.writeup.front import make_boards

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])


def to_points(scene):
    """Read the axis: a function from pixels to points, by the ticks and their numbers."""
    marks = [s.points[0][0] for s in scene.shapes if isinstance(s, Line) and is_tick(s)]
    foot = max(text.y for text in scene.texts if text.anchor == "middle")
    words = [text.text for text in scene.texts if text.anchor == "middle" and text.y == foot]
    values = [float(text.replace("−", "-")) for text in words]
    slope, start = np.polyfit(marks, values, 1)
    return lambda x: start + slope * np.asarray(x)


def is_tick(line: Line) -> bool:
    return line.points[0][0] == line.points[1][0] and line.points[1][1] - line.points[0][
        1
    ] == pytest.approx(4)


def falling(picture):
    """Places of the variants, the largest difference first."""
    return sorted(picture.others, key=lambda place: -picture.others[place].found.difference)


def of(scene, kind, ink):
    return [shape for shape in scene.shapes if isinstance(shape, kind) and shape.ink == ink]


@SHEETS
def test_every_taster_is_a_mark_at_their_difference(typical, sheet):
    plot = differences_plot(typical)
    scene = plot.lay(sheet).scene
    read = to_points(scene)
    rows = of(scene, Marks, "people")
    assert len(rows) == 4
    for marks, place in zip(rows, falling(typical), strict=True):
        seen = sorted(read([x for x, _ in marks.points]))
        assert seen == pytest.approx(sorted(typical.differences[:, place]), abs=1e-6)


@SHEETS
def test_the_band_covers_the_margin(typical, sheet):
    plot = differences_plot(typical)
    scene = plot.lay(sheet).scene
    read = to_points(scene)
    bands = of(scene, Area, "band")
    assert len(bands) == 4
    for band in bands:
        ends = read([x for x, _ in band.points])
        assert (ends.min(), ends.max()) == pytest.approx((-1, 1), abs=1e-6)


@SHEETS
def test_intervals_and_estimates_are_those_of_the_procedure_that_decides(typical, sheet):
    plot = differences_plot(typical)
    scene = plot.lay(sheet).scene
    read = to_points(scene)
    for place, ink in zip(typical.others, ["v1", "v2", "v3", "v4"], strict=True):
        found = typical.others[place].found
        (line,) = of(scene, Line, ink)
        alike = typical.others[place].verdict == "alike"
        interval = found.equivalence_interval if alike else found.interval
        ends = read([line.points[0][0], line.points[1][0]])
        assert ends == pytest.approx([interval.low, interval.high], abs=1e-6)
        (dot,) = of(scene, Marks, ink)
        assert read(dot.points[0][0]) == pytest.approx(found.difference, abs=1e-6)


@SHEETS
def test_zero_is_a_line_through_every_row(typical, sheet):
    plot = differences_plot(typical)
    scene = plot.lay(sheet).scene
    lines = of(scene, Line, "ink")
    assert to_points(scene)([line.points[0][0] for line in lines]) == pytest.approx([0] * 4)
    assert not any(line.dashed for line in lines)


def test_without_a_margin_there_is_no_band(make):
    scene = differences_plot(make(margin=None)).lay(WIDE).scene
    assert of(scene, Area, "band") == []
    assert len(of(scene, Line, "v1")) == 1


def test_an_interval_beyond_the_scale_ends_in_an_arrow(typical, box_of):
    comparisons = list(typical.result.comparisons)
    wild = replace(comparisons[0].mixed, interval=Interval(-30.0, 34.0))
    comparisons[0] = replace(comparisons[0], mixed=wild)
    picture = replace(typical, result=replace(typical.result, others=tuple(comparisons)))
    plot = differences_plot(picture)
    scene = plot.lay(WIDE).scene
    arrows = of(scene, Area, "v1")
    assert len(arrows) == 2
    (axis,) = plot.axes
    assert (-10.5 > axis.low > -14, 10.5 < axis.high < 14) == (True, True)
    assert all(box_of(it).left >= 0 and box_of(it).right <= scene.width for it in arrows)


def test_forty_one_tasters_become_densities(make):
    forty = differences_plot(make(tasters=40)).lay(WIDE).scene
    more = differences_plot(make(tasters=41)).lay(WIDE).scene
    assert sum(len(marks.points) for marks in of(forty, Marks, "people")) == 160
    assert of(more, Marks, "people") == []
    assert len(of(more, Area, "edge")) == 4


def test_a_crowd_makes_no_larger_a_file(make):
    assert len(differences_chart(make(tasters=100_000)).wide) < 40_000


def test_a_variant_that_nobody_scored_keeps_its_row(make):
    plot = differences_plot(make(missing=(2,)))
    assert [row.label for row in plot.rows] == ["Cool cellar", "Calcium", "Old brine", "Vine leaf"]
    assert plot.rows[-1].notes == ("not compared",)
    assert plot.rows[-1].dots[0].people.size == 0


def test_notes_tell_the_numbers_and_the_verdict(make):
    plot = differences_plot(make(lost=0.15))
    first = plot.rows[0]
    assert first.notes[0].startswith("+")
    assert first.notes[0].endswith((" crisper", " not settled"))
    assert first.notes[1].count(" to ") == 1
    assert any(note.endswith("tasters") for row in plot.rows for note in row.notes)


def test_an_alike_variant_shows_the_interval_that_decides(make):
    picture = make(shifts=(0.0, 0.0), labels=("Plain", "Oak"), spread=0.4, tasters=20)
    assert picture.others[1].verdict == "alike"
    (row,) = differences_plot(picture).rows
    inner = span(picture.others[1].found.equivalence_interval, picture.attribute)
    assert row.notes[0].endswith(" alike")
    assert row.notes[1:] == (inner,)
    assert row.dots[0].interval == picture.others[1].found.equivalence_interval


def test_the_key_says_what_decides(make):
    key, _ = differences_plot(make(shifts=(0.0, 0.0, 2.0), spread=0.4, tasters=20)).key
    assert "likely range (95\u00a0%; 90\u00a0% where alike)" in key
    assert "Shaded: within 1\xa0point." in key
    assert "differences from plain brine," in key
    assert "Exploratory" not in key
    ranks, _ = differences_plot(make(by="ranks", primary=False, margin=None)).key
    assert "model" not in key  # the page says how; who looks at a picture need not know
    assert "Exploratory" in ranks


def judged(picture, *kinds):
    """Give its variants these verdicts; ranks find all of them open."""
    pairs = zip(picture.result.others, kinds, strict=True)
    others = tuple(replace(it, verdict=kind, verdict_by_other="open") for it, kind in pairs)
    return replace(picture, result=replace(picture.result, others=others))


@SHEETS
def test_what_differs_stands_out_and_what_is_not_settled_is_hollow(typical, sheet):
    picture = judged(typical, "different", "alike", "open", "slight")
    plot, kinds = differences_plot(picture), [other.verdict for other in picture.result.others]
    rows = {row.label: row for row in plot.rows}
    for other, kind in zip(picture.result.others, kinds, strict=True):
        row = rows[other.variant.label]
        assert row.bold == (kind in ("different", "slight"))
        assert (row.dots[0].mark == "ring") == (kind == "open")
    bold = {text.text for text in plot.lay(sheet).scene.texts if text.bold}
    assert bold == {words for row in plot.rows if row.bold for words in (row.label, row.notes[0])}
    assert "Hollow: not settled." in plot.key[0]
    settled = differences_plot(judged(typical, *["alike"] * 4))
    assert "Hollow" not in settled.key[0]


def test_who_reads_of_ranks_is_told_what_they_are(typical):
    disputed = differences_plot(judged(typical, "different", "alike", "open", "open"))
    assert "(not settled by ranks)" in {note for row in disputed.rows for note in row.notes}

    def shown(style: Style) -> str:
        return " ".join(it.text for it in disputed.lay(replace(WIDE, style=style)).scene.texts)

    assert "By ranks: a second method, which does not decide." in shown(Style())
    assert "ranks" not in shown(LEAN)  # a post without numbers does not speak of them
    assert not differences_plot(judged(typical, *["open"] * 4)).noted


def test_a_row_says_its_verdict_as_the_board_does(typical):
    told = {row.label: row.notes[0] for row in differences_plot(typical).rows}
    for board in make_boards([typical.result], pictured=False):
        assert told == {label: f"{cell.size} {cell.word}" for label, (cell,) in board.rows}


def test_alt_says_the_finding_first_then_chart_and_data(typical):
    chart = differences_chart(typical)
    drawn = "Dot plot of the differences of 12 tasters from the control on texture."
    assert chart.alt == f"{chart.title}. {drawn}"
