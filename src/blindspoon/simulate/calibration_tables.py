"""A calibration as CSV, a row a rate, and as tables in Markdown that are made of those rows."""

from __future__ import annotations

import csv
import datetime
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import cast

from blindspoon import wording
from blindspoon.errors import DesignError, Rule, did_you_mean
from blindspoon.files.text_table import write_csv
from blindspoon.simulate import course_rates
from blindspoon.simulate.calibrate import (
    QUESTIONS,
    TASTERS,
    TRIALS,
    Calibration,
    Counted,
    Rate,
    calibrate,
    calibrate_courses,
    held_to_limits,
    is_assumed,
    pooled,
)
from blindspoon.simulate.course_rates import COURSES, NAMES
from blindspoon.simulate.situations import SITUATIONS, TRUTHS, Situation, Truth
from blindspoon.simulate.sweep import Progress
from blindspoon.version import __version__

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
        for one in calibration.counted()
    ]  # fmt: skip
    return write_csv([HEADING, *(map(str, row) for row in rows)])


def from_csv(text: str) -> tuple[Counted, ...]:
    """Read the rates of a CSV that `to_csv` wrote."""
    return tuple(
        Counted(
            row["situation"],
            int(row["variants"]),
            int(row["tasters"]),
            cast("Truth", row["truth"]),
            row["procedure"],
            row["question"],
            Rate(float(row["rate"]), float(row["error"]), int(row["trials"])),
        )
        for row in csv.DictReader(text.splitlines())
    )


def summary(counted: Iterable[Counted]) -> str:
    """Pool the rates over the panels, a line a situation and procedure, and list those beyond."""
    every = list(counted)
    over_days = [one for one in every if one.situation in NAMES]
    held = [one for one in held_to_limits(every) if one.situation not in NAMES]
    named = {one.situation for one in held}
    rows = [row for known in SITUATIONS if known.name in named for row in _summary(held, known)]
    parts = [_table(_SUMMARY, rows), *_beyond(held)] if held else []
    return "\n\n".join([*parts, *(_over_days(over_days) if over_days else ())]) + "\n"


def _over_days(counted: Sequence[Counted]) -> Iterator[str]:
    """Tell the rates of courses, pooled over the panels, a line a situation and procedure."""
    mine: dict[tuple[str, str], list[Counted]] = {}
    for one in counted:
        mine.setdefault((one.situation, one.procedure), []).append(one)
    rows = [
        [
            *pair,
            "yes" if is_assumed(pair[0], "all", pair[1]) else "no",
            *(_pooled(own, q) for q in QUESTIONS),
        ]
        for pair, own in mine.items()
    ]
    named = {situation for situation, _ in mine}
    yield "Over days:"
    yield "\n".join(f"- {known.name}: {known.says}" for known in COURSES if known.name in named)
    yield _table(_COURSE_SUMMARY, rows)
    yield from _beyond([*held_to_limits(counted)])


def tables(counted: Sequence[Counted]) -> str:
    """Write the summary and a table of every rate for each situation, in Markdown."""
    named = {one.situation for one in counted}
    known = [situation for situation in SITUATIONS if situation.name in named]
    parts = [part for situation in known for part in _section(counted, situation)]
    return "\n\n".join(["### In short", summary(counted).rstrip(), *parts]) + "\n"


_COURSE_SUMMARY = (
    "situation",
    "procedure",
    "its assumptions hold",
    *(f"{question.replace('_', ' ')} (worst)" for question in QUESTIONS),
)
_SUMMARY = (
    "situation",
    "procedure",
    "its assumptions hold",
    "false alarm (worst)",
    "coverage (worst)",
    "false alike (worst)",
    "beyond a limit",
)


def _summary(held: Sequence[Counted], situation: Situation) -> Iterator[list[str]]:
    for by in situation.by:
        mine = [one for one in held if (one.situation, one.procedure) == (situation.name, by)]
        beyond = sum(one.beyond for one in mine)
        yield [
            situation.name,
            PROCEDURES[by],
            _assumed(situation, by),
            _pooled(mine, "false_alarm"),
            _pooled(mine, "coverage"),
            _pooled([one for one in mine if one.truth == "all"], "false_alike"),
            f"{beyond} of {len(mine)}",
        ]


def _assumed(situation: Situation, procedure: str) -> str:
    holding = [truth for truth in TRUTHS if is_assumed(situation.name, truth, procedure)]
    if len(holding) == len(TRUTHS):
        return "yes"
    return f"where {wording.listing(DIFFER[truth] for truth in holding)}" if holding else "no"


def _pooled(held: Iterable[Counted], question: str) -> str:
    found = [one.rate for one in held if one.question == question]
    if not found:
        return "–"
    values = [rate.value for rate in found if rate.trials >= ENOUGH]
    worst = (min if question in {"coverage", "found"} else max)(values, default=None)
    told = "–" if worst is None else wording.number(worst, 3)
    return f"{_told_rate(pooled(found))} ({told})"


