"""Names of tasters stay in the folder."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon import api
from blindspoon.analysis import analyse
from blindspoon.errors import TrialError
from blindspoon.scores.pseudonyms import pseudonyms
from blindspoon.writeup.records import trial_record

TRIAL = """
trial = { title = "Crisp cucumbers", control = "plain", seed = 7 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "texture" }, { name = "sourness" }]
variant = [{ name = "plain" }, { name = "oak" }]
tasting = { tasters = ["Ottoline", "Wenceslas", "Philippa", "Barnaby", "T07"] }
"""
NAMES = ("Ottoline", "Wenceslas", "Philippa", "Barnaby")


@pytest.fixture
def named(tmp_path):
    """A folder whose tasters have names, in the tables, a ballot's file name and trial.toml."""
    folder = tmp_path / "named"
    (folder / "ballots").mkdir(parents=True)
    (folder / "trial.toml").write_text(TRIAL)
    rows = ["taster,position,code"]
    key = ["taster,code,variant"]
    scores = ["taster,code,texture,sourness"]
    for place, name in enumerate([*NAMES, "T07"]):
        for cup, variant in enumerate(("plain", "oak"), 1):
            code = 100 + 10 * place + cup
            rows.append(f"{name},{cup},{code}")
            key.append(f"{name},{code},{variant}")
            scores.append(f"{name},{code},{4 + cup + place % 3},{'' if place == 1 else 5 + cup}")
    (folder / "servings.csv").write_text("\n".join(rows))
    (folder / "key.csv").write_text("\n".join(key))
    (folder / "ballots" / "1-Ottoline.csv").write_text("\n".join([scores[0], *scores[1:3]]))
    (folder / "scores.csv").write_text("\n".join([scores[0], *scores[3:9]]))
    return folder


def test_no_name_is_left_in_the_report_or_the_json(named, tmp_path):
    found = analyse(named)
    page = api.report(named, tmp_path / "reports")
    record = trial_record(found)
    texts = [json.dumps(record)]
    texts += [
        path.read_text() for path in page.parent.rglob("*") if path.suffix in (".html", ".csv")
    ]
    assert len(texts) > 4
    for text in texts:
        assert not [name for name in NAMES if name in text]
    assert "P01" in texts[0]
    assert "T07 scored nothing" in texts[0]


def test_a_ballot_is_called_by_its_number_where_it_is_said_what_is_left_out(named):
    ballot = named / "ballots" / "1-Ottoline.csv"
    head, first, second = ballot.read_text().splitlines()
    ballot.write_text("\n".join([head, first.rpartition(",")[0] + ",", second]))
    left_out = {(entry.file, entry.line) for entry in analyse(named).table.left_out}
    assert ("ballots/ballot 2", 2) in left_out
    assert not [file for file, _ in left_out if "Ottoline" in file]
    assert "scores.csv" in {file for file, _ in left_out}


def test_a_problem_names_tasters_as_the_files_do(named):
    (named / "scores.csv").write_text("taster,code,texture,sourness\nWenceslas,999,5,5\n")
    with pytest.raises(TrialError, match="Wenceslas"):
        analyse(named)


def test_pseudonyms_change_no_result(named):
    found = analyse(named)
    for path in named.rglob("*.*"):
        if path.is_file():
            text = path.read_text()
            for number, name in enumerate(NAMES, 1):
                text = text.replace(name, f"T0{number}")
            path.write_text(text)
    plain = analyse(named)
    assert [each.because for each in found.comparisons] == [
        each.because for each in plain.comparisons
    ]
    assert found.results[0].mixed == plain.results[0].mixed


labels_of_both_kinds = st.one_of(
    st.text("Poé 1", min_size=1, max_size=8), st.integers(1, 40).map("P{:02}".format)
)


@given(st.sets(labels_of_both_kinds, max_size=30), st.integers(0, 2**62))
def test_every_name_has_one_pseudonym_that_nobody_else_has(labels, seed):
    found = pseudonyms(labels, seed)
    published = [found.get(label, label) for label in labels]
    assert len(set(published)) == len(labels)
    assert not set(found) & set(published)


def test_numbers_do_not_follow_the_names():
    names = [f"{letter}nn" for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"]
    orders = {tuple(pseudonyms(names, seed).values()) for seed in range(5)}
    assert len(orders) == 5
    assert tuple(sorted(pseudonyms(names, 1).values())) not in orders
