"""The declared columns of the five tables, and what their kinds take."""

from __future__ import annotations

import math

import pytest

from blindspoon.files import schema
from blindspoon.files.schema import (
    BATCHES,
    KEY,
    READINGS,
    SCORES,
    Known,
    as_number,
    column_problems,
    read_columns,
)
from blindspoon.files.text_table import read_table

TABLES = ("SCORES", "SERVINGS", "KEY", "CHOICES", "CHOICES_KNOWN", "CHOICE_COUNTS", "BATCHES")


@pytest.mark.parametrize("table", [*TABLES, "READINGS", "CORRECTIONS"])
def test_every_column_stands_once_and_says_what_it_means_in_one_sentence(table):
    columns = getattr(schema, table)
    assert len({column.name for column in columns}) == len(columns)
    assert all(column.meaning.endswith(".") for column in columns)


def test_a_table_is_read_by_its_declaration():
    data = b"batch,date,ph\njar 1,2026-09-05,3.6\njar 9,2026-02-30,46\n,,\njar 1,2026-09-06,\n"
    table = read_table(data, "readings.csv")
    checked = read_columns(table, READINGS, Known(batches=["jar 1"]))
    assert [problem.slug for problem in checked.problems] == [
        "unknown-batch", "bad-date", "absurd-ph"
    ]  # fmt: skip
    assert checked.usable.tolist() == [True, False, True]
    assert checked.values["ph"][0] == 3.6
    assert math.isnan(checked.values["ph"][2])
    assert [str(day) for day in checked.values["date"]] == ["2026-09-05", "None", "2026-09-06"]


@pytest.mark.parametrize("text", ["1e999", "nan", "inf", "1_0", "0x1", "", "1,5", "٣"])
def test_what_is_no_finite_number_is_none(text):
    assert as_number(text, decimal_comma=False) is None


def test_a_title_above_the_header_is_thought_of():
    known = Known(when=("always", "coded"))
    title = read_table(b"Tasting;19 Sept\nsession;taster;code\n", "scores.csv")
    taster, _ = column_problems(title, SCORES, known)
    assert taster.remedy.endswith("add it, or take out what stands above the header")
    for head in (b"taster;texture\n", b"Taster;Code\n"):
        found = column_problems(read_table(head, "scores.csv"), SCORES, known)
        assert found[-1].remedy == "Name the column code, or add it"


def test_who_mends_a_name_after_sealing_is_led_to_the_label():
    table = read_table(b"session,taster,code,variant\n1,Ada,123,calcuim\n", "key.csv")
    found = read_columns(table, KEY, Known(sessions=["1"], variants=["calcium"]))
    assert found.problems[0].remedy.endswith("its label may change")


@pytest.mark.parametrize(
    ("cell", "separator"),
    [('"1,250"', ","), *((cell, mark) for cell in ('"1,250"', "1.250") for mark in ";\t")],
)
def test_grams_with_a_mark_between_thousands_are_never_read_as_so_many_thousandths(cell, separator):
    data = f"batch;produce_g;salt_g\njar 1;{cell};0.625\n".replace(";", separator)
    checked = read_columns(read_table(data.encode(), "batches.csv"), BATCHES, Known())
    (problem,) = checked.problems
    assert problem.found.endswith("may be 1250 or 1.25")
    assert math.isnan(checked.values["produce_g"][0])
    assert checked.values["salt_g"].tolist() == [0.625]


def test_grams_of_a_fine_scale_are_read_where_a_comma_parts_the_cells():
    table = read_table(b"batch,produce_g\njar 1,22.345\n", "batches.csv")
    assert read_columns(table, BATCHES, Known()).values["produce_g"].tolist() == [22.345]
