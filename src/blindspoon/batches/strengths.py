"""The kitchen's arithmetic: how salty, sour, sweet and old a batch was.

Acids on one footing: grams of citric acid that would neutralise as much lye.
"""

import datetime
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from blindspoon import wording
from blindspoon.batches.log import INGREDIENTS, Batch, BatchLog
from blindspoon.errors import Problem, Rule, ScoreError, in_order, quoted, some_of
from blindspoon.files.text_table import TextTable
from blindspoon.trial import Over, Trial

CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999  # standard atomic weights, abridged; IUPAC 2021


def _equivalent(carbon: int, hydrogen: int, oxygen: int, protons: int) -> float:
    return (carbon * CARBON + hydrogen * HYDROGEN + oxygen * OXYGEN) / protons


EQUIVALENT_MASS = {
    "citric acid": _equivalent(6, 8, 7, 3),
    "citric acid monohydrate": _equivalent(6, 10, 8, 3),
    "acetic acid": _equivalent(2, 4, 2, 1),
    "lactic acid": _equivalent(3, 6, 3, 1),
    "malic acid": _equivalent(4, 6, 5, 2),
    "tartaric acid": _equivalent(4, 6, 6, 2),
}
"""Grams that give one mole of titratable H+; formulas and protons from memory."""

VINEGAR_DENSITY = 1.01  # grams in a millilitre of vinegar, from memory

_PERCENT = re.compile(r"(\d+(?:[.,]\d+)?)\s*%")


class Acid(NamedTuple):
    """What is added to make a batch sour, and how many grams of citric acid one gram of it equals.

    The name is as `EQUIVALENT_MASS` has it, or "vinegar"; "none" for no acid. The reason says why
    its strength is not known; otherwise blank.
    """

    name: str
    citric_per_g: float | None
    reason: str = ""


def acid_of(text: str) -> Acid:
    """Find how sour a gram of an acid is.

    `text` is the cell ``acid``: one of `EQUIVALENT_MASS`, or vinegar with its strength ("vinegar
    5 %"). A percentage beside a pure acid is its share of the mass.

    By titratable acid: a gram of acid counts 64.04 g a mole of H+ (citric acid) over its own. The
    strength of vinegar is grams of acetic acid in 100 ml, as on the label (from memory: 21 CFR and
    the FDA's guide to vinegar count so). Equal equivalents neutralise alike; they need neither
    taste nor lower the pH alike.

    >>> round(acid_of("vinegar 5 %").citric_per_g, 4), acid_of("Citric acid").citric_per_g
    (0.0528, 1.0)
    >>> acid_of("vinegar").reason
    'vinegar is written without its strength, as in "vinegar 5 %"'
    """
    words = " ".join(text.lower().split())
    percent = _PERCENT.search(words)
    share = float(percent[1].replace(",", ".")) / 100 if percent else None
    name = " ".join(re.sub(r"[(),;]", " ", _PERCENT.sub(" ", words)).split()) or "none"
    if name == "none":
        return Acid(name, 0.0)
    if share is not None and share > 1:
        return Acid(name, None, "its strength is above 100 %")
    if name.endswith("vinegar") and share is None:
        reason = f'{name} is written without its strength, as in "{name} 5 %"'
        return Acid(name, None, reason)
    pure = "acetic acid" if name.endswith("vinegar") else name
    if pure in EQUIVALENT_MASS:
        density = 1.0 if pure == name else VINEGAR_DENSITY
        equal = EQUIVALENT_MASS["citric acid"] / EQUIVALENT_MASS[pure]
        return Acid(name, (1.0 if share is None else share) / density * equal)
    return Acid(name, None, "how sour it is, is not known")


ETHANOL_PER_SUGAR = 0.538
"""Grams of ethanol that a gram of table sugar gives at most: four of C2H6O (46.07) from one of
C12H22O11 (342.30). J. L. Gay-Lussac's 0.511 is for grape sugar, which is lighter by its water."""

