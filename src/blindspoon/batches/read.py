"""Tables of text -> a `BatchLog`, checked and typed; every problem at once.

What the tables of batches and readings say of one another, and of the day of tasting.
"""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from blindspoon.batches import entries
from blindspoon.batches.entries import (
    DENSITY,
    INGREDIENTS,
    MILLILITRES,
    is_unweighed,
    problem_at,
    problems_of,
    unit_of,
)
from blindspoon.batches.log import Batch, BatchLog, Reading, Value
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
from blindspoon.files import schema
from blindspoon.files.schema import Fault
from blindspoon.files.text_table import TextTable
from blindspoon.trial import Trial

SATURATION = 35.9
"""Grams of salt that 100 g of water hold at 20 °C: 26.4 % of the solution. From memory, as
handbooks of chemistry give it."""


def made_twice(table: TextTable) -> Iterator[Problem]:
    """Find batches that have two rows."""
    lines: dict[str, int] = {}
    for row, name in enumerate(table.cells("batch")):
        line = int(table.lines[row])
        first = lines.setdefault(name, line)
        if name and first != line:
            fault = Fault(
                "batch-twice",
                f"batch {quoted(name)} stands a second time, after line {first}",
                "a batch is one vessel and has one row",
                "Give every vessel a name of its own",
            )
            yield problem_at(table, row, "batch", fault)


def given_twice(
    table: TextTable,
    name: str,
    values: Sequence[float | None],
    before: str,
    others: Sequence[float | None],
) -> Iterator[Problem]:
    """Find rows in which a quantity stands in two units."""
    fault = Fault(
        "two-units",
        f"both {before} and {name} are filled in",
        "a quantity stands once",
        "Leave one of the cells blank",
    )
    for row, (value, other) in enumerate(zip(values, others, strict=True)):
        if value is not None and other is not None:
            yield problem_at(table, row, name, fault)


def salt_dissolves(batches: Iterable[Batch], file: str) -> Iterator[Problem]:
    """Find batches with more salt than their water and produce could dissolve."""
    for batch in batches:
        water = (batch.water_g or 0.0) + (batch.produce_g or 0.0)
        most = SATURATION / 100 * water
        if water and batch.salt_g is not None and batch.salt_g > most:
            yield Problem(
                slug="too-much-salt",
                file=file,
                line=batch.line,
                column="salt_g",
                found=f"{batch.salt_g:.6g} g salt for {water:.6g} g water and produce",
                allowed=f"they could dissolve {most:.0f} g at most, were it all water",
                remedy="Correct the masses, or the unit in their columns",
            )


def dates_in_order(
    batches: Iterable[Batch], file: str, last_tasted: datetime.date | None
) -> Iterator[Problem]:
    """Find batches that end before they start, or that were not ready when they were tasted."""
    for batch in batches:
        if batch.started and batch.finished and batch.finished < batch.started:
            yield _date_problem(
                batch,
                file,
                "finished",
                "finished-before-started",
                f"finished {batch.finished}, before it was started on {batch.started}",
                "a batch is finished on the day it was started, or later",
            )
        for name, day in (("started", batch.started), ("finished", batch.finished)):
            if day and last_tasted and day > last_tasted:
                yield _date_problem(
                    batch,
                    file,
                    name,
                    "after-tasting",
                    f"{name} {day}, after the last tasting on {last_tasted}",
                    "what is tasted was made before",
                )


def _date_problem(
    batch: Batch, file: str, column: str, slug: str, found: str, allowed: str
) -> Problem:
    return Problem(
        slug=slug,
        file=file,
        line=batch.line,
        column=column,
        found=found,
        allowed=allowed,
        remedy="Correct the date"
        + (", or that of the session in trial.toml" if slug == "after-tasting" else ""),
    )


def all_made(made: Mapping[str, str], file: str, cups: Iterable[TextTable]) -> Iterator[Problem]:
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


def readings_of_known(table: TextTable, made: Sequence[str] | None) -> list[Problem]:
    """Find readings without a batch, or of one that was never made; `made` None: not known."""
    faults: dict[str, Fault] = {}
    for text in table.columns["batch"].texts:
        if not text:
            faults[text] = Fault("blank-cell", "a blank cell", "a reading has a batch", "Write it")
        elif made is not None and text not in made:
            faults[text] = Fault(
                "unknown-batch",
                f"batch {quoted(text)} is not known{did_you_mean(text, made)}",
                f"batches.csv lists {some_of(map(quoted, made), 20) or 'none'}",
                "Correct the name, or add its row to batches.csv",
            )
    return problems_of(table, "batch", faults)


def undated(table: TextTable) -> list[Problem]:
    """Find readings without a date."""
    fault = Fault("blank-cell", "a blank cell", "a reading has a date", "Write the date")
    return problems_of(table, "date", {"": fault})


