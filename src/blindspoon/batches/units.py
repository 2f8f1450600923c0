"""Columns in ounces, spoons or °F -> grams and °C, at the edge and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from operator import mul
from typing import NamedTuple

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
    """Find what a column of that name measures and how it is converted.

    None where it is none of the known masses and temperatures, or where its unit does not say how
    much it weighs, as in cups of produce or spoons of acid.

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
        celsius = float if unit == "c" else lambda fahrenheit: (fahrenheit - 32) / 1.8
        return Unit("temperature_c", celsius, rough=False)
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
