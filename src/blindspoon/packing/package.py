"""The tables of a trial, and those of its results, as Data Packages that describe every column."""

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import PurePosixPath

from blindspoon import wording
from blindspoon.batches.log import unit_of
from blindspoon.files.schema import BATCHES, CORRECTIONS, READINGS, FileColumn, as_date, as_number
from blindspoon.files.seal import FILE, Seal
from blindspoon.files.text_table import FolderTables, TextTable, guarded, write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.trial import Trial
from blindspoon.writeup.columns import COUNT, NUMBER, one_of
from blindspoon.writeup.records import FILES, Tables
from blindspoon.writeup.templating import markdown_page, software
from blindspoon.writeup.writers import TEXT, Column, ColumnKind, Record, described


def cup_columns(trial: Trial) -> tuple[Column, ...]:
    """Describe the columns that say which cup is meant, what was in it and what was said."""
    variants, scores = [variant.name for variant in trial.variants], list[Column]()
    for attribute in trial.attributes:
        scale = attribute.scale
        ends = ((scale.low, attribute.low), (scale.high, attribute.high))
        words = ", ".join(f"{value:g} is “{word}”" for value, word in ends if word)
        steps = f", in steps of {scale.step:g}" if scale.step else ""
        meaning = f"{attribute.label}, in points{steps}{words and f'; {words}'}. Blank: not scored."
        points = ColumnKind("number", limits={"minimum": scale.low, "maximum": scale.high})
        scores.append(Column(attribute.name, points, meaning))
    if trial.course and trial.course.accept:
        meaning = f"{wording.would_have(trial.course)} Yes or no; blank: not answered."
        scores.append(Column(trial.course.accept, TEXT, meaning))
    place, held = ColumnKind("integer", limits={"minimum": 1}), one_of(*variants)
    return (
        Column("session", TEXT, "Name of the sitting."),
        Column("taster", TEXT, "Pseudonym of who tasted."),
        Column("set", TEXT, "Number of the taster's set; blank for a cup that is scored."),
        Column("position", place, "Place of the cup in its taster's session, from 1."),
        Column("code", TEXT, "Blind code of the cup."),
        Column("variant", held, f"What was in the cup; the control is “{trial.control}”."),
        Column("batch", TEXT, "Jar or vessel it came from."),
        Column("answer", TEXT, "What was chosen from the set, by code."),
        *scores,
        Column("served", TEXT, "What the set was, where it may be of two kinds."),
        Column("tests", COUNT, "Sets that were answered."),
        Column("right", TEXT, "Whether it was right, yes or no; or how many were."),
        Column("comment", TEXT, "What the taster wrote beside the cup."),
    )


UNITS = {
    "g": "grams", "kg": "kilograms", "oz": "ounces", "lb": "pounds", "ml": "millilitres",
    "l": "litres", "qt": "US quarts", "cups": "US cups", "tbsp": "US tablespoons",
    "tsp": "US teaspoons", "c": "°C", "f": "°F",
}  # fmt: skip


def _made_column(name: str, known: Iterable[FileColumn], *, numeric: bool) -> Column:
    """Describe a column of batches.csv or readings.csv, of which some columns are known.

    `numeric` tells whether every cell that is not blank is a number; it decides where the name is
    the host's own.

    >>> _made_column("salt_oz", BATCHES, numeric=True).meaning
    'Salt that was weighed in. In ounces.'
    >>> _made_column("leaf", BATCHES, numeric=False).kind.type
    'string'
    """
    unit = unit_of(name)
    standard = {column.name: column for column in known}.get(unit.column if unit else name)
    if standard is None:
        return Column(name, NUMBER if numeric else TEXT, "Written down by the host.")
    measured = f" In {UNITS[name.rpartition('_')[2]]}." if unit else ""
    if standard.kind == "date":
        return Column(name, ColumnKind("date"), standard.meaning)
    number = unit or standard.kind == "ph"
    return Column(name, NUMBER if number else TEXT, standard.meaning + measured)


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


Resource = tuple[Record, bytes]
"""A table as the package describes it, and as CSV."""