def _beyond(held: Sequence[Counted]) -> Iterator[str]:
    for assumed, where in ((True, "hold"), (False, "do not hold")):
        mine = [one for one in held if one.assumed is assumed]
        if not mine:
            continue
        beyond = sum(one.beyond for one in mine)
        said = f"Where a procedure's assumptions {where}, {beyond} of {len(mine):,} rates are "
        yield f"{said}beyond their limit{':' if beyond else '.'}"
        if beyond:
            yield "\n".join(_told(mine))


def _told(held: Sequence[Counted]) -> Iterator[str]:
    """Tell for each situation, procedure and rate how often and how far it is beyond its limit."""
    alike: dict[tuple[str, str, str], list[Counted]] = {}
    for one in held:
        key = one.situation, one.procedure, one.question
        alike.setdefault(key, []).append(one)
    for (situation, by, question), mine in alike.items():
        beyond = [one.rate for one in mine if one.beyond]
        if beyond:
            worst = (min if question == "coverage" else max)(beyond, key=lambda rate: rate.value)
            yield (
                f"- {situation}, {PROCEDURES.get(by, by)}: {question.replace('_', ' ')} in "
                f"{len(beyond)} of {len(mine)} cells, at worst {_told_rate(worst)}"
            )


def _section(counted: Sequence[Counted], situation: Situation) -> tuple[str, str, str]:
    mine = {
        (one.variants, one.tasters, one.procedure, one.truth, one.question): one
        for one in counted
        if one.situation == situation.name
    }
    panels = dict.fromkeys(key[:2] for key in mine)
    rows = [
        [str(variants), str(tasters), PROCEDURES[by], *_rates(mine, variants, tasters, by)]
        for variants, tasters in panels
        for by in situation.by
    ]
    heads = ("variants", "tasters", "procedure", *(heading for heading, _, _ in COLUMNS))
    step, margin = wording.plain(situation.scale.step), wording.plain(situation.margin)
    ends = f"{wording.plain(situation.scale.low)} to {wording.plain(situation.scale.high)}"
    return (
        f"### {situation.name}",
        f"{situation.says} Scale {ends} in steps of {step}; the margin is {margin}.",
        _table(heads, rows),
    )


def _rates(
    mine: dict[tuple[int, int, str, Truth, str], Counted], variants: int, tasters: int, by: str
) -> Iterator[str]:
    for _, question, truth in COLUMNS:
        one = mine.get((variants, tasters, by, truth, question))
        if one is None:
            yield "–"
            continue
        simulated = max(
            other.rate.trials
            for key, other in mine.items()
            if key[:4] == (variants, tasters, by, truth)
        )
        asked = "" if one.rate.trials == simulated else f" of {one.rate.trials:,}"
        told = _told_rate(one.rate)
        yield f"**{told}**{asked}" if one.beyond else told + asked


def _told_rate(rate: Rate) -> str:
    return f"{wording.number(rate.value, 3)} ± {wording.number(rate.se, 3)}"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


SEED = 20260905


def run(
    *,
    trials: int = TRIALS,
    seed: int = SEED,
    tasters: Sequence[int] = (),
    only: Sequence[str] = (),
    jobs: int = -1,
    progress: Progress | None = None,
) -> Calibration:
    """Calibrate as the user asks: the usual panels and all situations where none are named.

    The rest is that of `blindspoon.simulate.calibrate.calibrate`.

    Raises
    ------
    DesignError
        If there is no such situation, or a panel is of one.
    """
    known = [*(situation.name for situation in SITUATIONS), *NAMES]
    remedy, problems = "Correct the option", []
    for name in only:
        if name not in known:
            rule = Rule("not-sizable", f"allowed are {', '.join(known)}", remedy)
            found = f"there is no situation {name}{did_you_mean(name, known)}"
            problems.append(rule.broken(found, "--only"))
    if min(tasters, default=2) < 2:
        rule = Rule("not-sizable", "allowed are 2 tasters or more", remedy)
        problems.append(rule.broken("a panel of one", "--tasters"))
    if problems:
        raise DesignError(problems)
    chosen = tuple(situation for situation in SITUATIONS if not only or situation.name in only)
    courses = [situation for situation in COURSES if not only or situation.name in only]
    sizes = tuple(dict.fromkeys(tasters))
    cells = calibrate(
        trials=trials, seed=seed, tasters=sizes or TASTERS, situations=chosen, n_jobs=jobs,
        progress=progress if chosen else None,
    )  # fmt: skip
    counted = calibrate_courses(
        courses, trials=trials, seed=seed, tasters=sizes or course_rates.TASTERS, n_jobs=jobs,
        progress=progress if courses else None,
    )  # fmt: skip
    return replace(cells, courses=counted)
