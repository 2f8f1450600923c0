"""A course over days: all of it is drawn, nothing lies on anything, brackets are those found."""

from __future__ import annotations

import datetime
import itertools
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.batches.cautions import passed_limit
from blindspoon.batches.log import Batch, BatchLog, Reading
from blindspoon.charts.jars import days_chart
from blindspoon.charts.scene import NARROW, WIDE, Line
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.course import CourseDay, CourseFound, CourseSaid
from blindspoon.findings.days_in_words import headline
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.scores_over_days import scores_by_day
from blindspoon.stats.several_tests import Bracket
from blindspoon.trial import Scale

NONE = NoResult("not asked for")
START = datetime.date(2026, 2, 1)
TEXT = """
trial = { title = "When?", control = "usual", host = "A kitchen" }
course = { attribute = "sourness", keep = true, reach = "control" }
decision = { margin = 1.0 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "sourness", less = "less sour", more = "more sour" }]
variant = [{ name = "usual", label = "The jar that grandmother always made, A" }, { name = "now" }]
"""
TRIAL = parse_trial(TEXT)


def read(day: int, ph: float | None, line: int = 2) -> Reading:
    date = START + datetime.timedelta(day)
    return Reading(batch="jar", line=line, date=date, ph=ph, temperature_c=None, note="")


def log(*readings: Reading) -> BatchLog:
    jar = Batch(name="jar", variant="now", line=2, started=START, own={})
    return BatchLog(
        batches=(jar,),
        readings={"jar": readings},
        columns=frozenset(),
        own=(),
        first_tasted=START,
        last_tasted=START,
    )


def course(days=(3, 7, 14, 28), tasters=12, reached=(3, 14), kept=(14, 28)):
    """A food that catches up with the control, on invented scores."""
    values = np.random.default_rng(1).normal(
        -3 * np.exp(-np.array(days) / 5), 0.8, (tasters, len(days))
    )
    values[0, 1] = np.nan
    by_day = scores_by_day(np.array(days, float), values, alpha=0.05, step=1.0, margin=1.0)
    return CourseFound(
        series="now",
        label="now",
        attribute=TRIAL.attributes[0],
        course=TRIAL.course,
        judged=True,
        primary=True,
        alpha=0.05,
        against="control",
        sittings=1,
        days=tuple(
            CourseDay(day=day, sessions=("1",), variants=("now",), batches=("jar",), mean=5.0,
                      control=6.0, found=found)
            for day, found in zip(days, by_day.days, strict=True)
        ),
        tasters=tuple(f"T{n}" for n in range(tasters)),
        values=values,
        trend=NONE,
        page=NONE,
        reached=NONE if reached is None else Bracket(after=reached[0], by=reached[1]),
        kept=None if kept is None else Bracket(after=kept[0], by=kept[1]),
        line=NONE,
        said=CourseSaid(places=True, answers=("Not yet on day 3; there on day 14.",)),
    )  # fmt: skip


PH = log(read(0, 6.1), read(2, 5.0), read(4, 4.3), read(28, 3.5), read(60, 3.4))
HARD = {
    "usual": course(),
    "eight days": course(days=(1, 2, 3, 4, 5, 28, 29, 30), reached=(1, 2), kept=(4, 5)),
    "a crowd": course(tasters=60),
    "open ends": course(reached=(None, 7), kept=(7, None)),
    "nothing shown": course(reached=(None, None), kept=(None, None)),
    "two people": course(tasters=2, reached=None, kept=None),
    "far": course(days=(100, 300, 600)),
}


@pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
@pytest.mark.parametrize("name", HARD)
def test_nothing_overlaps_and_nothing_is_cut(name, sheet, faults):
    assert faults(days_chart(HARD[name], TRIAL, PH).lay(sheet).scene) == []


def lines(chart, **wanted) -> list[Line]:
    shapes = [shape for shape in chart.lay(WIDE).scene.shapes if isinstance(shape, Line)]
    return [s for s in shapes if all(getattr(s, name) == it for name, it in wanted.items())]


def test_every_taster_is_a_thin_line_until_there_are_too_many():
    found = HARD["usual"]
    present = np.isfinite(found.values).sum(axis=1)
    assert len(lines(days_chart(found, TRIAL, None), ink="people")) == (present - 1).sum()
    assert not lines(days_chart(HARD["a crowd"], TRIAL, None), ink="people")


def test_each_day_has_its_interval():
    upright = lines(days_chart(HARD["usual"], TRIAL, None), ink="v1", width=2.0)
    assert len(upright) == 4
    assert all(line.points[0][0] == line.points[1][0] for line in upright)


