"""What else differs from the control, factor by factor, and the amounts that would level it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import truediv
from typing import NamedTuple

from blindspoon.batches.log import INGREDIENTS, MEASURED, Batch, BatchLog, Value
from blindspoon.batches.strengths import acid_of, ingredient, mean_of, strengths, unweighed
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
        return name == self.name or name in self.also

    def alike(self, one: Value, other: Value) -> bool:
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
        known = (None if value == "" else value for value in column)
        values[factor] = _one_way(known, acid_of if of == "acid" else _bare)
    if values[FERMENTED] == values[AGE]:  # all went from the cellar to the table
        del values[FERMENTED]
    for name in log.own:
        own, measures = [batch.own.get(name) for batch in log.batches], MEASURED.fullmatch(name)
        factor = BatchFactor(name, "", 0.0)
        if measures and not any(isinstance(value, str) for value in own):
            factor = BatchFactor(name, measures[1], SHARE, relative=True)
        # numbers have room only where a unit shows that they measure
        values[factor] = _one_way(own, _bare)
    weighed = {SALT} if any(batch.salt_g for batch in log.batches) else set()
    return {f: column for f, column in values.items() if set(column) != {None} or f in weighed}


def _one_way(
    column: Iterable[Value | None], alike: Callable[[str], object]
) -> tuple[Value | None, ...]:
    """Write words that are alike as the first of them."""
    first: dict[object, str] = {}
    return tuple(first.setdefault(alike(it), it) if isinstance(it, str) else it for it in column)


def _bare(word: str) -> str:
    return " ".join(word.casefold().split())


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
    return any(factor.answers_to(name) for name in trial.variant(variant).differs)


def own_points(trial: Trial) -> list[str]:
    """List the columns of the host's own that variants are meant to differ in."""
    names = dict.fromkeys(name for variant in trial.variants for name in variant.differs)
    return [it for it in names if not any(factor.answers_to(it) for factor in STANDARD)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A factor in which a variant's batches and the control's are not alike.

    Values are means of numbers, or words, joined by "and" where batches have several. `amount` is
    variant minus control, None for words. `perhaps_meant` is what is not declared, and may be the
    point of the variant all the same: its label or method speaks of it, or it is all that differs
    where neither is written.
    """

    factor: str
    control_value: Value
    variant_value: Value
    amount: float | None
    unit: str
    declared: bool
    perhaps_meant: bool = False

    @property
    def meant(self) -> bool:
        return self.declared or self.perhaps_meant


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
    def meant(self) -> tuple[Difference, ...]:
        """What is declared, or perhaps the point of the variant."""
        return tuple(found for found in self.differences if found.meant)

    @property
    def undeclared(self) -> tuple[Difference, ...]:
        """What a difference in taste may be blamed on, besides the method."""
        return tuple(found for found in self.differences if not found.meant)


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
        ours, theirs = map(_level, known)
        asked = trial.course is not None and factor in (FERMENTED, AGE)
        if ours == theirs or (not asked and factor.alike(theirs, ours)):
            alike.append(factor)
            continue
        numeric = not isinstance(ours, str) and not isinstance(theirs, str)
        differ[factor] = Difference(
            factor=factor.name,
            control_value=theirs,
            variant_value=ours,
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
    if trial.course and all(log.batches[row].started for row in of_variant):
        recorded |= {FERMENTED.name, AGE.name}  # counted up to each sitting
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


def _level(values: Sequence[Value]) -> Value:
    numbers = [value for value in values if not isinstance(value, str)]
    if len(numbers) < len(values):
        return " and ".join(sorted({str(value) for value in values}))
    return sum(numbers) / len(numbers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """How a batch is brought to the control's salt and acid; grams.

    `salt_percent` and `citric_g_per_100_g` are the control's, of everything; the mean of its
    batches. `acid` is the one that the grams are of: the batch's own, else the control's; blank for
    none. Weigh them for this produce, water and sugar before anything is made, or add them once it
    is. Water only where it is too salty or too sour: what is in the jar cannot be taken out, only
    thinned, and then the other may have to follow. `near` is within the tolerance of the factors as
    it is. `declared` is "salt" or "acid" where the variant is meant to differ in it, so that
    levelling it would undo what the trial is about.
    """

    batch: str
    variant: str
    salt_percent: float
    citric_g_per_100_g: float
    acid: str
    weigh_salt_g: float
    weigh_acid_g: float
    add_salt_g: float
    add_acid_g: float
    add_water_g: float
    near: bool
    declared: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoAmounts:
    """A batch that cannot be brought to the control's strength, and why."""

    batch: str
    variant: str
    reason: str


def amounts(trial: Trial, log: BatchLog) -> tuple[Amounts | NoAmounts, ...]:
    """Work out the amounts for every batch that is not of the control.

    With salt share s, acid share a (as citric acid) and c grams of citric acid in a gram of the
    acid, a jar of T grams holds sT salt, aT/c acid and T(1 - s - a/c) of all else. Before it is
    made, T follows from all else; afterwards, it is the smallest T at which neither the salt, the
    acid nor all else in the jar is too much, and the rest is added.
    """
    control = [found for found in strengths(log) if found.variant == trial.control]
    salt, acid = mean_of(control, "salt_percent"), mean_of(control, "citric_g_per_100_g")
    target: tuple[float, float] | str = "the control has no batch"
    if control:
        lacks = next(filter(None, (jar.unknown.get("everything_g") for jar in control)), "")
        unknown = f"of the control {lacks}" if lacks else "the control's salt or acid is not known"
        target = unknown if salt is None or acid is None else (salt, acid)
    meant = as_meant(trial, log)
    return tuple(
        _amounts(meant, log, batch, target)
        for batch in log.batches
        if batch.variant != trial.control
    )


def _amounts(
    trial: Trial, log: BatchLog, batch: Batch, target: tuple[float, float] | str
) -> Amounts | NoAmounts:
    def none(reason: str) -> NoAmounts:
        return NoAmounts(batch=batch.name, variant=batch.variant, reason=reason)

    masses = {name: ingredient(log, batch, name) for name in INGREDIENTS}
    salt, sour = masses["salt"], masses["acid"]
    rest = sum(masses[name] or 0.0 for name in ("produce", "water", "sugar"))
    if isinstance(target, str):
        return none(target)
    if None in masses.values() or salt is None or sour is None:
        return none(f"{unweighed(masses)} is not written")
    if not rest:
        return none("neither produce nor water was weighed in")
    own = acid_of(batch.acid)
    if sour and not (batch.acid and own.citric_per_g):
        return none("how sour its acid is, is not known")
    controls = [acid_of(jar.acid) for jar in log.of_variant(trial.control)] if target[1] else []
    known = ((acid.name, acid.citric_per_g) for acid in (own, *controls) if acid.citric_per_g)
    name, citric_per_g = next(known, ("", 1.0))
    salt_share, acid_share = target[0] / 100, target[1] / 100 / citric_per_g
    rest_share = 1 - salt_share - acid_share
    if rest_share <= 0 or (salt > 0 and not salt_share) or (sour > 0 and not acid_share):
        lacking = "the control has none of what is too much in it"
        return none(f"{lacking}, so no addition brings them together")
    fresh, total = rest / rest_share, rest + salt + sour
    made = max(fresh, salt / (salt_share or 1.0), sour / (acid_share or 1.0))
    near_salt = SALT.alike(100 * salt / total, target[0])
    return Amounts(
        batch=batch.name,
        variant=batch.variant,
        salt_percent=target[0],
        citric_g_per_100_g=target[1],
        acid=name,
        weigh_salt_g=salt_share * fresh,
        weigh_acid_g=acid_share * fresh,
        add_salt_g=max(salt_share * made - salt, 0.0),
        add_acid_g=max(acid_share * made - sour, 0.0),
        add_water_g=max(rest_share * made - rest, 0.0),
        near=near_salt and ACID.alike(100 * sour / total * citric_per_g, target[1]),
        declared=tuple(part.name for part in (SALT, ACID) if declares(trial, batch.variant, part)),
    )


JAR_G = 1000.0  # grams that a reader's jar holds, where the host says nothing else: about a litre

MIXED = ("salt", "acid", "kind of acid", "sugar", "produce")
"""Factors of which a change shifts the shares of everything in the jar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One variant, for one jar.

    By column of batches.csv, `grams` are to be weighed (all together, additions of the host's own
    apart, they fill the jar), and `others` are what is not weighed (vessel, temperature, a leaf),
    as the host wrote it; where batches differ, each. `days` from start to finish and `made_g`, what
    the host's jar held in all, are means of the batches. Where a weight is missing `made_g` is
    None, and there are no `grams` unless those of the control will do.
    """

    variant: str
    grams: dict[str, float]
    others: dict[str, str]
    days: float | None
    made_g: float | None


def recipes(trial: Trial, log: BatchLog, jar_g: float) -> tuple[Recipe, ...]:
    """Scale what was made to a jar.

    `jar_g` is what the reader's jar is to hold: produce, water, salt, acid and sugar together, in
    grams. In the order of the trial; empty where no masses are known. Several batches of a variant
    count alike: the mean of their shares is taken. What a variant is not meant to differ in is
    weighed as for the control, so that one thing changes at a time.
    """
    found = [_recipe(log, variant.name, jar_g) for variant in trial.variants]
    control, trial = found[trial.control_index], as_meant(trial, log)
    fills, scaled = {f"{name}_g" for name in INGREDIENTS}, list[Recipe]()
    for recipe in found if any(each.grams for each in found) else ():
        changes = [factor for factor in STANDARD if declares(trial, recipe.variant, factor)]
        mixed = any(factor.name in MIXED for factor in changes)
        meant, grams = trial.variant(recipe.variant).differs, dict(recipe.grams)
        weighed = mixed or not meant or any(name in meant for name in control.grams)
        if recipe.made_g is None and not weighed:
            grams = dict(control.grams)
        for name in grams:
            if control.grams and not (mixed if name in fills else name in meant):
                grams[name] = control.grams.get(name, 0.0)
        scaled.append(replace(recipe, grams=grams))
    return tuple(scaled)


def _recipe(log: BatchLog, variant: str, jar_g: float) -> Recipe:
    batches = log.of_variant(variant)
    made = [found for found in strengths(log) if found.variant == variant]
    total = mean_of(made, "everything_g")
    own = {name: [batch.own.get(name) for batch in batches] for name in log.own}
    weighed = {
        f"{name}_g": [ingredient(log, batch, name) or 0.0 for batch in batches]
        for name in INGREDIENTS
        if f"{name}_g" in log.columns
    }
    weighed |= {  # a mass of the host's own grows with the jar
        name: [float(value or 0.0) for value in column]
        for name, column in own.items()
        if name.endswith("_g") and not any(isinstance(value, str) for value in column)
    }
    others = {}
    for name in ("acid", "starter", "vessel", "temperature_c", *log.own):
        cells = own[name] if name in own else [getattr(batch, name) for batch in batches]
        texts = [
            cell if isinstance(cell, str) else f"{cell:g}" for cell in cells if cell is not None
        ]
        if name not in weighed and any(texts):
            others[name] = ", ".join(dict.fromkeys(filter(None, texts)))
    totals = [found.everything_g or 0.0 for found in made]
    return Recipe(
        variant=variant,
        grams={
            name: jar_g * (sum(map(truediv, masses, totals)) / len(made))
            for name, masses in (weighed.items() if total is not None else ())
        },
        others=others,
        days=mean_of(made, "fermented_days"),
        made_g=total,
    )
