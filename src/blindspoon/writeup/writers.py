"""A column, and what a table of columns becomes: CSV, JSON, cells for people, 80 columns.

CSV is UTF-8 with commas and line feeds. Its numbers have nine significant digits, on which
machines agree, and a text that a spreadsheet would take for a formula stands behind an apostrophe.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import KW_ONLY, dataclass, field
from operator import attrgetter
from typing import Any, Literal

from blindspoon import wording
from blindspoon.files.text_table import guarded, write_csv
from blindspoon.stats.results import Interval, NoResult

Cell = str | float | int | bool | tuple[str, ...] | None
Record = dict[str, Any]
Row = tuple[str, ...]
DASH = "\N{EN DASH}"
WIDTH = 80


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, for scripts and for people.

    - `name`: its name in CSV and JSON, and the field of a row that it shows
    - `head`: what people read over it; a column without one is for scripts only
    - `write`: makes a text for people of a value and the attribute that it is about
    - `of`: takes the value out of a row, where it is not the field of that name
    - `inner`: the columns of a value that has several: a dictionary in JSON, prefixed names in CSV
    - `missing`: says of a row why its value is None, for JSON
    - `pair`: whether the value is an interval: two columns in CSV
    - `late`: whether it stands after the others in CSV
    - `optional`: whether JSON leaves it out where it is None
    - `only`: the one form for scripts that it stands in, where it is not in both
    """

    name: str
    head: str = ""
    write: Callable[[Any, Any], str] = field(default=lambda value, _: str(value))
    _: KW_ONLY
    of: Callable[[Any], Any] | None = None
    inner: tuple[Column, ...] = ()
    missing: Callable[[Any], str] | None = None
    pair: bool = False
    late: bool = False
    optional: bool = False
    only: Literal["", "csv", "json"] = ""

    def value(self, row: object) -> Any:  # noqa: ANN401 - as many kinds as there are fields
        return (self.of or attrgetter(self.name))(row)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of finished strings; `name` is its id on the page.

    `head` says what its rows are, `columns` are the names of those after the first. A row has its
    name and its cells, a dash where there is no number. Notes are sentences below, such as the
    reason for a dash. Cells that are words are `stacked` on a phone, numbers scroll; a `quiet` cell
    says nothing new and is left out then. `behind` are the names of the charts that draw it.
    """

    name: str
    caption: str
    head: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    notes: tuple[str, ...] = ()
    stacked: bool = False
    quiet: str = ""
    behind: tuple[str, ...] = ()


def named(names: str) -> tuple[Column, ...]:
    """Make columns that have the names of their fields; an interval is two in CSV.

    >>> [*csv_names(named("slope interval"))]
    ['slope', 'interval_low', 'interval_high']
    """
    return tuple(Column(name, pair=name == "interval") for name in names.split())


# For people -------------------------------------------------------------------------------------


def blank_as_dash(cells: Iterable[str]) -> Row:
    """Show an empty cell as a dash, so that it is seen to be empty."""
    return tuple(cell or DASH for cell in cells)


def heads(columns: Iterable[Column]) -> Row:
    return tuple(
        head
        for column in columns
        for head in (heads(column.inner) if column.inner else [column.head])
        if head
    )


def cells(columns: Iterable[Column], row: object, about: object = None, blank: str = DASH) -> Row:
    """Write one row for people; a `NoResult` has none of the fields.

    The scale of the attribute that it is about says how many digits are worth printing.
    """
    found = [(column, _of(column, row)) for column in columns]
    return tuple(
        text
        for column, value in found
        for text in (
            cells(column.inner, value, about, blank)
            if column.inner
            else [blank if value is None else column.write(value, about)] * bool(column.head)
        )
    )


def table_of(
    name: str,
    caption: str,
    head: str,
    columns: Sequence[Column],
    rows: Iterable[tuple[str, object, object]],
    notes: Iterable[str] = (),
    behind: tuple[str, ...] = (),
) -> Table:
    """Make a table of columns; a row is its name, what has the values, and what these are about."""
    return Table(
        name=name,
        caption=caption,
        head=head,
        columns=heads(columns),
        rows=tuple((label, cells(columns, row, about)) for label, row, about in rows),
        notes=tuple(notes),
        behind=behind,
    )


def _of(column: Column, row: object) -> Any:  # noqa: ANN401 - as many kinds as there are fields
    """Take a value; None where there is none, whatever the reason."""
    value = None if row is None or isinstance(row, NoResult) else column.value(row)
    return None if isinstance(value, NoResult) else value


# JSON -------------------------------------------------------------------------------------------


def record(columns: Iterable[Column], row: object) -> Record:
    """Write one row as a dictionary for JSON.

    A value that does not exist is None, and the reason stands beside it under the name with
    ``_reason``.

    >>> columns = [Column("low"), Column("width", of=lambda row: NoResult("Not measured."))]
    >>> record(columns, Interval(1.5, 2.0))
    {'low': 1.5, 'width': None, 'width_reason': 'Not measured.'}
    """
    made: Record = {}
    for column in columns:
        if column.only == "csv":
            continue
        name, value = column.name, column.value(row)
        if isinstance(value, NoResult):
            made |= {name: None, f"{name}_reason": value.reason}
        elif value is None and column.missing:
            made |= {name: None, f"{name}_reason": column.missing(row)}
        elif value is not None or not column.optional:
            made[name] = record(column.inner, value) if column.inner else plain(value)
    return made


def plain(value: Any) -> Any:  # noqa: ANN401 - as many kinds as there are fields
    """Give a value as JSON has it: an interval as a list, a text with spaces that are no other."""
    match value:
        case Interval():
            return [value.low, value.high]
        case tuple():
            return [*map(plain, value)]
        case str():
            return value.replace(wording.NO_BREAK, " ")
        case _:
            return value


# CSV --------------------------------------------------------------------------------------------


def to_csv(columns: Sequence[str], rows: Iterable[Iterable[Cell]]) -> str:
    r"""Write rows as CSV; missing numbers are empty.

    >>> to_csv(["taster", "texture"], [["T01", 7.0], ["@home", None]])
    "taster,texture\nT01,7\n'@home,\n"
    """
    return write_csv([columns, *([csv_cell(cell) for cell in row] for row in rows)])


def csv_table(columns: Sequence[Column], rows: Iterable[object]) -> str:
    return to_csv([*csv_names(columns)], (csv_values(columns, row) for row in rows))


def csv_cell(cell: Cell) -> str:
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case int():
            return str(cell)
        case float():
            return f"{cell:.9g}" if math.isfinite(cell) else ""
        case tuple():
            return guarded(", ".join(cell))
        case str():
            return guarded(plain(cell))


def csv_names(columns: Iterable[Column], before: str = "", but: str = "json") -> Iterator[str]:
    """Name the columns of a CSV table; of JSON's fields laid out like one, `but` those of CSV."""
    for column in _in_csv(columns, but):
        name = f"{before}{column.name}"
        if column.inner:
            yield from csv_names(column.inner, f"{name}_", but)
        else:
            yield from (f"{name}_low", f"{name}_high") if column.pair else (name,)


