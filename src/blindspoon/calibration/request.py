"""A calibration as it was asked for on the command line."""

from __future__ import annotations

import datetime
import time
from collections.abc import Sequence
from dataclasses import dataclass

from blindspoon import __version__
from blindspoon.calibration.page import Run, make_block, renew
from blindspoon.calibration.results import Calibration
from blindspoon.calibration.situations import SITUATIONS, Situation
from blindspoon.calibration.sweep import TASTERS, TRIALS, Progress, calibrate
from blindspoon.errors import DesignError, Problem, did_you_mean

SEED = 20260905


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What may be chosen.

    Parameters
    ----------
    trials, seed : int
        See `blindspoon.calibration.sweep.calibrate`.
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