ETHANOL_DENSITY = 0.789  # grams in a millilitre of ethanol at 20 °C, from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Strengths:
    """What one batch comes to. A number is None where `unknown` says, by its name, why.

    - `everything_g`: produce, water, salt, acid and sugar together; % are of it unless said
    - `salt_percent`: its own mass included; what brine and produce both come to once they are
      level, with produce taken as if it were water
    - `salt_percent_of_produce_and_water`: as "2.5 % by weight" is mostly weighed
    - `salt_percent_of_water`: before it is shared with the produce
    - `citric_g_per_100_g`: titratable acid that was added, as citric acid; the acid that grows in
      the jar is not in it
    - `sugar_percent`: what was added
    - `alcohol_percent`: % vol at most, if every gram of it became alcohol: yeasts keep some for
      themselves, and in a ferment bacteria turn most of it to acid
    - `fermented_days`, `age_days`: from start to finish, and to the first day of tasting
    - `last_ph`: of the last reading with a pH up to the first day of tasting
    """

    batch: str
    variant: str
    everything_g: float | None
    produce_percent: float | None
    salt_percent: float | None
    salt_percent_of_produce_and_water: float | None
    salt_percent_of_water: float | None
    citric_g_per_100_g: float | None
    sugar_percent: float | None
    alcohol_percent: float | None
    fermented_days: int | None
    age_days: int | None
    last_ph: float | None
    last_ph_date: datetime.date | None
    unknown: Mapping[str, str]


def strengths(log: BatchLog) -> tuple[Strengths, ...]:
    """Work out the strengths of every batch, in the order of the log.

    A column that batches.csv does not have says that none of it went in (of produce, water, acid
    and sugar; salt has to be written), and so does a blank cell of acid or sugar in a row where
    produce, water and salt are written; another blank cell says that it is not known how much did.
    """
    return tuple(_strengths(log, batch) for batch in log.batches)


def mean_of(made: Sequence[Strengths], strength: str) -> float | None:
    """Average one strength over several batches; None where one lacks it, or there is no batch."""
    values = [getattr(batch, strength) for batch in made]
    return sum(values) / len(values) if values and None not in values else None


def ingredient(log: BatchLog, batch: Batch, name: str) -> float | None:
    """Give the grams of an ingredient: 0 where none went in, None if unknown.

    An acid that is named and not weighed is unknown; one that is "none" weighs nothing.
    """
    column = f"{name}_g"
    grams: float | None = getattr(batch, column)
    if name == "acid" and grams is None and batch.acid:
        return 0.0 if acid_of(batch.acid).name == "none" else None
    none = column not in log.columns or (grams is None and name in batch.none(log.columns))
    return 0.0 if none else grams


def unweighed(masses: Mapping[str, float | None]) -> str:
    """Name what has no weight; acid and sugar only where the others have theirs (`Batch.none`)."""
    blank = [name for name, grams in masses.items() if grams is None]
    blank = [name for name in blank if name not in ("acid", "sugar")] or blank
    return f"the weight of {wording.listing(blank)}"


