"""The sentences say what the cells hold."""

from __future__ import annotations

import dataclasses

import pytest

from blindspoon.simulate.size_results import (
    Chance,
    Question,
    SizingCell,
    assumptions_of,
    common_practice,
    sentences_of,
)
from blindspoon.wording import NO_BREAK


def cell(tasters, sessions, by="mixed", *, margin=0.5, twice=0.9, alike=0.3, **more):
    fields = {
        "chance_all_alike": Chance(0.1, 0.01),
        "chance_false": Chance(0.05, 0.01),
        "smallest_p": 2.0 ** (1 - tasters),
        "smallest_seen": 1.46,
        "not_seen": "",
    }
    return SizingCell(
        tasters=tasters,
        sessions=sessions,
        procedure=by,
        chance_margin=Chance(margin, 0.01),
        chance_twice=Chance(twice, 0.01),
        chance_alike=Chance(alike, 0.01),
        **{**fields, **more},
    )


@pytest.fixture
def said(make_trial):
    """Say what cells mean for the trial of three variants and a margin of 1 point."""

    def say(cells, **options):
        trial = make_trial(**options)
        attribute = trial.attribute("texture")
        found = sentences_of(trial, attribute, question_of(trial), cells)
        return tuple(sentence.replace(NO_BREAK, " ") for sentence in found)

    return say


def question_of(trial):
    scale = trial.attribute("texture").scale
    return Question(
        variants=3,
        scale=scale,
        margin=1.0,
        alpha=0.05,
        spread=common_practice(scale),
        trials=2000,
        seed=1,
        places=2,
    )


def test_what_a_round_is_is_said_before_any_is_counted(make_trial):
    trial = make_trial()
    question = dataclasses.replace(question_of(trial), rounds=True)
    first = sentences_of(trial, trial.attribute("texture"), question, [cell(1, 12)])[0]
    assert first.startswith("A round is one sitting: you taste every variant once, in an order")


def test_the_smallest_panel_that_is_enough_is_named_for_each_number_of_sessions(said):
    cells = [
        cell(tasters, sessions, margin=chance)
        for sessions, chances in ((1, (0.5, 0.79, 0.85)), (2, (0.7, 0.8, 0.95)))
        for tasters, chance in zip((12, 20, 32), chances, strict=True)
    ]
    assert said(cells)[0] == (
        "To see a 1-point difference 8 times in 10 takes 32 tasters in one session or"
        " 20 tasters in two sessions."
    )


def test_where_no_panel_is_enough_the_best_is_named(said):
    found = said([cell(12, 1, margin=0.31), cell(40, 1, margin=0.62)])
    assert found[0] == (
        "Nothing tried here would see a 1-point difference 8 times in 10; 40 tasters in"
        " one session would do so about 6 times in 10."
    )


def test_what_is_nearly_enough_is_not_said_to_be_enough(said):
    assert said([cell(40, 1, margin=0.796)])[0] == (
        "Nothing tried here would see a 1-point difference 8 times in 10; 40 tasters in"
        " one session would do so nearly as often."
    )


def test_where_all_panels_are_helpless_none_is_named(said):
    found = said([cell(12, sessions, margin=0.0) for sessions in (1, 2)])
    assert [it for it in found if "see a 1-point difference" in it] == [
        "Nothing tried here would see a 1-point difference even 1 time in 20."
    ]


def test_the_planned_panel_is_spoken_of(said):
    plan = '[tasting]\ntasters = 12\n[[session]]\nname = "1"\n[[session]]\nname = "2"\n'
    cells = [cell(tasters, sessions) for tasters in (8, 12, 20) for sessions in (1, 2, 3)]
    assert (
        "12 tasters in two sessions: about 8 times in 10 you would see a 1.5-point difference."
        " A variant that does not differ would be shown alike within 1 point about 3 times in 10,"
        " both at once about 1 time in 10."
    ) in said(cells, more=plan)


def test_a_plan_that_sees_nothing_is_told_why(said):
    blind = cell(12, 1, smallest_seen=None, not_seen="no difference would do")
    assert "12 tasters in one session: no difference would do. A variant" in said([blind])[3]


def test_panels_that_cannot_are_named(said):
    cells = [cell(6, 1, alike=0.0), cell(8, 1, alike=0.04), cell(12, 1, alike=0.4)]
    assert said(cells)[-1] == (
        "8 tasters or fewer in one session would show variants alike within 1 point less than 1"
        " time in 20."
    )


def test_the_floor_of_the_ranks_is_told_whatever_decides(said):
    cells = [cell(tasters, 1, by) for tasters in (4, 5, 6) for by in ("mixed", "ranks")]
    floor = (
        "With 5 tasters or fewer the rank comparison can show no difference, whatever the scores."
    )
    assert said(cells)[-1] == floor
    assert said(cells, by="ranks")[-1] == floor
    assert floor not in said(cells[-2:])


def test_the_procedure_that_decides_is_spoken_of(said):
    cells = [cell(12, 1, "mixed", margin=0.9), cell(12, 1, "ranks", margin=0.1)]
    assert said(cells)[0].startswith("To see a 1-point difference 8 times in 10 takes 12")
    assert said(cells, by="ranks")[0].startswith("Nothing tried here")


def test_assumptions_name_the_spread_and_its_source(make_trial):
    trial = make_trial()
    found = assumptions_of(trial, trial.attribute("texture"), question_of(trial))
    assert found[0] == (
        "Spread of the scores: common practice, no source. Standard deviations in points: 1.20"
        " from cup to cup, 1.20 between tasters, 0.60 in a taster's own opinion of a variant."
    )
    assert "from 0 to 10, in steps of 0.5" in found[1]
    assert found[3].startswith("One variant differs from the control and the other equals it, or")


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ({"places": 1}, "Every taster gets the control and one of the two others a session, in"),
        ({"controls": 2}, "Every taster gets the control twice and both others a session"),
        ({"rounds": True}, "ranks over the rounds: the answer is about this person"),
        ({"rounds": True}, "a little more sharply than here: expect to see more."),
        ({"rounds": True, "controls": 2}, "The second cup of the control is left out of the sum"),
    ],
)
def test_what_everybody_gets_and_what_is_left_out_is_owned_up_to(make_trial, plan, words):
    trial = make_trial()
    question = dataclasses.replace(question_of(trial), **plan)
    assert words in " ".join(assumptions_of(trial, trial.attribute("texture"), question))
