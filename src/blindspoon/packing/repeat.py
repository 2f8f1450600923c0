"""What lets others do it again: the tables as a Data Package, and the files of a repeat."""

import hashlib
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.differences import JAR_G, Recipe, recipes
from blindspoon.batches.log import unit_of
from blindspoon.batches.summary import Made
from blindspoon.files.schema import BATCHES, CORRECTIONS, READINGS, FileColumn, as_date, as_number
from blindspoon.files.seal import FILE, Seal
from blindspoon.files.text_table import FolderTables, TextTable, guarded, write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.scores.score_table import ScoreTable
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import ServingPlan, request_for
from blindspoon.sheets.pouring import trays_of
from blindspoon.sheets.printing import print_sheets
from blindspoon.trial import Session, Trial, default_tasters
from blindspoon.wording import capital
from blindspoon.writeup.batches_section import recipe_table
from blindspoon.writeup.limits import cautions
from blindspoon.writeup.methods import software
from blindspoon.writeup.words import html_page, markdown_page
from blindspoon.writeup.writers import DataColumn, Table, blank_as_dash

Record = dict[str, Any]


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
    if trial.course and trial.course.accept:
        told = f"{wording.would_have(trial.course)} Yes or no; blank: not answered."
        scores.append(DataColumn(trial.course.accept, "string", told))
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


