"""Old spreadsheets, invented, in the forms that people keep them in."""

from __future__ import annotations

import csv
import io

import pytest

from blindspoon.analysis import analyse
from blindspoon.errors import TrialError
from blindspoon.files.disk import make_files
from blindspoon.files.trial_toml import parse_trial
from blindspoon.old_table import trial_from

TABLES = """\
Texture;;;
Name;Usual;Oak leaf;Kühl
Jörg;4,5;5;7
Zoë;5;;7,5
Ann;3;4;6
Mean;4,2;4,5;6,8
;;;
Saltiness;;;
Name;Usual;Oak leaf;Kühl
Jörg;6;5;6
Zoë;5;5;5
Ann;5;5;6
"""


def scores(files):
    return list(csv.DictReader(io.StringIO(files["scores.csv"].decode())))


def test_a_table_an_attribute_with_a_column_a_variant(tmp_path):
    files, said = trial_from(TABLES.replace("\n", "\r\n").encode("cp1252"), "Last year.csv")
    trial = parse_trial(files["trial.toml"].decode())
    assert (trial.title, trial.control, trial.decision.declared) == ("Last year", "usual", None)
    assert [each.name for each in trial.attributes] == ["texture", "saltiness"]
    rows = {(row["taster"], row["variant"]): row for row in scores(files)}
    assert len(rows) == 9
    assert (rows["Zoë", "kuhl"]["texture"], rows["Zoë", "oak-leaf"]["texture"]) == ("7.5", "")
    assert said[-1] == "Not taken over: Mean."
    make_files(tmp_path / "made", files)
    assert len(analyse(tmp_path / "made").results) == 2


def test_a_second_row_of_a_taster_is_a_second_session_unless_it_is_named():
    rows = "who,plain,oak\nAda,4,5\nBen,3,5\nAda,5,6\nBen,2,5\n"
    files, _ = trial_from(rows.encode(), "old.csv")
    assert [row["session"] for row in scores(files)] == ["1"] * 4 + ["2"] * 4
    dated = "who,evening,plain,oak\nAda,Friday evening,4,5\nBen,Friday evening,3,5\n"
    trial = parse_trial(trial_from(dated.encode(), "old.csv")[0]["trial.toml"].decode())
    assert [(each.name, each.label) for each in trial.sessions] == [
        ("friday-evening", "Friday evening")
    ]


def test_a_head_of_merged_cells_is_an_attribute_above_its_variants():
    rows = (
        "Name;Abend;Knackig;;Salz;;Notiz\n;;ohne;mit Blatt;ohne;mit Blatt;\n"
        "Tante Vera;1;4,5;7-8;5;5;gut\nBo;1;n/a;4;4;4,5;\nMittelwert;;4;6;4;5;\n"
    )
    files, said = trial_from(rows.encode(), "old.csv")
    trial = parse_trial(files["trial.toml"].decode())
    assert [attribute.label for attribute in trial.attributes] == ["Knackig", "Salz"]
    assert [tuple(row.values()) for row in scores(files)] == [
        ("1", "Tante Vera", "ohne", "4.5", "5"),
        ("1", "Bo", "mit-blatt", "4", "4.5"),
        ("1", "Tante Vera", "mit-blatt", "", "5"),
        ("1", "Bo", "ohne", "", "4"),
    ]
    told = "7-8 of Tante Vera, n/a of Bo, Mittelwert, Notiz"
    assert said[-1] == f"Not taken over: {told}."


def test_what_has_no_heading_or_no_taster_is_told():
    rows = "who,plain,leaf,\nAda,4,5,6\n,3,5,\nBen,3,5,\n"
    said = trial_from(rows.encode(), "old.csv")[1][-1]
    assert said == (
        "Not taken over: column 4, which has no heading, a row without a taster (3, 5)."
    )


def test_a_column_headed_taster_has_them_and_not_the_numbers_of_rows_before_it():
    rows = ",taster,variant,score\n0,Ada,plain,4\n1,Ada,oak,5\n2,Ben,plain,3\n3,Ben,oak,6\n"
    files, said = trial_from(rows.encode(), "frame.csv")
    assert [row["taster"] for row in scores(files)] == ["Ada", "Ada", "Ben", "Ben"]
    assert said[-1] == "Not taken over: column 1, which has no heading."


def test_attributes_that_differ_by_a_hyphen_or_begin_with_a_digit_have_names():
    rows = b"taster,variant,Too sour,Too-sour,2nd bite\nA,plain,1,2,3\nA,oak,3,4,5\nB,plain,2,2,1\n"
    files, _ = trial_from(rows, "old.csv")
    names = [it.name for it in parse_trial(files["trial.toml"].decode()).attributes]
    assert names == ["too_sour", "too_sour_2", "nd_bite"]


def test_a_row_a_cup_and_a_column_that_names_the_attribute():
    rows = "variant,who,texture,crunch,comment\nplain,Ada,4,5,x\noak,Ada,5,6,\n"
    files, said = trial_from(rows.encode(), "old.csv")
    assert [(row["variant"], row["texture"], row["crunch"]) for row in scores(files)] == [
        ("plain", "4", "5"), ("oak", "5", "6"),
    ]  # fmt: skip
    assert said[-1] == "Not taken over: comment."
    long = "taster,attribute,plain,oak\nAda,Texture,4,5\nAda,Salt,5,6\n"
    (plain, oak) = scores(trial_from(long.encode(), "old.csv")[0])
    assert (plain["texture"], plain["salt"], oak["salt"]) == ("4", "5", "6")


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "the file is empty"),
        (b"ab\x00\xff\x81", "NUL byte"),
        (TABLES.encode("utf-16"), "UTF-16 text; .* Save it again as .CSV UTF-8"),
        (b"PK\x03\x04\x14", "a spreadsheet's own format"),
    ],
)
def test_a_file_that_is_no_text_is_said_to_be_none(data, why):
    with pytest.raises(TrialError, match=why):
        trial_from(data, "old.csv")


@pytest.mark.parametrize("data", [b"hello\n", b"taster,plain\nAda,4\n"])
def test_what_is_no_table_is_refused(data):
    with pytest.raises(TrialError, match="no scores of two variants"):
        trial_from(data, "old.csv")


def test_tasters_side_by_side_are_not_taken_for_variants():
    with pytest.raises(TrialError, match='no column is headed taster beside "Sample"'):
        trial_from(b"Sample;Ada;Ben\nplain;7;6\noak;8;7\n", "old.csv")


def test_numbers_of_rows_ages_and_times_are_neither_variants_nor_tasters():
    rows = "Zeitstempel;Nr;Ihr Name;Alter;plain;oak\n14.09.2024 19:03;1;Ada;33;7;8\n;2;Ben;44;6;7\n"
    files, said = trial_from(rows.encode(), "old.csv")
    assert [row["taster"] for row in scores(files)] == ["Ada", "Ada", "Ben", "Ben"]
    assert said[0] == '4 cups of 2 tasters, 2 variants: "Plain", "Oak".'
    assert said[-1] == "Not taken over: Zeitstempel, Nr, Alter."
    numbered = trial_from(b"Nr,plain,oak\n1,4,5\n2,3,5\n", "old.csv")[0]
    assert [row["taster"] for row in scores(numbered)] == ["1", "1", "2", "2"]
