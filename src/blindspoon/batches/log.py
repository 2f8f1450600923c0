"""What was made and measured: tables of text, in whatever units -> a `BatchLog`, checked."""

import datetime
import difflib
import math
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from operator import mul
from typing import Any, NamedTuple

import numpy as np

from blindspoon.errors import (
    Note,
    Problem,
    ScoreError,
    did_you_mean,
    in_order,
    quoted,
    shown,
    some_of,
    twins,
)
from blindspoon.files.schema import (
    BATCHES,
    READINGS,
    Checked,
    Fault,
    FileColumn,
    Known,
    as_number,
    column_problems,
    grouped,
    may_be_grouped,
    problem_at,
    problems_of,
    read_columns,
)
from blindspoon.files.text_table import TextTable
from blindspoon.trial import Trial

Value = float | str


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One jar or vessel; `line` is that of batches.csv.

    What is not known is None or blank: the cell is blank, or the file has no such column
    (`BatchLog.columns` tells the two apart). `acid` is in the words of
    `blindspoon.batches.strengths`. It was `finished` when it left the place where it fermented.
    `own` are the host's own factors, those that are not blank.
    """

    name: str
    variant: str
    line: int
    produce_g: float | None = None
    water_g: float | None = None
    salt_g: float | None = None
    acid_g: float | None = None
    sugar_g: float | None = None
    acid: str = ""
    started: datetime.date | None = None
    finished: datetime.date | None = None
    temperature_c: float | None = None
    vessel: str = ""
    starter: str = ""
    note: str = ""
    own: Mapping[str, Value]

    def none(self, columns: Collection[str]) -> tuple[str, ...]:
        """Name what is blank beside written weights, so that none of it went in."""
        weights = {name: getattr(self, name) for name in ("produce_g", "water_g", "salt_g")}
        if self.salt_g is None or None in (weights[name] for name in columns if name in weights):
            return ()
        blank = {"acid": self.acid_g is None and not self.acid, "sugar": self.sugar_g is None}
        return tuple(name for name, none in blank.items() if none)


NOUNS = {it: f"{it}s" for it in ("jar", "bottle", "crock", "pot", "tub", "barrel")}
NOUNS["batch"] = "batches"
"""What one of them is called, and several."""

_VESSEL = re.compile(rf"(?<![^\W\d_])({'|'.join(NOUNS)})(?![^\W\d_])", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One dated measurement; `line` is that of readings.csv."""

    batch: str
    line: int
    date: datetime.date
    ph: float | None
    temperature_c: float | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchLog:
    """Every batch of a trial, in the order of batches.csv, and what was measured of it.

    `readings` are by date, under the name of the batch; batches without any are not in it.
    `columns` are the standard ones that batches.csv has, after conversion of units; `own` the
    host's own factors. The days are None where trial.toml dates no session. `tasted` has the
    batches of which the first tasting is known: by the cups that name them, or because they were
    not made before.
    """

    batches: tuple[Batch, ...]
    readings: Mapping[str, tuple[Reading, ...]]
    columns: frozenset[str]
    own: tuple[str, ...]
    first_tasted: datetime.date | None
    last_tasted: datetime.date | None
    tasted: Mapping[str, datetime.date] = field(default_factory=dict)

    @property
    def noun(self) -> str:
        """What each was made in, by its vessel or its name; "batch" where these do not agree."""
        texts = (f"{batch.vessel} {batch.name}" for batch in self.batches)
        nouns = {named[0].lower() for text in texts if (named := _VESSEL.search(text))}
        return nouns.pop() if len(nouns) == 1 else "batch"

    def of_variant(self, variant: str) -> tuple[Batch, ...]:
        return tuple(batch for batch in self.batches if batch.variant == variant)

    def tasted_on(self, batch: str) -> datetime.date | None:
        """Give the first day on which a batch is tasted; None where trial.toml dates none."""
        return self.tasted.get(batch, self.first_tasted)

    def readings_before_tasting(self, batch: str) -> tuple[Reading, ...]:
        """List the readings of a batch up to the first day on which it is tasted, by date."""
        day = self.tasted_on(batch) or datetime.date.max
        return tuple(reading for reading in self.readings.get(batch, ()) if reading.date <= day)


