"""Columns of text, and the bytes of a file read to them."""

from __future__ import annotations

import csv
import io
import itertools
import timeit
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from blindspoon.errors import LISTED
from blindspoon.files import text_table
from blindspoon.files.text_table import LINE_LIMIT, TextColumn, read_table, table_of

SIMPLE = [["taster", "code", "texture"], ["T01", "037", "7"], ["T02", "925", ""]]


def cells_of(data: bytes) -> dict[str, list[str]]:
    table = read_table(data, "scores.csv")
    assert table.problems == ()
    return {name: table.cells(name) for name in table.columns}


def written(rows: list[list[str]], separator: str = ",", end: str = "\n") -> bytes:
    return end.join(separator.join(row) for row in rows).encode()


def test_every_common_dialect_gives_the_same_cells():
    marks, tails = (b"", b"\xef\xbb\xbf"), ("", "\n", "\n\n\n", "\n,,\n", "\n , ,\n")
    same = {"taster": ["T01", "T02"], "code": ["037", "925"], "texture": ["7", ""]}
    for dialect in itertools.product(",;\t", ("\n", "\r\n", "\r"), marks, tails):
        separator, end, mark, tail = dialect
        tail = tail.replace(",", separator).replace("\n", end)
        table = read_table(mark + written(SIMPLE, separator, end) + tail.encode(), "scores.csv")
        assert table.problems == (), dialect
        assert {name: table.cells(name) for name in table.columns} == same, dialect


@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_commas_go_with_other_separators(separator):
    table = read_table(written([["taster", "texture"], ["T01", "7,5"]], separator), "scores.csv")
    assert table.decimal_comma
    assert table.cells("texture") == ["7,5"]


def test_comma_separated_numbers_have_points():
    assert not read_table(b"taster,texture\nT01,7.5\n", "scores.csv").decimal_comma


@pytest.mark.parametrize("mark", ["sep=;", "sep=,", "sep=\t", "SEP=;", "sep=;;", "\n sep=;"])
def test_a_line_that_tells_a_spreadsheet_the_separator_is_no_header(mark):
    separator = mark.strip(" \n")[4]
    data = written([[mark], [], ["taster", "texture"], ["T01", "7"]], separator, "\r\n")
    table = read_table(b"\xef\xbb\xbf" + data, "scores.csv")
    assert table.problems == ()
    assert table.cells("texture") == ["7"]
    assert table.lines.tolist() == [5 if "\n" in mark else 4]


@pytest.mark.parametrize("mark", ["sep=|", "sep=;", '"sep=;"'])
def test_where_that_line_does_not_fit_the_remedy_is_to_take_it_out(mark):
    (problem,) = read_table(f"{mark}\ntaster,texture\nT01,7\n".encode(), "scores.csv").problems
    assert "a line such as sep=; above the header out" in problem.remedy


def test_quoted_newlines_keep_the_lines_right():
    table = read_table(b'taster,comment\nT01,"two\nlines"\nT02,"a ""b"", c"\n', "scores.csv")
    assert table.cells("comment") == ["two\nlines", 'a "b", c']
    assert table.lines.tolist() == [2, 4]


def test_blank_lines_keep_the_lines_right():
    table = read_table(b"\n\ntaster,code\n\nT01,037\n,\nT02,925\n\n", "key.csv")
    assert table.lines.tolist() == [5, 7]


@pytest.mark.parametrize("data", [b"taster,code,,\nT01,037,,\n", b"taster,code,,\nT01,037\n"])
def test_empty_columns_at_the_end_are_dropped(data):
    assert cells_of(data) == {"taster": ["T01"], "code": ["037"]}


def test_cells_beyond_the_header_are_dropped_if_blank():
    assert cells_of(b"taster;code\nT01;037;;\n") == {"taster": ["T01"], "code": ["037"]}


def test_a_decimal_comma_between_commas_is_never_two_cells():
    table = read_table(b"taster,code,texture,comment\nT01,037,7,5,\nT01,512,4,\n", "scores.csv")
    (problem,) = table.problems
    assert (problem.line, problem.found) == (2, "the row has 5 cells")
    assert "decimals have a point" in problem.remedy
    assert table.cells("texture") == ["4"]


def test_blanks_around_a_cell_do_not_count():
    assert cells_of(b"taster , code\n T01,037 \nT01,\xc2\xa0037\n") == {
        "taster": ["T01", "T01"],
        "code": ["037", "037"],
    }


def test_composed_and_decomposed_letters_are_one_name():
    column = TextColumn.of(["Zo\u00eb", "Zoe\u0308"])
    assert column.texts == ("Zo\u00eb",)
    assert column.codes.tolist() == [0, 0]


