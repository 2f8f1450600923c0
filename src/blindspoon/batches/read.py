"""Tables of text -> a `BatchLog`, checked and typed; every problem at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from blindspoon import cells
from blindspoon.batches import checks, entries
from blindspoon.batches.log import Batch, BatchLog, Reading, Value
from blindspoon.batches.units import DENSITY, INGREDIENTS, MILLILITRES, is_unweighed, unit_of
from blindspoon.errors import Note, Problem, ScoreError, in_order, shown, some_of
from blindspoon.tables import TextTable
from blindspoon.trial import Trial

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
    >>> from blindspoon.delimited import read_table
    >>> from blindspoon.trial_file import parse_trial
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
    sheet.found += checks.dates_in_order(sheet.batches, batches.file, max(days, default=None))
    sheet.found += checks.salt_dissolves(sheet.batches, batches.file)
    if batches.readable and "batch" in batches.columns:
        made = dict(zip(batches.cells("batch"), _variants(batches), strict=True))
        sheet.found += checks.all_made(made, batches.file, cups)
    sheet.notes += checks.late_readings(sheet.readings, readings, max(days, default=None))
    files = [batches.file, *([] if readings is None else [readings.file])]
    sheet.problems = in_order(sheet.found, files)
    return sheet


def _variants(table: TextTable) -> list[str]:
    return table.cells("variant") if "variant" in table.columns else [""] * len(table)


def _read_batches(sheet: _Sheet, trial: Trial, table: TextTable) -> None:
    if not _opens(sheet, table, ("batch", "variant")):
        return
    variants = [variant.name for variant in trial.variants]
    named, faults = cells.labels(table, "batch")
    known, more = cells.names(table, "variant", variants, "unknown-variant")
    sheet.found += [*faults, *more, *checks.made_twice(table)]
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
    missing = cells.missing_columns(table, needed) if table.readable else []
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
            sheet.found += checks.given_twice(table, name, values, before, others)
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
    sheet.found += checks.readings_of_known(table, made)
    days, problems = entries.dates(table, "date")
    sheet.found += problems + checks.undated(table)
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
    sheet.found += checks.readings_after_start(sheet.batches, sheet.readings, table)


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