INGREDIENTS = ("produce", "water", "salt", "acid", "sugar")
"""What is weighed into a jar; the columns are these names with ``_g``."""

GRAMS = {"g": 1.0, "kg": 1000.0, "oz": 28.349523125, "lb": 453.59237}
"""Grams in a unit of mass. NIST Handbook 44, Appendix C (avoirdupois, exact)."""

MILLILITRES = {
    "ml": 1.0,
    "l": 1000.0,
    "tsp": 4.92892159375,
    "tbsp": 14.78676478125,
    "cups": 236.5882365,
    "qt": 946.352946,
}
"""Millilitres in a unit of volume. NIST Handbook 44, Appendix C (U.S. customary)."""

DENSITY = {"water": 0.998, "salt": 6.0 / 4.92892159375, "sugar": 200.0 / 236.5882365}
"""Grams in a millilitre, loosely filled: water at 20 °C; fine canning salt at 6 g a teaspoon and
granulated sugar at 200 g a cup, both from memory. Coarse salt weighs far less a spoon."""


class Unit(NamedTuple):
    """How a column is brought to its standard one, in grams or °C.

    It is `rough` where volumes stand for masses, so that the result is only an estimate.
    """

    column: str
    convert: Callable[[float], float]
    rough: bool


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


def unit_of(column: str) -> Unit | None:
    """Find what a column of that name measures and how it is converted.

    None where it is none of the known masses and temperatures, or where its unit does not say how
    much it weighs, as in cups of produce or spoons of acid.

    >>> unit = unit_of("salt_oz")
    >>> unit.column, round(unit.convert(2.0), 2), unit.rough
    ('salt_g', 56.7, False)
    >>> round(unit_of("temperature_f").convert(68.0), 6)
    20.0
    >>> unit_of("water_cups").rough, unit_of("produce_cups"), unit_of("leaf")
    (True, None, None)
    """
    name, _, unit = column.rpartition("_")
    if name == "temperature" and unit in ("c", "f"):
        return Unit("temperature_c", float if unit == "c" else celsius, rough=False)
    if name not in INGREDIENTS:
        return None
    if unit in GRAMS:
        return Unit(f"{name}_g", partial(mul, GRAMS[unit]), rough=False)
    if unit in MILLILITRES and name in DENSITY:
        exact_enough = name == "water" and unit in ("ml", "l", "qt")
        return Unit(
            f"{name}_g", partial(mul, MILLILITRES[unit] * DENSITY[name]), rough=not exact_enough
        )
    return None


PLANNED = "planned, not weighed"
"""How a note begins that a kit puts beside the amounts of the first kitchen."""

SATURATION = 35.9
"""Grams of salt that 100 g of water hold at 20 °C: 26.4 % of the solution. From memory, as
handbooks of chemistry give it."""


def build_log(
    trial: Trial,
    batches: TextTable,
    readings: TextTable | None = None,
    cups: Sequence[TextTable] = (),
) -> tuple[BatchLog, tuple[Note, ...]]:
    """Check what was made and measured: the only way from a file to a `BatchLog`.

    The tables have the columns of `schema.BATCHES` and `schema.READINGS`. In batches.csv, masses
    may also be in kg, oz or lb, temperature in °F (``salt_oz``, ``temperature_f``), and every other
    column is a factor of the host's own. `cups` are tables whose column ``batch`` names what was
    tasted: key.csv, or scores never coded. Raises ScoreError with every problem of these tables.
    """
    findings = _Findings()
    days = [session.date for session in trial.sessions if session.date is not None]
    first, last = min(days, default=None), max(days, default=None)
    made, columns, own = _read_batches(findings, trial, batches, last)
    names = batches.cells("batch") if "batch" in batches.columns else None
    measured = list[Reading]()
    if readings is not None and findings.opens(readings, READINGS):
        measured = _read_readings(findings, readings, names, made, last)
    if batches.readable and names is not None:
        variants = dict(zip(names, batches.cells("variant"), strict=True))
        findings.problems += _wrongly_tasted(variants, batches.file, cups)
    if findings.problems:
        files = [batches.file, *([] if readings is None else [readings.file])]
        raise ScoreError(in_order(findings.problems, files))
    by_batch: dict[str, tuple[Reading, ...]] = {}
    for reading in sorted(measured, key=lambda reading: (reading.date, reading.line)):
        by_batch[reading.batch] = (*by_batch.get(reading.batch, ()), reading)
    log = BatchLog(
        batches=tuple(made),
        readings=by_batch,
        columns=frozenset(columns),
        own=tuple(own),
        first_tasted=first,
        last_tasted=last,
        tasted=_first_days(trial, made, cups),
    )
    return log, tuple(findings.notes)


