"""The tables of a trial as a Data Package: each column with its type, unit, limits and meaning."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from blindspoon.files.text_table import FolderTables, TextTable, write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.words import templates
from blindspoon.writeup.writers import guarded, inline

Record = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class DataColumn:
    """A column as Table Schema (Data Package 2.0) describes it.

    Parameters
    ----------
    name : str
    kind : str
        "string", "number", "integer" or "date".
    meaning : str
        With the unit.
    limits : dict
        Constraints by their names in Table Schema.
    """

    name: str
    kind: str
    meaning: str
    limits: Record = field(default_factory=dict)

    def to_record(self) -> Record:
        """Describe the column for datapackage.json."""
        described: Record = {"name": self.name, "type": self.kind, "description": self.meaning}
        return described | ({"constraints": self.limits} if self.limits else {})


def cup_columns(trial: Trial) -> tuple[DataColumn, ...]:
    """Describe the columns that say which cup is meant, what was in it and what was said.

    In the order in which they stand in a table.
    """
    variants = [variant.name for variant in trial.variants]
    return (
        DataColumn(name="session", kind="string", meaning="Name of the sitting."),
        DataColumn(name="taster", kind="string", meaning="Pseudonym of who tasted."),
        DataColumn(
            name="position",
            kind="integer",
            meaning="Place of the cup in its taster's session, from 1.",
            limits={"minimum": 1},
        ),
        DataColumn(name="code", kind="string", meaning="Blind code of the cup."),
        DataColumn(
            name="variant",
            kind="string",
            meaning=f"What was in the cup; the control is “{trial.control}”.",
            limits={"enum": variants},
        ),
        DataColumn(name="batch", kind="string", meaning="Jar or vessel it came from."),
        *(_score(attribute) for attribute in trial.attributes),
        DataColumn(name="comment", kind="string", meaning="What the taster wrote beside the cup."),
    )


def _score(attribute: Attribute) -> DataColumn:
    scale = attribute.scale
    ends = [
        f"{value:g} is “{word}”"
        for value, word in ((scale.low, attribute.low), (scale.high, attribute.high))
        if word
    ]
    steps = f", in steps of {scale.step:g}" if scale.step else ""
    words = f"; {', '.join(ends)}" if ends else ""
    return DataColumn(
        name=attribute.name,
        kind="number",
        meaning=f"{attribute.label}, in points{steps}{words}. Blank: not scored.",
        limits={"minimum": scale.low, "maximum": scale.high},
    )


MADE = {
    "batch": ("string", "Jar or vessel."),
    "variant": ("string", "Way in which it was made."),
    "acid": ("string", "Which acid was added."),
    "vessel": ("string", "What it was made in."),
    "starter": ("string", "What it was started with."),
    "note": ("string", "Remark of the host."),
    "started": ("date", "Day on which it was made."),
    "finished": ("date", "Day on which it left the place where it fermented."),
    "date": ("date", "Day of the measurement."),
    "ph": ("number", "pH."),
    "temperature_c": ("number", "Temperature in °C."),
    "temperature_f": ("number", "Temperature in °F."),
}
INGREDIENTS = ("produce", "water", "salt", "acid", "sugar")
UNITS = {
    "g": "grams",
    "kg": "kilograms",
    "oz": "ounces",
    "lb": "pounds",
    "ml": "millilitres",
    "l": "litres",
    "qt": "US quarts",
    "cups": "US cups",
    "tbsp": "US tablespoons",
    "tsp": "US teaspoons",
}


def made_column(name: str, *, numeric: bool) -> DataColumn:
    """Describe a column of batches.csv or readings.csv.

    Parameters
    ----------
    name : str
    numeric : bool
        Whether every cell that is not blank is a number; decides where the name is the host's own.

    Examples
    --------
    >>> made_column("salt_oz", numeric=True).meaning, made_column("leaf", numeric=False).kind
    ('Salt in ounces.', 'string')
    """
    if name in MADE:
        kind, meaning = MADE[name]
        return DataColumn(name=name, kind=kind, meaning=meaning)
    ingredient, _, unit = name.rpartition("_")
    if ingredient in INGREDIENTS and unit in UNITS and numeric:
        meaning = f"{ingredient.capitalize()} in {UNITS[unit]}."
        return DataColumn(name=name, kind="number", meaning=meaning)
    kind = "number" if numeric else "string"
    return DataColumn(name=name, kind=kind, meaning="Written down by the host.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Resource:
    """One table of the package.

    Parameters
    ----------
    name : str
        Of the file, without its ending.
    title : str
        What a row is.
    columns : tuple of DataColumn
    rows : sequence of sequence of str
        Cells in the order of the columns.
    key : tuple of str
        Columns that tell the rows apart; may be empty.
    """

    name: str
    title: str
    columns: tuple[DataColumn, ...]
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


def _resource(
    name: str, columns: tuple[DataColumn, ...], rows: Sequence[Sequence[str]]
) -> Resource:
    made = Resource(name=name, title=TITLES[name], columns=columns, rows=rows)
    names = [column.name for column in columns]
    key = tuple(each for each in KEYS.get(name, ()) if each in names)
    places = [names.index(each) for each in key]
    told = {tuple(row[place] for place in places) for row in rows}
    return replace(made, key=key if key and len(told) == len(rows) else ())


def _rows(table: TextTable, columns: Sequence[DataColumn]) -> list[list[str]]:
    """Give the cells, numbers with a decimal point whatever the file had."""
    blank = [""] * len(table)
    cells = {column.name: _cells(table, column, blank) for column in columns}
    return [list(row) for row in zip(*cells.values(), strict=True)]


def _cells(table: TextTable, column: DataColumn, blank: list[str]) -> list[str]:
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


PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
LICENCES = {
    "cc0-1.0": ("CC0-1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "cc-by-4.0": ("CC-BY-4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "cc-by-sa-4.0": ("CC-BY-SA-4.0", "https://creativecommons.org/licenses/by-sa/4.0/"),
    "odbl-1.0": ("ODbL-1.0", "https://opendatacommons.org/licenses/odbl/1-0/"),
    "odc-by-1.0": ("ODC-BY-1.0", "https://opendatacommons.org/licenses/by/1-0/"),
    "pddl-1.0": ("PDDL-1.0", "https://opendatacommons.org/licenses/pddl/1-0/"),
}
"""Open Definition identifiers and addresses of licences that data is often published under."""


def data_package(
    trial: Trial, tables: FolderTables, *, folder: str, software: str
) -> dict[str, bytes]:
    """Make every file of the package.

    Parameters
    ----------
    trial : Trial
    tables : FolderTables
        Tasters under pseudonyms.
    folder : str
        Name of the trial folder; the package's name is made from it.
    software : str
        With its version, for the description.

    Returns
    -------
    dict of str to bytes
        By name in the package's folder: ``datapackage.json``, ``trial.toml``, ``README.md`` and
        the tables. `compare` reads the folder as a trial.

    Notes
    -----
    Data Package 2.0, datapackage.org. There is no date of making in it, so that the same trial
    gives the same bytes.
    """
    resources = tuple(_resources(trial, tables))
    files = {each.path: each.to_csv().encode() for each in resources}
    descriptor = {
        "$schema": PROFILE,
        "name": _slug(folder),
        "title": trial.title,
        "description": _description(trial, software),
        **_licences(trial.licence),
        **({"contributors": [{"title": trial.host}]} if trial.host else {}),
        "keywords": ["blind tasting", *([trial.product] if trial.product else [])],
        "resources": [_with_file(each.to_record(), files[each.path]) for each in resources],
    }
    return {
        "datapackage.json": (json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n").encode(),
        "README.md": _readme(trial, resources).encode(),
        "trial.toml": trial_text(trial).encode(),
        **files,
    }


def _resources(trial: Trial, tables: FolderTables) -> Iterator[Resource]:
    yield cups_resource("scores", trial, tables.scores)
    if tables.servings is not None:
        yield cups_resource("servings", trial, [tables.servings])
    if tables.key is not None:
        yield cups_resource("key", trial, [tables.key])
    for name in ("batches", "readings"):
        table: TextTable | None = getattr(tables, name)
        if table is not None and len(table):
            yield made_resource(name, table)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9._-]+", "-", text.lower()).strip("-._") or "trial"


def _description(trial: Trial, software: str) -> str:
    question = f"{trial.question} " if trial.question else ""
    return (
        f"{question}Scores of a side-by-side tasting, with the plan and the key, so that the "
        f"comparison can be made again. Made with {software}."
    )


def _licences(text: str) -> Record:
    """Describe the licence; one that is not known is named as it is written, if it can be."""
    if text.lower() in LICENCES:
        name, path = LICENCES[text.lower()]
        return {"licenses": [{"name": name, "path": path}]}
    if re.fullmatch(r"[-a-zA-Z0-9._]+", text):
        return {"licenses": [{"name": text}]}
    return {"licenses": [{"path": "README.md", "title": text}]} if text else {}


def _with_file(record: Record, content: bytes) -> Record:
    digest = hashlib.sha256(content).hexdigest()
    return record | {"bytes": len(content), "hash": f"sha256:{digest}"}


def _readme(trial: Trial, resources: Sequence[Resource]) -> str:
    """Write the data dictionary for people."""
    text = templates().get_template("data.md.j2")
    return text.render(trial=trial, resources=resources, inline=inline).rstrip() + "\n"
