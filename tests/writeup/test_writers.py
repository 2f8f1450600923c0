"""One specification of a table, written for scripts and for people."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest

from blindspoon.stats.results import Interval, NoResult
from blindspoon.writeup.columns import COMPARISON, INTERVAL, MIXED, RANKS
from blindspoon.writeup.records import trial_record
from blindspoon.writeup.writers import (
    DASH,
    WIDTH,
    Column,
    aligned,
    cells,
    csv_names,
    csv_values,
    heads,
    record,
)


def flat(record, before=""):
    """Numbers of a record by the names that CSV has for them; an interval is two."""
    for name, value in record.items():
        if isinstance(value, dict):
            yield from flat(value, f"{before}{name}_")
        elif isinstance(value, list) and len(value) == 2:
            yield from ((f"{before}{name}_low", value[0]), (f"{before}{name}_high", value[1]))
        elif isinstance(value, float):
            yield f"{before}{name}", value


@pytest.mark.parametrize("name", ["usual", "three tasters", "no margin"])
def test_json_and_csv_say_the_same_of_every_comparison(content_of, name):
    content = content_of(name)
    made = json.loads(json.dumps(trial_record(content.analysis), allow_nan=False))
    rows = csv.DictReader(io.StringIO(dict(content.files)["tables/comparisons.csv"]))
    compared = [row for row in rows if row["verdict"]]
    assert len(compared) == len(made["comparisons"]) > 0
    for row, comparison in zip(compared, made["comparisons"], strict=True):
        comparison["mixed"].pop("days_in_general", None)  # JSON alone has it
        numbers = dict(flat(comparison))
        assert numbers
        for column, value in numbers.items():
            assert float(row[column]) == pytest.approx(value, rel=1e-8), column


def test_the_page_shows_the_numbers_of_the_csv_rounded(content_of):
    content = content_of("usual")
    table = next(table for table in content.numbers if table.name == "mixed-texture")
    place = table.columns.index("SE")
    errors = [each.mixed.se for each in content.analysis.results[0].comparisons]
    shown = [float(row[place]) for _, row in table.rows]
    assert shown == pytest.approx(errors, abs=0.00501)  # two decimals on this scale


def test_names_are_as_many_as_values_and_never_twice():
    for columns in (COMPARISON, MIXED, RANKS):
        names = list(csv_names(columns))
        assert len(set(names)) == len(names) == len(list(csv_values(columns, None)))


def test_a_number_that_is_not_there_is_a_gap_a_dash_and_a_reason():
    columns = [Column("found", inner=(Column("low", head="Low"),), of=lambda row: row)]
    lost = NoResult("Too few.")
    assert list(csv_values(columns, lost)) == [None]
    assert heads(columns) == ("Low",)
    assert cells(columns, lost) == (DASH,)
    assert record(columns, lost) == {"found": None, "found_reason": "Too few."}


def test_scripts_see_which_ends_of_both_intervals_are_open(content_of):
    found = content_of("by ranks").analysis.comparisons[0].ranks
    open_above = Interval(0.0, 1.0, high_open=True)
    told = record(RANKS, replace(found, interval=None, equivalence_interval=open_above))
    assert (told["open_ends"], told["equivalence_open_ends"]) == ("", "high")


def test_an_interval_is_a_pair_for_scripts():
    columns = [Column("interval", INTERVAL, of=lambda row: row)]
    assert list(csv_names(columns)) == ["interval_low", "interval_high"]
    assert list(csv_values(columns, Interval(-1.0, 2.0))) == [-1.0, 2.0]
    assert record(columns, Interval(-1.0, 2.0)) == {"interval": [-1.0, 2.0]}
    assert cells(columns, Interval(-1.0, 2.0)) == ()  # without a head nobody reads it


def test_a_long_name_is_cut_and_no_line_is_wider_than_a_terminal():
    rows = [
        ("", "difference", "verdict"),
        ("A brine of the coldest cellar of all " * 3, "+1.8", "a"),
    ]
    lines = list(aligned(rows))
    assert max(map(len, lines)) <= WIDTH
    assert "…" in lines[1]
    assert lines[1].endswith("+1.8  a")
    assert lines[0].index("difference") + len("difference") == lines[1].index("+1.8") + len("+1.8")


def test_a_heading_among_the_rows_keeps_its_line():
    rows = [
        ("", "p", ""),
        ("A name that is longer than all the others here", "", ""),
        ("a", "1", ""),
    ]
    assert "  A name that is longer than all the others here" in list(aligned(rows, least=4))