@dataclass(slots=True)
class _Findings:
    """What is wrong, and what is worth knowing, so far."""

    problems: list[Problem] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)

    def opens(self, table: TextTable, columns: Iterable[FileColumn]) -> bool:
        """Take over what is wrong with a table as a whole; tell whether its rows can be read."""
        lacking = column_problems(table, columns, Known()) if table.readable else []
        self.problems += [*table.problems, *lacking]
        self.notes += table.notes
        return table.readable and not lacking

    def read(self, table: TextTable, columns: Iterable[FileColumn], known: Known) -> Checked:
        checked = read_columns(table, columns, known)
        self.problems += checked.problems
        return checked

    def note(self, table: TextTable, text: str, line: int | None = 1) -> None:
        """Say something worth knowing, of the header unless another line is given."""
        self.notes.append(Note(file=table.file, line=line, text=text))


def _read_batches(
    findings: _Findings, trial: Trial, table: TextTable, last_tasted: datetime.date | None
) -> tuple[list[Batch], Iterable[str], Iterable[str]]:
    """Read batches.csv: its batches, the standard columns that it has, and the host's own."""
    if not findings.opens(table, BATCHES):
        return [], (), ()
    known = Known(variants=[variant.name for variant in trial.variants])
    named = findings.read(table, BATCHES[:2], known)
    lines: dict[str, int] = {}
    for row, name in enumerate(table.cells("batch")):
        first = lines.setdefault(name, int(table.lines[row]))
        if name and first != table.lines[row]:
            found = f"batch {quoted(name)} stands a second time, after line {first}"
            allowed = "a batch is one vessel and has one row"
            fault = Fault("batch-twice", found, allowed, "Give every vessel a name of its own")
            findings.problems.append(problem_at(table, row, "batch", fault))
    values = _in_standard_units(findings, table, BATCHES)
    rest = [column for column in BATCHES if column.kind in ("date", "text")]
    others = findings.read(table, rest, known)
    values |= {name: column.tolist() for name, column in others.values.items()}
    own = dict(_own_factors(findings, table))
    for text in twins(table.columns["batch"].texts):
        findings.note(table, text, line=None)
    unmade = [name for name in known.variants if name not in table.columns["variant"].texts]
    if unmade:
        findings.note(table, f"variants without a batch: {some_of(unmade, 20)}", line=None)
    made = []
    for row in np.flatnonzero(named.usable).tolist():
        batch = Batch(
            name=table.columns["batch"].at(row),
            variant=table.columns["variant"].at(row),
            line=int(table.lines[row]),
            own={name: column[row] for name, column in own.items() if column[row] != ""},
            **{name: column[row] for name, column in values.items()},
        )
        made.append(batch)
        findings.problems += [problem_at(table, row, *at) for at in _faults(batch, last_tasted)]
    none = [
        (f"{name}_g", batch.name)
        for name in ("acid", "sugar")
        for batch in made
        if f"{name}_g" in values and name in batch.none(values)
    ]
    if none:
        columns, jars = (list(dict.fromkeys(part)) for part in zip(*none, strict=True))
        text = f"a blank {' and '.join(columns)} beside written weights is taken as none"
        text += f" ({some_of(jars, 5)})"
        findings.note(table, text, line=None)
    planned = [batch.name for batch in made if batch.note.startswith(PLANNED)]
    if planned:
        text = f"the amounts are {PLANNED}, by the notes ({some_of(planned, 5)})"
        findings.note(table, text, line=None)
    return made, values, own


