"""Sets to choose from on the score page: one a page, a choice is forced, paper is keyed in."""

from __future__ import annotations

import csv
import datetime

import pytest

from blindspoon.analysis import analyse
from blindspoon.drawing import draw_blind
from blindspoon.examine import examine
from blindspoon.lifting import lift_blind

DAY = datetime.date(2026, 9, 4)
TRIAL = """\
[trial]
title = "Two salts"
control = "sea"

[decision]
declared = 2026-09-04

[choice]
method = "{method}"
sets = 2

[[variant]]
name = "sea"

[[variant]]
name = "rock"

[tasting]
tasters = ["T01", "T02", "T03"]
"""


@pytest.fixture
def folder(tmp_path, request):
    """A folder whose sets were drawn, and nobody has answered."""
    method = getattr(request, "param", "triangle")
    (tmp_path / "trial.toml").write_text(TRIAL.format(method=method), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    return tmp_path


@pytest.fixture
def served(folder):
    """The codes of each set, by taster and number."""
    sets = {}
    with (folder / "servings.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            sets.setdefault((row["taster"], row["set"]), []).append(row["code"])
    return sets


def test_a_set_a_page_and_no_way_out_of_choosing(phone, served):
    page = phone("T01").read(f"{phone('T01').place}1")
    assert "Two of the three cups are the same, one is different." in page
    assert "You must choose" in page
    for code in served["T01", "1"]:
        assert f'value="{code}"' in page
    assert "no score" not in page
    assert "no difference" not in page
    assert served["T01", "2"][0] not in page


def test_an_answer_lies_in_the_ballot_before_it_is_acknowledged(phone, rows, served):
    code = served["T01", "1"][2]
    reply = phone("T01").answer(1, json=True, answer=code, comment="sharper")
    assert reply.json["scores"] == {"answer": code}
    (row,) = rows()
    assert row == {
        "session": "1", "taster": "T01", "set": "1", "answer": code, "comment": "sharper",
    }  # fmt: skip


def test_a_code_of_another_set_is_not_taken(phone, rows, served):
    reply = phone("T01").answer(1, json=True, answer=served["T01", "2"][0])
    assert reply.status_code == 422
    assert reply.json["problems"][0]["field"] == "answer"
    assert rows() == []


@pytest.mark.parametrize("folder", ["tetrad"], indirect=True)
def test_either_group_of_a_tetrad_is_the_same_answer(phone, rows, served):
    codes = served["T01", "1"]
    taker = phone("T01")
    assert taker.read(f"{taker.place}1").count('type="radio"') == 3
    taker.answer(1, answer=f"{codes[3]} + {codes[2]}")
    assert rows()[0]["answer"] == "+".join(sorted(codes[:2]))


@pytest.mark.parametrize("folder", ["a-not-a", "same-different", "duo-trio"], indirect=True)
def test_other_methods_offer_what_may_be_answered(phone, rows, served):
    taker = phone("T02")
    page = taker.read(f"{taker.place}1")
    assert page.count('type="radio"') == 2
    choice = page.split('name="answer" value="')[1].split('"')[0]
    taker.answer(1, answer=choice)
    assert rows("1-T02.csv")[0]["answer"] == choice


def test_paper_is_keyed_in_and_the_whole_is_judged(sitting, client, folder, served, phone):
    host = f"/h/{sitting.host_link}"
    for place, taster in enumerate(sitting.plan.tasters, 1):
        page = client.get(f"{host}/1/key/{place}").text
        assert "choose" in page
        fields = dict.fromkeys(("ticket",), page.split('name="ticket" value="')[1].split('"')[0])
        fields |= {f"{row}-answer": served[taster, str(row + 1)][0] for row in range(2)}
        assert client.post(f"{host}/1/key/{place}", data=fields).status_code == 303
    assert sitting.tally() == "6 of 6 sets are answered; 3 ballots lie in ballots"
    assert examine(folder).problems == ()
    lift_blind(folder, DAY, lambda _: True)
    (found,) = analyse(folder).choices
    assert found.tests == 6


@pytest.mark.parametrize("folder", ["same-different"], indirect=True)
def test_sets_speak_the_language_of_the_phone_and_ballots_do_not(client, phone, rows):
    client.environ_base["HTTP_ACCEPT_LANGUAGE"] = "de"
    taker = phone("T01")
    page = taker.read(f"{taker.place}1")
    assert "Sag, ob die beiden Becher gleich oder verschieden sind. Du musst wählen" in page
    assert 'value="different"><span>verschieden</span>' in page
    wrong = taker.answer(1, json=True, answer="anders").json["problems"]
    assert wrong == [{"field": "answer", "text": "„anders“ ist keine Antwort auf diese Reihe."}]
    taker.answer(1, answer="different")
    assert rows()[0]["answer"] == "different"
    assert "verschieden</dd>" in taker.read(f"{taker.place}look")
    assert "Noch nicht beantwortet ist Reihe" in taker.read(f"{taker.place}end")
