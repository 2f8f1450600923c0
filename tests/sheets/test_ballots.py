"""Ballots ask every attribute of every cup, in the taster's order, in the words of the scale."""

import re
from dataclasses import replace

import pytest

from blindspoon.sheets.pouring import trays_of
from blindspoon.sheets.printing import make_ballots, print_sheets, steps
from blindspoon.trial import MOST_STEPS, Scale, Session


@pytest.mark.parametrize("name", ["usual", "four attributes", "incomplete", "per session"])
def test_codes_stand_in_serving_order(case, name):
    trial, plan = case(name)
    told = [(b.taster, code) for b in make_ballots(trial, plan).cards for code in b.codes]
    assert told == [(row[1], row[3]) for row in plan.servings_rows()[1:]]


def test_every_cup_has_every_attribute_with_all_its_numbers(case, sheets):
    _, plan = case("four attributes")
    page = sheets("four attributes")["ballots.html"]
    cups = len(plan.servings)
    for number in range(4):
        assert page.count(f'<bdi class="attribute">Attribute {number}</bdi>') == cups
    assert page.count('<div class="steps many">') == 4 * cups
    assert page.count("<i>9.5</i>") == page.count("<i>0</i>") == 4 * cups
    assert page.count("<bdi>none</bdi><bdi>much</bdi>") == 4 * cups
    assert page.count('<span class="comment">Comment</span>') == cups


def test_a_session_asks_for_its_own_attributes_only(case):
    trial, plan = case("four attributes")
    (first, second), last = plan.request.sessions, trial.attributes[-1]
    quiet = Session(name=second, date=None, not_asked=(last.name,))
    trial = replace(trial, sessions=(Session(name=first, date=None), quiet))
    page = print_sheets(trial, plan)["ballots.html"].decode()
    assert page.count(f'<bdi class="attribute">{last.label}</bdi>') == len(plan.servings) / 2
    assert page.count('<bdi class="attribute">Attribute 0</bdi>') == len(plan.servings)


def test_a_scale_of_many_steps_has_a_line_and_a_box(case, sheets):
    _, plan = case("to a hundred")
    page = sheets("to a hundred")["ballots.html"]
    line = '<i>0</i><span class="rule"></span><i>100</i><span class="box"></span>'
    assert page.count(line) == len(plan.servings)
    assert "write the number into the box" in page
    assert "Circle" not in page


def test_steps_are_shown_up_to_twenty_one():
    assert len(steps(Scale(low=0, high=10, step=0.5))) == MOST_STEPS == 21
    assert steps(Scale(low=0, high=11, step=0.5)) == ()
    assert steps(Scale(low=0, high=10)) == ()
    assert steps(Scale(low=-1, high=1, step=0.5)) == ("−1", "−0.5", "0", "0.5", "1")
    assert steps(Scale(low=0, high=200000, step=10000)) == ()


def test_one_alone_reads_the_codes_after_the_last_score(case, sheets):
    trial, plan = case("alone")
    ballots = make_ballots(trial, plan)
    assert [ballot.codes for ballot in ballots.cards] == [("",) * 4] * 3
    page = sheets("alone")["ballots.html"]
    assert not [cup.code for cup in plan.servings if re.search(rf"\b{cup.code}\b", page)]
    assert "Then write the codes in, and change no score." in page


def test_the_instructions_say_what_iso_4120_and_consent_ask(sheets):
    page = sheets("usual")["ballots.html"]
    for text in (
        "from left to right",
        "Before every cup: water and a cracker, then a rest of about a minute.",
        "Please do not talk",
        "You may stop at any time.",
    ):
        assert text in page


@pytest.mark.parametrize("name", ["usual", "to a hundred"])
def test_an_instruction_of_ours_fills_one_line_at_most(case, name):
    assert max(map(len, make_ballots(*case(name)).instructions)) <= 115


def test_there_is_one_ballot_a_tray(case, sheets):
    page = sheets("four attributes")["ballots.html"]
    assert page.count('<table class="ballot') == len(trays_of(case("four attributes")[1])) == 6
