"""Tables of text -> a `BatchLog`, checked and typed; every problem at once."""

from __future__ import annotations

import datetime
import difflib
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from blindspoon.batches.log import Batch, BatchLog, Reading, Value
from blindspoon.batches.units import DENSITY, INGREDIENTS, MILLILITRES, is_unweighed, unit_of
from blindspoon.errors import (
    Note,
    Problem,
    ScoreError,
    did_you_mean,
    in_order,
    quoted,
    shown,
    some_of,
)
from blindspoon.files.schema import (
    BATCHES,
    READINGS,
    Fault,
    FileColumn,
    Known,
    as_number,
    column_problems,
    problem_at,
    read_columns,
)
from blindspoon.files.text_table import TextTable
from blindspoon.trial import Trial

SATURATION = 35.9
"""Grams of salt that 100 g of water hold at 20 °C: 26.4 % of the solution. From memory, as
handbooks of chemistry give it."""


def check_batches(
    trial: Trial,
    batches: TextTable,
    readings: TextTable | None = None,
    cups: Sequence[TextTable] = (),
) -> tuple[tuple[Problem, ...], tuple[Note, ...]]:
    """Say everything that is wrong with, or worth knowing of, what was made.

    Parameters are those of `build_log`. Which cup holds which batch is not looked up; only that
    every batch that key.csv or the scores name was made.
    """
    _, said = _read(trial, batches, readings, cups)
    return tuple(said.problems), tuple(said.notes)


def build_log(
    trial: Trial,
    batches: TextTable,
    readings: TextTable | None = None,
    cups: Sequence[TextTable] = (),
) -> tuple[BatchLog, tuple[Note, ...]]:
    r"""Check what was made and measured: the only way from a file to a `BatchLog`.

    Parameters
    ----------
    trial : Trial
    batches : TextTable
        batches.csv: ``batch``, ``variant``, and any of ``produce_g``, ``water_g``, ``salt_g``,
        ``acid``, ``acid_g``, ``sugar_g``, ``started``, ``finished``, ``temperature_c``,
        ``vessel``, ``starter``, ``note``. Masses may also be in kg, oz or lb, temperature in °F
        (``salt_oz``, ``temperature_f``). Every other column is a factor of the host's own.
    readings : TextTable or None
        readings.csv: ``batch``, ``date``, ``ph``, ``temperature_c``, ``note``, and further columns
        of numbers.
    cups : sequence of TextTable
        Tables whose column ``batch`` names what was tasted: key.csv, or scores never coded.

    Returns
    -------
    log : BatchLog
    notes : tuple of Note

    Raises
    ------
    ScoreError
        With every problem of these tables.

    Examples
    --------
    >>> from blindspoon.files.text_table import read_table
    >>> from blindspoon.files.trial_toml import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak" }]
    ... ''')
    >>> text = b"batch,variant,water_g,salt_oz,leaf\njar 1,plain,540,0.5,none\n"
    >>> log, notes = build_log(trial, read_table(text, "batches.csv"))
    >>> round(log.batches[0].salt_g, 1), log.batches[0].own
    (14.2, {'leaf': 'none'})
    """
    log, said = _read(trial, batches, readings, cups)
    if said.problems:
        raise ScoreError(said.problems)
    return log, tuple(said.notes)


@dataclass(slots=True)
class _Said:
    """What is wrong, and what is worth knowing, so far."""

    problems: list[Problem] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


