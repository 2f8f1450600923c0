"""The checklist: cautions first, amounts, the protocol, and sources only for what has one."""

from dataclasses import replace

import pytest

from blindspoon.sheets.pouring import heading
from blindspoon.sheets.printing import SOURCES, make_checklist, print_sheets
from tests.sheets.conftest import portioned


def texts(checklist):
    return {item.name: item.text for part in checklist.parts for item in part.items}


def test_cautions_come_first(case):
    first = make_checklist(*case("usual")).parts[0]
    assert [item.name.rstrip(".") for item in first.items] == [
        "Consent",
        "Allergens",
        "Who must not taste",
        "What must not be served",
        "Pressure",
        "Alcohol",
        "Clean hands",
    ]
    assert "licensed adviser" in first.lead
    assert "comes first" in first.lead


@pytest.mark.parametrize(
    ("name", "portion", "text"),
    [
        ("usual", None, "24 cups. The same spoonful in each;"),
        ("usual", 10, "24 cups, 240 g in all. 10 g in each;"),
        ("four attributes", 50, "24 cups, 1.2 kg in all (12 cups a session). 50 g in each;"),
        ("warm-up", None, "60 cups (30 cups a session), and 12 cups without a code. The same"),
    ],
)
def test_amounts_are_counted(case, name, portion, text):
    assert texts(make_checklist(*portioned(case(name), portion)))["Cups."].startswith(text)


def test_the_protocol_is_complete(case):
    told = texts(make_checklist(*case("usual")))
    assert "where no taster sees it" in told["Out of sight."]
    assert told["Alike."] == "The same vessel, portion and temperature for every cup."
    assert told["Between cups."] == (
        "Water and a cracker, then a rest of about a minute, and never less than 30 seconds."
    )
    assert "person who pours" in told["The key."]
    assert "blindspoon check" in told["Checked."]
    assert "6 ballots a session" in told["Ballots."]
    assert told["On the table."].startswith("Water, napkins, pens")
    assert "No talking." in told
    assert "Codes only." in told


def test_what_the_host_wrote_for_tasters_is_on_it_unless_it_names_a_variant(case):
    trial, plan = case("usual")
    tasting = replace(trial.tasting, allergens="mustard", consent="Home-made in our cellar.")
    told = texts(make_checklist(replace(trial, tasting=tasting), plan))
    assert "They may contain mustard." in told["Allergens."]
    assert "They read: “Home-made in our cellar.”" in told["Consent."]
    tasting = replace(trial.tasting, allergens="old brine", consent="Oak leaf inside.", rest="v-1")
    silent = replace(trial, tasting=tasting)
    told = texts(make_checklist(silent, plan))
    assert "They may contain old brine." in told["Allergens."]
    assert "They read" not in told["Consent."]
    assert "a rest of at least 30 seconds" in told["Between cups."]
    page = print_sheets(silent, plan)["pouring.html"].decode()
    assert "Allergens, whichever the cup: old brine." in page


def test_where_no_cleanser_is_declared_one_is_to_be_chosen(case):
    trial, plan = case("usual")
    trial = replace(trial, tasting=replace(trial.tasting, cleanser=""))
    told = texts(make_checklist(trial, plan))["To clear the mouth."]
    assert told.startswith("Choose one thing, such as water and a plain cracker. The same for")


def test_one_alone_gets_both_protocols(case):
    checklist = make_checklist(*case("alone"))
    heads = [part.heading for part in checklist.parts]
    assert heads[2:] == ["If you pour for yourself", "If somebody helps", "Afterwards"]
    steps = [item.name for item in checklist.parts[2].items]
    assert steps == ["Mark.", "Pour.", "Shuffle.", "Taste.", "Read."]
    assert "under the foot" in texts(checklist)["Mark."]
    assert "While they taste" not in heads
    # common practice, no source: who is handed a baton sees that it is no cube
    assert "does not hide what the eye can tell" in checklist.parts[2].lead
    assert texts(checklist)["Keyed in."].endswith("comes last, without a score.")


@pytest.mark.parametrize(
    ("method", "kept"), [("triangle", False), ("duo-trio", True), ("a-not-a", True)]
)
def test_one_alone_mixes_no_cups_of_two_sets(sets_alone, method, kept):
    trial, plan = sets_alone(method)
    told = texts(make_checklist(trial, plan))
    assert "Shuffle." not in told
    assert told["Sets."].startswith("Put each set of the tray card on a plate of its own.")
    assert ("but not the reference" in told["Sets."]) is kept
    assert told["Keyed in."] == "On the score page or in choices.csv, by code."
    page = print_sheets(trial, plan)["ballots.html"].decode()
    assert "Only then turn the cups of the set over" in page
    assert "Then write the codes in" not in page
    assert "Please do not talk" not in page


def test_who_is_alone_has_the_pouring_sheet(sheets):
    page = sheets("alone")["pouring.html"]
    assert "To be put away before the cups are shuffled." in page
    assert "Keep from tasters" not in page


def test_only_sources_that_are_used_are_listed_and_practice_is_said(case, sheets):
    for name in ("usual", "alone"):
        checklist = make_checklist(*case(name))
        used = {item.source for part in checklist.parts for item in part.items} - {"", "write"}
        assert {mark for mark, _ in checklist.sources} == used <= set(SOURCES)
        page = sheets(name)["checklist.html"]
        assert "Whatever has no number: common practice, no source." in page
        assert page.count("<sup>") == sum(
            item.source in SOURCES for part in checklist.parts for item in part.items
        )


def test_a_title_that_tells_is_not_printed(case):
    trial, plan = case("usual")
    assert make_checklist(trial, plan).title == "What keeps half-sour cucumbers crisp?"
    telling = replace(trial, title=f"Is it the {trial.variants[1].label}?")
    assert make_checklist(telling, plan).title == heading(trial)
