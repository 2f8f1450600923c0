"""How often the verdicts are right: simulated trials, judged as real ones, against the truth."""

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from blindspoon.findings.compare import compare_trial
from blindspoon.findings.comparison import AttributeResult, By, Kind
from blindspoon.findings.pool_checks import Kitchen, PooledAttribute, PooledComparison
from blindspoon.findings.pooling import pool
from blindspoon.simulate import course_rates
from blindspoon.simulate.course_rates import (
    COURSES,
    NAMES,
    Asked,
    Cell,
    CourseSituation,
    course_chunk,
    summed,
)
from blindspoon.simulate.situations import SITUATIONS, TRUTHS, Situation, Truth, Truths, truths
from blindspoon.simulate.trials import Progress, make_trial, simulate, sweep
from blindspoon.stats.results import Contrast, Interval, NoResult, Record
from blindspoon.stats.sign_flips import EXACT_UP_TO


@dataclass(frozen=True, slots=True)
class Rate:
    """A share of simulated trials, its Monte Carlo standard error, and of how many trials."""

    value: float
    se: float
    trials: int


@dataclass(frozen=True, slots=True)
class Counted:
    """One rate of one procedure in one situation with one panel and one truth: a row of the CSV.

    - `variants`: the control counts among them
    - `truth`: which variants truly differ from the control, each by one margin; over days a food
      changes ("all") or does not ("none")
    - `procedure`: "mixed" or "ranks"; over days one of `course_rates`, by its name
    - `question`: "false_alarm", any variant called different or slight that is not; "coverage", all
      true differences inside their intervals at once, among the trials with an interval; "found",
      the one variant that differs called different or slight; "false_alike", any variant called
      alike or slight that is off by the margin
    - `rate`: of the trials in which the question could be asked
    """

    situation: str
    variants: int
    tasters: int
    truth: Truth
    procedure: str
    question: str
    rate: Rate

    @property
    def beyond(self) -> bool:
        """Whether it is worse than its limit by more than its noise."""
        return is_beyond(self.question, self.rate)

    @property
    def assumed(self) -> bool:
        """Whether the procedure's assumptions hold in this situation."""
        return is_assumed(self.situation, self.truth, self.procedure)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """All rates of a calibration, with so many simulated trials a cell as were asked for.

    By situation, variants, tasters, truth and procedure; those of courses over days last.
    """

    trials: int
    seed: int
    rates: tuple[Counted, ...]

    def to_record(self) -> Record:
        """Give everything as plain values, ready for JSON: a cell holds its four questions."""
        cells: dict[tuple[object, ...], Record] = {}
        for one in self.rates:
            if one.situation in NAMES:
                continue
            cell: Record = {name: getattr(one, name) for name in CELL}
            cell = cells.setdefault((*cell.values(),), cell | dict.fromkeys(("trials", *QUESTIONS)))
            cell["trials"] = max(cell["trials"] or 0, one.rate.trials)
            cell[one.question] = asdict(one.rate)
        courses = [asdict(one) for one in self.rates if one.situation in NAMES]
        return {
            "trials": self.trials,
            "seed": self.seed,
            "cells": [*cells.values()],
            "courses": courses,
        }


CELL = ("situation", "variants", "tasters", "truth", "procedure")
QUESTIONS = ("false_alarm", "coverage", "found", "false_alike")


@dataclass(frozen=True, slots=True)
class Answer:
    """What one procedure says of one variant; None where it says nothing."""

    kind: Kind | None
    interval: Interval | None


def answers(result: AttributeResult | PooledAttribute, procedure: By) -> dict[int, Answer]:
    """Pick a procedure's answers out of the verdicts of trials that the mixed model decides.

    By variant, 1 the first after the control; one that was not compared is not in it.
    """
    said = {}
    for comparison in result.comparisons:
        kind: Kind | None = comparison.verdict
        contrast: Contrast | NoResult
        if isinstance(comparison, PooledComparison):
            contrast = comparison.deciding
        else:
            contrast = comparison.mixed if procedure == "mixed" else comparison.ranks
            kind = kind if procedure == "mixed" else comparison.verdict_by_other
        if not isinstance(contrast, NoResult):
            number = int(comparison.variant.name.rpartition("-")[2])
            said[number] = Answer(kind, contrast.interval)
    return said


