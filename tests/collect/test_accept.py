"""Whether a taster would have it: yes or no beside the scores, on phones and on paper."""

from __future__ import annotations

import datetime

import pytest

from blindspoon.drawing import draw_blind, write_sheets
from blindspoon.examine import examine


@pytest.fixture
def folder(tmp_path, eaten):
    for name, data in eaten.items():
        (tmp_path / name).write_bytes(data)
    draw_blind(tmp_path, datetime.date(2026, 9, 4))
    return tmp_path


def test_it_is_asked_beside_the_scores_and_lies_in_the_ballot(phone, rows):
    taster = phone("T01")
    page = taster.read(f"{taster.place}1")
    assert "<legend>Would eat it?</legend>" in page
    taster.answer(1, sourness="6", would_eat_it="yes")
    taster.answer(2, sourness="3", would_eat_it="no")
    assert [row["would_eat_it"] for row in rows()] == ["yes", "no"]
    assert 'value="yes" checked' in taster.read(f"{taster.place}1")


def test_what_is_not_answered_is_missing(phone, sitting, rows):
    phone("T01").answer(1, sourness="6", would_eat_it="")
    assert rows()[0]["would_eat_it"] == ""
    ballot = sitting.ballots["1", "T01"]
    assert ballot.lacking(ballot.codes[0]) == ["Would eat it?"]


def test_what_was_collected_passes_the_check(phone, folder):
    for name in ("T01", "T02", "T03"):
        for cup in (1, 2):
            phone(name).answer(cup, sourness="6", would_eat_it="yes")
    assert examine(folder).problems == ()


def test_paper_asks_it_too(folder):
    write_sheets(folder, "a4", None)
    page = (folder / "sheets" / "ballots.html").read_text()
    assert page.count("Would eat it?") == 6
    assert "<i>yes</i><i>no</i>" in page


def test_what_is_neither_yes_nor_no_is_told_and_not_dropped(phone, rows):
    reply = phone("T01").answer(1, json=True, sourness="6", would_eat_it="perhaps")
    assert reply.status_code == 422
    assert reply.json["problems"] == [
        {"field": "would_eat_it", "text": "“perhaps” is not yes or no."}
    ]
    assert rows() == []
