"""The pouring sheet says what key.csv says, and how much of it is needed."""

import re

import pytest

from blindspoon.sheets.pouring import pouring_sheets
from blindspoon.sheets.printing import print_sheets
from tests.sheets.conftest import portioned


@pytest.mark.parametrize("name", ["usual", "warm-up", "per session", "incomplete", "twelve"])
def test_cups_are_those_of_the_key(case, name):
    trial, plan = case(name)
    sheet = pouring_sheets(trial, plan)
    told = {
        (number, taster, code, pour.variant, pour.batch)
        for number, session in enumerate(sheet, 1)
        for pour in session.pours
        for code, taster in pour.cups
    }
    key = {
        (int(cup.session), cup.taster, cup.code, trial.variant(cup.variant).label, cup.batch or "")
        for cup in plan.servings
    }
    assert told == key
    assert sum(len(pour.cups) for each in sheet for pour in each.pours) == len(key)


@pytest.mark.parametrize("name", ["usual", "warm-up", "per session"])
def test_the_check_by_tray_agrees_with_the_pouring(case, name):
    for session in pouring_sheets(*case(name)):
        poured = {(code, who): pour.mark for pour in session.pours for code, who in pour.cups}
        checked = {(code, who): mark for who, cups in session.checks for code, mark in cups}
        assert poured == checked


def test_codes_stand_in_their_order(case):
    for session in pouring_sheets(*case("twelve")):
        for pour in session.pours:
            codes = [code for code, _ in pour.cups]
            assert codes == sorted(codes)


def test_amounts_are_cups_times_the_portion(case):
    page = print_sheets(*portioned(case("twelve"), 12.5))["pouring.html"].decode()
    assert page.count('<p class="lead">120 cups, 1.5 kg in all. ') == 2
    assert page.count('<span class="amount">10 cups, 125 g in all</span>') == 2 * 12
    bare = print_sheets(*case("twelve"))["pouring.html"].decode()
    assert bare.count('<span class="amount">10 cups</span>') == 2 * 12


@pytest.mark.parametrize(("portion", "told"), [(12.5, "12.5 g"), (None, "the same spoonful")])
def test_who_pours_reads_how_much_is_in_a_cup(case, portion, told):
    page = print_sheets(*portioned(case("usual"), portion))["pouring.html"].decode()
    assert f"Stick the label on the cup, pour {told}, tick." in page


def test_batches_of_a_variant_have_marks_of_their_own(case):
    session = pouring_sheets(*case("warm-up"))[0]
    marks = [pour.mark for pour in session.pours]
    assert marks == ["A1", "A2", "B1", "B2", "C1", "C2", "D1", "D2"]
    assert [pour.control for pour in session.pours] == [True] * 2 + [False] * 6


def test_a_warm_up_cup_for_everybody_is_asked_for(case):
    page = print_sheets(*portioned(case("warm-up"), 10))["pouring.html"].decode()
    assert page.count("First 6 cups, 60 g in all, without a code") == 2
    assert "without a code" not in print_sheets(*case("usual"))["pouring.html"].decode()


def test_the_cup_that_a_taster_of_a_not_a_knows_is_poured_counted_and_set_out(sets_alone):
    pages = print_sheets(*portioned(sets_alone("a-not-a"), 10))
    poured = "a cup without a code from Rock, to be tasted before it: 2 cups, 20 g in all."
    assert pages["pouring.html"].decode().count(poured) == 2
    assert "and 4 cups, 40 g in all without a code" in pages["checklist.html"].decode()
    assert pages["trays.html"].decode().count("<span>no code</span>") == 4


def test_every_cup_has_a_box_to_tick(case, sheets):
    _, plan = case("usual")
    page = sheets("usual")["pouring.html"]
    assert page.count('<li><span class="tick"></span><b>') == len(plan.servings)
    assert len(re.findall(r"For the helper only", page)) >= 1


def test_the_title_and_the_cleanser_stand_on_it_whatever_they_tell(sheets):
    page = sheets("usual")["pouring.html"]
    assert "What keeps half-sour cucumbers crisp?" in page
    assert "water and a cracker" in page
