"""Tables of text -> tables to be published: known columns, in one order, in one format."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from blindspoon.delimited import write_csv
from blindspoon.package.columns import Column, Record, cup_columns, made_column
from blindspoon.report.tables import guarded
from blindspoon.tables import TextTable
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Resource:
    """One table of the package.

    Parameters
    ----------
    name : str
        Of the file, without its ending.
    title : str
        What a row is.
    columns : tuple of Column
    rows : sequence of sequence of str
        Cells in the order of the columns.
    key : tuple of str
        Columns that tell the rows apart; may be empty.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[str]]
    key: tuple[str, ...] = ()

    @property
    def path(self) -> str:
        """Name of the file."""
        return f"{self.name}.csv"

    def to_csv(self) -> str:
        """Write the table; a text that a spreadsheet would take for a formula is guarded."""
        free = [
            place
            for place, column in enumerate(self.columns)
            if column.kind == "string" and "enum" not in column.limits
        ]
        rows = [list(row) for row in self.rows]
        for row in rows:
            for place in free:
                row[place] = guarded(row[place])
        return write_csv([[column.name for column in self.columns], *rows])

    def to_record(self) -> Record:
        """Describe the table for datapackage.json; the file's size and hash are added there."""
        schema: Record = {"fields": [column.to_record() for column in self.columns]}
        if self.key:
            schema["primaryKey"] = list(self.key)
        return {
            "name": self.name,
            "type": "table",
            "title": self.title,
            "path": self.path,
            "scheme": "file",
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "schema": schema,
        }


TITLES = {
    "scores": "What the tasters said, a row a cup",
    "servings": "Who got which cup when, a row a cup",
    "key": "What was in each cup",
    "batches": "What was made, a row a jar",
    "readings": "What was measured of a jar, a row a measurement",
}
KEYS = {
    "servings": ("session", "taster", "code"),
    "scores": ("session", "taster", "code"),
    "batches": ("batch",),
}


def cups_resource(name: str, trial: Trial, tables: Sequence[TextTable]) -> Resource:
    """Put tables of cups under one another, with the columns that have a meaning.

    Parameters
    ----------
    name : {"scores", "servings", "key"}
    trial : Trial
    tables : sequence of TextTable
        At least one; a column that one of them lacks is blank there. Other columns, which the
        host may have kept for themselves, are not published.
    """
    found = {column for table in tables for column in table.columns}
    columns = tuple(column for column in cup_columns(trial) if column.name in found)
    rows = [row for table in tables for row in _rows(table, columns)]
    return _resource(name, columns, rows)


def made_resource(name: str, table: TextTable) -> Resource:
    """Take over every column of batches.csv or readings.csv; the rows are the host's log."""
    columns = tuple(made_column(each, numeric=_numeric(table, each)) for each in table.columns)
    return _resource(name, columns, list(_rows(table, columns)))


def _resource(name: str, columns: tuple[Column, ...], rows: Sequence[Sequence[str]]) -> Resource:
    made = Resource(name=name, title=TITLES[name], columns=columns, rows=rows)
    names = [column.name for column in columns]
    key = tuple(each for each in KEYS.get(name, ()) if each in names)
    places = [names.index(each) for each in key]
    told = {tuple(row[place] for place in places) for row in rows}
    return replace(made, key=key if key and len(told) == len(rows) else ())


def _rows(table: TextTable, columns: Sequence[Column]) -> list[list[str]]:
    """Give the cells, numbers with a decimal point whatever the file had."""
    blank = [""] * len(table)
    cells = {column.name: _cells(table, column, blank) for column in columns}
    return [list(row) for row in zip(*cells.values(), strict=True)]


def _cells(table: TextTable, column: Column, blank: list[str]) -> list[str]:
    if column.name not in table.columns:
        return blank
    cells = table.cells(column.name)
    if table.decimal_comma and column.kind in ("number", "integer"):
        return [cell.replace(",", ".") for cell in cells]
    return cells


def _numeric(table: TextTable, name: str) -> bool:
    texts = [text for text in table.columns[name].texts if text]
    return bool(texts) and all(_is_number(text, table) for text in texts)


def _is_number(text: str, table: TextTable) -> bool:
    try:
        float(text.replace(",", ".") if table.decimal_comma else text)
    except ValueError:
        return False
    return not text.strip("+-").lower().startswith(("n", "i"))
