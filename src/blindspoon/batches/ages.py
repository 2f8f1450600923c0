"""How old every cup was: days between the dates of its batch and that of its session."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.errors import Problem, Rule, ScoreError, in_order, quoted, some_of
from blindspoon.files.text_table import TextTable
from blindspoon.trial import Over, Trial

Cell = tuple[str, str]
"""Variant and session."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CupAges:
    """How old the cups of every variant and session were.

    Parameters
    ----------
    days : mapping of (str, str) to int
        By variant and session; the control among them where it has an age.
    batches : mapping of (str, str) to tuple of str
        What they came from.
    control_stays : bool
        Whether the control was the same at every sitting.
    """

    days: Mapping[Cell, int]
    batches: Mapping[Cell, tuple[str, ...]]
    control_stays: bool

    def moved(self, variant: str) -> bool:
        """Whether a variant was of another age from one sitting to another."""
        return len({days for cell, days in self.days.items() if cell[0] == variant}) > 1


def age_cups(trial: Trial, log: BatchLog | None, tables: Iterable[TextTable | None]) -> CupAges:
    """Count the days of every cup of a trial that has a course and dates its sessions.

    `tables` are key.csv, or scores that were never coded.

    Raises
    ------
    ScoreError
        With every date that is missing or cannot be, and all cups of two ages.
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
        few = {1: "two are needed", 2: "a trend needs three"}.get(len(own), "")
        yield f"{name}: tasted on day{'s' * (len(own) > 1)} {told}{f': {few}' if few else ''}."
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
