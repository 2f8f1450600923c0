"""A calibration as it was asked for on the command line.

A calibration as tables in Markdown, and their place in a page.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from blindspoon import __version__, wording
from blindspoon.errors import DesignError, Problem, did_you_mean
from blindspoon.findings.comparison import By
from blindspoon.simulate.calibrate import (
    TASTERS,
    TRIALS,
    Calibration,
    CalibrationCell,
    Held,
    Progress,
    Rate,
    calibrate,
    held_to_limits,
    is_assumed,
    is_beyond,
    pooled,
)
from blindspoon.simulate.situations import SITUATIONS, TRUTHS, Situation, Truth

BEGIN, END = "<!-- calibration -->", "<!-- /calibration -->"

PROCEDURES: dict[By, str] = {"mixed": "mixed model", "ranks": "ranks"}

DIFFER: dict[Truth, str] = {
    "none": "none differs",
    "one": "one differs",
    "all": "all differ",
}

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """How a calibration was made.

    Parameters
    ----------
    date : datetime.date
    version : str
        Of Blindspoon.
    command : str
        As it was typed.
    seconds : float
        By the clock.
    """

    date: datetime.date
    version: str
    command: str
    seconds: float


def make_block(calibration: Calibration, run: Run) -> str:
    """Write the tables of a calibration between the two marks.

    Parameters
    ----------
    calibration : Calibration
    run : Run

    Returns
    -------
    str
        Markdown, ending with a line end.
    """
    names = list(dict.fromkeys(cell.situation for cell in calibration.cells))
    situations = [each for each in SITUATIONS if each.name in names]
    held = list(held_to_limits(calibration))
    parts = [
        BEGIN,
        _made(calibration, run),
        "### In short",
        _table(_SUMMARY, [row for each in situations for row in _summary(held, each)]),
        *_beyond(held),
        *(part for each in situations for part in _section(calibration, each)),
        END,
    ]
    return "\n\n".join(parts) + "\n"


def renew(text: str, block: str) -> str:
    r"""Put a block in the place of the earlier one in a page.

    Parameters
    ----------
    text : str
        The page; empty where there is none yet.
    block : str
        As `make_block` gives it.

    Raises
    ------
    DesignError
        If the page has no place for it.

    Examples
    --------
    >>> renew(f"Before.\n\n{BEGIN}\nold\n{END}\nAfter.\n", f"{BEGIN}\nnew\n{END}\n")
    'Before.\n\n<!-- calibration -->\nnew\n<!-- /calibration -->\nAfter.\n'
    """
    if not text.strip():
        return block
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise DesignError([_no_place()])
    return before + block.removesuffix("\n") + after


def _no_place() -> Problem:
    return Problem(
        slug="already-there",
        file="--to",
        found="there is such a file already, and it has no place for the tables",
        allowed=f"the lines {BEGIN} and {END} stand around their place",
        remedy="Add the two lines, or choose another file",
    )


def _made(calibration: Calibration, run: Run) -> str:
    minutes = run.seconds / 60
    took = f"{wording.number(minutes, 0)} minutes" if minutes >= 2 else "under two minutes"
    trials = wording.count(calibration.trials, "trial")
    return (
        f"Blindspoon {run.version}, {run.date.isoformat()}, seed {calibration.seed}, "
        f"{trials} a cell, {took}:\n\n"
        f"```sh\n{run.command}\n```"
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


def _summary(held: Sequence[Held], situation: Situation) -> Iterator[list[str]]:
    for by, name in PROCEDURES.items():
        mine = [each for each in held if each.cell.situation == situation.name]
        mine = [each for each in mine if each.cell.procedure == by]
        beyond = sum(each.beyond for each in mine)
        yield [
            situation.name,
            name,
            _assumed(situation, by),
            _pooled(mine, "false_alarm"),
            _pooled(mine, "coverage"),
            _pooled([each for each in mine if each.cell.truth == "all"], "false_alike"),
            f"{beyond} of {len(mine)}",
        ]


def _assumed(situation: Situation, procedure: By) -> str:
    holding = [truth for truth in TRUTHS if is_assumed(situation.name, truth, procedure)]
    if len(holding) == len(TRUTHS):
        return "yes"
    return f"where {wording.listing(DIFFER[truth] for truth in holding)}" if holding else "no"


def _pooled(held: Iterable[Held], question: str) -> str:
    found = [each.rate for each in held if each.question == question]
    if not found:
        return "–"
    values = [rate.value for rate in found if rate.trials >= ENOUGH]
    worst = (min if question == "coverage" else max)(values, default=None)
    told = "–" if worst is None else wording.number(worst, 3)
    return f"{_rate(pooled(found))} ({told})"


def _beyond(held: Sequence[Held]) -> Iterator[str]:
    for assumed, where in ((True, "hold"), (False, "do not hold")):
        mine = [each for each in held if each.assumed is assumed]
        if not mine:
            continue
        beyond = sum(each.beyond for each in mine)
        said = f"Where a procedure's assumptions {where}, {beyond} of {len(mine):,} rates are "
        yield f"{said}beyond their limit{':' if beyond else '.'}"
        if beyond:
            yield "\n".join(_told(mine))


def _told(held: Sequence[Held]) -> Iterator[str]:
    """Tell for each situation, procedure and rate how often and how far it is beyond its limit."""
    alike: dict[tuple[str, By, str], list[Held]] = {}
    for each in held:
        key = each.cell.situation, each.cell.procedure, each.question
        alike.setdefault(key, []).append(each)
    for (situation, by, question), mine in alike.items():
        beyond = [each.rate for each in mine if each.beyond]
        if beyond:
            worst = (min if question == "coverage" else max)(beyond, key=lambda rate: rate.value)
            yield (
                f"- {situation}, {PROCEDURES[by]}: {question.replace('_', ' ')} in {len(beyond)} "
                f"of {len(mine)} cells, at worst {_rate(worst)}"
            )


def _section(calibration: Calibration, situation: Situation) -> tuple[str, str, str]:
    mine = [cell for cell in calibration.cells if cell.situation == situation.name]
    panels = dict.fromkeys((cell.variants, cell.tasters) for cell in mine)
    rows = [
        [str(variants), str(tasters), name, *_rates(mine, variants, tasters, by)]
        for variants, tasters in panels
        for by, name in PROCEDURES.items()
    ]
    heads = ("variants", "tasters", "procedure", *(heading for heading, _, _ in COLUMNS))
    step, margin = (wording.plain(each) for each in (situation.scale.step, situation.margin))
    ends = f"{wording.plain(situation.scale.low)} to {wording.plain(situation.scale.high)}"
    return (
        f"### {situation.name}",
        f"{situation.says} Scale {ends} in steps of {step}; the margin is {margin}.",
        _table(heads, rows),
    )


def _rates(
    cells: Sequence[CalibrationCell], variants: int, tasters: int, procedure: By
) -> Iterator[str]:
    panel = (variants, tasters, procedure)
    by_truth = {
        cell.truth: cell for cell in cells if (cell.variants, cell.tasters, cell.procedure) == panel
    }
    for _, question, truth in COLUMNS:
        rate = getattr(by_truth[truth], question)
        if rate is None:
            yield "–"
        else:
            asked = "" if rate.trials == by_truth[truth].trials else f" of {rate.trials:,}"
            yield f"**{_rate(rate)}**{asked}" if is_beyond(question, rate) else _rate(rate) + asked


def _rate(rate: Rate) -> str:
    return f"{wording.number(rate.value, 3)} ± {wording.number(rate.se, 3)}"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


SEED = 20260905


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What may be chosen.

    Parameters
    ----------
    trials, seed : int
        See `blindspoon.simulate.calibrate.calibrate`.
    tasters : sequence of int
        Sizes of panels; the usual ones where empty.
    only : sequence of str
        Names of situations; all where empty.
    jobs : int
        Processes, as joblib counts them.
    to : str, optional
        Path of the page that the tables are for; it is only named here.
    """

    trials: int = TRIALS
    seed: int = SEED
    tasters: Sequence[int] = ()
    only: Sequence[str] = ()
    jobs: int = -1
    to: str | None = None

    def command(self) -> str:
        """Write the command that asks for this, without what is usual or changes no number.

        Examples
        --------
        >>> Asked(trials=400, tasters=[8], only=["normal"], jobs=2).command()
        'blindspoon calibrate --trials 400 --tasters 8 --only normal'
        """
        words = ["blindspoon calibrate"]
        words += [f"--trials {self.trials}"] if self.trials != TRIALS else []
        words += [f"--seed {self.seed}"] if self.seed != SEED else []
        words += [f"--tasters {size}" for size in self.tasters]
        words += [f"--only {name}" for name in self.only]
        words += [f"--to {self.to}"] if self.to else []
        return " ".join(words)