def replies(said: dict[int, Answer], true: Truths, procedure: By) -> dict[str, bool | None]:
    """Tell of each of `QUESTIONS` whether it came true in a trial; None where it cannot be asked.

    >>> true = Truths(levels=(5, 5, 6.5), differs=(False, True), means=(0, 1.5),
    ...               pseudomedians=(0, 1.5))
    >>> said = {1: Answer("different", Interval(0.2, 2)), 2: Answer("open", Interval(0, 2))}
    >>> replies(said, true, "mixed")
    {'false_alarm': True, 'coverage': False, 'found': False, 'false_alike': False}
    """
    like = [number for number, off in enumerate(true.differs, 1) if not off]
    unlike = [number for number, off in enumerate(true.differs, 1) if off]
    differences = true.differences(procedure)
    held = [
        course_rates.holds(answer.interval, differences[number - 1])
        for number, answer in said.items()
        if answer.interval is not None
    ]

    def called(numbers: Sequence[int], *kinds: Kind) -> bool | None:
        hits = (number in said and said[number].kind in kinds for number in numbers)
        return any(hits) if numbers else None

    return {
        "false_alarm": called(like, "different", "slight"),
        "coverage": all(held) if held else None,
        "found": called(unlike, "different", "slight") if len(unlike) == 1 else None,
        "false_alike": called(unlike, "alike", "slight"),
    }


def rate(true: int, asked: int) -> Rate:
    """Turn counts into a rate with its Monte Carlo standard error."""
    share = true / asked
    return Rate(share, math.sqrt(share * (1 - share) / asked), asked)


TASTERS = (4, 6, 8, 12, 16, 24)
VARIANTS = (4, 5)
TRIALS = 2000
CHUNK = 100  # trials drawn from one seed, whatever the number of workers


def calibrate(
    *,
    trials: int = TRIALS,
    seed: int = 1,
    tasters: Sequence[int] = (),
    variants: Sequence[int] = VARIANTS,
    situations: Sequence[Situation | CourseSituation] = (*SITUATIONS, *COURSES),
    n_jobs: int | None = None,
    progress: Progress | None = None,
) -> Calibration:
    """Simulate complete trials, judge them as a folder is judged, and count what was right.

    - `trials`: a cell where no variant differs and every flip is made; half as many where some
      variant differs, and half as many again where flips are sampled; of courses over days all
    - `seed`: the result is the same for any number of workers, and a cell's whatever else is asked
    - `tasters`: sizes of panels, from 2; where empty `TASTERS`, and over days
      `course_rates.TASTERS`
    - `variants`: from 3, the control included; a course has its own
    - `n_jobs`: processes, as joblib counts them: -1 for all cores
    - `progress`: called with the chunks of trials done and their number, first with 0

    >>> found = calibrate(trials=4, seed=1, tasters=[6], situations=SITUATIONS[:1])
    >>> found.rates[0].question, found.rates[0].rate.trials
    ('false_alarm', 4)
    """
    wanted: dict[Cell, tuple[int, int]] = {}
    for known in situations:
        if isinstance(known, CourseSituation):
            truth_of: Sequence[Truth] = ("all",) if known.turning else ("none", "all")
            sizes = itertools.product(tasters or course_rates.TASTERS, truth_of)
            cells = [Cell(known, known.variants, *panel) for panel in sizes]
            wanted |= dict.fromkeys(cells, (trials, course_rates.CHUNK))
            continue
        for panel in itertools.product(variants, tasters or TASTERS, TRUTHS):
            cell = Cell(known, *panel)
            halved = (cell.tasters > EXACT_UP_TO) + (cell.truth != "none")
            wanted[cell] = max(1, trials >> halved), CHUNK
    jobs = [
        (seed, cell, start, min(chunk, count - start))
        for cell, (count, chunk) in sorted(wanted.items(), key=lambda one: -one[0].tasters)
        for start in range(0, count, chunk)
    ]
    found: dict[Cell, list[tuple[Asked, tuple[int, int]]]] = {cell: [] for cell in wanted}
    chunks = sweep(count_chunk, jobs, n_jobs, progress)
    for (_, cell, _, _), counts in zip(jobs, chunks, strict=True):
        found[cell] += counts.items()
    rates = (
        Counted(cell.situation.name, *cell[1:], *asked, rate(true, of))
        for cell, parts in found.items()
        for asked, (true, of) in summed(parts).items()
        if of  # a question that could never be asked has no rate
    )
    return Calibration(trials=trials, seed=seed, rates=tuple(rates))


