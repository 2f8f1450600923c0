"""Cells of batches.csv and readings.csv -> numbers and dates, with what is wrong with them.

Columns in ounces, spoons or °F -> grams and °C, at the edge and nowhere else.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from typing import NamedTuple

from blindspoon.errors import Problem, problems_of_rows, quoted, shown
from blindspoon.files.schema import Fault
from blindspoon.files.text_table import TextTable

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
    """How a column is brought to its standard unit.

    Attributes
    ----------
    column : str
        Name of the standard column: ``salt_g``, ``temperature_c``.
    convert : callable
        From the column's unit to grams or °C.
    rough : bool
        Whether volumes stand for masses, so that the result is only an estimate.
    """

    column: str
    convert: Callable[[float], float]
    rough: bool


def unit_of(column: str) -> Unit | None:
    """Find what a column measures and how it is converted.

    Parameters
    ----------
    column : str
        Name in the file.

    Returns
    -------
    Unit or None
        None where the column is none of the known masses and temperatures, or where its unit does
        not say how much it weighs, as in cups of produce or spoons of acid.

    Examples
    --------
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
        return Unit("temperature_c", _celsius if unit == "f" else float, rough=False)
    if name not in INGREDIENTS:
        return None
    if unit in GRAMS:
        return Unit(f"{name}_g", _times(GRAMS[unit]), rough=False)
    if unit in MILLILITRES and name in DENSITY:
        exact_enough = name == "water" and unit in ("ml", "l", "qt")
        return Unit(f"{name}_g", _times(MILLILITRES[unit] * DENSITY[name]), rough=not exact_enough)
    return None


def is_unweighed(column: str) -> bool:
    """Tell whether a column counts spoons or cups of something whose weight they do not tell.

    Examples
    --------
    >>> is_unweighed("acid_tsp"), is_unweighed("salt_tsp"), is_unweighed("leaf")
    (True, False, False)
    """
    name, _, unit = column.rpartition("_")
    return name in INGREDIENTS and unit in MILLILITRES and name not in DENSITY


def _times(factor: float) -> Callable[[float], float]:
    return lambda value: value * factor


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


class Bounds(NamedTuple):
    """Numbers that a column may hold, in the unit in which they are kept."""

    low: float
    high: float
    slug: str
    allowed: str
    remedy: str


MASS = Bounds(
    0.0, 1e6, "absurd-mass", "a mass is 0 to 1,000,000 g", "Correct it, or the unit in its column"
)
TEMPERATURE = Bounds(
    -30.0,
    100.0,
    "absurd-temperature",
    "a batch is kept at -30 to 100 °C",
    "Correct it, or name the column temperature_f",
)
PH = Bounds(0.0, 14.0, "absurd-ph", "a pH is 0 to 14", "Read it again; 4.6 may have lost its point")
ANY = Bounds(-1e300, 1e300, "not-a-number", "it is a number", "Correct it")


def as_number(text: str, *, decimal_comma: bool) -> float | None:
    """Read a number; None where there is none.

    Examples
    --------
    >>> as_number("18,9", decimal_comma=True), as_number("18,9", decimal_comma=False)
    (18.9, None)
    """
    pointed = text.replace(",", ".") if decimal_comma else text
    return float(pointed) if _NUMBER.fullmatch(pointed) else None


def numbers(
    table: TextTable, name: str, bounds: Bounds, convert: Callable[[float], float] = float
) -> tuple[list[float | None], list[Problem]]:
    """Read a column of numbers, one a row; None where it is blank or at fault.

    Parameters
    ----------
    table : TextTable
    name : str
        The column as the file calls it.
    bounds : Bounds
        In the unit after conversion.
    convert : callable
        To that unit.
    """
    values: dict[str, float | None] = {}
    faults: dict[str, Fault] = {}
    for text in table.columns[name].texts:
        value = as_number(text, decimal_comma=table.decimal_comma)
        values[text] = None if value is None else convert(value)
        if text and value is None:
            faults[text] = _not_a_number(text, name)
        elif value is not None and not bounds.low <= convert(value) <= bounds.high:
            values[text] = None
            found = f"{name} is {shown(text, 20)}"
            faults[text] = Fault(bounds.slug, found, bounds.allowed, bounds.remedy)
    return [values[text] for text in table.cells(name)], problems_of(table, name, faults)


def dates(table: TextTable, name: str) -> tuple[list[datetime.date | None], list[Problem]]:
    """Read a column of dates, one a row; None where it is blank or at fault."""
    texts = table.columns[name].texts
    values = {text: _date(text) for text in texts}
    faults = {
        text: Fault(
            "bad-date",
            f"{quoted(text)} is not a date",
            "a date is a year, month and day, as in 2026-09-05",
            "Write it so",
        )
        for text in texts
        if text and values[text] is None
    }
    return [values[text] for text in table.cells(name)], problems_of(table, name, faults)


def problems_of(table: TextTable, name: str, faults: Mapping[str, Fault]) -> list[Problem]:
    """Name every row whose text in a column is at fault."""
    column = table.columns[name]

    def problem(row: int) -> Problem:
        slug, found, allowed, remedy = faults[column.texts[column.codes[row]]]
        return problem_at(table, row, name, Fault(slug, found, allowed, remedy))

    return problems_of_rows(column.rows_of(faults).tolist(), problem)


def problem_at(table: TextTable, row: int, name: str | None, fault: Fault) -> Problem:
    """Say what is wrong with one cell."""
    return Problem(
        slug=fault.slug,
        file=table.file,
        line=int(table.lines[row]),
        column=name,
        found=fault.found,
        allowed=fault.allowed,
        remedy=fault.remedy,
    )


def _not_a_number(text: str, name: str) -> Fault:
    hint = " with a decimal point" if "," in text else ", without its unit"
    return Fault(
        "not-a-number",
        f"{quoted(text)} is not a number",
        f"{name} is a number, or blank where it is not known",
        f"Write the number{hint}",
    )


def _date(text: str) -> datetime.date | None:
    if not _DATE.fullmatch(text):
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        return None
