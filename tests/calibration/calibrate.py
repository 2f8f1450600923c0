"""How often the verdicts are right: simulated trials, judged as real ones, and the rates."""

import datetime
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from joblib import parallel_config  # type: ignore[import-untyped]

from blindspoon import wording
from blindspoon.files.text_table import FolderTables, write_csv
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.comparison import AttributeResult
from blindspoon.findings.pool_checks import Kitchen, PooledAttribute, PooledComparison
from blindspoon.findings.pooling import pool
from blindspoon.findings.rule import By, Kind
from blindspoon.scores.standing import Standing
from blindspoon.simulate.trials import Progress, sweep
from blindspoon.stats.results import Contrast, Interval, NoResult, Record
from blindspoon.stats.sign_flips import EXACT_UP_TO
from blindspoon.version import __version__
from tests.calibration import course_rates
from tests.calibration.course_rates import (
    COURSES,
    NAMES,
    Asked,
    Cell,
    CourseSituation,
    course_chunk,
    summed,
)
from tests.calibration.situations import (
    SITUATIONS,
    TRUTHS,
    Situation,
    Truth,
    Truths,
    make_trial,
    simulate,
    truths,
)


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
        return _is_assumed(self.situation, self.truth, self.procedure)


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
TRIALS, SEED = 2000, 20260905
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
    with parallel_config("loky"):  # threads would wait: a trial is judged in Python, not in numpy
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
                folder="",
                fingerprint="",
                trial=trial,
                table=table,
                results=compare_trial(trial, table),
                made=None,
                notes=(),
                standing=Standing(),
                tables=FolderTables(scores=()),
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


def _is_assumed(situation: str, truth: Truth, procedure: str) -> bool:
    """Tell whether a procedure's assumptions hold, so that its limits have to.

    Those of ranks hold in every situation, since what is drawn for a taster could as well have
    come turned, but where jars differ and the truth is the method's: ranks speak of these jars.
    The mixed model wants all variants to scatter alike.

    >>> _is_assumed("normal", "one", "mixed"), _is_assumed("wide-control", "one", "mixed")
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


HEADING = (
    "date", "blindspoon", "seed", "situation", "variants", "tasters", "truth", "procedure",
    "question", "rate", "error", "trials",
)  # fmt: skip
"""Columns of the CSV: the Monte Carlo standard error of the rate, and the trials in which the
question could be asked."""

PROCEDURES: dict[str, str] = {"mixed": "mixed model", "ranks": "ranks"}

DIFFER: dict[Truth, str] = {"none": "none differs", "one": "one differs", "all": "all differ"}

COLUMNS: tuple[tuple[str, str, Truth], ...] = (
    ("false alarm, none differs", "false_alarm", "none"),
    ("false alarm, one differs", "false_alarm", "one"),
    ("coverage, none", "coverage", "none"),
    ("coverage, one", "coverage", "one"),
    ("coverage, all", "coverage", "all"),
    ("found", "found", "one"),
    ("false alike", "false_alike", "all"),
)
"""Heading, rate and truth of every column of a situation's table."""

ENOUGH = 100
"""Trials from which a rate may be called the worst; few trials of a small panel have intervals."""


def to_csv(calibration: Calibration, date: datetime.date) -> str:
    """Write every rate on a line of its own, with what it takes to make it again."""
    made = (date.isoformat(), __version__, calibration.seed)
    rows = [
        (*made, one.situation, one.variants, one.tasters, one.truth, one.procedure, one.question,
         round(one.rate.value, 6), round(one.rate.se, 6), one.rate.trials)
        for one in calibration.rates
    ]  # fmt: skip
    return write_csv([HEADING, *(map(str, row) for row in rows)])


def summary(counted: Iterable[Counted]) -> str:
    """Pool the rates over the panels, a line a situation and procedure, and list those beyond."""
    every: dict[tuple[str, str], list[Counted]] = {}
    for one in counted:
        every.setdefault((one.situation, one.procedure), []).append(one)
    usual = {pair: rates for pair, rates in every.items() if pair[0] not in NAMES}
    over_days = {pair: rates for pair, rates in every.items() if pair[0] in NAMES}
    parts = []
    for pairs, columns in ((usual, BOUND_QUESTIONS), (over_days, QUESTIONS)):
        if not pairs:
            continue
        if pairs is over_days:
            named = {situation for situation, _ in pairs}
            says = (f"- {known.name}: {known.says}" for known in COURSES if known.name in named)
            parts += ["Over days:", "\n".join(says)]
        heads = ["situation", "procedure", "its assumptions hold"]
        heads += [f"{question.replace('_', ' ')} (worst)" for question in columns]
        rows = [_pooled_row(*pair, rates, columns) for pair, rates in pairs.items()]
        parts += [_table([*heads, *["beyond a limit"] * (pairs is usual)], rows)]
        parts += _beyond([*held_to_limits(itertools.chain(*pairs.values()))])
    return "\n\n".join(parts) + "\n"