def _made_column(name: str, known: Iterable[FileColumn], *, numeric: bool) -> DataColumn:
    """Describe a column of batches.csv or readings.csv, of which some columns are known.

    `numeric` tells whether every cell that is not blank is a number; it decides where the name is
    the host's own.

    >>> _made_column("salt_oz", BATCHES, numeric=True).meaning
    'Salt that was weighed in. In ounces.'
    >>> _made_column("leaf", BATCHES, numeric=False).kind
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
        names = [column.name for column in self.columns]
        key = [name for name in KEYS.get(self.name, ()) if name in names]
        told = {tuple(row[names.index(name)] for name in key) for row in self.rows}
        unlike = key and len(told) == len(self.rows) and all(map(all, told))
        described = table_record(self.path, self.title, self.columns, content)
        return described | ({"schema": described["schema"] | {"primaryKey": key}} if unlike else {})


def table_record(path: str, title: str, columns: Iterable[DataColumn], content: bytes) -> Record:
    """Describe a table as a resource of a Data Package."""
    return {
        "name": path.removesuffix(".csv"),
        "type": "table",
        "title": title,
        "path": path,
        "scheme": "file",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": [column.to_record() for column in columns]},
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
    }


def _cups_resource(name: str, trial: Trial, tables: Sequence[TextTable]) -> Resource:
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


def _made_resource(name: str, table: TextTable) -> Resource:
    """Take over every column of batches.csv or readings.csv; the rows are the host's log."""
    columns, known = list[DataColumn](), BATCHES if name == "batches" else READINGS
    for own, column in table.columns.items():
        texts = [text for text in column.texts if text]
        read = [as_number(text, decimal_comma=table.decimal_comma) for text in texts]
        columns.append(_made_column(own, known, numeric=bool(texts) and None not in read))
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
    resources = [_cups_resource(name, trial, own) for name, own in found.items() if own]
    if tables.corrections is not None:
        resources.append(corrections_resource(trial, tables.corrections))
    made = {"batches": tables.batches, "readings": tables.readings}
    resources += [_made_resource(name, table) for name, table in made.items() if table]
    files = {resource.path: resource.to_csv() for resource in resources}
    question = f"{trial.question} " if trial.question else ""
    described = package_files(
        "data",
        trial,
        [resource.to_record(files[resource.path]) for resource in resources],
        name=folder,
        description=f"{question}Scores of a side-by-side tasting, with the plan and the key, so "
        f"that the comparison can be made again. Made with {software}.",
    )
    return {
        **described,
        "trial.toml": trial_text(replace(trial, photos=())).encode(),
        **({FILE: seal.to_toml().encode()} if seal else {}),
        **files,
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
        "description": description,
        **({"licenses": [licence]} if licence else {}),
        **({"contributors": [{"title": trial.host}]} if trial.host else {}),
        "keywords": ["blind tasting", *([trial.product] if trial.product else [])],
        "resources": resources,
    }
    return {
        "datapackage.json": (json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n").encode(),
        "README.md": markdown_page(page, trial=trial, resources=resources).encode(),
    }


# The files of a repeat --------------------------------------------------------------------------


def kit_files(
    trial: Trial,
    table: ScoreTable,
    made: Made | None,
    *,
    jar_g: float = JAR_G,
    data: Sequence[str] = ("data",),
) -> dict[str, bytes]:
    """Make the files of a repeat in jars that hold so many grams, for as many as tasted.

    ``do-it-yourself.html``, and a trial folder that is not drawn yet: ``trial.toml`` with a rule to
    declare, and ``batches.csv``, without amounts where none were written down. ``drawn/`` is the
    same with a drawing, its sheets, and ``scores.csv`` with a row a cup, for whoever has no
    Blindspoon. The folders `data` lie beside it.
    """
    again = _repeat_of(trial, table)
    jars = {it.variant: it for it in recipes(trial, made.log, jar_g)} if made else {}
    own = {variant.name: [f"{variant.name} jar"] for variant in again.variants}
    plan = draw(request_for(again, own), np.random.default_rng([again.seed, 0]))
    sheets = print_sheets(again, plan)
    folder = {
        "trial.toml": _rule_to_declare(again).encode(),
        "batches.csv": write_csv(_batch_rows(again, jars)).encode(),
    }
    cups = [(tray, cup) for tray in trays_of(plan) for cup in tray.cups]  # to be keyed in
    accept = again.course.accept if again.course else ""
    asked = (*(attribute.name for attribute in again.attributes), accept, "comment")
    names = [*filter(None, asked)]
    scores = [[t.session, t.taster, c.code, *[""] * len(names)] for t, c in cups if not c.set]
    sets = dict.fromkeys((tray.session, tray.taster, cup.set) for tray, cup in cups if cup.set)
    keyed = {
        "scores.csv": [["session", "taster", "code", *names], *scores],
        "choices.csv": [
            ["session", "taster", "set", "answer", "comment"],
            *([*of, "", ""] for of in sets),
        ],
    }
    drawn = {
        **folder,
        "servings.csv": write_csv(plan.servings_rows()).encode(),
        "key.csv": write_csv(plan.key_rows()).encode(),
        **{name: write_csv(rows).encode() for name, rows in keyed.items() if rows[1:]},
        **{f"sheets/{name}": content for name, content in sheets.items()},
    }
    return {
        "do-it-yourself.html": _do_it_yourself(again, plan, jars, made, jar_g, data),
        **folder,
        **{f"drawn/{name}": content for name, content in drawn.items()},
    }


DECLARE = """\
# The rule of the first trial. Change what you like, and write the day on which you fix it, before
# you draw the blind, without the # before it:
# declared = 2026-12-31
"""


def _rule_to_declare(trial: Trial) -> str:
    text = trial_text(replace(trial, decision=replace(trial.decision, declared=None)))
    heading = "[decision]\n"
    if heading not in text:
        text += f"\n{heading}"
    return text.replace(heading, heading + DECLARE)


def _batch_rows(trial: Trial, jars: Mapping[str, Recipe]) -> list[list[str]]:
    """Write what is to be weighed; the days and the temperature are the reader's to fill in."""
    grams = list(dict.fromkeys(name for jar in jars.values() for name in jar.grams))
    told = dict.fromkeys(name for jar in jars.values() for name in jar.others)
    words: list[str] = [name for name in ("acid", "starter", "vessel") if name in told]
    words += [name for name in told if name not in (*words, "temperature_c")]
    rows = []
    for variant in trial.variants:
        jar = jars.get(variant.name)
        masses = jar.grams if jar else {}
        written = {name: f"{it:.0f}" if it >= 1000 else f"{it:.4g}" for name, it in masses.items()}
        cells = [written.get(name, "") for name in grams]
        cells += [guarded(jar.others.get(name, "")) if jar else "" for name in words]
        rows.append([f"{variant.name} jar", variant.name, *cells, *[""] * 4])
    days = ["started", "finished", "temperature_c", "note"]
    return [["batch", "variant", *grams, *map(guarded, words), *days], *rows]


USUAL = 12  # tasters of a repeat, where nobody knows how many there were


def _repeat_of(trial: Trial, table: ScoreTable) -> Trial:
    """Take over the plan, with as many tasters and sessions as there were.

    Without the host and the dates, and with a seed of its own, so that its codes and orders are not
    those of the first tasting.
    """
    chosen, own = table.choices, trial.tasting
    sessions = table.sessions or (chosen.sessions if chosen else ())
    people = len(table.tasters) or len(chosen.tasters if chosen else ()) or USUAL
    if own.servings:  # of whom some may not have come, though all were needed to hold every variant
        places = max(own.servings - own.controls, 1) * max(len(sessions), 1)
        people = max(people, math.ceil((len(trial.variants) - 1) / places))
    seed = int.from_bytes(hashlib.sha256(f"repeat {trial.seed}".encode()).digest()[:4])
    unasked = {session.name: session.not_asked for session in trial.sessions}
    return replace(
        trial, host="", dates="", story="", photos=(), address="", seed=seed,
        sessions=tuple(
            Session(name=name, date=None, not_asked=unasked.get(name, ())) for name in sessions
        ),
        tasting=replace(own, tasters=default_tasters(people)),
    )  # fmt: skip


# Its page ---------------------------------------------------------------------------------------


def _do_it_yourself(
    trial: Trial,
    plan: ServingPlan,
    jars: Mapping[str, Recipe],
    made: Made | None,
    jar_g: float,
    data: Sequence[str],
) -> bytes:
    """Write the page of a repeat; it needs no other file, no network and no script.

    Without masses there are no jars; what else differed, and the cautions, come from `made`.
    """
    ballot = list[tuple[str, tuple[str, ...]]]()
    for attribute in trial.attributes:
        scale = attribute.scale
        low = f"{wording.plain(scale.low)} {attribute.low}".strip()
        high = f"{wording.plain(scale.high)} {attribute.high}".strip()
        steps = wording.plain(scale.step) if scale.step else "any number"
        cells = blank_as_dash([low, high, steps, wording.margin(attribute)])
        ballot.append((attribute.label, cells))
    return html_page(
        "kit",
        data=data,
        trial=trial,
        request=plan.request,
        cups=max(len(tray.cups) for tray in trays_of(plan)),
        control=trial.variant(trial.control).label,
        cautions=cautions(trial, made),
        avoid={
            trial.variant(what.variant).label: summary.also_differed(what)
            for what in (made.differs if made else ())
            if what.undeclared
        },
        recipe=recipe_table(trial, made, jar_g),
        others=_others_table(trial, jars),
        ballot=Table(
            name="ballot",
            caption="What is scored of every cup",
            head="Attribute",
            columns=("From", "To", "Steps", "Margin that matters"),
            rows=tuple(ballot),
        )
        if ballot
        else None,
        asked=wording.asked(trial.choice) if trial.choice else "",
        software=software(),
    ).encode()


def _others_table(trial: Trial, jars: Mapping[str, Recipe]) -> Table:
    """Show the methods, and what is not weighed as it was in the first jars."""
    names = list(dict.fromkeys(name for jar in jars.values() for name in jar.others))
    rows = []
    for variant in trial.variants:
        jar = jars.get(variant.name)
        days = (
            "" if jar is None or jar.days is None else wording.count(wording.whole(jar.days), "day")
        )
        held = "" if jar is None else wording.grams(jar.made_g)
        own = [jar.others.get(name, "") if jar else "" for name in names]
        rows.append((variant.label, blank_as_dash([variant.method, held, days, *own])))
    others = ("°C" if name == "temperature_c" else summary.factor_name(name) for name in names)
    return Table(
        name="methods",
        caption="How the first jars were made",
        head="Variant",
        columns=("Method", "The jar held", "Time", *map(capital, others)),
        rows=tuple(rows),
        stacked=True,
    )