def readings_after_start(
    batches: Iterable[Batch], readings: Iterable[Reading], table: TextTable
) -> Iterator[Problem]:
    """Find readings that were taken before their batch was started."""
    starts = {batch.name: batch.started for batch in batches}
    for reading in readings:
        start = starts[reading.batch]
        if start and reading.date < start:
            yield Problem(
                slug="reading-before-start",
                file=table.file,
                line=reading.line,
                column="date",
                found=f"{reading.date} is before {shown(reading.batch)} was started on {start}",
                allowed="a batch is measured from the day it is started",
                remedy="Correct the date, or started in batches.csv",
            )


def late_readings(
    readings: Iterable[Reading], table: TextTable | None, last_tasted: datetime.date | None
) -> Iterator[Note]:
    """Name readings that were taken after the last tasting; they say nothing of what was served."""
    for reading in readings:
        if table is not None and last_tasted and reading.date > last_tasted:
            text = f"{reading.date} is after the last tasting on {last_tasted}"
            yield Note(file=table.file, line=reading.line, text=f"{text}: charted, not judged by")


TEXTS = ("acid", "vessel", "starter", "note")
DATES = ("started", "finished")
KNOWN = ("batch", "variant", *(f"{name}_g" for name in INGREDIENTS), *TEXTS, *DATES)
KNOWN_READINGS = ("batch", "date", "ph", "temperature_c", "note")


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
    sheet = _read(trial, batches, readings, cups)
    return sheet.problems, tuple(sheet.notes)


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
    sheet = _read(trial, batches, readings, cups)
    if sheet.problems:
        raise ScoreError(sheet.problems)
    days = _days(trial)
    log = BatchLog(
        batches=tuple(sheet.batches),
        readings=_by_batch(sheet.readings),
        columns=frozenset(sheet.columns),
        own=tuple(sheet.own),
        quantities=tuple(sheet.quantities),
        first_tasted=min(days, default=None),
        last_tasted=max(days, default=None),
    )
    return log, tuple(sheet.notes)


@dataclass
class _Sheet:
    """What has been read so far."""

    batches: list[Batch] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    columns: set[str] = field(default_factory=set)
    own: list[str] = field(default_factory=list)
    quantities: list[str] = field(default_factory=list)
    found: list[Problem] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    problems: tuple[Problem, ...] = ()


def _days(trial: Trial) -> list[Any]:
    return [session.date for session in trial.sessions if session.date is not None]


def _by_batch(readings: Iterable[Reading]) -> dict[str, tuple[Reading, ...]]:
    grouped: dict[str, list[Reading]] = {}
    for reading in sorted(readings, key=lambda each: (each.date, each.line)):
        grouped.setdefault(reading.batch, []).append(reading)
    return {batch: tuple(of_batch) for batch, of_batch in grouped.items()}


def _read(
    trial: Trial, batches: TextTable, readings: TextTable | None, cups: Sequence[TextTable]
) -> _Sheet:
    sheet = _Sheet()
    _read_batches(sheet, trial, batches)
    if readings is not None:
        _read_readings(sheet, batches, readings)
    days = _days(trial)
    sheet.found += dates_in_order(sheet.batches, batches.file, max(days, default=None))
    sheet.found += salt_dissolves(sheet.batches, batches.file)
    if batches.readable and "batch" in batches.columns:
        made = dict(zip(batches.cells("batch"), _variants(batches), strict=True))
        sheet.found += all_made(made, batches.file, cups)
    sheet.notes += late_readings(sheet.readings, readings, max(days, default=None))
    files = [batches.file, *([] if readings is None else [readings.file])]
    sheet.problems = in_order(sheet.found, files)
    return sheet


def _variants(table: TextTable) -> list[str]:
    return table.cells("variant") if "variant" in table.columns else [""] * len(table)


def _read_batches(sheet: _Sheet, trial: Trial, table: TextTable) -> None:
    if not _opens(sheet, table, ("batch", "variant")):
        return
    variants = [variant.name for variant in trial.variants]
    named, faults = schema.labels(table, "batch")
    known, more = schema.names(table, "variant", variants, "unknown-variant")
    sheet.found += [*faults, *more, *made_twice(table)]
    values: dict[str, list[Any]] = dict(_weighed(sheet, table))
    for name in DATES:
        if name in table.columns:
            values[name], problems = entries.dates(table, name)
            sheet.found += problems
    values |= {name: table.cells(name) for name in TEXTS if name in table.columns}
    sheet.columns |= set(values)
    own = dict(_own_factors(sheet, table))
    for row, (name, variant) in enumerate(
        zip(table.cells("batch"), table.cells("variant"), strict=True)
    ):
        if named[row] and known[row]:
            given = {column: column_values[row] for column, column_values in values.items()}
            factors = {key: value[row] for key, value in own.items() if value[row] != ""}
            line = int(table.lines[row])
            sheet.batches.append(Batch(name=name, variant=variant, line=line, own=factors, **given))
    sheet.notes += _unmade(table, trial)