def run(
    asked: Asked, page: str, date: datetime.date, progress: Progress | None = None
) -> tuple[Calibration, str]:
    """Calibrate, and put the tables into a page.

    Parameters
    ----------
    asked : Asked
    page : str
        Markdown with a place for the tables; empty where they stand alone.
    date : datetime.date
        Today.
    progress : callable, optional

    Returns
    -------
    calibration : Calibration
    page : str
        With the new tables.

    Raises
    ------
    DesignError
        If there is no such situation, a panel is of one, or the page has no place.
    """
    _check(asked)
    renew(page, "")  # complains before the long wait
    begun = time.monotonic()
    found = calibrate(
        trials=asked.trials,
        seed=asked.seed,
        tasters=tuple(dict.fromkeys(asked.tasters)) or TASTERS,
        situations=_chosen(asked.only) or SITUATIONS,
        n_jobs=asked.jobs,
        progress=progress,
    )
    made = Run(
        date=date,
        version=__version__,
        command=asked.command(),
        seconds=time.monotonic() - begun,
    )
    return found, renew(page, make_block(found, made))


def _chosen(names: Sequence[str]) -> tuple[Situation, ...]:
    return tuple(situation for situation in SITUATIONS if situation.name in names)


def _check(asked: Asked) -> None:
    known = [situation.name for situation in SITUATIONS]
    problems = [
        _unfit("--only", f"there is no situation {name}{did_you_mean(name, known)}", known)
        for name in asked.only
        if name not in known
    ]
    if min(asked.tasters, default=2) < 2:
        problems.append(_unfit("--tasters", "a panel of one", ["2 tasters or more"]))
    if problems:
        raise DesignError(problems)


def _unfit(option: str, found: str, allowed: Sequence[str]) -> Problem:
    return Problem(
        slug="not-sizable",
        file=option,
        found=found,
        allowed=f"allowed are {', '.join(allowed)}",
        remedy="Correct the option",
    )