def _resource(name: str, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> Resource:
    """Describe and write a table; a text that a spreadsheet would take for a formula is guarded."""
    free = [it.kind.type == "string" and "enum" not in it.kind.limits for it in columns]
    cells = (
        [guarded(cell) if text else cell for text, cell in zip(free, row, strict=True)]
        for row in rows
    )
    content = write_csv([[guarded(column.name) for column in columns], *cells]).encode()
    names, record = [it.name for it in columns], table_record(name, TITLES[name], columns, content)
    key = [it for it in KEYS.get(name, ()) if it in names]
    keys = {tuple(row[names.index(it)] for it in key) for row in rows}
    if key and len(keys) == len(rows) and all(map(all, keys)):
        record["schema"]["primaryKey"] = key
    return record, content


def _field(column: Column) -> Record:
    """Describe a column as Table Schema (Data Package 2.0) does, named as it stands in the file."""
    kind, meaning = column.kind, column.meaning
    made: Record = {"name": guarded(column.name), "type": kind.type, "description": meaning}
    if kind.type == "boolean":
        made |= {"trueValues": ["yes"], "falseValues": ["no"]}
    return made | ({"constraints": dict(kind.limits)} if kind.limits else {})


def table_record(name: str, title: str, columns: Iterable[Column], content: bytes) -> Record:
    """Describe a table as a resource of a Data Package."""
    return {
        "name": name,
        "type": "table",
        "title": title,
        "path": f"{name}.csv",
        "scheme": "file",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": [*map(_field, columns)]},
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
    }


def _cups_resource(name: str, trial: Trial, tables: Sequence[TextTable]) -> Resource:
    """Put tables of cups under one another, with the columns that have a meaning.

    A column that one of the tables lacks is blank there; the session, which may be left out where
    there is one, is that of the others. Other columns, which the host may have kept for themselves,
    are not published.
    """
    names = {column for table in tables for column in table.columns}
    columns = tuple(column for column in cup_columns(trial) if column.name in names)
    sessions = (table.cells("session") for table in tables if "session" in table.columns)
    sitting = next((cell for cells in sessions for cell in cells), "")
    rows = (row for table in tables for row in _rows(table, columns, sitting))
    return _resource(name, columns, [*rows])


def _made_resource(name: str, table: TextTable) -> Resource:
    """Take over every column of batches.csv or readings.csv; the rows are the host's log."""
    columns, known = list[Column](), BATCHES if name == "batches" else READINGS
    for own, column in table.columns.items():
        texts = [text for text in column.texts if text]
        read = [as_number(text, decimal_comma=table.decimal_comma) for text in texts]
        columns.append(_made_column(own, known, numeric=bool(texts) and None not in read))
    return _resource(name, columns, _rows(table, columns))


def corrections_resource(trial: Trial, table: TextTable) -> Resource:
    kinds = {column.name: column for column in cup_columns(trial)}
    columns = tuple(
        kinds.get(name, Column(name, TEXT, column.meaning))
        for column in CORRECTIONS
        if (name := column.name) in table.columns
    )
    return _resource("corrections", columns, _rows(table, columns))


def _rows(table: TextTable, columns: Sequence[Column], sitting: str = "") -> list[list[str]]:
    """Give the cells, numbers with a decimal point and days as in 2026-09-05, however written."""
    by_column = []
    for column in columns:
        blank = [sitting if column.name == "session" else ""] * len(table)
        cells = table.cells(column.name) if column.name in table.columns else blank
        scored = column.kind.type in ("number", "integer") or column.name in ("was", "new")
        if table.decimal_comma and scored:
            cells = [cell.replace(",", ".") for cell in cells]
        if column.kind.type == "date":
            cells = [str(as_date(cell) or cell) for cell in cells]
        by_column.append(cells)
    return [list(row) for row in zip(*by_column, strict=True)]


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
    trial: Trial, tables: FolderTables, *, folder: str, seal: Seal | None = None
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
    there = {name: [it for it in of_cups if it is not None] for name, of_cups in cups.items()}
    resources = [_cups_resource(name, trial, of_cups) for name, of_cups in there.items() if of_cups]
    if tables.corrections is not None:
        resources.append(corrections_resource(trial, tables.corrections))
    made = {"batches": tables.batches, "readings": tables.readings}
    resources += [_made_resource(name, table) for name, table in made.items() if table]
    question = f"{trial.question} " if trial.question else ""
    described = package_files(
        "data",
        trial,
        [record for record, _ in resources],
        name=folder,
        description=f"{question}Scores of a side-by-side tasting, with the plan and the key, so "
        "that the comparison can be made again.",
    )
    return {
        **described,
        "trial.toml": trial_text(replace(trial, photos=())).encode(),
        **({FILE: seal.to_toml().encode()} if seal else {}),
        **{record["path"]: content for record, content in resources},
    }


def package_files(
    page: str, trial: Trial, resources: Sequence[Record], *, name: str, description: str
) -> dict[str, bytes]:
    """Describe tables in ``datapackage.json``, and in ``README.md`` for people, from a template."""
    licence = {"path": "README.md", "title": trial.licence} if trial.licence else {}
    if trial.licence.lower() in LICENCES:
        licence = dict(zip(("name", "path"), LICENCES[trial.licence.lower()], strict=True))
    descriptor = {
        "$schema": PROFILE,
        "name": re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-._") or "trial",
        "title": trial.title,
        "description": f"{description} Made with {software()}.",
        **({"licenses": [licence]} if licence else {}),
        **({"contributors": [{"title": trial.host}]} if trial.host else {}),
        "keywords": ["blind tasting", *([trial.product] if trial.product else [])],
        "resources": resources,
    }
    return {
        "datapackage.json": (json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n").encode(),
        "README.md": markdown_page(page, trial=trial, resources=resources).encode(),
    }


# The tables of results --------------------------------------------------------------------------


def results_package(
    trial: Trial, files: Iterable[tuple[str, str]], *, folder: str, tables: Tables = FILES
) -> dict[str, bytes]:
    """Describe the CSV files of tables/ in ``datapackage.json``, for people in ``README.md``."""
    return package_files(
        "results",
        trial,
        [_found(trial, PurePosixPath(path), text.encode(), tables) for path, text in files],
        name=f"{folder}-results",
        description="What was found at a side-by-side tasting, in full.",
    )


def _found(trial: Trial, path: PurePosixPath, content: bytes, tables: Tables) -> Record:
    if path.stem != "scores":
        title, columns = tables[path.stem]
        return table_record(path.stem, title, described(columns), content)
    known = {column.name: column for column in cup_columns(trial)}
    scored = (attribute.name for attribute in trial.attributes)
    cups = [known[name] for name in ("session", "taster", "variant", "batch", "position", *scored)]
    remark = replace(known["comment"], name="remark")
    return table_record(path.stem, "What was compared, a row a cup", [*cups, remark], content)
