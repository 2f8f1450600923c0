"""The page of a course: the days are its answer, and nothing on it calls a food safe."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blindspoon.analysis import compose_report
from blindspoon.cli.printed import comparison_table
from blindspoon.packing.pack import blog, say
from blindspoon.stats.results import NoResult
from blindspoon.stats.several_tests import Bracket
from blindspoon.writeup.asked_sections import (
    days_advice,
    days_answer,
    days_methods,
    days_section,
    days_steps,
)
from blindspoon.writeup.methods import planned
from blindspoon.writeup.page import page
from blindspoon.writeup.records import trial_record

FOLDER = Path(__file__).parents[2] / "trials" / "carrot-days"


@pytest.fixture(scope="module")
def analysis(analysis_of):
    return analysis_of(FOLDER.name)


@pytest.fixture(scope="module")
def content(analysis):
    return compose_report(analysis)


def with_found(analysis, **fields):
    """The same analysis, where something else was found of the judged series."""
    first, *rest = analysis.course
    return replace(analysis, course=(replace(first, **fields), *rest))


def test_the_days_answer_on_the_first_screen(content):
    assert content.answer == (
        "Sourness (0 to 10) was within 1\xa0point of “Our usual jar” from day 14 on, not yet on "
        "day 3; between them not settled."
    )
    top = page(content).split("<main", 1)[1].split("</header>")[0]
    assert "from day 14 on" in top.replace("\xa0", " ")
    assert content.picture.name == "carrots-sourness-days"
    assert content.figures[0] is content.picture
    assert not content.boards  # each age by itself is no answer, and might contradict the days


def test_where_days_and_attributes_give_two_numbers_it_is_said_once_why(content):
    assert page(content).count("So a difference may be a little larger or smaller here") == 1


def test_the_mean_over_all_days_is_called_so_on_a_terminal(analysis):
    printed = comparison_table(with_found(analysis, sittings=4))
    assert "Sourness on average over the days (exploratory" in printed
    assert "Sourness (exploratory" in comparison_table(analysis)  # where each row is an age


def test_who_does_not_see_a_post_is_not_told_of_the_ph_that_it_leaves_out(content, analysis_of):
    assert "both grounds, though posts and video leave out its pH; a reveal" in say(content, ())
    dots = compose_report(analysis_of("allotment-cucumbers"))
    assert "both grounds; a reveal" in say(dots, ())


def test_the_days_say_what_stands_in_their_brackets(content):
    days = next(part for part in content.sections if part.name == "days")
    assert (
        "In brackets: the likely range (95\xa0%) of that day alone; the words judge all"
        in " ".join(days.tables[0].notes)
    )


def test_who_asks_when_it_is_ready_and_until_when_reads_both_first(analysis):
    judged = analysis.course[0]
    until = "Until when it was there is not settled."
    both = with_found(
        analysis,
        kept=Bracket(after=None, by=None),
        said=replace(judged.said, answers=(*judged.said.answers, until)),
    )
    content = compose_report(both)
    assert content.answer.endswith(f"between them not settled. {until}")
    days = next(part for part in content.sections if part.name == "days")
    assert until not in days.paragraphs  # what the answer has said
    assert days.head == "When is it ready?"
    stays = with_found(analysis, course=replace(judged.course, keep=judged.course.reach))
    assert days_section(stays).head == "When is it ready and how long does it stay?"


def test_of_several_series_the_section_says_only_what_the_answer_does_not(analysis):
    first, *rest = analysis.course
    twins = [
        replace(first, series=name, said=replace(first.said, series=name, more=(f"Of {name}.",)))
        for name in ("Carrots", "Turnips")
    ]
    both = replace(analysis, course=(*twins, *rest))
    told = " ".join(days_section(both).paragraphs)
    assert "Carrots: of Carrots. Turnips: of Turnips." in told
    assert "not yet on day 3" not in told
    assert " ".join(days_answer(both)).count("not yet on day 3") == 2


def test_the_table_agrees_with_the_brackets(analysis, content):
    days = next(part for part in content.sections if part.name == "days")
    words = {day: cells[0].partition(",")[0] for day, cells in days.tables[0].rows}
    assert words == {
        "Day 3": "not yet",
        "Day 7": "not settled",
        "Day 14": "there",
        "Day 28": "there",
    }
    assert analysis.course[0].reached == Bracket(after=3.0, by=14.0)
    jars = ["3 days (jar 1)", "7 days (jar 2)", "14 days (jar 3)", "28 days (jar 4)"]
    assert [row[0] for row in days.tables[1].rows] == jars
    assert days.tables[1].rows[0][1] == ("26 October: 4.9", "27 October: 4.4")


def test_the_chart_leads_to_its_table_which_stands_on_the_page(content):
    (table,) = content.behind[content.picture.name]
    assert f'id="{table.name}"' in page(content)


def test_no_sentence_calls_a_food_safe(content):
    texts = [page(content, paper=True), blog(content), say(content, {})]
    text = re.sub(r"<style.*?</style>|<[^>]+>", " ", " ".join(texts), flags=re.DOTALL)
    told = [it for it in re.split(r"(?<=[.!?])\s+", text) if re.search(r"\bsafe(?!ty)", it)]
    assert told
    assert all(re.search(r"\b(not|nothing|nor|no)\b", it, re.IGNORECASE) for it in told)


def test_nothing_improper_stands_on_the_page(content):
    text = re.sub(r"<(style|script).*?</\1>|<[^>]+>", " ", page(content), flags=re.DOTALL)
    answer = text.split("The whole record")[0]
    for word in ("significant", "proved", "identical", "no difference", "nan", "None"):
        assert not re.search(rf"\b{word}\b", answer), word


def test_who_tasted_too_late_is_not_told_to_wait_longer(analysis):
    *days, last = analysis.course[0].days
    gone = replace(last, found=replace(last.found, p_outside=0.001))
    fields = {"days": (*days, gone), "reached": Bracket(after=days[0].day, by=None)}
    ((head, _), *_) = days_steps(with_found(analysis, **fields))
    assert head == f"Taste more days before day {last.day}."


def test_who_came_nearest_before_the_last_day_is_not_told_to_go_on_longer(analysis):
    first, *days = analysis.course[0].days
    chances = (0.2, 0.04, 0.6)
    days = [
        replace(day, found=replace(day.found, p_inside=p, p_outside=0.9))
        for day, p in zip(days, chances, strict=True)
    ]
    fields = {"days": (first, *days), "reached": Bracket(after=first.day, by=None)}
    ((head, _), *_) = days_steps(with_found(analysis, **fields))
    assert head == f"Ask more people about day {days[1].day}."
    far = {"reached": Bracket(after=days[-1].day, by=None)}
    ((head, _), *_) = days_steps(with_found(analysis, **fields | far))
    assert head == "Go on longer."


@pytest.mark.parametrize(
    ("reached", "kept", "heads"),
    [
        (Bracket(after=3.0, by=14.0), None, ["Open the jar after 14 days of fermenting."]),
        (Bracket(after=14.0, by=None), None, ["Wait longer than 14 days."]),
        (None, Bracket(after=7.0, by=28.0), ["Count on 7 days of fermenting."]),
        (Bracket(after=1.0, by=None), None, ["Wait longer than 1 day."]),
        (None, Bracket(after=1.0, by=28.0), ["Count on 1 day of fermenting."]),
        (Bracket(after=None, by=None), None, []),
        (NoResult("No control was tasted."), None, []),
    ],
)
def test_what_to_do_follows_from_the_brackets(analysis, reached, kept, heads):
    found = days_advice(with_found(analysis, reached=reached, kept=kept))
    assert [head for head, _ in found] == heads


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "jars of 6, 8 and 11 days"),
        ({"reached": Bracket(after=0.0, by=2.0)}, "a jar of 1 day, with these two"),
        ({"reached": Bracket(after=28.0, by=None)}, "Day 28 was not late enough"),
        ({"reached": Bracket(after=None, by=3.0)}, "Day 3 was not early enough"),
        ({"against": "nothing", "sittings": 4}, "A control from one jar, kept cold"),
    ],
)
def test_the_next_step_narrows_what_is_open(analysis, fields, said):
    assert said in " ".join(text for _, text in days_steps(with_found(analysis, **fields)))


@pytest.mark.parametrize(("p", "said"), [(0.02, "and gone again"), (0.04, "was not late enough")])
def test_a_last_day_that_was_shown_to_be_off_asks_for_days_before_it(analysis, p, said):
    *days, last = analysis.course[0].days
    off = replace(last, found=replace(last.found, p_outside=p))
    found = with_found(analysis, days=(*days, off), reached=Bracket(after=14.0, by=None))
    assert said in " ".join(text for _, text in days_steps(found))


@pytest.mark.parametrize(
    ("number", "head"), [(1, "Taste with"), (2, "Ask more people."), (6, "Taste between")]
)
def test_too_few_who_tasted_are_the_first_thing_to_mend(analysis, number, head):
    few = replace(analysis.table, tasters=analysis.table.tasters[:number])
    assert days_steps(replace(analysis, table=few))[0][0].startswith(head)


def test_methods_tell_of_no_test_of_days_where_none_was_made(analysis):
    none = NoResult("One taster was there; two are needed.")
    told = " ".join(days_methods(with_found(analysis, reached=none, kept=None)))
    assert "Student" not in told


def test_methods_name_each_of_several_series_and_say_how_once(analysis):
    first, *others = analysis.course
    twin = replace(first, series="other", label="Other jar")
    told = " ".join(days_methods(replace(analysis, course=(first, twin, *others))))
    assert told.count("slopes (Matthews et al. 1990): ") == told.count("Page’s test") == 1
    assert re.search(
        r"1990\): “carrots”: [\d.]+ points a day, .*?; “Other jar”: [\d.]+ points", told
    )


def test_methods_name_what_was_done_and_its_sources(content):
    told = page(content)
    for text in ("Maurer, Hothorn and Lehmacher", "Page’s test", "Matthews", "days of fermenting"):
        assert text in told
    assert "Clopper" not in told  # of sets, and nobody chose from any


def test_the_section_is_left_out_where_no_day_was_asked_about(analysis):
    assert days_section(replace(analysis, course=())) is None


def test_a_series_of_which_nothing_can_be_drawn_has_no_chart(analysis):
    """One jar that one person tasted on one day, and no control: the chart has no height."""
    lone = [
        replace(day, found=NoResult("One taster was there.")) for day in analysis.course[0].days
    ]
    bare = with_found(
        analysis, days=lone[:1], tasters=(), values=np.empty((0, 1)), against="nothing"
    )
    assert days_section(bare).charts == ()
    assert page(compose_report(bare))


def test_who_is_in_no_trend_is_counted_on_the_page_and_named_only_where_tasters_are(analysis):
    once = tuple(f"T{n:02}" for n in range(8))
    unheld = ("No control was tasted in session 2, so its cups are left out.",)
    found = with_found(analysis, once=once, unheld=unheld)
    notes = ("8 tasters tasted on one day only, not in the trend.", *unheld)
    assert days_section(found).tables[0].notes[1:] == notes
    text = page(compose_report(found)).replace("\xa0", " ")
    assert [note for note in notes if note not in text] == []
    lost = tuple(f"{taster} tasted on one day only, and is not in the trend." for taster in once)
    hidden = replace(found, trial=replace(analysis.trial, tasters_shown=False))
    assert trial_record(hidden)["course"][0]["left_out"] == [*unheld]
    assert trial_record(found)["course"][0]["left_out"] == [*lost, *unheld]


def test_a_post_tells_of_a_recipe_only_where_there_is_one(content):
    assert "the recipe in grams, which nobody tested for safety," in blog(content)
    assert "recipe" not in blog(replace(content, recipe=None)).split("## Taste it yourself")[1]


def test_what_is_followed_over_the_days_is_exploratory_on_average_only(analysis):
    text = " ".join(planned(analysis))
    assert "It names how sourness changes over the days as primary" in text
    assert "Exploratory: sourness on average over the days and crunch." in text
