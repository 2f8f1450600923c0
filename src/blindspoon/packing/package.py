"""The tables of a trial as a Data Package: each column with its type, unit, limits and meaning."""

import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, NamedTuple

from blindspoon.batches.read import unit_of
from blindspoon.files.schema import BATCHES, CORRECTIONS, READINGS, FileColumn, as_date, as_number
from blindspoon.files.seal import FILE, Seal
from blindspoon.files.text_table import FolderTables, TextTable, guarded, write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.trial import Trial
from blindspoon.writeup.words import templates
from blindspoon.writeup.writers import inline

Record = dict[str, Any]


class DataColumn(NamedTuple):
    """A column as Table Schema (Data Package 2.0) describes it: its meaning with the unit."""

    name: str
    kind: Literal["string", "number", "integer", "date"]
    meaning: str
    limits: Mapping[str, Any] = {}
    """Constraints by their names in Table Schema."""

    def to_record(self) -> Record:
        """Describe the column for datapackage.json."""
        named = guarded(self.name)  # as it stands in the file
        described: Record = {"name": named, "type": self.kind, "description": self.meaning}
        return described | ({"constraints": dict(self.limits)} if self.limits else {})


def cup_columns(trial: Trial) -> tuple[DataColumn, ...]:
    """Describe the columns that say which cup is meant, what was in it and what was said."""
    variants, scores = [variant.name for variant in trial.variants], list[DataColumn]()
    for attribute in trial.attributes:
        scale = attribute.scale
        ends = ((scale.low, attribute.low), (scale.high, attribute.high))
        words = ", ".join(f"{value:g} is “{word}”" for value, word in ends if word)
        steps = f", in steps of {scale.step:g}" if scale.step else ""
        told = f"{attribute.label}, in points{steps}{words and f'; {words}'}. Blank: not scored."
        limits = {"minimum": scale.low, "maximum": scale.high}
        scores.append(DataColumn(attribute.name, "number", told, limits))
    place = "Place of the cup in its taster's session, from 1."
    held = f"What was in the cup; the control is “{trial.control}”."
    return (
        DataColumn("session", "string", "Name of the sitting."),
        DataColumn("taster", "string", "Pseudonym of who tasted."),
        DataColumn("set", "string", "Number of the taster's set; blank for a cup that is scored."),
        DataColumn("position", "integer", place, {"minimum": 1}),
        DataColumn("code", "string", "Blind code of the cup."),
        DataColumn("variant", "string", held, {"enum": variants}),
        DataColumn("batch", "string", "Jar or vessel it came from."),
        DataColumn("answer", "string", "What was chosen from the set, by code."),
        *scores,
        DataColumn("served", "string", "What the set was, where it may be of two kinds."),
        DataColumn("tests", "integer", "Sets that were answered.", {"minimum": 0}),
        DataColumn("right", "string", "Whether it was right, yes or no; or how many were."),
        DataColumn("comment", "string", "What the taster wrote beside the cup."),
    )


UNITS = {
    "g": "grams", "kg": "kilograms", "oz": "ounces", "lb": "pounds", "ml": "millilitres",
    "l": "litres", "qt": "US quarts", "cups": "US cups", "tbsp": "US tablespoons",
    "tsp": "US teaspoons", "c": "°C", "f": "°F",
}  # fmt: skip


def made_column(name: str, known: Iterable[FileColumn], *, numeric: bool) -> DataColumn:
    """Describe a column of batches.csv or readings.csv, of which some columns are known.

    `numeric` tells whether every cell that is not blank is a number; it decides where the name is
    the host's own.

    >>> made_column("salt_oz", BATCHES, numeric=True).meaning
    'Salt that was weighed in. In ounces.'
    >>> made_column("leaf", BATCHES, numeric=False).kind
    'string'
    """
    unit = unit_of(name)
    standard = {column.name: column for column in known}.get(unit.column if unit else name)
    if standard is None:
        return DataColumn(name, "number" if numeric else "string", "Written down by the host.")
    measured = f" In {UNITS[name.rpartition('_')[2]]}." if unit else ""
    if standard.kind == "date":
        return DataColumn(name, "date", standard.meaning)
    number = unit or standard.kind == "ph"
    return DataColumn(name, "number" if number else "string", standard.meaning + measured)


TITLES = {
    "scores": "What the tasters said, a row a cup",
    "choices": "What the tasters chose, a row a set",
    "servings": "Who got which cup when, a row a cup",
    "key": "What was in each cup",
    "batches": "What was made, a row a jar",
    "corrections": "What was corrected after the blind was lifted, a row a score",
    "readings": "What was measured of a jar, a row a measurement",
}
KEYS = {
    "servings": ("session", "taster", "code"),
    "key": ("session", "taster", "code"),
    "scores": ("session", "taster", "code"),
    "choices": ("session", "taster", "set"),
    "batches": ("batch",),
}


