"""A column, and what a table of columns becomes: CSV, JSON, cells for people, 80 columns.

CSV is UTF-8 with commas and line feeds. Its numbers have nine significant digits, on which
machines agree, and a text that a spreadsheet would take for a formula stands behind an apostrophe.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from operator import attrgetter
from typing import Any, Literal, NamedTuple

from blindspoon import wording
from blindspoon.files.text_table import guarded, write_csv
from blindspoon.stats.results import Interval, NoResult

Cell = str | float | int | bool | None
Record = dict[str, Any]
Row = tuple[str, ...]
DASH = "\N{EN DASH}"
WIDTH = 80


class ColumnKind(NamedTuple):
    """What the cells of a column are: type and limits as in Table Schema, and their unit.

    `write` makes a text for people of a value and the attribute that it is about. A `pair` is an
    interval: two columns in CSV. An "array" is a list in JSON, of rows where it has inner columns.
    """

    type: Literal["string", "number", "integer", "boolean", "date", "any", "array"]
    unit: str = ""
    limits: Mapping[str, Any] = {}
    write: Callable[[Any, Any], str] = lambda value, _: str(value)
    pair: bool = False


TEXT = ColumnKind("string")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, declared once for scripts and for people.

    ``Column("se", POINTS, "standard error of the difference", "SE")``: its name in CSV and JSON,
    which is that of the field of a row; the kind of its values; what it means, for the reference
    and for those who open the published file; and what people read over it, where they do. Several
    of a kind that only scripts read are `named` in one call. Where that is not all:

    - `of`: the field of a row that it shows, where that has another name, or what gives its value
    - `inner`: the columns of a value that has several: a dictionary in JSON, prefixed names in CSV
    - `missing`: says of a row why its value is None, for JSON
    - `optional`: whether JSON leaves it out where it is None
    - `json_only`: whether CSV leaves it out
    """

    name: str
    kind: ColumnKind = TEXT
    meaning: str = ""
    head: str = ""
    _: KW_ONLY
    of: str | Callable[[Any], Any] = ""
    inner: tuple[Column, ...] = ()
    missing: Callable[[Any], str] | None = None
    optional: bool = False
    json_only: bool = False

    def value(self, row: object) -> Any:  # noqa: ANN401 - as many kinds as there are fields
        return self.of(row) if callable(self.of) else attrgetter(self.of or self.name)(row)

    @property
    def parts(self) -> tuple[Column, ...]:
        """The inner columns of one value; rows within a row are for JSON alone."""
        return () if self.kind.type == "array" else self.inner

    @property
    def said(self) -> str:
        """Its meaning with the unit and the words that it may be."""
        unit, words = self.kind.unit, ", ".join(self.kind.limits.get("enum", ()))
        return f"{self.meaning}{unit and f' ({unit})'}{words and f'; one of {words}'}"


@dataclass(frozen=True, slots=True)
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
    behind: tuple[str, ...] = ()
    stacked: bool = False
    quiet: str = ""


def named(kind: ColumnKind, **meanings: str) -> tuple[Column, ...]:
    """Make columns of a kind that have the names of their fields."""
    return tuple(Column(name, kind, meaning) for name, meaning in meanings.items())


# For people -------------------------------------------------------------------------------------


def grid(
    name: str,
    caption: str,
    head: str,
    columns: Iterable[str],
    rows: Iterable[tuple[str, Iterable[str]]],
    notes: Iterable[str] = (),
    behind: tuple[str, ...] = (),
    *,
    stacked: bool = False,
) -> Table:
    """Make a table of texts; an empty cell is shown as a dash, so that it is seen to be empty."""
    texts = tuple((label, tuple(cell or DASH for cell in cells)) for label, cells in rows)
    return Table(name, caption, head, tuple(columns), texts, tuple(notes), behind, stacked)


def heads(columns: Iterable[Column]) -> Row:
    return tuple(column.head for column, _ in _headed(columns, None))


