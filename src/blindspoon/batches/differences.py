"""What else differs: every variant's batches against the control's, factor by factor."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from blindspoon.batches.log import BatchLog, Value
from blindspoon.batches.strengths import strengths
from blindspoon.trial import Trial


class BatchFactor(NamedTuple):
    """Something in which batches can differ.

    - `tolerance`: numbers up to so far apart count as alike, in `unit`; for `relative`, as a share
      of the larger one
    - `of`: the field of a batch or of its strengths that it is read from; blank for the host's own
    - `also`: further names under which ``differs`` in trial.toml may declare it
    - `needs`: columns without which it would be the same in every batch for want of being written
    """

    name: str
    unit: str
    tolerance: float
    of: str = ""
    also: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    relative: bool = False

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

SALT = BatchFactor("salt", "%", 0.2, "salt_percent", ("salt_g", "salt_percent", "salt_oz"))
ACID = BatchFactor(
    "acid", "g/100 g", 0.05, "citric_g_per_100_g", ("acid_g", "citric_g_per_100_g"), ("acid_g",)
)
FERMENTED = BatchFactor(
    "fermented", "days", 2.0, "fermented_days", ("fermented_days", "finished", "age", "days")
)
AGE = BatchFactor("age", "days", 2.0, "age_days", ("age_days", "started", "days"))

WARMTH = BatchFactor("temperature_c", "°C", 2.0, "temperature_c", ("temperature", "temperature_f"))
STANDARD = (
    SALT,
    ACID,
    BatchFactor("kind of acid", "", 0.0, "acid", ("acid", "acid_kind"), ("acid_g",)),
    BatchFactor("sugar", "%", 0.2, "sugar_percent", ("sugar_g", "sugar_percent"), ("sugar_g",)),
    BatchFactor(
        "produce",
        "%",
        5.0,
        "produce_percent",
        ("produce_g", "water_g", "produce_percent"),
        ("produce_g", "water_g"),
    ),
    WARMTH,
    FERMENTED,
    AGE,
    BatchFactor("vessel", "", 0.0, "vessel"),
    BatchFactor("starter", "", 0.0, "starter"),
)
"""What is compared besides the host's own columns. Masses are compared through the strengths they
make. The tolerances are this project's choice: what a kitchen balance, a cellar and a busy week
do to a batch that was meant to be the same."""

_UNIT = re.compile(r".+_(k?g|mg|m?l|[cm]?m|percent|c|h|min|days|pieces)", re.ASCII)


def factor_values(log: BatchLog) -> Mapping[BatchFactor, tuple[Value | None, ...]]:
    """List every factor that some batch has a value of, with its value in each batch."""
    made = list(zip(log.batches, strengths(log), strict=True))
    values = dict[BatchFactor, tuple[Value | None, ...]]()
    for factor in STANDARD:
        if not log.columns.issuperset(factor.needs):
            continue
        of = factor.of
        column = [getattr(found if hasattr(found, of) else batch, of) for batch, found in made]
        if of == "acid":
            sour = [found.citric_g_per_100_g != 0 for _, found in made]
            column = [a.lower() if so else "none" for a, so in zip(column, sour, strict=True)]
        values[factor] = tuple(None if value == "" else value for value in column)
    if values[FERMENTED] == values[AGE]:  # all went from the cellar to the table
        del values[FERMENTED]
    for name in log.own:
        own, measures = [batch.own.get(name) for batch in log.batches], _UNIT.fullmatch(name)
        factor = BatchFactor(name, "", 0.0)
        if measures and not any(isinstance(value, str) for value in own):
            factor = BatchFactor(name, measures[1], SHARE, relative=True)
        values[factor] = tuple(own)  # numbers have room only where a unit shows that they measure
    weighed = {SALT} if any(batch.salt_g for batch in log.batches) else set()
    return {f: column for f, column in values.items() if set(column) != {None} or f in weighed}


HINTS: Mapping[str, str] = {
    "temperature_c": "cool|cold|warm|heat",
    "salt": "salt",
    "acid": "acid|vinegar|sour",
    "sugar": "sugar|sweet",
    "age": "older|young|early|late",
    "fermented": "longer|shorter|days|weeks",
}
"""Beginnings of words by which a label or a method speaks of a factor; others by their own name."""


def _names(trial: Trial, variant: str, found: Difference) -> bool:
    """Tell whether a variant's label or method, and not the control's, speaks of a difference."""
    ours, control = (trial.variant(name) for name in (variant, trial.control))
    value = found.variant_value
    written = re.escape(value.lower() if isinstance(value, str) else f"{value:g}")
    word = HINTS.get(found.factor, re.escape(found.factor.removesuffix("_g").replace("_", " ")))
    pattern = re.compile(rf"(?<![\w.,])(?:{word}|{written}(?![\w]|[.,]\d))")
    texts = (f"{each.label} {each.method}".lower() for each in (ours, control))
    spoken, usual = (set(pattern.findall(text)) for text in texts)
    return bool(spoken - usual)


def as_meant(trial: Trial, log: BatchLog) -> Trial:
    """Take as declared what is perhaps the point of a variant; see `Difference.perhaps_meant`."""
    points = {
        what.variant: tuple(found.factor for found in what.differences if found.perhaps_meant)
        for what in what_differs(trial, log)
    }
    variants = (
        replace(each, differs=(*each.differs, *points.get(each.name, ())))
        for each in trial.variants
    )
    return replace(trial, variants=tuple(variants))


def declares(trial: Trial, variant: str, factor: BatchFactor) -> bool:
    """Tell whether trial.toml says that a variant is meant to differ in a factor."""
    return any(factor.answers_to(name) for name in trial.variant(variant).differs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A factor in which a variant's batches and the control's are not alike.

    Values are means of numbers, or words, joined by commas where batches have several; ranges are
    the lowest and highest number over several batches. `amount` is variant minus control, None for
    words. `perhaps_meant` is what is not declared, and may be the point of the variant all the
    same: its label or method speaks of it, or it is all that differs where neither is written.
    """

    factor: str
    control_value: Value
    variant_value: Value
    control_range: tuple[float, float] | None
    variant_range: tuple[float, float] | None
    amount: float | None
    unit: str
    declared: bool
    perhaps_meant: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatDiffers:
    """A variant against the control; the numbers of batches are 0 where batches.csv has none.

    Differences that are declared come first, else in the order of the factors. Factors are `alike`
    within their tolerance, and `not_known` where a batch of either lacks a value. `not_recorded` is
    what the variant is meant to differ in, and batches.csv does not have.
    """

    variant: str
    batches: int
    control_batches: int
    differences: tuple[Difference, ...]
    alike: tuple[str, ...]
    not_known: tuple[str, ...]
    declared_but_alike: tuple[str, ...]
    not_recorded: tuple[str, ...]

    @property
    def undeclared(self) -> tuple[Difference, ...]:
        """What a difference in taste may be blamed on, besides the method."""
        meant = (found.declared or found.perhaps_meant for found in self.differences)
        return tuple(found for found, so in zip(self.differences, meant, strict=True) if not so)


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Factors that always change together, so that no tasting can tell them apart.

    `variants` are those whose batches they set apart from the control's.
    """

    factors: tuple[str, ...]
    variants: tuple[str, ...]


def what_differs(trial: Trial, log: BatchLog) -> tuple[WhatDiffers, ...]:
    """Hold every variant against the control on every factor.

    Numbers of several batches are compared by their means, words by the sets of them. A factor
    that no batch has a value of is left out.
    """
    values = factor_values(log)
    return tuple(
        _what_differs(trial, log, values, variant.name)
        for variant in trial.variants
        if variant.name != trial.control
    )


def moving_together(trial: Trial, log: BatchLog) -> tuple[Together, ...]:
    """Find factors that part all batches of the trial in the same way.

    Only factors that vary and of which every batch has a value.

    Numbers within a factor's tolerance of their neighbour are one level. Two factors with the
    same levels in the same batches are completely confounded: R. A. Fisher 1935, The Design of
    Experiments, chapter VII.
    """
    partings: dict[tuple[int, ...], list[str]] = {}
    for factor, values in factor_values(log).items():
        known = [value for value in values if value is not None]
        chains, last = dict[Value, Value](), None
        for value in sorted({*known}, key=lambda value: (isinstance(value, str), value)):
            near = last is not None and factor.alike(last, value)
            chains[value] = chains[last] if near and last is not None else value
            last = value
        first = list(dict.fromkeys(chains[value] for value in known))
        levels = tuple(first.index(chains[value]) for value in known)
        if len(known) == len(values) and len(first) > 1:
            partings.setdefault(levels, []).append(factor.name)
    found = []
    for levels, names in partings.items():
        pairs = [(batch.variant, level) for batch, level in zip(log.batches, levels, strict=True)]
        usual = {level for variant, level in pairs if variant == trial.control}
        apart = dict.fromkeys(variant for variant, level in pairs if level not in usual)
        if len(names) > 1:
            found.append(Together(factors=tuple(names), variants=tuple(apart)))
    return tuple(found)


def _what_differs(
    trial: Trial,
    log: BatchLog,
    values: Mapping[BatchFactor, tuple[Value | None, ...]],
    variant: str,
) -> WhatDiffers:
    of_variant = [row for row, batch in enumerate(log.batches) if batch.variant == variant]
    of_control = [row for row, batch in enumerate(log.batches) if batch.variant == trial.control]
    differ: dict[BatchFactor, Difference] = {}
    alike: list[BatchFactor] = []
    not_known: list[BatchFactor] = []
    for factor, column in values.items() if of_variant and of_control else ():
        values_of = [[column[row] for row in rows] for rows in (of_variant, of_control)]
        known = [[value for value in own if value is not None] for own in values_of]
        if known != values_of:
            not_known.append(factor)
            continue
        (ours, our_range), (theirs, their_range) = map(_level, known)
        if factor.alike(theirs, ours):
            alike.append(factor)
            continue
        asked = trial.course is not None and factor in (FERMENTED, AGE)
        numeric = not isinstance(ours, str) and not isinstance(theirs, str)
        differ[factor] = Difference(
            factor=factor.name,
            control_value=theirs,
            variant_value=ours,
            control_range=their_range,
            variant_range=our_range,
            amount=float(ours) - float(theirs) if numeric else None,
            unit=factor.unit,
            declared=asked or declares(trial, variant, factor),
        )
    meant = trial.variant(variant).differs
    alone = len(differ) == 1 and not (meant or trial.variant(variant).method)
    for factor, found in differ.items():
        if not found.declared and (alone or _names(trial, variant, found)):
            differ[factor] = replace(found, perhaps_meant=True)
    recorded = {name for factor in values for name in (factor.name, *factor.also)}
    return WhatDiffers(
        variant=variant,
        batches=len(of_variant),
        control_batches=len(of_control),
        differences=tuple(sorted(differ.values(), key=lambda found: not found.declared)),
        alike=tuple(factor.name for factor in alike),
        not_known=tuple(factor.name for factor in not_known),
        declared_but_alike=tuple(
            name
            for name in meant
            if any(factor.answers_to(name) for factor in alike)
            and not any(factor.answers_to(name) for factor in differ)
        ),
        not_recorded=tuple(name for name in meant if name not in recorded),
    )


def _level(values: Sequence[Value]) -> tuple[Value, tuple[float, float] | None]:
    """Mean of numbers, and the ends of several; words joined, each once."""
    numbers = [value for value in values if not isinstance(value, str)]
    if len(numbers) < len(values):
        return ", ".join(sorted({str(value) for value in values})), None
    ends = (min(numbers), max(numbers)) if len(numbers) > 1 else None
    return sum(numbers) / len(numbers), ends
