"""Everything in which batches can differ, with the room that each is given."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from blindspoon.batches.log import Batch, BatchLog, Value
from blindspoon.batches.strengths import Strengths, strengths
from blindspoon.errors import did_you_mean
from blindspoon.trial import Trial


class Factor(NamedTuple):
    """Something in which batches can differ.

    Attributes
    ----------
    name : str
    unit : str
        Of its numbers; blank for words and bare numbers.
    tolerance : float
        Numbers up to so far apart count as alike, in `unit`; for `relative`, as a share of the
        larger one.
    relative : bool
    also : tuple of str
        Further names under which ``differs`` in trial.toml may declare it.
    """

    name: str
    unit: str
    tolerance: float
    relative: bool = False
    also: tuple[str, ...] = ()

    def answers_to(self, name: str) -> bool:
        """Tell whether a name in ``differs`` means this factor."""
        return name == self.name or name in self.also

    def alike(self, one: Value, other: Value) -> bool:
        """Tell whether two values count as alike."""
        if isinstance(one, str) or isinstance(other, str):
            return one == other
        reach = self.tolerance * (max(abs(one), abs(other)) if self.relative else 1.0)
        return abs(one - other) <= reach + 1e-9


SHARE = 0.05
"""Numbers of the host's own columns with a unit may differ by this share and count as alike."""

SALT = Factor("salt", "%", 0.2, also=("salt_g", "salt_percent", "salt_oz"))
ACID = Factor("acid", "g/100 g", 0.05, also=("acid_g", "citric_g_per_100_g"))
FERMENTED = Factor("fermented", "days", 2.0, also=("fermented_days", "finished", "age", "days"))
AGE = Factor("age", "days", 2.0, also=("age_days", "started", "days"))

STANDARD = (
    SALT,
    ACID,
    Factor("kind of acid", "", 0.0, also=("acid", "acid_kind")),
    Factor("sugar", "%", 0.2, also=("sugar_g", "sugar_percent")),
    Factor("produce", "%", 5.0, also=("produce_g", "water_g", "produce_percent")),
    Factor("temperature_c", "°C", 2.0, also=("temperature", "temperature_f")),
    FERMENTED,
    AGE,
    Factor("vessel", "", 0.0),
    Factor("starter", "", 0.0),
)
"""What is compared besides the host's own columns. Masses are compared through the strengths they
make. The tolerances are this project's choice: what a kitchen balance, a cellar and a busy week
do to a batch that was meant to be the same."""

_UNIT = re.compile(r".+_(k?g|mg|m?l|[cm]?m|percent|c|h|min|days|pieces)", re.ASCII)


def factor_values(log: BatchLog) -> Mapping[Factor, tuple[Value | None, ...]]:
    """List every factor that some batch has a value of, with its value in each batch."""
    found = strengths(log)
    values: dict[Factor, tuple[Value | None, ...]] = {}
    for factor in STANDARD:
        if not _NEEDED.get(factor.name, set()) <= log.columns:
            continue
        values[factor] = tuple(map(_READ[factor.name], log.batches, found))
    if values.get(FERMENTED) == values.get(AGE):  # all went from the cellar to the table
        values.pop(FERMENTED, None)
    for name in log.own:
        column = tuple(batch.own.get(name) for batch in log.batches)
        values[_own_factor(name, column)] = column
    return {factor: column for factor, column in values.items() if set(column) != {None}}


def declares(trial: Trial, variant: str, factor: Factor) -> bool:
    """Tell whether trial.toml says that a variant is meant to differ in a factor."""
    return any(factor.answers_to(name) for name in trial.variant(variant).differs)


def unknown_factors(trial: Trial, log: BatchLog) -> tuple[tuple[str, str, str], ...]:
    """Name what variants are meant to differ in and batches.csv does not record.

    Returns
    -------
    tuple of (variant, factor, hint)
        The hint is the end of a sentence, or blank.
    """
    known = [name for factor in factor_values(log) for name in (factor.name, *factor.also)]
    return tuple(
        (variant.name, name, did_you_mean(name, known))
        for variant in trial.variants
        for name in variant.differs
        if name not in known
    )


def _own_factor(name: str, column: Sequence[Value | None]) -> Factor:
    """Give numbers room only where the column's unit shows that they measure something."""
    measures = _UNIT.fullmatch(name)
    if measures and not any(isinstance(value, str) for value in column):
        return Factor(name, measures[1], SHARE, relative=True)
    return Factor(name, "", 0.0)


def _words(name: str) -> Callable[[Batch, Strengths], Value | None]:
    return lambda batch, _: getattr(batch, name) or None


def _strength(name: str) -> Callable[[Batch, Strengths], Value | None]:
    return lambda _, found: getattr(found, name)


def _kind_of_acid(batch: Batch, found: Strengths) -> Value | None:
    return "none" if found.citric_g_per_100_g == 0 else batch.acid.lower() or None


_READ: Mapping[str, Callable[[Batch, Strengths], Value | None]] = {
    "salt": _strength("salt_percent"),
    "acid": _strength("citric_g_per_100_g"),
    "kind of acid": _kind_of_acid,
    "sugar": _strength("sugar_percent"),
    "produce": _strength("produce_percent"),
    "temperature_c": lambda batch, _: batch.temperature_c,
    "fermented": _strength("fermented_days"),
    "age": _strength("age_days"),
    "vessel": _words("vessel"),
    "starter": _words("starter"),
}


_NEEDED: Mapping[str, set[str]] = {
    "acid": {"acid_g"},
    "kind of acid": {"acid_g"},
    "sugar": {"sugar_g"},
    "produce": {"produce_g", "water_g"},
}
"""Columns without which a factor would be the same in every batch for want of being written."""
