"""What was made, put together: strengths, what differs, cautions, scores beside; how it is said."""

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from blindspoon import wording
from blindspoon.batches.cautions import Caution, caution, cautions, sources
from blindspoon.batches.differences import (
    ACID,
    MIXED,
    SALT,
    Amounts,
    Difference,
    NoAmounts,
    WhatDiffers,
    amounts,
    what_differs,
)
from blindspoon.batches.log import NOUNS, BatchLog, build_log
from blindspoon.batches.strengths import Strengths, mean_of, strengths
from blindspoon.errors import Note, some_of
from blindspoon.files.text_table import TextTable
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Record, as_record
from blindspoon.trial import Trial

NAMES: Mapping[str, str] = {
    "acid": "added acid",
    "sugar": "added sugar",
    "produce": "share of produce",
    "temperature_c": "temperature",
    "fermented": "days of fermenting",
}
"""Factors whose name is not the word that people read."""

_CONSEQUENCES: Mapping[str, str] = {
    "different": ", which may be the reason",
    "slight": ", which may be the reason",
    "alike": ", which may hide a difference",
    "open": "",
}

_PHRASES: Mapping[str, tuple[str, str]] = {
    "temperature_c": ("{size} warmer", "{size} cooler"),
    "age": ("started {size} earlier", "started {size} later"),
    "fermented": ("fermented {size} longer", "fermented {size} less"),
    "salt": ("{size} higher in salt", "{size} lower in salt"),
}
"""What is said where a variant's batch has more of a factor than the control's, and less."""