def _read(
    trial: Trial, batches: TextTable, readings: TextTable | None, cups: Sequence[TextTable]
) -> tuple[BatchLog, _Said]:
    said = _Said()
    days = [session.date for session in trial.sessions if session.date is not None]
    last = max(days, default=None)
    made, columns, own = _read_batches(said, trial, batches)
    measured, quantities = _read_readings(said, batches, made, readings)
    said.problems += _dates_in_order(made, batches.file, last)
    said.problems += _salt_dissolves(made, batches.file)
    if batches.readable and "batch" in batches.columns:
        names = batches.cells("batch")
        variants = batches.cells("variant") if "variant" in batches.columns else [""] * len(names)
        said.problems += _all_made(dict(zip(names, variants, strict=True)), batches.file, cups)
    for reading in measured:
        if readings is not None and last and reading.date > last:
            text = f"{reading.date} is after the last tasting on {last}: charted, not judged by"
            said.notes.append(Note(file=readings.file, line=reading.line, text=text))
    by_batch: dict[str, tuple[Reading, ...]] = {}
    for reading in sorted(measured, key=lambda reading: (reading.date, reading.line)):
        by_batch[reading.batch] = (*by_batch.get(reading.batch, ()), reading)
    log = BatchLog(
        batches=tuple(made),
        readings=by_batch,
        columns=frozenset(columns),
        own=tuple(own),
        quantities=tuple(quantities),
        first_tasted=min(days, default=None),
        last_tasted=last,
    )
    files = [batches.file, *([] if readings is None else [readings.file])]
    return log, _Said(list(in_order(said.problems, files)), said.notes)


def _opens(said: _Said, table: TextTable, columns: Iterable[FileColumn]) -> bool:
    """Take over what is wrong with a table as a whole; tell whether its rows can be read."""
    lacking = column_problems(table, columns, Known()) if table.readable else []
    said.problems += [*table.problems, *lacking]
    said.notes += table.notes
    return table.readable and not lacking


def _read_batches(
    said: _Said, trial: Trial, table: TextTable
) -> tuple[list[Batch], Iterable[str], Iterable[str]]:
    """Read batches.csv: its batches, the standard columns that it has, and the host's own."""
    if not _opens(said, table, BATCHES):
        return [], (), ()
    known = Known(variants=[variant.name for variant in trial.variants])
    named = read_columns(table, BATCHES[:2], known)
    said.problems += [*named.problems, *_made_twice(table)]
    values = _weighed(said, table)
    rest = [column for column in BATCHES if column.kind in ("date", "text")]
    others = read_columns(table, rest, known)
    said.problems += others.problems
    values |= {name: column.tolist() for name, column in others.values.items()}
    own = dict(_own_factors(said, table))
    said.notes += _unmade(table, trial)
    return (
        [
            Batch(
                name=table.columns["batch"].at(row),
                variant=table.columns["variant"].at(row),
                line=int(table.lines[row]),
                own={name: column[row] for name, column in own.items() if column[row] != ""},
                **{name: column[row] for name, column in values.items()},
            )
            for row in np.flatnonzero(named.usable).tolist()
        ],
        values,
        own,
    )


def _weighed(said: _Said, table: TextTable) -> dict[str, list[Any]]:
    """Read masses and temperatures, each in its standard unit."""
    standard = {column.name: column for column in BATCHES}
    read: dict[str, list[float | None]] = {}
    before: dict[str, str] = {}
    for name in table.columns:
        unit = unit_of(name)
        if unit is None:
            if is_unweighed(name):
                said.notes.append(_unweighed(table, name))
            continue
        column = standard[unit.column]._replace(name=name, convert=unit.convert)
        values = _numbers(said, table, column)
        if unit.rough:
            said.notes.append(_rough(table, name))
        if unit.column in read:
            others = read[unit.column]
            said.problems += _given_twice(table, name, values, before[unit.column], others)
            values = [b if a is None else a for a, b in zip(others, values, strict=True)]
        read[unit.column], before[unit.column] = values, name
    return read


def _numbers(said: _Said, table: TextTable, column: FileColumn) -> list[float | None]:
    """Read a column of numbers; None where it is blank or at fault."""
    checked = read_columns(table, [column], Known())
    said.problems += checked.problems
    values = checked.values[column.name].tolist()
    return [None if math.isnan(value) else value for value in values]


def _own_factors(said: _Said, table: TextTable) -> Iterator[tuple[str, list[Value]]]:
    """Read the host's own columns: numbers where every cell that is not blank holds one."""
    for name in table.columns:
        if name in _KNOWN or unit_of(name):
            continue
        meant = _meant(name)
        if meant:
            text = f"column {shown(name)} is kept as a factor of your own (did you mean {meant}?)"
            said.notes.append(Note(file=table.file, line=1, text=text))
        cells: list[Value] = [*table.cells(name)]
        read = {
            text: as_number(text, decimal_comma=table.decimal_comma) if text else ""
            for text in table.columns[name].texts
        }
        numeric = {text: value for text, value in read.items() if value is not None}
        yield name, [numeric[str(cell)] for cell in cells] if numeric == read else cells