def _pooled_row(
    situation: str, procedure: str, rates: Sequence[Counted], columns: Sequence[str]
) -> list[str]:
    """Tell the rates of one procedure in one situation, pooled over the panels."""
    over_days = situation in NAMES
    asked_of: Sequence[Truth] = ("all",) if over_days else TRUTHS
    holding = [truth for truth in asked_of if _is_assumed(situation, truth, procedure)]
    assumed = f"where {wording.listing(DIFFER[truth] for truth in holding)}" if holding else "no"
    row = [situation, procedure if over_days else PROCEDURES[procedure]]
    row.append("yes" if len(holding) == len(asked_of) else assumed)
    for question in columns:
        asked = [one for one in rates if one.question == question]
        if question == "false_alike" and not over_days:
            asked = [one for one in asked if one.truth == "all"]
        values = [one.rate.value for one in asked if one.rate.trials >= ENOUGH]
        worst = (min if question in {"coverage", "found"} else max)(values, default=None)
        told = "–" if worst is None else wording.number(worst, 3)
        row.append(f"{_told(pooled([one.rate for one in asked]))} ({told})" if asked else "–")
    held = [*held_to_limits(rates)]
    return row if over_days else [*row, f"{sum(one.beyond for one in held)} of {len(held)}"]


def _beyond(held: Sequence[Counted]) -> Iterator[str]:
    """Tell how many rates are beyond their limit; of which, how often and how far at worst."""
    for assumed, where in ((True, "hold"), (False, "do not hold")):
        mine = [one for one in held if one.assumed is assumed]
        alike: dict[tuple[str, str, str], list[Counted]] = {}
        for one in mine:
            alike.setdefault((one.situation, one.procedure, one.question), []).append(one)
        lines = []
        for (situation, by, question), cells in alike.items():
            if beyond := [one.rate for one in cells if one.beyond]:
                worst = (min if question == "coverage" else max)(
                    beyond, key=lambda rate: rate.value
                )
                lines.append(
                    f"- {situation}, {PROCEDURES.get(by, by)}: {question.replace('_', ' ')} in "
                    f"{len(beyond)} of {len(cells)} cells, at worst {_told(worst)}"
                )
        if mine:
            yield (
                f"Where a procedure's assumptions {where}, {sum(one.beyond for one in mine)} of "
                f"{len(mine):,} rates are beyond their limit{':' if lines else '.'}"
            )
        if lines:
            yield "\n".join(lines)


def tables(counted: Sequence[Counted]) -> str:
    """Write the summary and a table of every rate for each situation, in Markdown."""
    named = {one.situation for one in counted}
    known = [situation for situation in SITUATIONS if situation.name in named]
    parts = ["### In short", summary(counted).rstrip()]
    heads = ("variants", "tasters", "procedure", *(heading for heading, _, _ in COLUMNS))
    for situation in known:
        mine = [one for one in counted if one.situation == situation.name]
        panels = dict.fromkeys((one.variants, one.tasters) for one in mine)
        rows = []
        for (variants, tasters), by in itertools.product(panels, situation.by):
            panel = (variants, tasters, by)
            rates = [one for one in mine if (one.variants, one.tasters, one.procedure) == panel]
            rows.append([str(variants), str(tasters), PROCEDURES[by], *_rates(rates)])
        scale, plain = situation.scale, wording.plain
        said = (
            f"{situation.says} Scale {plain(scale.low)} to {plain(scale.high)} in steps of "
            f"{plain(scale.step)}; the margin is {plain(situation.margin)}."
        )
        parts += [f"### {situation.name}", said, _table(heads, rows)]
    return "\n\n".join(parts) + "\n"


def _rates(panel: Sequence[Counted]) -> Iterator[str]:
    """Tell what one procedure did with one panel; of how many trials, where not of all."""
    for _, question, truth in COLUMNS:
        rates = {one.question: one for one in panel if one.truth == truth}
        if question not in rates:
            yield "–"
            continue
        rate, simulated = rates[question].rate, max(one.rate.trials for one in rates.values())
        told = f"**{_told(rate)}**" if rates[question].beyond else _told(rate)
        yield told + ("" if rate.trials == simulated else f" of {rate.trials:,}")


def _told(rate: Rate) -> str:
    return f"{wording.number(rate.value, 3)} ± {wording.number(rate.se, 3)}"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