FEW_DAYS = 2  # days between sessions in which a ferment changes little: common practice, no source
LEAST_GRAMS = 0.05  # less than a kitchen balance shows; nothing is added for it


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Everything that batches.csv and readings.csv tell of a trial."""

    log: BatchLog
    strengths: tuple[Strengths, ...]
    amounts: tuple[Amounts | NoAmounts, ...]
    differs: tuple[WhatDiffers, ...]
    cautions: tuple[Caution, ...]

    @property
    def to_match(self) -> tuple[Amounts | NoAmounts, ...]:
        """Amounts of the batches that are not meant to differ in salt or acid."""
        return tuple(it for it in self.amounts if isinstance(it, NoAmounts) or not it.declared)

    def to_record(self) -> Record:
        return {
            name: [as_record(row) for row in getattr(self, name)]
            for name in ("strengths", "amounts", "differs", "cautions")
        }


def make_up(
    trial: Trial,
    batches: TextTable | None,
    readings: TextTable | None,
    cups: Sequence[TextTable | None] = (),
) -> tuple[Made | None, tuple[Note, ...]]:
    """Read what was made, and work out what follows from it; None without a row of batches.csv.

    `cups` are the tables whose column ``batch`` names what was tasted; a file that is not there is
    None. Raises ScoreError with every problem of these tables.
    """
    if batches is None or not (len(batches) or batches.problems):
        return None, ()
    log, notes = build_log(trial, batches, readings, [table for table in cups if table])
    made = Made(
        log=log,
        strengths=strengths(log),
        amounts=amounts(trial, log),
        differs=what_differs(trial, log),
        cautions=cautions(log),
    )
    return made, notes


def factor_name(factor: str) -> str:
    """Name a factor in words.

    >>> factor_name("temperature_c"), factor_name("calcium_g"), factor_name("oak_leaf")
    ('temperature', 'calcium', 'oak leaf')
    """
    plain = factor.removesuffix("_g") if factor.endswith("_g") else factor
    return NAMES.get(factor, plain.replace("_", " "))


def in_words(difference: Difference) -> str:
    r"""Say how the variant's batch differs from the control's.

    >>> warm = Difference(factor="temperature_c", control_value=20.0, variant_value=17.0,
    ...     amount=-3.0, unit="°C", declared=False)
    >>> in_words(warm)
    '3\xa0°C cooler'
    """
    amount, name = difference.amount, factor_name(difference.factor)
    if amount is None:
        ours, theirs = (
            value if isinstance(value, str) else wording.plain(value)
            for value in (difference.variant_value, difference.control_value)
        )
        if "none" in (ours.lower(), theirs.lower()):
            without = f"without {name.removeprefix('kind of ')}"
            return f"made {without if ours.lower() == 'none' else f'with {ours}'}"
        if {ours.lower(), theirs.lower()} == {"yes", "no"}:
            return f"marked “{name}: {ours}”, not “{theirs}”"
        if "no" in (ours.lower(), theirs.lower()):
            return f"made without {name}" if ours.lower() == "no" else f"made with {name} ({ours})"
        return f"different in {name} ({ours}, not {theirs})"
    usual, unit = ("higher in {name} by {size}", "lower in {name} by {size}"), difference.unit
    number = _trimmed(abs(amount), 2 if abs(amount) < 10 else 1)
    points = f"percentage point{'s' * (number != '1')}"
    named = {"c": "°C", "%": points, "percent": points}.get(unit, unit)
    size = f"{number} {named}".rstrip()
    if unit == "days":
        size = wording.count(wording.whole(abs(amount)), "day")
    size = size.replace(" ", wording.NO_BREAK, 1)
    return _PHRASES.get(difference.factor, usual)[amount <= 0].format(name=name, size=size)


def also_differed(what: WhatDiffers) -> str:
    """Tell what else set a variant's batches apart from the control's.

    Half a sentence without a full stop, to stand beside a verdict; blank where nothing undeclared
    differs.
    """
    if not what.undeclared:
        return ""
    subject = "it was" if what.batches == 1 else "they were"
    return f"{subject} also {wording.listing(map(in_words, what.undeclared))}"


def softened(because: str, kind: str, what: WhatDiffers | None) -> str:
    """Soften the sentence of a verdict, with its full stop, by what else differed.

    `kind` is that verdict. The sentence stays as it was where nothing undeclared differed, or
    where that is not known, as batches.csv is missing.
    """
    also = "" if what is None else also_differed(what)
    return f"{because.rstrip('.')}; {also}{_CONSEQUENCES[kind]}." if also else because


def remarks(trial: Trial, what: WhatDiffers, noun: str = "batch") -> Iterator[str]:
    """Say what cannot be held against the control, or is not as it was declared; sentences."""
    label = f"“{trial.variant(what.variant).label}”"
    if not what.batches or not what.control_batches:
        lacking = label if not what.batches else "the control"
        yield f"What else differs is not known of {label}: no {noun} of {lacking} is written down."
        return
    asked = ("fermented", "age") if trial.course else ()
    declared = [f.factor for f in what.differences if f.declared and f.factor not in asked]
    meant = "{label} is meant to differ in {names}, "
    sentences = (
        (
            declared if len(declared) > 1 else (),
            "{label} differs in {names} at once: the tasting cannot tell which mattered.",
        ),
        (
            what.not_known,
            "Whether {label} differs in {names} is not known: it is not written of every {noun}.",
        ),
        (what.declared_but_alike, f"{meant}but its {{nouns}} are like the control’s."),
        (what.not_recorded, f"{meant}which is not written down."),
    )
    for factors, sentence in sentences:
        if factors:
            names = wording.listing(map(factor_name, factors))
            yield sentence.format(label=label, names=names, noun=noun, nouns=NOUNS[noun])


def what_to_add(trial: Trial, amounts: Amounts | NoAmounts) -> str:
    """Say how a batch is brought to the control's salt and acid; a sentence."""
    name = f"{amounts.batch} ({amounts.variant})"
    if isinstance(amounts, NoAmounts):
        return f"{name}: no amounts, as {amounts.reason}."
    parts = (
        (amounts.add_salt_g, "salt"),
        (amounts.add_acid_g, amounts.acid or "acid"),
        (amounts.add_water_g, "water"),
    )
    to_add = [f"{_grams(grams)} {what}" for grams, what in parts if grams >= LEAST_GRAMS]
    control = f"“{trial.variant(trial.control).label}”"
    if not to_add:
        if not amounts.citric_g_per_100_g:  # what a ferment makes itself nobody weighed
            return f"{name}: as salty as {control}, by the salt weighed in."
        return f"{name}: as salty and as sour as {control}, by the salt and acid weighed in."
    if amounts.near:
        exactly = f"{wording.listing(to_add)} would bring it there to the gram"
        return f"{name}: near enough to {control}; {exactly}."
    thin = amounts.add_water_g >= LEAST_GRAMS
    too = " It is too strong now, so the water thins it." if thin else ""
    acid = f" and {_grams(amounts.weigh_acid_g)} {amounts.acid}" if amounts.weigh_acid_g else ""
    anew = f"Made anew: {_grams(amounts.weigh_salt_g)} salt{acid} for this produce and water."
    return f"{name}: add {wording.listing(to_add)}, to match {control}.{too} {anew}"


# Scores beside what was weighed and read --------------------------------------------------------

Quantity = Literal["salt_percent", "citric_g_per_100_g", "last_ph"]

SALTY = ("saltiness", "salt", "salty")
SOUR = ("sourness", "sour", "acidity", "acid", "tartness")
"""Names of attributes that are taken to score a taste."""