_KNOWN = [column.name for column in BATCHES]


def _meant(name: str) -> str:
    """Guess which known column a name is meant to be; blank where it is none."""
    stem = name.lower().partition("_")[0]
    if stem in INGREDIENTS and not is_unweighed(name):
        return f"{stem}_g"
    if stem == "temperature":
        return "temperature_c"
    return "".join(difflib.get_close_matches(name.lower()[:80], _KNOWN, n=1, cutoff=0.8))


def _read_readings(
    said: _Said, batches: TextTable, made: Sequence[Batch], table: TextTable | None
) -> tuple[list[Reading], list[str]]:
    """Read readings.csv: its readings, and the columns that are the host's own."""
    if table is None or not _opens(said, table, READINGS):
        return [], []
    known = Known(batches=batches.cells("batch") if "batch" in batches.columns else None)
    standard = {column.name: column for column in READINGS}
    checked = read_columns(table, (standard["batch"], standard["date"], standard["note"]), known)
    said.problems += checked.problems
    values: dict[str, list[float | None]] = {}
    for name in table.columns:
        if name in ("batch", "date", "note"):
            continue
        unit = unit_of(name)
        if unit is not None and unit.column == "temperature_c":
            column = standard["temperature_c"]._replace(name=name, convert=unit.convert)
            values["temperature_c"] = _numbers(said, table, column)
        elif name not in values:
            column = standard["ph"] if name == "ph" else FileColumn(name, "number")
            values[name] = _numbers(said, table, column)
    quantities = [name for name in values if name not in standard]
    found = []
    started = {batch.name: batch.started for batch in made}
    for row, (batch, day) in enumerate(
        zip(table.cells("batch"), checked.values["date"], strict=True)
    ):
        if batch not in started or day is None:
            continue
        given = {name: column[row] for name, column in values.items()}
        reading = Reading(
            batch=batch,
            line=int(table.lines[row]),
            date=day,
            ph=given.get("ph"),
            temperature_c=given.get("temperature_c"),
            note=table.columns["note"].at(row) if "note" in table.columns else "",
            own={name: value for name in quantities if (value := given[name]) is not None},
        )
        found.append(reading)
        start = started[batch]
        if start and day < start:
            fault = Fault(
                "reading-before-start",
                f"{day} is before {shown(batch)} was started on {start}",
                "a batch is measured from the day it is started",
                "Correct the date, or started in batches.csv",
            )
            said.problems.append(problem_at(table, row, "date", fault))
    return found, quantities


def _made_twice(table: TextTable) -> Iterator[Problem]:
    """Find batches that have two rows."""
    lines: dict[str, int] = {}
    for row, name in enumerate(table.cells("batch")):
        first = lines.setdefault(name, int(table.lines[row]))
        if name and first != table.lines[row]:
            fault = Fault(
                "batch-twice",
                f"batch {quoted(name)} stands a second time, after line {first}",
                "a batch is one vessel and has one row",
                "Give every vessel a name of its own",
            )
            yield problem_at(table, row, "batch", fault)


def _given_twice(
    table: TextTable,
    name: str,
    values: Sequence[float | None],
    before: str,
    others: Sequence[float | None],
) -> Iterator[Problem]:
    """Find rows in which a quantity stands in two units."""
    found, allowed = f"both {before} and {name} are filled in", "a quantity stands once"
    fault = Fault("two-units", found, allowed, "Leave one of the cells blank")
    for row, (value, other) in enumerate(zip(values, others, strict=True)):
        if value is not None and other is not None:
            yield problem_at(table, row, name, fault)


def _salt_dissolves(batches: Iterable[Batch], file: str) -> Iterator[Problem]:
    """Find batches with more salt than their water and produce could dissolve."""
    for batch in batches:
        water = (batch.water_g or 0.0) + (batch.produce_g or 0.0)
        most = SATURATION / 100 * water
        if water and batch.salt_g is not None and batch.salt_g > most:
            found = f"{batch.salt_g:.6g} g salt for {water:.6g} g water and produce"
            allowed = f"they could dissolve {most:.0f} g at most, were it all water"
            remedy = "Correct the masses, or the unit in their columns"
            yield _of_batch(batch, file, "salt_g", Fault("too-much-salt", found, allowed, remedy))