def _in_standard_units(
    findings: _Findings, table: TextTable, columns: Iterable[FileColumn]
) -> dict[str, list[Any]]:
    """Read masses and temperatures, each in its standard unit; a quantity may stand in two."""
    standard = {column.name: column for column in columns}
    read: dict[str, list[float | None]] = {}
    before: dict[str, str] = {}
    for name in table.columns:
        unit = unit_of(name)
        if unit is None or unit.column not in standard:
            continue
        column = standard[unit.column]._replace(name=name, convert=unit.convert)
        numbers = findings.read(table, [column], Known()).values[name].tolist()
        values = [None if math.isnan(number) else number for number in numbers]
        if unit.rough:
            text = f"column {name} is converted at {unit.convert(1.0):.4g} g each; spoons and cups "
            findings.note(table, text + "are not grams, so weigh next time")
        if unit.column in read:
            found = f"both {before[unit.column]} and {name} are filled in"
            remedy = "Leave one of the cells blank"
            fault = Fault("two-units", found, "a quantity stands once", remedy)
            pairs = list(zip(read[unit.column], values, strict=True))
            rows = [row for row, pair in enumerate(pairs) if None not in pair]
            findings.problems += [problem_at(table, row, name, fault) for row in rows]
            values = [new if old is None else old for old, new in pairs]
        read[unit.column], before[unit.column] = values, name
    return read


def _own_factors(findings: _Findings, table: TextTable) -> Iterator[tuple[str, list[Value]]]:
    """Read the host's own columns: numbers where every cell that is not blank holds one."""
    for name in table.columns:
        if name in _KNOWN or unit_of(name):
            continue
        stem, close = re.split(r"_|\s*[(\[]", name.lower())[0], name.lower()[:80]
        meant = {**{it: f"{it}_g" for it in INGREDIENTS}, "temperature": "temperature_c"}.get(
            stem, "".join(difflib.get_close_matches(close, _KNOWN, n=1, cutoff=0.8))
        )
        if meant:
            own = f"column {shown(name)} is kept as a factor of your own"
            findings.note(table, f"{own} (did you mean {meant}?)")
        cells = table.cells(name)
        comma = table.decimal_comma
        read = [as_number(it, decimal_comma=comma) if it else "" for it in cells]
        numbers = [value for value in read if value is not None]
        if MEASURED.fullmatch(name):
            texts = [it for it in table.columns[name].texts if comma or "," in it]
            faults = {it: grouped(it, name) for it in texts if may_be_grouped(it)}
            findings.problems += problems_of(table, name, faults)
            if None in read:
                word = quoted(cells[read.index(None)])
                findings.note(table, f"column {name} is read as words, as {word} is no number")
        yield name, [*cells] if len(numbers) < len(read) else numbers


_KNOWN = [column.name for column in BATCHES]

MEASURED = re.compile(r".+_(k?g|mg|m?l|[cm]?m|percent|c|h|min|days|pieces)", re.ASCII)
"""Columns of the host's own that hold numbers with a unit."""


def _faults(batch: Batch, last_tasted: datetime.date | None) -> Iterator[tuple[str, Fault]]:
    """Find, by column, dates out of order and more salt than its water could dissolve."""
    if batch.started and batch.finished and batch.finished < batch.started:
        found = f"finished {batch.finished}, before it was started on {batch.started}"
        allowed = "a batch is finished on the day it was started, or later"
        yield "finished", Fault("finished-before-started", found, allowed, "Correct the date")
    for name, day in (("started", batch.started), ("finished", batch.finished)):
        if day and last_tasted and day > last_tasted:
            found = f"{name} {day}, after the last tasting on {last_tasted}"
            remedy = "Correct the date, or that of the session in trial.toml"
            yield name, Fault("after-tasting", found, "what is tasted was made before", remedy)
    water = (batch.water_g or 0.0) + (batch.produce_g or 0.0)
    most = SATURATION / 100 * water
    if water and batch.salt_g is not None and batch.salt_g > most:
        found = f"{batch.salt_g:.6g} g salt for {water:.6g} g water and produce"
        allowed = f"they could dissolve {most:.0f} g at most, were it all water"
        remedy = "Correct the masses, or the unit in their columns"
        yield "salt_g", Fault("too-much-salt", found, allowed, remedy)


