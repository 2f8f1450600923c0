"""Tray cards: one a taster and session, codes only, in the order of servings.csv."""

import re

from blindspoon.sheets.pouring import tray_cards, trays_of
from blindspoon.sheets.printing import print_sheets


def test_cards_repeat_servings_csv(case):
    trial, plan = case("four attributes")
    cards = tray_cards(trial, plan)
    rows = plan.servings_rows()[1:]
    told = [
        [card.session.split()[1].rstrip(","), card.taster, str(place), code]
        for card in cards
        for place, code in enumerate(card.codes, 1)
    ]
    assert told == rows


def test_there_is_one_card_a_taster_and_session(case):
    trial, plan = case("four attributes")
    cards = tray_cards(trial, plan)
    assert len(cards) == 3 * 2 == len({(card.session, card.taster) for card in cards})
    assert cards[0].session == "Session 1, 19 September 2026"
    assert cards[-1].session == "Session 2, 20 September 2026"


def test_a_warm_up_cup_has_no_code(case, sheets):
    page = sheets("warm-up")["trays.html"]
    assert page.count("first, no code") == len(trays_of(case("warm-up")[1])) == 12
    assert "first, no code" not in sheets("usual")["trays.html"]


def test_every_code_stands_on_the_printed_cards_once(case, sheets):
    _, plan = case("usual")
    page = sheets("usual")["trays.html"]
    assert all(page.count(f"<b>{cup.code}</b>") == 1 for cup in plan.servings)


def test_each_set_stands_on_a_line_of_its_own(sets_alone):
    page = print_sheets(*sets_alone("triangle"))["trays.html"].decode()
    sets = [re.findall(r"<b>(\d{3})</b>", part) for part in page.split("<ol>")[1:]]
    assert [len(codes) for codes in sets] == [3] * 4