def _dates_in_order(
    batches: Iterable[Batch], file: str, last_tasted: datetime.date | None
) -> Iterator[Problem]:
    """Find batches that end before they start, or that were not ready when they were tasted."""
    for batch in batches:
        if batch.started and batch.finished and batch.finished < batch.started:
            found = f"finished {batch.finished}, before it was started on {batch.started}"
            allowed = "a batch is finished on the day it was started, or later"
            fault = Fault("finished-before-started", found, allowed, "Correct the date")
            yield _of_batch(batch, file, "finished", fault)
        for name, day in (("started", batch.started), ("finished", batch.finished)):
            if day and last_tasted and day > last_tasted:
                found = f"{name} {day}, after the last tasting on {last_tasted}"
                remedy = "Correct the date, or that of the session in trial.toml"
                fault = Fault("after-tasting", found, "what is tasted was made before", remedy)
                yield _of_batch(batch, file, name, fault)


def _of_batch(batch: Batch, file: str, column: str, fault: Fault) -> Problem:
    return Problem(file=file, line=batch.line, column=column, **fault._asdict())


def _all_made(made: Mapping[str, str], file: str, cups: Iterable[TextTable]) -> Iterator[Problem]:
    """Find batches that were tasted and never made, or made as another variant.

    Parameters
    ----------
    made : mapping of str to str
        Batch to variant, as in batches.csv.
    file : str
        Name of that file.
    cups : iterable of TextTable
        Tables with a column ``batch``; one without it says nothing.
    """
    for table in cups:
        if "batch" not in table.columns:
            continue
        counts: dict[tuple[str, str], list[int]] = {}
        has_variant = "variant" in table.columns
        variants = table.cells("variant") if has_variant else [""] * len(table)
        for row, pair in enumerate(zip(table.cells("batch"), variants, strict=True)):
            counts.setdefault(pair, []).append(row)
        for (batch, variant), rows in counts.items():
            fault = _tasted_fault(made, file, batch, variant) if batch else None
            if fault is not None:
                others = len(rows) - 1
                more = f", and in {others:,} row{'s' * (others > 1)} more" if others else ""
                fault = fault._replace(found=fault.found + more)
                yield problem_at(table, rows[0], "batch", fault)


def _tasted_fault(made: Mapping[str, str], file: str, batch: str, variant: str) -> Fault | None:
    if batch not in made:
        listed = some_of((quoted(name) for name in made if name), 20) or "none"
        return Fault(
            "never-made",
            f"batch {quoted(batch)} is not in {file}{did_you_mean(batch, made)}",
            f"{file} lists {listed}",
            f"Correct the name, or add its row to {file}",
        )
    if variant and made[batch] and made[batch] != variant:
        return Fault(
            "batch-of-two-variants",
            f"batch {quoted(batch)} is {shown(variant)} here and {shown(made[batch])} in {file}",
            "a batch is one vessel of one variant",
            "Correct one of them",
        )
    return None


def _unmade(table: TextTable, trial: Trial) -> Iterator[Note]:
    made = set(table.columns["variant"].texts)
    lacking = [variant.name for variant in trial.variants if variant.name not in made]
    if lacking:
        yield Note(file=table.file, text=f"variants without a batch: {some_of(lacking, 20)}")


def _rough(table: TextTable, name: str) -> Note:
    ingredient, _, unit = name.rpartition("_")
    grams = MILLILITRES[unit] * DENSITY[ingredient]
    text = (
        f"column {name} is converted at {grams:.4g} g each; spoons and cups are not grams, "
        "so weigh next time"
    )
    return Note(file=table.file, line=1, text=text)


def _unweighed(table: TextTable, name: str) -> Note:
    text = (
        f"column {name} tells no weight, as spoons and cups of it differ; it is kept as a factor "
        f"of your own. Weigh it and write {name.rpartition('_')[0]}_g"
    )
    return Note(file=table.file, line=1, text=text)
