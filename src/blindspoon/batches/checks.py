"""What the tables of batches and readings say of one another, and of the day of tasting."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence

from blindspoon.batches.entries import problem_at, problems_of
from blindspoon.batches.log import Batch, Reading
from blindspoon.cells import Fault
from blindspoon.errors import Note, Problem, did_you_mean, quoted, shown, some_of
from blindspoon.tables import TextTable

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