def _strengths(log: BatchLog, batch: Batch) -> Strengths:
    masses = {name: ingredient(log, batch, name) for name in INGREDIENTS}
    known = [grams for grams in masses.values() if grams is not None]
    produce, water, sugar = (masses[name] for name in ("produce", "water", "sugar"))
    base = None if produce is None or water is None else produce + water
    total = sum(known) if len(known) == len(masses) and base else None
    salt = masses["salt"] if "salt_g" in log.columns else None
    sour = acid_of(batch.acid).citric_per_g if batch.acid else None
    alcohol = None if sugar is None else sugar * ETHANOL_PER_SUGAR / ETHANOL_DENSITY
    if acid := masses["acid"]:
        acid = None if sour is None else acid * sour
    ph = [reading for reading in log.readings_before_tasting(batch.name) if reading.ph is not None]
    return Strengths(
        batch=batch.name,
        variant=batch.variant,
        everything_g=total,
        produce_percent=_percent(produce, total),
        salt_percent=_percent(salt, total),
        salt_percent_of_produce_and_water=_percent(salt, base),
        salt_percent_of_water=_percent(salt, water),
        citric_g_per_100_g=_percent(acid, total),
        sugar_percent=_percent(sugar, total),
        alcohol_percent=_percent(alcohol, total),
        fermented_days=_days(batch.started, batch.finished),
        age_days=_days(batch.started, log.tasted_on(batch.name)),
        last_ph=ph[-1].ph if ph else None,
        last_ph_date=ph[-1].date if ph else None,
        unknown=dict(_unknown(log, batch, masses)),
    )


def _percent(part: float | None, whole: float | None) -> float | None:
    return 100 * part / whole if part is not None and whole else None


def _days(start: datetime.date | None, end: datetime.date | None) -> int | None:
    return (end - start).days if start and end else None


def _unknown(
    log: BatchLog, batch: Batch, masses: Mapping[str, float | None]
) -> Iterator[tuple[str, str]]:
    if any(grams is None for grams in masses.values()):
        yield "everything_g", f"{unweighed(masses)} is not written; write 0 where none went in"
    elif not any(masses.values()):
        yield "everything_g", "no masses are written"
    elif not (masses["produce"] or masses["water"]):
        yield "everything_g", "neither produce nor water was weighed in"
    if "salt_g" not in log.columns:
        yield "salt_percent", "there is no column salt_g"
    if masses["water"] == 0:
        yield "salt_percent_of_water", "no water was weighed in"
    reason = acid_of(batch.acid).reason if batch.acid else "which acid it is, is not written"
    if batch.acid_g and reason:
        yield "citric_g_per_100_g", reason
    if batch.started is None:
        yield "age_days", "started is blank"
    elif log.first_tasted is None:
        yield "age_days", "trial.toml dates no session"


# How old the cups of a course were -------------------------------------------------------------

Cell = tuple[str, str]  # variant and session


@dataclass(frozen=True, slots=True, kw_only=True)
class CupAges:
    """How old, in days, the cups of every variant and session were, and of which batches.

    The control is among them where it has an age; it `stays` if it was the same at every sitting.
    """

    days: Mapping[Cell, int]
    batches: Mapping[Cell, tuple[str, ...]]
    control_stays: bool

    def moved(self, variant: str) -> bool:
        """Whether a variant was of another age from one sitting to another."""
        return len({days for cell, days in self.days.items() if cell[0] == variant}) > 1


def age_cups(trial: Trial, log: BatchLog | None, tables: Iterable[TextTable | None]) -> CupAges:
    """Count the days of every cup of a trial that has a course and dates its sessions.

    `tables` are key.csv, or scores that were never coded. Raises ScoreError with every date that is
    missing or cannot be, and all cups of two ages.
    """
    days, batches, problems = dict[Cell, int](), dict[Cell, tuple[str, ...]](), list[Problem]()
    states, over = list[frozenset[object]](), trial.course.over if trial.course else "age_days"
    dates = {session.name: session.date for session in trial.sessions}
    only = trial.sessions[0].name if trial.sessions else "1"
    tasted = dict[Cell, set[str]]()  # the batches in the cups; none where no cup names one
    for table in filter(None, tables):
        if "variant" in table.columns:
            named = table.cells("variant"), table.cells("session", only), table.cells("batch")
            for variant, session, batch in dict.fromkeys(zip(*named, strict=True)):
                tasted.setdefault((variant, session), set()).update({batch} - {""})
    for cell, names in tasted.items():
        made = log.of_variant(cell[0]) if log else ()
        jars = [batch for batch in made if batch.name in names or not names]
        batches[cell] = tuple(batch.name for batch in jars)
        date, is_control = dates.get(cell[1]), cell[0] == trial.control
        if is_control:
            states.append(frozenset(_state(batch, date, over) for batch in jars))
        wrong = [*_wrong(jars, cell, date, over)]
        if not wrong and date is not None:
            days[cell] = days_of(jars[0], date, over)
        problems += () if is_control else wrong
    if problems:
        raise ScoreError(in_order({str(problem): problem for problem in problems}.values()))
    known = all(own and None not in own for own in states)
    declared = trial.course is not None and trial.course.same_control
    stays = declared or len(states) < 2 or (known and len(set(states)) == 1)
    return CupAges(days=days, batches=batches, control_stays=stays)