def cells(columns: Iterable[Column], row: object, about: object = None, blank: str = DASH) -> Row:
    """Write one row for people; a `NoResult` has none of the fields.

    The scale of the attribute that it is about says how many digits are worth printing.
    """
    return tuple(
        blank if value is None else column.kind.write(value, about)
        for column, value in _headed(columns, row)
    )


def _headed(columns: Iterable[Column], row: object) -> Iterator[tuple[Column, Any]]:
    """Find the columns that people read, each with its value."""
    for column in columns:
        value = _of(column, row)
        if column.parts:
            yield from _headed(column.parts, value)
        elif column.head:
            yield column, value


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
    texts = ((label, cells(columns, row, about)) for label, row, about in rows)
    return grid(name, caption, head, heads(columns), texts, notes, behind)


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
        name, value = column.name, column.value(row)
        if isinstance(value, NoResult):
            made |= {name: None, f"{name}_reason": value.reason}
        elif value is None and column.missing:
            made |= {name: None, f"{name}_reason": column.missing(row)}
        elif value is not None or not column.optional:
            made[name] = _inner(column, value)
    return made


def _inner(column: Column, value: Any) -> Any:  # noqa: ANN401 - as many kinds as there are fields
    """Write a value for JSON; of rows one without a result is its reason alone."""
    if column.parts or not column.inner:
        return record(column.parts, value) if column.parts else plain(value)
    return [
        {"reason": row.reason} if isinstance(row, NoResult) else record(column.inner, row)
        for row in value
    ]


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


def to_csv(columns: Iterable[Column], rows: Iterable[Iterable[Cell]]) -> str:
    r"""Write rows of cells as CSV; missing numbers are empty.

    >>> to_csv([Column("taster"), Column("texture")], [["T01", 7.0], ["@home", None]])
    "taster,texture\nT01,7\n'@home,\n"
    """
    return write_csv([csv_names(columns), *([csv_cell(cell) for cell in row] for row in rows)])


def csv_table(columns: Sequence[Column], rows: Iterable[object]) -> str:
    return to_csv(columns, (csv_values(columns, row) for row in rows))


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
        case str():
            return guarded(plain(cell))


def described(
    columns: Iterable[Column], before: str = "", about: str = "", *, of_json: bool = False
) -> Iterator[Column]:
    """Describe the columns of a CSV table, or those `of_json` where that is laid out like one.

    The meaning has the unit then, and stands alone.

    >>> interval = ColumnKind("number", "points", pair=True)
    >>> mixed = Column("mixed", meaning="mixed model", inner=named(interval, interval="at 95 %"))
    >>> for column in described([mixed]): column.name, column.meaning
    ('mixed_interval_low', 'Mixed model: at 95 % (points). Its low end.')
    ('mixed_interval_high', 'Mixed model: at 95 % (points). Its high end.')
    """
    for column in (it for it in columns if of_json or not it.json_only):
        name, said = f"{before}{column.name}", ": ".join(filter(None, (about, column.said)))
        if column.parts:
            yield from described(column.parts, f"{name}_", said, of_json=of_json)
        else:
            kind, meaning = column.kind._replace(pair=False), wording.sentence(said)
            if column.kind.pair:
                yield Column(f"{name}_low", kind, f"{meaning} Its low end.")
                yield Column(f"{name}_high", kind, f"{meaning} Its high end.")
            else:
                yield Column(name, kind, meaning)


def csv_names(columns: Iterable[Column]) -> list[str]:
    return [column.name for column in described(columns)]


def csv_values(columns: Iterable[Column], row: object) -> Iterator[Cell]:
    """Write one row for a CSV table, a value a name of `csv_names`; all None of a `NoResult`."""
    for column in (it for it in columns if not it.json_only):
        value = _of(column, row)
        if column.parts:
            yield from csv_values(column.parts, value)
        elif column.kind.pair:
            yield from (None, None) if value is None else plain(value)
        else:
            yield value


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