def test_an_unnamed_column_with_cells_is_noted():
    table = read_table(b",taster,code\n0,T01,037\n1,T01,925\n", "key.csv")
    assert list(table.columns) == ["taster", "code"]
    assert [str(note) for note in table.notes] == [
        "key.csv line 1: columns without a name are not used: number 1"
    ]
    assert read_table(b"taster,code,\nT01,037,\n", "key.csv").notes == ()


BAD = {
    "empty-file": (b"", None, "the file is empty"),
    "empty-file ": (b"\xef\xbb\xbf \n\n", None, "the file is empty"),
    "empty-file  ": (b',,\n"",\n', None, "the file is empty"),
    "encoding": ("taster\n".encode("utf-16"), None, "the file is UTF-16 text"),
    "encoding ": ("taster,code\n".encode("utf-16-le"), None, "every other byte is zero"),
    "encoding  ": (b"taster,code\nZo\x81,037\n", 2, "byte 0x81 is neither UTF-8 nor Windows"),
    "encoding   ": (b"PK\x03\x04....", None, "spreadsheet's own format"),
    "nul-byte": (b"taster,code\nT01,037\nT0\x00,037\n", 3, "a NUL byte"),
    "line-too-long": (b"a,b\n1," + b"x" * LINE_LIMIT + b"\n", 2, "the line has 100,002 bytes"),
    "quotes": (b'a,b\n1,2\n"3,4\n5,6\n', 3, "do not pair up"),
    "quotes ": (b'a,b\n"1" 2,3\n', 2, "do not pair up"),
    "quotes  ": (b'"a,b\n1,2\n', 1, "do not pair up"),
    "ragged-row": (b"a,b,c\n1,2,3\n1,2\n", 3, "the row has 2 cells; the header names 3 columns"),
    "ragged-row ": (b"a,b\n1,2\n7,5,3\n", 3, "the row has 3 cells; the header names 2 columns"),
    "repeated-column": (b"a,b,a\n1,2,3\n", 1, "column a: 2 columns have this name"),
    "separator ": (b"Cucumbers\n\na,b\n1,2\n", 1, "take a title or a line such as sep=; above"),
    "separator": (b"taster|code\nT01|037\n", 1, 'the header is one cell, "taster|code"'),
}


@pytest.mark.parametrize("slug", BAD)
def test_a_file_that_cannot_be_read_says_where_and_why(slug):
    data, line, text = BAD[slug]
    (problem,) = read_table(data, "key.csv").problems
    assert (problem.slug, problem.line) == (slug.strip(), line)
    assert text in str(problem)


def test_rows_before_broken_quotes_are_still_read():
    table = read_table(b'a,b\n1,2\n3,"4\n', "key.csv")
    assert table.cells("b") == ["2"]


def test_ragged_rows_do_not_hide_the_others():
    table = read_table(b"a,b\n1,2\n3\n5,6\n", "key.csv")
    assert table.lines.tolist() == [2, 4]


def test_very_many_bad_rows_are_counted():
    problems = read_table(b"a,b\n" + b"1\n" * 5000, "key.csv").problems
    assert len(problems) == LISTED + 1
    assert "and 3,999 rows more like it" in problems[-1].found


def test_a_line_of_fifty_megabytes_is_refused():
    (problem,) = read_table(b"a,b\n" + b"1," * 25_000_000, "scores.csv").problems
    assert problem.slug == "line-too-long"


def test_rows_from_the_score_page_make_a_table():
    table = table_of("ballots/a.csv", [{"taster": "T01", "code": " 037"}])
    assert [(line, row) for line, row in table.rows()] == [(2, {"taster": "T01", "code": "037"})]


CELL = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0")
    | st.sampled_from(',;\t" \n\r\u00a0e\u0308'),
    max_size=30,
)
PLAIN = st.sampled_from(["NA", "nan", "", "None", "true", "1e3", "007", "#"]) | st.text(
    st.sampled_from("ab0 1.\u00e9\u0308\u65e5\u00a0"), max_size=30
)


def grids(cell: st.SearchStrategy[str]) -> st.SearchStrategy[list[list[str]]]:
    width = st.integers(2, 4)
    return width.flatmap(
        lambda n: st.lists(st.lists(cell, min_size=n, max_size=n), min_size=1, max_size=8)
    )


def read_both(data):
    """The same bytes as those of a large file and as those of a small one, as plain values."""
    with patch.object(text_table, "LARGE", 0):
        large = read_table(data, "a.csv")
    for table in (large, read_table(data, "a.csv")):
        columns = {n: (it.texts, it.codes.tolist()) for n, it in table.columns.items()}
        yield columns, table.lines.tolist(), table.problems, table.notes


@given(grids(PLAIN | CELL), st.sampled_from(",;\t"))
def test_a_large_file_is_read_as_a_small_one(rows, separator):
    file = io.StringIO(newline="")
    writer = csv.writer(file, delimiter=separator, lineterminator="\n")
    writer.writerows([[f"c{k}" for k in range(len(rows[0]))], *rows])
    large, small = read_both(file.getvalue().encode())
    assert large == small