def csv_values(columns: Iterable[Column], row: object) -> Iterator[Cell]:
    """Write one row for a CSV table, a value a name of `csv_names`; all None of a `NoResult`."""
    for column in _in_csv(columns):
        value = _of(column, row)
        if column.inner:
            yield from csv_values(column.inner, value)
        elif column.pair:
            yield from (None, None) if value is None else plain(value)
        else:
            yield value


def _in_csv(columns: Iterable[Column], but: str = "json") -> list[Column]:
    return sorted((c for c in columns if c.only != but), key=lambda column: column.late)


# 80 columns -------------------------------------------------------------------------------------


def filled(text: str, *, indent: str = "", further: str | None = None) -> str:
    """Break a text into lines of 80 columns, the further ones indented by `further`."""
    below = indent if further is None else further
    return textwrap.fill(
        text, WIDTH, initial_indent=indent, subsequent_indent=below, break_on_hyphens=False
    )


def aligned(
    rows: Sequence[Row], *, indent: str = "  ", least: int = 8, ragged: bool = True
) -> Iterator[str]:
    """Align rows in 80 columns: names to the left, numbers to the right; the heads first.

    A name without numbers may fill its line. It keeps at least so many columns; beyond, one that
    would push a line over the width is cut with an ellipsis. A `ragged` last column holds words,
    which are not aligned.

    >>> for line in aligned([("", "p", "verdict"), ("Oak leaf", "0.031", "crisper")]): line
    '                p  verdict'
    '  Oak leaf  0.031  crisper'
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    numbers = widths[1:-1] if ragged else widths[1:]
    spare = WIDTH - len(indent) - 2 * (len(widths) - 1) - sum(widths[1:])
    first = max(min(widths[0], spare), least)
    for name, *texts in rows:
        room = first if any(texts[: len(numbers)]) or not name else WIDTH - len(indent)
        cut = name if len(name) <= room else f"{name[: room - 1]}…"
        right = [text.rjust(width) for text, width in zip(texts, numbers, strict=False)]
        words = texts[len(numbers) :]
        yield indent + "  ".join([cut.ljust(first), *right, *words]).rstrip()


def on_a_terminal(blocks: Iterable[str]) -> str:
    """Put blocks of lines under one another, with spaces that a terminal breaks as it likes."""
    return "\n\n".join(filter(None, blocks)).replace(wording.NO_BREAK, " ")