def _opens(sheet: _Sheet, table: TextTable, needed: Sequence[str]) -> bool:
    """Take over what is wrong with a table as a whole; tell whether its rows can be read."""
    missing = schema.missing_columns(table, needed) if table.readable else []
    sheet.found += [*table.problems, *missing]
    sheet.notes += table.notes
    return table.readable and not missing


def _weighed(sheet: _Sheet, table: TextTable) -> Iterator[tuple[str, list[float | None]]]:
    """Read masses and temperatures, each in its standard unit."""
    read: dict[str, tuple[str, list[float | None]]] = {}
    for name in table.columns:
        unit = unit_of(name)
        if unit is None:
            if is_unweighed(name):
                sheet.notes.append(_unweighed(table, name))
            continue
        bounds = entries.TEMPERATURE if unit.column == "temperature_c" else entries.MASS
        values, problems = entries.numbers(table, name, bounds, unit.convert)
        sheet.found += problems
        if unit.rough:
            sheet.notes.append(_rough(table, name))
        if unit.column in read:
            before, others = read[unit.column]
            sheet.found += given_twice(table, name, values, before, others)
            values = [b if a is None else a for a, b in zip(others, values, strict=True)]
        read[unit.column] = (name, values)
    return ((name, values) for name, (_, values) in read.items())


def _own_factors(sheet: _Sheet, table: TextTable) -> Iterator[tuple[str, list[Value]]]:
    """Read the host's own columns: numbers where every cell that is not blank holds one."""
    for name in table.columns:
        if name in KNOWN or unit_of(name):
            continue
        sheet.own.append(name)
        meant = _meant(name)
        if meant:
            text = f"column {shown(name)} is kept as a factor of your own (did you mean {meant}?)"
            sheet.notes.append(Note(file=table.file, line=1, text=text))
        yield name, _numbers_or_texts(table, name)


def _meant(name: str) -> str:
    """Guess which known column a name is meant to be; blank where it is none."""
    stem = name.lower().partition("_")[0]
    if stem in INGREDIENTS and not is_unweighed(name):
        return f"{stem}_g"
    if stem == "temperature":
        return "temperature_c"
    return "".join(difflib.get_close_matches(name.lower()[:80], KNOWN, n=1, cutoff=0.8))


def _numbers_or_texts(table: TextTable, name: str) -> list[Value]:
    read: dict[str, Value] = {"": ""}
    for text in filter(None, table.columns[name].texts):
        value = entries.as_number(text, decimal_comma=table.decimal_comma)
        if value is None:
            return list(table.cells(name))
        read[text] = value
    return [read[text] for text in table.cells(name)]


def _read_readings(sheet: _Sheet, batches: TextTable, table: TextTable) -> None:
    if not _opens(sheet, table, ("batch", "date")):
        return
    made = batches.cells("batch") if "batch" in batches.columns else None
    sheet.found += readings_of_known(table, made)
    days, problems = entries.dates(table, "date")
    sheet.found += problems + undated(table)
    values: dict[str, list[float | None]] = {}
    for name in table.columns:
        if name in ("batch", "date", "note") or name in values:
            continue
        unit = unit_of(name)
        kept, bounds = (name, entries.ANY)
        if name == "ph":
            bounds = entries.PH
        elif unit is not None and unit.column == "temperature_c":
            kept, bounds = unit.column, entries.TEMPERATURE
        convert = unit.convert if kept == "temperature_c" and unit else float
        column, problems = entries.numbers(table, name, bounds, convert)
        sheet.found += problems
        values[kept] = column
    sheet.quantities += [name for name in values if name not in KNOWN_READINGS]
    _take_readings(sheet, table, days, values)
    sheet.found += readings_after_start(sheet.batches, sheet.readings, table)


def _take_readings(
    sheet: _Sheet, table: TextTable, days: list[Any], values: dict[str, list[float | None]]
) -> None:
    names = {batch.name for batch in sheet.batches}
    notes = table.cells("note") if "note" in table.columns else [""] * len(table)
    nothing: list[float | None] = [None] * len(table)
    for row, batch in enumerate(table.cells("batch")):
        if batch not in names or days[row] is None:
            continue
        own = {name: values[name][row] for name in sheet.quantities}
        sheet.readings.append(
            Reading(
                batch=batch,
                line=int(table.lines[row]),
                date=days[row],
                ph=values.get("ph", nothing)[row],
                temperature_c=values.get("temperature_c", nothing)[row],
                note=notes[row],
                own={name: value for name, value in own.items() if value is not None},
            )
        )


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