ODD = st.sampled_from(["a", "", '"a"', '"a;\n"', '"a""a"', " a"]) | st.text(
    st.sampled_from('a",\n '), max_size=4
)
RAGGED = st.lists(st.tuples(ODD, ODD).map(",".join), min_size=1, max_size=4)  # a quarter are even


@example(["1,2"], ",\nc0,c1")
@example(["1,2"], "sep=,\nc0,c1")
@given(RAGGED, st.sampled_from(["c0,c1", "c0,,c1", "\nc0,c0", "c0,c1,", '"c0",c1', ",,"]))
def test_pandas_is_never_asked_where_it_would_read_otherwise(rows, header):
    large, small = read_both((header + "\n" + "\n".join(rows) + "\n").encode())
    assert large == small


def test_a_large_file_keeps_every_promise():
    rows = [f'T{k:06d},037,"two\nlines, {k % 3}", 1' for k in range(35_000)]
    data = "\ufefftaster,code,comment,texture\r\n".encode() + "\r\n".join(rows).encode()
    assert len(data) > text_table.LARGE
    table = read_table(data, "scores.csv")
    assert table.problems == ()
    assert table.lines[:3].tolist() == [2, 4, 6]
    assert table.columns["code"].texts == ("037",)
    assert table.columns["comment"].texts == tuple(f"two\nlines, {k}" for k in range(3))
    short = read_table(data + b"\r\nT9,1\r\n", "scores.csv")
    assert [problem.line for problem in short.problems] == [70_002]
    assert len(short) == len(table)


@given(grids(CELL), st.sampled_from(",;\t"), st.sampled_from(["\n", "\r\n"]))
def test_what_the_csv_module_writes_is_read_back(rows, separator, end):
    names = [f"c{k}" for k in range(len(rows[0]))]
    file = io.StringIO(newline="")
    writer = csv.writer(file, delimiter=separator, lineterminator=end, quoting=csv.QUOTE_ALL)
    writer.writerows([names, *rows])
    table = read_table(file.getvalue().encode(), "a.csv")
    assert table.problems == ()
    tidy = [
        [TextColumn.of([cell.replace("\r\n", "\n").replace("\r", "\n")]).texts[0] for cell in row]
        for row in rows
    ]
    assert [list(row.values()) for _, row in table.rows()] == [row for row in tidy if any(row)]


@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_a_problem(data):
    table = read_table(data, "a.csv")
    assert table.readable or table.problems
    for problem in table.problems:
        assert problem.found
        assert problem.line is None or problem.line >= 1
    assert all(len(column) == len(table) for column in table.columns.values())


@given(st.lists(st.sampled_from("abc"), max_size=20), st.data())
def test_kept_rows_are_the_rows_that_were_marked(cells, data):
    marks = data.draw(st.lists(st.booleans(), min_size=len(cells), max_size=len(cells)))
    kept = TextColumn.of(cells).keep(np.array(marks, dtype=np.bool_))
    expected = TextColumn.of(cell for cell, mark in zip(cells, marks, strict=True) if mark)
    assert kept.texts == expected.texts
    assert kept.codes.tolist() == expected.codes.tolist()


@given(st.lists(st.lists(st.sampled_from("abc"), max_size=5), max_size=4))
def test_stacked_columns_are_one_column(parts):
    stacked = TextColumn.stack([TextColumn.of(part) for part in parts])
    whole = TextColumn.of(cell for part in parts for cell in part)
    assert stacked.texts == whole.texts
    assert stacked.codes.tolist() == whole.codes.tolist()


def test_very_many_distinct_cells_are_told_apart():
    cells = [f"{number * 7919 % 300_007:x}" for number in range(150_000)]
    data = written([["taster", "code"], *([cell, "1"] for cell in cells)])
    assert len(data) > text_table.LARGE
    table = read_table(data, "a.csv")
    assert table.columns["taster"].texts == tuple(cells)
    assert table.columns["taster"].codes.tolist() == list(range(150_000))


@pytest.mark.bench
def test_half_a_million_rows_are_read_in_about_the_time_that_pandas_needs():
    rows = [f"T{k // 5:06d},variant-{k % 5},{k * 31 % 11}" for k in range(500_000)]
    data = "\n".join(["taster,variant,texture", *rows, ""]).encode()
    ways = {
        "read_table": lambda: read_table(data, "scores.csv"),
        "pandas": lambda: pd.read_csv(io.BytesIO(data), dtype=str, na_filter=False),
    }
    taken = {}
    for name, way in ways.items():
        times = timeit.repeat(way, number=1, repeat=5)
        taken[name] = min(times)
        print(f"{name:<12} {taken[name]:.3f} s")  # noqa: T201
    assert taken["read_table"] < 3 * taken["pandas"]
