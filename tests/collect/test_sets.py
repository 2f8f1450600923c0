"""Sets to choose from on the score page: one a page, a choice is forced, paper is keyed in."""

from __future__ import annotations

import csv
import datetime
import shutil

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


SCALE = '[scale]\nlow = 0\nhigh = 10\nstep = 1\n\n[[attribute]]\nname = "saltiness"\n'


@pytest.fixture
def folder(tmp_path, request):
    """A folder whose sets were drawn, and nobody has answered; cups are scored beside "both"."""
    method = getattr(request, "param", "triangle")
    both = method == "both"
    text = TRIAL.format(method="triangle" if both else method) + SCALE * both
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    draw_blind(tmp_path, DAY)
    return tmp_path


def lifted(folder):
    """What a copy shows whose blind is lifted: nobody lifts it while the sitting goes on."""
    copy = shutil.copytree(folder, folder.with_name(f"{folder.name}-lifted"))
    lift_blind(copy, DAY, lambda _: "unknown")
    return analyse(copy)


@pytest.fixture
def served(folder):
    """The codes of each set, by taster and number."""
    sets = {}
    with (folder / "servings.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            sets.setdefault((row["taster"], row.get("set", "")), []).append(row["code"])
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
    phone("T01").answer(1, json=True, answer=code, comment="sharper")
    (row,) = rows()
    assert row == {
        "session": "1", "taster": "T01", "set": "1", "answer": code, "comment": "sharper",
    }  # fmt: skip


def test_a_code_of_another_set_is_not_taken(phone, rows, served):
    reply = phone("T01").answer(1, json=True, answer=served["T01", "2"][0])
    assert reply.status_code == 422
    assert reply.json["problems"][0]["field"] == "answer"
    page = phone("T01").answer(1, answer=served["T01", "2"][0]).text
    tied = '<fieldset role="radiogroup" aria-describedby="answer-fault" aria-invalid="true">'
    assert tied in page
    end = phone("T01").read(f"{phone('T01').place}end")
    assert "What you have answered is saved. Not complete:" in end
    assert rows() == []


@pytest.mark.parametrize("folder", ["tetrad"], indirect=True)
def test_either_group_of_a_tetrad_is_the_same_answer(phone, rows, served):
    codes = served["T01", "1"]
    taker = phone("T01")
    assert taker.read(f"{taker.place}1").count('<label><input type="radio"') == 3
    taker.answer(1, answer=f"{codes[3]} + {codes[2]}")
    assert rows()[0]["answer"] == "+".join(sorted(codes[:2]))


@pytest.mark.parametrize("folder", ["a-not-a", "same-different", "duo-trio"], indirect=True)
def test_other_methods_offer_what_may_be_answered(phone, rows, served):
    taker = phone("T02")
    page = taker.read(f"{taker.place}1")
    assert page.count('<label><input type="radio"') == 2
    choice = page.split('name="answer" value="')[1].split('"')[0]
    taker.answer(1, answer=choice)
    assert rows("1-T02.csv")[0]["answer"] == choice


def test_paper_is_keyed_in_and_the_whole_is_judged(sitting, client, folder, served, phone):
    host = f"/h/{sitting.host_link}"
    for place, taster in enumerate(sitting.plan.tasters, 1):
        page = client.get(f"{host}/1/key/{place}").text
        assert "You must choose" not in page  # that is for tasters
        assert "Choose" in page
        fields = dict.fromkeys(("ticket",), page.split('name="ticket" value="')[1].split('"')[0])
        fields |= {f"{row}-answer": served[taster, str(row + 1)][0] for row in range(2)}
        assert client.post(f"{host}/1/key/{place}", data=fields).status_code == 303
    assert sitting.tally() == "6 of 6 sets are answered; 3 ballots lie in ballots"
    assert examine(folder).problems == ()
    (found,) = lifted(folder).choices
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
    look = taker.read(f"{taker.place}look")
    assert "verschieden</dd>" in look
    assert "Du musst wählen" not in look
    assert "Nicht vollständig:" in taker.read(f"{taker.place}end")


@pytest.mark.parametrize("folder", ["same-different"], indirect=True)
def test_a_word_may_begin_with_a_capital_as_keyboards_write_it(folder, phone, rows, served):
    phone("T01").answer(1, answer="Different")
    assert rows()[0]["answer"] == "different"
    for path in (folder / "ballots").iterdir():
        path.unlink()
    lines = [f"{taster},{number},Different" for taster, number in served]
    text = "\n".join(["taster,set,answer", *lines])
    (folder / "choices.csv").write_text(text, encoding="utf-8")
    assert examine(folder).problems == ()
    found = lifted(folder)
    (choice,) = found.choices
    assert (choice.tests, choice.right) == (6, sum(found.table.choices.other))


both = pytest.mark.parametrize("folder", ["both"], indirect=True)


@both
def test_cups_and_sets_are_asked_in_the_order_of_the_plan(phone, rows, served, events):
    taker = phone("T01")
    cups = served["T01", ""]
    page = taker.read(f"{taker.place}1")
    assert f'value="{cups[0]}"' in page
    assert "saltiness" in page.casefold()
    assert "1 of 4" in page
    assert "Save, next set" in taker.read(f"{taker.place}2")
    third = taker.read(f"{taker.place}3")
    assert "You must choose" in third
    assert f"Back to cup {cups[1]}" in third
    for place, score in enumerate(("6", "7"), 1):
        assert taker.answer(place, saltiness=score).status_code == 303
    assert "Not complete:" in (end := taker.read(f"{taker.place}end"))
    assert ">Set 1</a>" in end
    picks = {number: served["T01", number][0] for number in ("1", "2")}
    for place, code in enumerate(picks.values(), 3):
        taker.answer(place, answer=code)
    assert [row["saltiness"] for row in rows()] == ["6", "7"]
    assert {row["set"]: row["answer"] for row in rows("1-T01+sets.csv")} == picks
    assert events[-2:] == [
        "T01 has answered 3 of 4 cups and sets in session 1.", "T01 has finished session 1.",
    ]  # fmt: skip
    look = taker.read(f"{taker.place}look")
    assert ">Set 2</a>" in look
    assert f">Cup {cups[0]}</a>" in look
    assert "All 4 answers are given and saved." in taker.read(f"{taker.place}end")


@both
def test_a_paper_ballot_of_cups_and_sets_is_keyed_in_and_the_whole_is_judged(
    sitting, client, folder, served
):
    host = f"/h/{sitting.host_link}"
    for place, taster in enumerate(sitting.plan.tasters, 1):
        page = client.get(f"{host}/1/key/{place}").text
        assert page.index("saltiness") < page.index("Choose")
        fields = {"ticket": page.split('name="ticket" value="')[1].split('"')[0]}
        fields |= {"0-saltiness": "5", "1-saltiness": f"{place + 4}"}
        fields |= {f"{row + 1}-answer": served[taster, str(row)][0] for row in (1, 2)}
        assert client.post(f"{host}/1/key/{place}", data=fields).status_code == 303
    assert sitting.tally() == "12 of 12 sets and cups are answered; 6 ballots lie in ballots"
    assert examine(folder).problems == ()
    found = lifted(folder)
    assert (found.choices[0].tests, len(found.table.scores)) == (6, 6)


@both
def test_what_is_wrong_beside_a_set_is_said_there_and_nothing_is_stored(sitting, client, folder):
    host = f"/h/{sitting.host_link}"
    page = client.get(f"{host}/1/key/1").text
    fields = {"ticket": page.split('name="ticket" value="')[1].split('"')[0]}
    reply = client.post(f"{host}/1/key/1", data=fields | {"0-saltiness": "5", "2-answer": "000"})
    assert reply.status_code == 422
    assert "“000” is no answer to this set." in reply.text
    assert 'aria-label="Set 1, ' in reply.text
    assert not (folder / "ballots").exists()
