"""What people do to their files: labels for names, old encodings, a question asked halfway."""

from __future__ import annotations

from datetime import date

import pytest

from blindspoon.analysis import analyse
from blindspoon.drawing import add_late, draw_blind
from blindspoon.errors import Note, TrialError, together
from blindspoon.examine import examine
from blindspoon.files.trial_folder import read_folder
from blindspoon.files.trial_toml import parse_trial, trial_text

TOML = """\
[trial]
title = "Molke"
control = "Salz"
[scale]
low = 0
high = 10
[[attribute]]
name = "texture"
[[attribute]]
name = "crunch"
[[variant]]
name = "salt"
label = "Salz"
[[variant]]
name = "whey"
label = "Molke"
[[session]]
name = "1"
label = "Friday evening"
not_asked = ["crunch"]
[[session]]
name = "2"
[tasting]
tasters = ["Ada", "Ben"]
"""
PEOPLE = ("Jörg", "Zoë", "Ann", "Ben", "Cleo", "Dev")


def rows(session, variants, cells, extra=""):
    return [f"{session};{who};{v};{cells}{extra}" for who in PEOPLE for v in variants]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "trial.toml").write_text(TOML, encoding="utf-8")
    lines = rows("friday evening", ("Salz", "MOLKE"), "4,5;;schön")
    lines += rows("2", ("salt", "whey"), "5;6;")
    text = "\r\n".join(["session;taster;variant;texture;crunch;comment", *lines])
    (tmp_path / "scores.csv").write_bytes(text.encode("cp1252"))
    return tmp_path


def test_labels_stand_for_names_and_an_old_windows_file_is_read(folder):
    (table,) = read_folder(folder).tables.scores
    assert set(table.cells("variant")) == {"salt", "whey"}
    assert set(table.cells("session")) == {"1", "2"}
    assert table.cells("taster")[:3] == ["Jörg", "Jörg", "Zoë"]
    assert ["Windows-1252" in note.text for note in table.notes] == [True]
    assert parse_trial(TOML).control == "salt"


def test_what_was_not_asked_is_said_once_and_nothing_is_missing(folder):
    found = examine(folder)
    assert found.problems == ()
    assert not [note for note in found.notes if "has no score" in note.text]
    assert [note.text for note in found.notes if "not asked" in note.text] == [
        "not asked in session 1: crunch"
    ]
    assert len(analyse(folder).results) == 2


def test_a_ballot_without_the_column_is_sound_where_it_was_not_asked(folder):
    (folder / "ballots").mkdir()
    data = "session,taster,variant,texture\n1,Eve,salt,5\n1,Eve,whey,6\n"
    (folder / "ballots" / "1.csv").write_text(data, encoding="utf-8")
    assert examine(folder).problems == ()
    (folder / "ballots" / "1.csv").write_text(data.replace("1,Eve", "2,Eve"), encoding="utf-8")
    (problem,) = examine(folder).problems
    assert 'write not_asked = ["crunch"]' in problem.remedy


def test_one_cause_is_one_message(folder):
    text = (folder / "scores.csv").read_bytes()
    (folder / "scores.csv").write_bytes(text.replace(b"MOLKE", b"Molcke").replace(b"4,5", b"45"))
    found = examine(folder).problems
    assert len(found) == 18
    off_scale, unknown = together(found)
    assert "(12 times: also lines 3, 4, 5, 6, 7 and 6 more)" in off_scale.found
    assert '"Molcke" is not known' in unknown.found


def test_few_notes_of_one_cause_stay_apart_and_many_are_counted():
    notes = [Note(file="a.csv", line=n, text=f"{n} has none", cause="none") for n in (2, 3, 4, 9)]
    assert together(notes[:3]) == notes[:3]
    (one,) = together(notes)
    assert one.text == "2 has none (4 like it: also lines 3, 4, 9)"


def test_a_trial_with_labels_is_written_and_read_again():
    trial = parse_trial(TOML)
    assert parse_trial(trial_text(trial)) == trial
    with pytest.raises(TrialError, match='"crisp" is not known'):
        parse_trial(TOML.replace('["crunch"]', '["crisp"]'))


def test_blanks_around_a_name_make_nobody_else(folder):
    (folder / "scores.csv").unlink()
    draw_blind(folder, date(2026, 9, 4))
    add_late(folder, " Gus ", date(2026, 9, 4))
    with pytest.raises(TrialError, match='a taster "Gus" already'):
        add_late(folder, "Gus", date(2026, 9, 4))
