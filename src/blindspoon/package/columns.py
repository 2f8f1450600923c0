"""What each column of a trial's tables means: its type, unit and limits."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from blindspoon.trial import Attribute, Trial

Record = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column as Table Schema (Data Package 2.0) describes it.

    Parameters
    ----------
    name : str
    kind : str
        "string", "number", "integer" or "date".
    meaning : str
        With the unit.
    limits : dict
        Constraints by their names in Table Schema.
    """

    name: str
    kind: str
    meaning: str
    limits: Record = field(default_factory=dict)

    def to_record(self) -> Record:
        """Describe the column for datapackage.json."""
        described: Record = {"name": self.name, "type": self.kind, "description": self.meaning}
        return described | ({"constraints": self.limits} if self.limits else {})


def cup_columns(trial: Trial) -> tuple[Column, ...]:
    """Describe the columns that say which cup is meant, what was in it and what was said.

    In the order in which they stand in a table.
    """
    variants = [variant.name for variant in trial.variants]
    return (
        Column(name="session", kind="string", meaning="Name of the sitting."),
        Column(name="taster", kind="string", meaning="Pseudonym of who tasted."),
        Column(
            name="position",
            kind="integer",
            meaning="Place of the cup in its taster's session, from 1.",
            limits={"minimum": 1},
        ),
        Column(name="code", kind="string", meaning="Blind code of the cup."),
        Column(
            name="variant",
            kind="string",
            meaning=f"What was in the cup; the control is “{trial.control}”.",
            limits={"enum": variants},
        ),
        Column(name="batch", kind="string", meaning="Jar or vessel it came from."),
        *(_score(attribute) for attribute in trial.attributes),
        Column(name="comment", kind="string", meaning="What the taster wrote beside the cup."),
    )


def _score(attribute: Attribute) -> Column:
    scale = attribute.scale
    ends = [
        f"{value:g} is “{word}”"
        for value, word in ((scale.low, attribute.low), (scale.high, attribute.high))
        if word
    ]
    steps = f", in steps of {scale.step:g}" if scale.step else ""
    words = f"; {', '.join(ends)}" if ends else ""
    return Column(
        name=attribute.name,
        kind="number",
        meaning=f"{attribute.label}, in points{steps}{words}. Blank: not scored.",
        limits={"minimum": scale.low, "maximum": scale.high},
    )


MADE = {
    "batch": ("string", "Jar or vessel."),
    "variant": ("string", "Way in which it was made."),
    "acid": ("string", "Which acid was added."),
    "vessel": ("string", "What it was made in."),
    "starter": ("string", "What it was started with."),
    "note": ("string", "Remark of the host."),
    "started": ("date", "Day on which it was made."),
    "finished": ("date", "Day on which it left the place where it fermented."),
    "date": ("date", "Day of the measurement."),
    "ph": ("number", "pH."),
    "temperature_c": ("number", "Temperature in °C."),
    "temperature_f": ("number", "Temperature in °F."),
}
INGREDIENTS = ("produce", "water", "salt", "acid", "sugar")
UNITS = {
    "g": "grams",
    "kg": "kilograms",
    "oz": "ounces",
    "lb": "pounds",
    "ml": "millilitres",
    "l": "litres",
    "qt": "US quarts",
    "cups": "US cups",
    "tbsp": "US tablespoons",
    "tsp": "US teaspoons",
}


def made_column(name: str, *, numeric: bool) -> Column:
    """Describe a column of batches.csv or readings.csv.

    Parameters
    ----------
    name : str
    numeric : bool
        Whether every cell that is not blank is a number; decides where the name is the host's own.

    Examples
    --------
    >>> made_column("salt_oz", numeric=True).meaning, made_column("leaf", numeric=False).kind
    ('Salt in ounces.', 'string')
    """
    if name in MADE:
        kind, meaning = MADE[name]
        return Column(name=name, kind=kind, meaning=meaning)
    ingredient, _, unit = name.rpartition("_")
    if ingredient in INGREDIENTS and unit in UNITS and numeric:
        meaning = f"{ingredient.capitalize()} in {UNITS[unit]}."
        return Column(name=name, kind="number", meaning=meaning)
    kind = "number" if numeric else "string"
    return Column(name=name, kind=kind, meaning="Written down by the host.")