def count_chunk(seed: int, panel: Cell, start: int, trials: int) -> dict[Asked, tuple[int, int]]:
    """Simulate and judge one chunk of trials; `start` is the first one's number in its cell."""
    if isinstance(panel.situation, CourseSituation):
        return course_chunk(seed, panel, start, trials)
    situation, variants = panel.situation, panel.variants
    true = truths(situation, panel.truth, variants)
    drawn_for = (seed, *situation.name.encode(), variants, panel.tasters, *panel.truth.encode())
    rng = np.random.default_rng(np.random.SeedSequence(drawn_for, spawn_key=(start,)))
    plan = make_trial(situation, variants, panel.tasters)
    tables = simulate(plan, situation, true, trials * situation.kitchens, rng)
    judged: Iterator[AttributeResult | PooledAttribute]
    judged = (result for trial, table in tables for result in compare_trial(trial, table))
    if situation.kitchens > 1:
        kitchens = (
            Kitchen(
                name=f"kitchen {place}",
                fingerprint="",
                trial=trial,
                table=table,
                results=compare_trial(trial, table),
            )
            for place, (trial, table) in enumerate(tables)
        )
        repeats = zip(*[kitchens] * situation.kitchens, strict=True)
        judged = (found for those in repeats for found in pool(those).attributes)
    return summed(
        ((by, question), (int(reply or 0), int(reply is not None)))
        for result in judged
        for by in situation.by
        for question, reply in replies(answers(result, by), true, by).items()
    )


LIMIT = 0.055
"""Highest rate of an error at alpha 0.05 that is taken as held; coverage is at least 1 less it."""

ERRORS = 2  # Monte Carlo standard errors that a rate may be beyond the limit by chance
FEWEST_VARIANTS = 4  # of the grid; with more, one that scatters widely stands out no less

BOUND_QUESTIONS = ("false_alarm", "coverage", "false_alike")
"""The rates that are held to a limit; the share found is not."""


def is_beyond(question: str, rate: Rate) -> bool:
    """Tell whether a rate of one of `QUESTIONS` is worse than its limit by more than its noise.

    >>> is_beyond("false_alarm", Rate(0.06, 0.005, 2000)), is_beyond("coverage", Rate(0.9, 0, 2000))
    (False, True)
    """
    if question not in BOUND_QUESTIONS:
        return False
    wrong = 1 - rate.value if question == "coverage" else rate.value
    return wrong > LIMIT + ERRORS * math.sqrt(LIMIT * (1 - LIMIT) / rate.trials)


def held_to_limits(counted: Iterable[Counted]) -> Iterator[Counted]:
    """Go through every rate that has a limit, those without a claim included."""
    return (rate for rate in counted if rate.question in BOUND_QUESTIONS)


def is_assumed(situation: str, truth: Truth, procedure: str) -> bool:
    """Tell whether a procedure's assumptions hold, so that its limits have to.

    Those of ranks hold in every situation, since what is drawn for a taster could as well have
    come turned, but where jars differ and the truth is the method's: ranks speak of these jars.
    The mixed model wants all variants to scatter alike.

    >>> is_assumed("normal", "one", "mixed"), is_assumed("wide-control", "one", "mixed")
    (True, False)
    """
    if situation in NAMES:
        return (situation, procedure) not in course_rates.ASSUMING_TOO_MUCH
    found = next(known for known in SITUATIONS if known.name == situation)
    if procedure == "ranks":
        return found.jars == 1 or found.these
    return not truths(found, truth, FEWEST_VARIANTS).uneven


def pooled(rates: list[Rate]) -> Rate:
    """Put rates of the same thing together, each by its trials.

    >>> pooled([Rate(0.0, 0.0, 100), Rate(0.5, 0.05, 100)])
    Rate(value=0.25, se=0.025, trials=200)
    """
    trials = sum(rate.trials for rate in rates)
    value = sum(rate.value * rate.trials for rate in rates) / trials
    error = math.sqrt(sum((rate.se * rate.trials) ** 2 for rate in rates)) / trials
    return Rate(value, error, trials)