class Resource(NamedTuple):
    """One table of the package, its cells in the order of the columns."""

    name: str
    columns: tuple[DataColumn, ...]
    rows: Sequence[Sequence[str]]

    @property
    def path(self) -> str:
        """Name of the file."""
        return f"{self.name}.csv"

    @property
    def title(self) -> str:
        return TITLES[self.name]

    def to_csv(self) -> bytes:
        """Write the table; a text that a spreadsheet would take for a formula is guarded."""
        free = [column.kind == "string" and "enum" not in column.limits for column in self.columns]
        rows = (
            [guarded(cell) if text else cell for text, cell in zip(free, row, strict=True)]
            for row in self.rows
        )
        return write_csv([[guarded(column.name) for column in self.columns], *rows]).encode()

    def to_record(self, content: bytes) -> Record:
        """Describe the table and the file that holds it for datapackage.json."""
        schema: Record = {"fields": [column.to_record() for column in self.columns]}
        names = [column.name for column in self.columns]
        key = [name for name in KEYS.get(self.name, ()) if name in names]
        told = {tuple(row[names.index(name)] for name in key) for row in self.rows}
        unlike = key and len(told) == len(self.rows) and all(map(all, told))
        return {
            "name": self.name,
            "type": "table",
            "title": self.title,
            "path": self.path,
            "scheme": "file",
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "schema": schema | ({"primaryKey": key} if unlike else {}),
            "bytes": len(content),
            "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        }


def cups_resource(name: str, trial: Trial, tables: Sequence[TextTable]) -> Resource:
    """Put tables of cups under one another, with the columns that have a meaning.

    A column that one of the tables lacks is blank there; the session, which may be left out where
    there is one, is that of the others. Other columns, which the host may have kept for themselves,
    are not published.
    """
    found = {column for table in tables for column in table.columns}
    columns = tuple(column for column in cup_columns(trial) if column.name in found)
    told = (table.cells("session") for table in tables if "session" in table.columns)
    sitting = next((cell for cells in told for cell in cells), "")
    rows = (row for table in tables for row in _rows(table, columns, sitting))
    return Resource(name, columns, [*rows])


def made_resource(name: str, table: TextTable) -> Resource:
    """Take over every column of batches.csv or readings.csv; the rows are the host's log."""
    columns, known = list[DataColumn](), BATCHES if name == "batches" else READINGS
    for own, column in table.columns.items():
        texts = [text for text in column.texts if text]
        read = [as_number(text, decimal_comma=table.decimal_comma) for text in texts]
        columns.append(made_column(own, known, numeric=bool(texts) and None not in read))
    return Resource(name, tuple(columns), _rows(table, columns))


def corrections_resource(trial: Trial, table: TextTable) -> Resource:
    """Take the declared columns of corrections.csv."""
    kinds = {column.name: column for column in cup_columns(trial)}
    columns = tuple(
        kinds.get(name, DataColumn(name, "string", column.meaning))
        for column in CORRECTIONS
        if (name := column.name) in table.columns
    )
    return Resource("corrections", columns, _rows(table, columns))


def _rows(table: TextTable, columns: Sequence[DataColumn], sitting: str = "") -> list[list[str]]:
    """Give the cells, numbers with a decimal point and days as in 2026-09-05, however written."""
    told = []
    for column in columns:
        blank = [sitting if column.name == "session" else ""] * len(table)
        cells = table.cells(column.name) if column.name in table.columns else blank
        scored = column.kind in ("number", "integer") or column.name in ("was", "new")
        if table.decimal_comma and scored:
            cells = [cell.replace(",", ".") for cell in cells]
        if column.kind == "date":
            cells = [str(as_date(cell) or cell) for cell in cells]
        told.append(cells)
    return [list(row) for row in zip(*told, strict=True)]


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
    trial: Trial, tables: FolderTables, *, folder: str, software: str, seal: Seal | None = None
) -> dict[str, bytes]:
    """Make every file of the package: ``datapackage.json``, ``README.md``, and a trial's own.

    Tasters stand under pseudonyms in `tables`, and the `seal` is of these, so that `compare` reads
    the package as a trial and says of it what it said of the first. Data Package 2.0,
    datapackage.org, without a date of making, so that the same trial gives the same bytes.
    """
    cups = {
        "scores": tables.scores,
        "choices": tables.choices,
        "servings": [tables.servings],
        "key": [tables.key],
    }
    found = {name: [table for table in own if table is not None] for name, own in cups.items()}
    resources = [cups_resource(name, trial, own) for name, own in found.items() if own]
    if tables.corrections is not None:
        resources.append(corrections_resource(trial, tables.corrections))
    made = {"batches": tables.batches, "readings": tables.readings}
    resources += [made_resource(name, table) for name, table in made.items() if table]
    files = {resource.path: resource.to_csv() for resource in resources}
    question = f"{trial.question} " if trial.question else ""
    licence = {"path": "README.md", "title": trial.licence} if trial.licence else {}
    if trial.licence.lower() in LICENCES:
        name, path = LICENCES[trial.licence.lower()]
        licence = {"name": name, "path": path}
    elif re.fullmatch(r"[-a-zA-Z0-9._]+", trial.licence):
        licence = {"name": trial.licence}
    descriptor = {
        "$schema": PROFILE,
        "name": re.sub(r"[^a-z0-9._-]+", "-", folder.lower()).strip("-._") or "trial",
        "title": trial.title,
        "description": f"{question}Scores of a side-by-side tasting, with the plan and the key, so "
        f"that the comparison can be made again. Made with {software}.",
        **({"licenses": [licence]} if licence else {}),
        **({"contributors": [{"title": trial.host}]} if trial.host else {}),
        "keywords": ["blind tasting", *([trial.product] if trial.product else [])],
        "resources": [resource.to_record(files[resource.path]) for resource in resources],
    }
    dictionary = templates().get_template("data.md.j2")
    readme = dictionary.render(trial=trial, resources=resources, inline=inline).rstrip() + "\n"
    return {
        "datapackage.json": (json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n").encode(),
        "README.md": readme.encode(),
        "trial.toml": trial_text(replace(trial, photos=())).encode(),
        **({FILE: seal.to_toml().encode()} if seal else {}),
        **files,
    }
