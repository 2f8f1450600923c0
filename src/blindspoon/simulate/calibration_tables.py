"""A calibration as CSV, a row a rate, and as tables in Markdown that are made of those rows."""

import datetime
import itertools
from collections.abc import Iterable, Iterator, Sequence

from blindspoon import wording
from blindspoon.errors import DesignError, Rule, did_you_mean
from blindspoon.files.text_table import write_csv
from blindspoon.simulate.calibrate import (
    BOUND_QUESTIONS,
    QUESTIONS,
    TRIALS,
    Calibration,
    Counted,
    Rate,
    calibrate,
    held_to_limits,
    is_assumed,
    pooled,
)
from blindspoon.simulate.course_rates import COURSES, NAMES
from blindspoon.simulate.situations import SITUATIONS, TRUTHS, Truth
from blindspoon.simulate.trials import Progress
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
        for one in calibration.rates
    ]  # fmt: skip
    return write_csv([HEADING, *(map(str, row) for row in rows)])


def summary(counted: Iterable[Counted]) -> str:
    """Pool the rates over the panels, a line a situation and procedure, and list those beyond."""
    every = by_procedure(counted)
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


def by_procedure(counted: Iterable[Counted]) -> dict[tuple[str, str], list[Counted]]:
    found: dict[tuple[str, str], list[Counted]] = {}
    for one in counted:
        found.setdefault((one.situation, one.procedure), []).append(one)
    return found


def _pooled_row(
    situation: str, procedure: str, rates: Sequence[Counted], columns: Sequence[str]
) -> list[str]:
    """Tell the rates of one procedure in one situation, pooled over the panels."""
    over_days = situation in NAMES
    truths: Sequence[Truth] = ("all",) if over_days else TRUTHS
    holding = [truth for truth in truths if is_assumed(situation, truth, procedure)]
    assumed = f"where {wording.listing(DIFFER[truth] for truth in holding)}" if holding else "no"
    row = [situation, procedure if over_days else PROCEDURES[procedure]]
    row.append("yes" if len(holding) == len(truths) else assumed)
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

    The rest is that of `blindspoon.simulate.calibrate.calibrate`. Raises DesignError if there is no
    such situation, or a panel is of one.
    """
    known = [*(situation.name for situation in SITUATIONS), *NAMES]
    remedy, problems = "Correct the option", []
    for name in only:
        if name not in known:
            allowed = Rule("not-sizable", f"allowed are {', '.join(known)}", remedy)
            found = f"there is no situation {name}{did_you_mean(name, known)}"
            problems.append(allowed.broken(found, "--only"))
    if min(tasters, default=2) < 2:
        allowed = Rule("not-sizable", "allowed are 2 tasters or more", remedy)
        problems.append(allowed.broken("a panel of one", "--tasters"))
    if problems:
        raise DesignError(problems)
    every = (*SITUATIONS, *COURSES)
    return calibrate(
        trials=trials, seed=seed, tasters=tuple(dict.fromkeys(tasters)),
        situations=[situation for situation in every if not only or situation.name in only],
        n_jobs=jobs, progress=progress,
    )  # fmt: skip