class MeasuredQuantity(NamedTuple):
    """How a quantity is called and written, and which attributes score what it makes of a food.

    Two variants up to the tolerance apart, in its unit, count as equally strong.
    """

    tastes: tuple[str, ...]
    title: str
    axis: str
    unit: str
    digits: int
    tolerance: float


QUANTITIES: Mapping[Quantity, MeasuredQuantity] = {
    "salt_percent": MeasuredQuantity(
        SALTY, "salt", "salt, % of everything in the jar", " %", 2, SALT.tolerance
    ),
    "citric_g_per_100_g": MeasuredQuantity(
        SOUR, "added acid", "added acid, g in 100 g, as citric acid", " g in 100 g", 2,
        ACID.tolerance,
    ),
    "last_ph": MeasuredQuantity(SOUR, "pH", "last pH read before the tasting", "", 1, 0.1),
}  # fmt: skip
"""The tolerance of pH is what strips and cheap meters tell apart, from memory."""

INTERACTION = (
    "P. A. S. Breslin 1996, Trends Food Sci. Technol. 7:390",
    "L. M. Wilkie and E. D. Capaldi Phillips 2014, Neurosci. Biobehav. Rev. 47:70",
)
"""How salt and acid change each other's taste: moderate ones enhance, strong ones suppress one
another; acids make salt taste stronger. Volume of the second from memory."""


class TastePoint(NamedTuple):
    """A variant's strength, mean over its batches, and how strong it tasted, in points.

    It is the mean over tasters of each taster's mean score.
    """

    variant: str
    measured: float
    perceived: float
    tasters: int


class TasteAgainst(NamedTuple):
    """Scores of one attribute against one measured quantity, a point a variant.

    Variants without a strength or a score have none. `same_strength` are those as strong as the
    control, within its tolerance: what they taste like cannot come from the strength.
    """

    attribute: str
    quantity: Quantity
    points: tuple[TastePoint, ...]
    same_strength: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """Whether any variant is stronger or weaker than the others beyond the tolerance."""
        own = [point.measured for point in self.points]
        return max(own) - min(own) > 2 * QUANTITIES[self.quantity].tolerance + 1e-9


def taste_against_measured(
    trial: Trial, table: ScoreTable, log: BatchLog
) -> tuple[TasteAgainst, ...]:
    """Set saltiness against salt, and sourness against added acid and pH.

    Those with two variants or more. A quantity that is zero throughout, such as acid that nobody
    added, is left out.
    """
    from blindspoon.stats.two_way import gather  # noqa: PLC0415 - check does without

    made, found = strengths(log), []
    shape = {"n_tasters": len(table.tasters), "n_variants": len(trial.variants)}
    names = [attribute.name for attribute in trial.attributes]
    for quantity, how in QUANTITIES.items():
        scored = next((name for name in how.tastes if name in names), None)
        if scored is None:
            continue
        attribute = names.index(scored)
        means = gather(table.scores[:, attribute], table.taster, table.variant, **shape).mean
        points = list[TastePoint]()
        for place, variant in enumerate(trial.variants):
            tasted = means[np.isfinite(means[:, place]), place]
            jars = [batch for batch in made if batch.variant == variant.name]
            measured = mean_of(jars, quantity)
            if measured is not None and tasted.size:
                mean = float(tasted.mean())
                points.append(TastePoint(variant.name, measured, mean, tasted.size))
        if len(points) < 2 or not any(point.measured for point in points):
            continue
        strength = {point.variant: point.measured for point in points}
        control = strength.pop(trial.control, math.inf)
        reach = how.tolerance + 1e-9
        same = tuple(name for name, own in strength.items() if abs(own - control) <= reach)
        found.append(TasteAgainst(scored, quantity, tuple(points), same))
    return tuple(found)


def as_strong(trial: Trial, against: TasteAgainst, kinds: Mapping[str, str]) -> Iterator[str]:
    """Say how each variant of ``against.same_strength`` tasted; sentences, those alike in one.

    `kinds` are the verdicts on that attribute by variant; nothing is said where none was shown.
    """
    tasted = {point.variant: point.perceived for point in against.points}
    attribute, (name, amounts) = trial.attribute(against.attribute), _amounts(against)
    scored_alike, control = f"scored alike on {attribute.label.lower()}", amounts.get(trial.control)
    alike = [variant for variant in against.same_strength if kinds.get(variant) == "alike"]
    labels = {variant: f"“{trial.variant(variant).label}”" for variant in against.same_strength}
    if len(alike) > 1:
        jars = wording.listing(f"{labels[variant]} ({amounts[variant]})" for variant in alike)
        yield f"{jars} had about the control’s {name} ({control}), and {scored_alike}."
    taste = f"; acid and salt change each other’s taste ({'; '.join(INTERACTION)})"
    cause = taste if against.quantity == "salt_percent" else ""
    for variant, label in labels.items():
        same = f"{label} had about the control’s {name} ({amounts[variant]}, the control {control})"
        if [variant] == alike:
            yield f"{same}, and {scored_alike}."
        elif kinds.get(variant) in ("different", "slight"):
            was = wording.comparative(tasted[variant] - tasted[trial.control], attribute)
            yield f"{same}, yet {was} than the control{cause}."