def days_in_brief(trial: Trial, ages: CupAges) -> Iterator[str]:
    """Say how many days a course has, and that its control did not stay; sentences."""
    days: dict[str, set[int]] = {}
    for (variant, _), age in ages.days.items():
        if variant != trial.control:
            days.setdefault(trial.variant(variant).series or variant, set()).add(age)
    for name, own in days.items():
        listed = wording.listing(f"{day}" for day in sorted(own))
        few = {1: "two ages are needed", 2: "a trend needs three"}.get(len(own), "")
        yield f"{name}: cups of {listed} day{'s' * (own != {1})}{f': {few}' if few else ''}."
    if not ages.control_stays:
        yield (
            "The control was another from sitting to sitting, by the dates of its batches, so "
            "there will be a trend only; if it was the same, write same_control = true."
        )


def days_of(batch: Batch, date: datetime.date, over: Over) -> int:
    """Count the days of a batch that has the dates it takes."""
    start = batch.finished if over == "stored_days" else batch.started
    end = min(batch.finished or date, date) if over == "fermented_days" else date
    return (end - start).days if start else 0


def _state(batch: Batch, date: datetime.date | None, over: Over) -> object:
    """Say what a jar of the control was at a sitting; None where that is not known.

    The same jar put away before, or another that fermented as long; over the days in store it has
    to be as long in store as well.
    """
    if date is None:
        return None
    away = batch.finished is not None and batch.finished <= date
    if batch.started is None and not away:
        return None
    fermented = days_of(batch, date, "fermented_days") if batch.started else batch.name
    stored = days_of(batch, date, "stored_days") if over == "stored_days" and away else None
    return fermented, stored


NO_AGE = Rule(
    "no-age", "[course] counts days from batches.csv to the session", "Write down what is missing"
)


def _wrong(
    jars: Sequence[Batch], cell: Cell, date: datetime.date | None, over: Over
) -> Iterator[Problem]:
    """Name the dates and rows without which there is no age; cups not yet made, or of two ages."""
    column = "finished" if over == "stored_days" else "started"
    undated = [batch for batch in jars if getattr(batch, column) is None]
    if date is None:
        yield NO_AGE.broken(f"session {quoted(cell[1])} has no date", "trial.toml")
    if not jars:
        yield NO_AGE.broken(f"there is no batch of {quoted(cell[0])}", "batches.csv")
    for batch in undated:
        found = f"batch {quoted(batch.name)} has no {column}"
        yield NO_AGE.broken(found, "batches.csv", batch.line, column)
    if date is None or not jars or undated:
        return
    days = {batch.name: days_of(batch, date, over) for batch in jars}
    ages = some_of(f"{name} of {count} days" for name, count in days.items())
    found = f"{cell[0]} in session {cell[1]}: {ages}"
    if min(days.values()) < 0:
        rule = Rule("negative-age", "what is tasted was made before", "Correct one of the dates")
        yield rule.broken(found, "batches.csv")
    elif len({*days.values()}) > 1:
        remedy = "Name the batch in key.csv, or make them variants of one series"
        rule = Rule("two-ages", "cups of one variant in one session are of one age", remedy)
        yield rule.broken(found, "batches.csv")