def test_brackets_stand_at_the_days_that_were_found():
    chart = days_chart(HARD["usual"], TRIAL, None)
    marks = lines(chart, ink="v1", width=2.0)
    at = dict(zip((3, 7, 14, 28), (line.points[0][0] for line in marks), strict=True))
    spans = [
        (line.points[0][0], line.points[1][0])
        for line in lines(chart, ink="ink", width=2.0)
        if line.points[0][1] == line.points[1][1]
    ]
    assert spans == [(at[3], at[14]), (at[14], at[28])]


def test_ph_stands_on_the_same_axis_up_to_the_last_day():
    chart = days_chart(HARD["usual"], TRIAL, PH)
    mean, track = (lines(chart, ink=ink) for ink in ("v1", "v2"))
    assert max(it.points[1][0] for it in mean) == max(
        it.points[1][0] for it in track
    )  # day 28 of both
    words = [text.text for text in chart.lay(WIDE).scene.texts]
    assert "pH 4.6 passed in between" in words
    early = log(read(-2, 5.0), read(4, 4.3))  # before the axis begins
    words = [text.text for text in days_chart(HARD["usual"], TRIAL, early).lay(WIDE).scene.texts]
    assert "4.6 passed in between" not in words
    assert days_chart(HARD["usual"], TRIAL, log(read(0, 4.4))).alt == chart.alt


def test_no_ph_is_drawn_that_was_read_after_the_jar_went_to_the_cold():
    jar = replace(PH.batches[0], finished=START + datetime.timedelta(4))
    for jars, drawn in ((PH.batches, 3), ((jar,), 2)):
        chart = days_chart(HARD["usual"], TRIAL, replace(PH, batches=jars))
        assert len(lines(chart, ink="v2")) == drawn


def test_without_a_margin_nothing_is_said_to_be_shaded():
    bare = replace(HARD["usual"], attribute=replace(TRIAL.attributes[0], margin=None))
    for found, said in ((HARD["usual"], True), (bare, False)):
        words = " ".join(text.text for text in days_chart(found, TRIAL, PH).lay(WIDE).scene.texts)
        assert ("Shaded" in words) is said


def test_up_and_down_are_told_in_the_words_of_the_scale():
    plain = replace(HARD["usual"], attribute=replace(TRIAL.attributes[0], more="", high="sour"))
    for found, up in ((HARD["usual"], "more sour"), (plain, "towards sour")):
        words = " ".join(text.text for text in days_chart(found, TRIAL, None).lay(WIDE).scene.texts)
        assert f" in the same sitting. Up: {up}; down: less sour" in words


def test_points_stand_as_high_whatever_the_scale_counts_to():
    found, tenth = HARD["usual"], Scale(low=0, high=1)
    days = [
        replace(
            day.found,
            mean=day.found.mean / 10,
            interval=Interval(day.found.interval.low / 10, day.found.interval.high / 10),
        )
        for day in found.days
    ]
    small = replace(
        found,
        attribute=replace(found.attribute, scale=tenth, margin=0.1),
        values=found.values / 10,
        days=tuple(replace(a, found=b) for a, b in zip(found.days, days, strict=True)),
    )
    one, two = (lines(days_chart(it, TRIAL, None), ink="v1") for it in (found, small))
    heights = [[y for line in drawn for _, y in line.points] for drawn in (one, two)]
    assert heights[0] == pytest.approx(heights[1])


def test_the_alt_tells_of_ph_where_it_is_drawn():
    for read_too in (None, PH):
        chart = days_chart(HARD["usual"], TRIAL, read_too)
        assert chart.alt.endswith(" and the pH of its jars.") == (read_too is not None)


@pytest.mark.parametrize(
    ("values", "between"),
    [
        ((6.1, 5.0, 4.6, 4.2), (5.0, 4.6)),  # at the limit counts as passed: 21 CFR 114.3
        ((6.1, 5.0), (5.0, None)),
        ((4.4, 3.9), (None, 4.4)),
        ((5.2, 4.4, 4.8, 4.1), (5.2, 4.4)),  # the first time; a rise later is a caution of its own
        ((), (None, None)),
    ],
)
def test_the_limit_of_ph_is_passed_between_two_readings(values, between):
    blank = read(1, None, 9)
    made = [read(day, ph) for day, ph in enumerate(values)]
    found = passed_limit(itertools.chain(made[:1], [blank], made[1:]))
    assert tuple(None if end is None else end.ph for end in found) == between


def test_the_headline_names_what_was_scored_and_its_scale():
    assert headline(HARD["usual"]) == "Sourness (0 to 10) was not yet on day 3; there on day 14."
    assert days_chart(HARD["usual"], TRIAL, None).title.count("ourness") == 1