def _read_readings(
    findings: _Findings,
    table: TextTable,
    names: Sequence[str] | None,
    made: Iterable[Batch],
    last_tasted: datetime.date | None,
) -> list[Reading]:
    plain = [column for column in READINGS if column.kind != "temperature"]
    read = findings.read(table, plain, Known(batches=names)).values
    warm = _in_standard_units(findings, table, READINGS).get("temperature_c")
    known = [column.name for column in READINGS]
    others = (name for name in table.columns if name not in known and not unit_of(name))
    if unread := [f"{shown(name)}{did_you_mean(name, known)}" for name in others]:
        findings.note(table, f"columns not used: {some_of(unread)}")
    started = {batch.name: batch.started for batch in made}
    found = []
    for row, (batch, day) in enumerate(zip(table.cells("batch"), read["date"], strict=True)):
        if batch not in started or day is None:
            continue
        ph = float(read["ph"][row]) if "ph" in read else math.nan
        reading = Reading(
            batch=batch,
            line=int(table.lines[row]),
            date=day,
            ph=None if math.isnan(ph) else ph,
            temperature_c=warm[row] if warm else None,
            note=read["note"][row] if "note" in read else "",
        )
        found.append(reading)
        start = started[batch]
        if start and day < start:
            before = f"{day} is before {shown(batch)} was started on {start}"
            allowed = "a batch is measured from the day it is started"
            remedy = "Correct the date, or started in batches.csv"
            early = Fault("reading-before-start", before, allowed, remedy)
            findings.problems.append(problem_at(table, row, "date", early))
        if last_tasted and day > last_tasted:
            text = f"{day} is after the last tasting on {last_tasted}: charted, not judged by"
            findings.note(table, text, reading.line)
    return found


def _first_days(
    trial: Trial, made: Iterable[Batch], cups: Iterable[TextTable]
) -> dict[str, datetime.date]:
    """Find on which day each batch was tasted first, where cups or its own dates tell.

    Of a course a jar is opened when it is finished; elsewhere it is tasted while it goes on.
    """
    dates = {session.name: session.date for session in trial.sessions if session.date}
    found = dict[str, datetime.date]()
    for table in cups:
        if {"batch", "session"} <= table.columns.keys():
            pairs = {*zip(table.cells("batch"), table.cells("session"), strict=True)}
            for name, day in ((name, dates[it]) for name, it in pairs if it in dates):
                found[name] = min(day, found.get(name, day))
    for batch in made:
        least = (batch.finished if trial.course else None) or batch.started
        later = [day for day in dates.values() if least is None or day >= least]
        if later and batch.name not in found:
            found[batch.name] = min(later)
    return found


def _wrongly_tasted(
    made: Mapping[str, str], file: str, cups: Iterable[TextTable]
) -> Iterator[Problem]:
    """Find batches that were tasted and never made, or made as another variant than in `file`."""
    known = {*made.values()}
    for table in cups:
        if "batch" not in table.columns:
            continue
        pairs: dict[tuple[str, str], list[int]] = {}
        for row, pair in enumerate(zip(table.cells("batch"), table.cells("variant"), strict=True)):
            pairs.setdefault(pair, []).append(row)
        for (batch, variant), rows in pairs.items():
            unwritten = batch not in made and variant and variant not in known
            if not batch or unwritten:  # a variant without any row is no misspelt jar
                continue
            if batch not in made:
                found = f"batch {quoted(batch)} is not in {file}{did_you_mean(batch, made)}"
                listed = some_of((quoted(name) for name in made if name), 20) or "none"
                remedy = f"Correct the name, or add its row to {file}"
                fault = Fault("never-made", found, f"{file} lists {listed}", remedy)
            elif variant and made[batch] and made[batch] != variant:
                two = f"is {shown(variant)} here and {shown(made[batch])} in {file}"
                allowed = "a batch is one vessel of one variant"
                found = f"batch {quoted(batch)} {two}"
                fault = Fault("batch-of-two-variants", found, allowed, "Correct one of them")
            else:
                continue
            others = len(rows) - 1
            more = f", and in {others:,} row{'s' * (others > 1)} more" if others else ""
            yield problem_at(table, rows[0], "batch", fault._replace(found=fault.found + more))
