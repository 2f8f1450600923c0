"""What was measured: readings over time, scores beside what was weighed and read, ages of cups."""

import datetime
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from blindspoon import wording
from blindspoon.batches.differences import ACID, SALT
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.strengths import mean_of, strengths
from blindspoon.errors import Problem, Rule, ScoreError, in_order, quoted, some_of
from blindspoon.files.text_table import TextTable
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Over, Trial

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
            named = [
                table.cells(name) if name in table.columns else [default] * len(table)
                for name, default in (("variant", ""), ("session", only), ("batch", ""))
            ]
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
        told = wording.listing(f"{day}" for day in sorted(own))
        few = {1: "two ages are needed", 2: "a trend needs three"}.get(len(own), "")
        yield f"{name}: cups of {told} day{'s' * (own != {1})}{f': {few}' if few else ''}."
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
    told = some_of(f"{name} of {count} days" for name, count in days.items())
    found = f"{cell[0]} in session {cell[1]}: {told}"
    if min(days.values()) < 0:
        rule = Rule("negative-age", "what is tasted was made before", "Correct one of the dates")
        yield rule.broken(found, "batches.csv")
    elif len({*days.values()}) > 1:
        remedy = "Name the batch in key.csv, or make them variants of one series"
        rule = Rule("two-ages", "cups of one variant in one session are of one age", remedy)
        yield rule.broken(found, "batches.csv")