def differences_in_words(trial: Trial, made: Made, *, ask: bool = False) -> Iterator[str]:
    """Say of each variant what it was meant to differ in, and what else differed; sentences.

    With `ask` the host is asked about what is not declared.
    """
    yield from unweighed_in_words(trial, made, ask=ask)
    unweighed = {row.variant for row in made.strengths if "everything_g" in row.unknown}
    for what in made.differs:
        label = f"“{trial.variant(what.variant).label}”"
        if what.batches and what.control_batches:
            declared = [in_words(found) for found in what.differences if found.declared]
            perhaps = [found for found in what.differences if found.perhaps_meant]
            meant = f"as declared, {wording.listing(declared)}; " if declared else ""
            if perhaps:
                point = "" if ask else ", which may be the point of it"
                meant += f"{wording.listing(map(in_words, perhaps))}{point}; "
            nothing = f"nothing {'else ' * bool(meant)}that was written down differs"
            also = also_differed(what) or nothing
            named = trial.variant(what.variant).differs
            hidden = {*named}.intersection(what.not_known) or (not what.alike and what.not_known)
            asked = perhaps if perhaps or named else [*what.undeclared]
            question = ""
            if ask and asked:
                names = (found.factor.replace("temperature_c", "temperature") for found in asked)
                this = "Was this" if len(asked) == 1 else "Was any of this"
                differs = json.dumps([*named, *names], ensure_ascii=False)
                question = f" {this} the point? Then write differs = {differs} in trial.toml."
            if what.differences or not hidden:
                yield f"{label}: {meant}{also}.{question}"
        if unweighed & {what.variant, trial.control}:
            other = tuple(factor for factor in what.not_known if factor not in MIXED)
            what = replace(what, not_known=other)  # noqa: PLW2901 - said above, of the jar
        yield from remarks(trial, what, made.log.noun)
    first, last = made.log.first_tasted, made.log.last_tasted
    if trial.course or first is None or last is None or (last - first).days <= FEW_DAYS:
        return  # a course asks what changes over the days
    going = [b.name for b in made.log.batches if b.finished is None or b.finished > first]
    if going:
        yield (
            f"Between the first and the last session lie {(last - first).days} days, and "
            f"{some_of(going)} went on fermenting, by the finished dates: a difference may move "
            "from sitting to sitting."
        )


def unweighed_in_words(trial: Trial, made: Made, *, ask: bool = False) -> Iterator[str]:
    """Name each jar whose missing weight hides how it compares; sentences."""
    hidden = any(not {*MIXED}.isdisjoint(what.not_known) for what in made.differs)
    jars: dict[str, list[str]] = {}
    for row in made.strengths if hidden else ():
        if why := row.unknown.get("everything_g"):
            jars.setdefault(why, []).append(f"{row.batch} (“{trial.variant(row.variant).label}”)")
    for why, names in jars.items():
        lacks, _, remedy = why.partition("; ")
        it, todo = "they" if len(names) > 1 else "it", f" {wording.capital(remedy)}." * bool(remedy)
        came = f"so how strong {it} came out is not known."
        yield f"Of {wording.listing(names)} {lacks}, {came}{todo * ask}"


def cautions_in_words(made: Made) -> tuple[tuple[str, str], ...]:
    return tuple((caution(look), sources(look)) for look in made.cautions)


def _amounts(against: TasteAgainst) -> tuple[str, Mapping[str, str]]:
    """Name what was measured, and write how much of it each variant had."""
    quantity = QUANTITIES[against.quantity]
    unit = quantity.unit.replace(" ", wording.NO_BREAK)
    return quantity.title, {
        point.variant: f"{wording.number(point.measured, quantity.digits)}{unit}"
        for point in against.points
    }


def _trimmed(value: float, digits: int) -> str:
    text = wording.number(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _grams(value: float) -> str:
    return f"{_trimmed(value, 1 if value < 100 else 0)}{wording.NO_BREAK}g"
