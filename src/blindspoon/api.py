"""What the commands do, as functions on trial folders: ``import blindspoon as bs``.

A ``folder`` is a text or a path, and holds trial.toml.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from operator import index
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindspoon.analysis import analyse, compose_report, pool_folders, to_record
from blindspoon.errors import Note
from blindspoon.examine import Examination, examine
from blindspoon.files import disk
from blindspoon.files.trial_folder import FolderText, read_folder
from blindspoon.findings.comparison import Analysis, Comparison, NotCompared
from blindspoon.findings.pool_checks import Pool
from blindspoon.scores.score_table import ScoreTable, build_table
from blindspoon.scores.standing import see_lifted, standing
from blindspoon.stats.results import NoResult as NoResult  # noqa: PLC0414 - is given on
from blindspoon.stats.results import records_frame
from blindspoon.trial import Pourer, Trial, today
from blindspoon.wording import count

if TYPE_CHECKING:
    import pandas as pd

    from blindspoon.lifting import Lifting
    from blindspoon.packing.pack import Progress, Published
    from blindspoon.serving.plan import ServingPlan
    from blindspoon.simulate.size_results import Sizing
    from blindspoon.writeup.writers import Column

Folder = str | PathLike[str]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class TrialFolder:
    """A trial folder that was read and found sound.

    Parameters
    ----------
    text : FolderText
        The files as they were read.
    notes : tuple of Note
        What is worth knowing about the files.
    """

    path: Path
    text: FolderText
    trial: Trial
    table: ScoreTable
    notes: tuple[Note, ...]

    def __repr__(self) -> str:
        """Name the folder, and say how much is in it."""
        who, cups = count(len(self.table.tasters), "taster"), len(self.table.taster)
        return f"TrialFolder({str(self.path)!r}: {who}, {cups} scored cups)"

    @property
    def scores(self) -> pd.DataFrame:
        """The scores, a row a cup in the order of the files.

        Columns are session, taster, variant and batch (text; batch missing where none is named),
        position (a whole number, missing where it is not known) and one an attribute, in points,
        NaN where nobody gave a score.
        """
        return self.table.to_frame(self.trial)

    def compare(self) -> Compared:
        """Compare every variant with the control, as it was read; see `compare`."""
        return Compared(analysis=analyse(self.path, self.text))


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Compared:
    """What a trial found.

    Parameters
    ----------
    analysis : Analysis
        All of it, as the report reads it.
    """

    analysis: Analysis

    def __repr__(self) -> str:
        """Name the folder, and give every verdict."""
        told = [f"{a}, {v}: {it.verdict or 'not compared'}" for (a, v), it in self._named.items()]
        told += [f"choice, {c.variant.name}: {c.verdict}" for c in self.analysis.choices]
        return "\n  ".join([f"Compared({self.analysis.folder!r})", *told])

    __iter__ = None  # else a loop, or `in`, would ask for the comparison named 0

    @property
    def comparisons(self) -> tuple[Comparison, ...]:
        """Every variant that could be compared, an attribute after the other."""
        return self.analysis.comparisons

    def __getitem__(self, names: tuple[str, str]) -> Comparison:
        """Find a comparison by the names of its attribute and its variant.

        Raises
        ------
        KeyError
            If there is no such comparison, with the reason or the names that there are.
        """
        match self._named.get(names):
            case Comparison() as comparison:
                return comparison
            case NotCompared(reason=reason):
                raise KeyError(f"{names}: {reason}")
        told = ", ".join(map(str, self._named)) or "the scored: see choices_frame() for sets"
        raise KeyError(f"{names} is not among {told}")

    @property
    def _named(self) -> dict[tuple[str, str], Comparison | NotCompared]:
        others = (it for result in self.analysis.results for it in result.others)
        return {(it.attribute.name, it.variant.name): it for it in others}

    def to_record(self) -> dict[str, Any]:
        """Give everything as plain values: what ``compare --json`` prints."""
        return to_record(self.analysis)

    def to_frame(self) -> pd.DataFrame:
        """Lay out the comparisons, a row each, with every number of ``compare --json``."""
        from blindspoon.writeup.columns import COMPARED  # noqa: PLC0415
        from blindspoon.writeup.records import trial_record  # noqa: PLC0415

        return _frame(trial_record(self.analysis)["comparisons"], COMPARED)

    def choices_frame(self) -> pd.DataFrame:
        """Lay out the answers to sets of cups, a row a variant; without any, no rows."""
        from blindspoon.writeup.asked_columns import CHOICE  # noqa: PLC0415
        from blindspoon.writeup.records import trial_record  # noqa: PLC0415

        return _frame(trial_record(self.analysis).get("choices", ()), CHOICE)

    def days_frame(self) -> pd.DataFrame:
        """Lay out every day of a course, a row each; without one, no rows."""
        from blindspoon.writeup.asked_columns import COURSE_DAYS  # noqa: PLC0415
        from blindspoon.writeup.records import day_values  # noqa: PLC0415
        from blindspoon.writeup.writers import csv_names  # noqa: PLC0415

        names, rows = csv_names(COURSE_DAYS), day_values(self.analysis)
        return records_frame([dict(zip(names, row, strict=True)) for row in rows], names)

    def verify(self) -> pd.DataFrame:
        """Compute every number again with statsmodels and scipy; see `verify.recompute`."""
        from blindspoon.verify import recompute  # noqa: PLC0415 - brings in statsmodels
        from blindspoon.writeup.records import trial_record  # noqa: PLC0415 - not for `check`

        found = self.analysis
        return recompute(found.table.to_frame(found.trial), trial_record(found))


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Pooled:
    """What several kitchens found together."""

    pool: Pool

    def __repr__(self) -> str:
        """Name the kitchens."""
        return f"Pooled({', '.join(repr(kitchen.name) for kitchen in self.pool.kitchens)})"

    def report(self, to: Folder = "reports") -> Path:
        """Write the page of these kitchens, with its charts and numbers, and say where it is."""
        from blindspoon.packing import pack  # noqa: PLC0415 - brings in the charts

        target = Path(to) / pack.name_of(self.pool)
        made = pack.pack_kitchens(self.pool, all_sizes=False)
        disk.write_folder_atomically(target, made.files)
        return target / "index.html"

    def publish(
        self,
        to: Folder = "published",
        progress: Progress | None = None,
        *,
        jar_g: float = 1000,
    ) -> Published:
        """Write all that is sent out, with the kit of the first kitchen; see `publish`."""
        from blindspoon.packing import pack  # noqa: PLC0415 - brings in matplotlib

        made = pack.pack_kitchens(
            self.pool, all_sizes=True, jar_g=_held_by_jar(jar_g), progress=progress
        )
        return pack.write_pack(made, Path(to) / pack.name_of(self.pool))

    def to_record(self) -> dict[str, Any]:
        """Give everything as plain values: what ``compare --json`` prints of several folders."""
        from blindspoon.writeup.records import pool_record  # noqa: PLC0415 - not for `check`

        return pool_record(self.pool)

    def to_frame(self) -> pd.DataFrame:
        """Lay out the pooled comparisons, a row each."""
        from blindspoon.writeup.columns import POOLED_COMPARISON  # noqa: PLC0415

        return _frame(self.to_record()["comparisons"], POOLED_COMPARISON)


def _frame(records: Sequence[Mapping[str, Any]], columns: Sequence[Column]) -> pd.DataFrame:
    from blindspoon.writeup.writers import described  # noqa: PLC0415 - not for `check`

    return records_frame(records, [each.name for each in described(columns, of_json=True)])


def read(folder: Folder) -> TrialFolder:
    """Read a trial folder whose blind was lifted, or that was never sealed.

    Parameters
    ----------
    folder : str or path
        Holds trial.toml and the scores.

    Raises
    ------
    TrialError
        With every problem of the folder, or where its blind is sealed and not lifted.
    """
    text = read_folder(Path(folder))
    see_lifted(standing(text))
    table, notes = build_table(text.trial, text.tables)
    return TrialFolder(
        path=Path(folder), text=text, trial=text.trial, table=table, notes=(*text.notes, *notes)
    )


def check(folder: Folder) -> Examination:
    """List everything that can be said before the blind is lifted.

    Returns
    -------
    Examination
        Its ``problems``, ``notes`` and ``cautions``; ``to_frame()`` has a row each.

    Raises
    ------
    TrialFileError
        If files of the folder cannot be read at all.
    """
    return examine(Path(folder))


def size(
    folder: Folder,
    *,
    tasters: int | Sequence[int] = (),
    sessions: int | Sequence[int] = (),
    trials: int = 2000,
    like: Folder | None = None,
) -> Sizing:
    """Say how many tasters and sessions the question of a trial needs.

    Parameters
    ----------
    tasters, sessions : int or sequence of int
        Sizes to try; the usual ones where empty. Of one taster alone the sessions are rounds.
    trials : int
        Simulated trials for each size, at most.
    like : str or path, optional
        An earlier trial folder, whose spread of scores is taken; else common practice.

    Returns
    -------
    Sizing
        ``to_frame()`` has a row a size and procedure.

    Raises
    ------
    TrialError
        If the folder has problems, nothing is scored but sets are answered (what these need the
        command says), no attribute has a margin, or a size or `trials` is too small.
    TypeError
        If a size is no whole number.
    """
    from blindspoon.planning import size_folder  # noqa: PLC0415 - brings in simulate

    _, sizing = size_folder(
        Path(folder), like=None if like is None else Path(like), tasters=_numbers(tasters),
        sessions=_numbers(sessions), trials=trials, both=True,
    )  # fmt: skip
    return sizing


def _numbers(given: int | Sequence[int]) -> list[int]:
    import numpy as np  # noqa: PLC0415 - not for `check`

    return [index(number) for number in np.atleast_1d(given).tolist()]


def blind(folder: Folder, *, declare: bool = False) -> ServingPlan:
    """Draw codes and serving orders, and write servings.csv, key.csv and seal.toml.

    The batches of batches.csv are dealt out, where there is one.

    Parameters
    ----------
    declare : bool
        Whether the rule is declared today, where trial.toml does not date it.

    Returns
    -------
    ServingPlan
        ``to_frame()`` has a row a cup with its variant: nobody who tastes may see it.

    Raises
    ------
    TrialError
        If the design cannot be drawn, a cup was scored already, or the blind was drawn before.
    """
    from blindspoon.drawing import draw_blind  # noqa: PLC0415 - brings in the sheets

    return draw_blind(Path(folder), today(), declare=declare)


def lift(
    folder: Folder, *, yes: bool = False, last: bool = False, poured: Pourer | None = None
) -> Lifting:
    """End the tasting and lift the blind, once, with a record in seal.toml.

    Parameters
    ----------
    yes : bool
        Whether to do it; without it nothing is written, and what is missing can be looked at.
    last : bool
        Whether nobody is added after this, though a declared look is left.
    poured : {"helper", "each-other", "taster", "unknown"}
        Who poured, for the report: somebody who did not taste, two tasters for each other, or one.
        Of a tasting that was lifted, it puts right what was said then.

    Returns
    -------
    Lifting
        What is ``missing``, what is recorded, and whether it was.

    Raises
    ------
    TrialError
        If there is nothing to lift, it was lifted before, or the folder has problems.
    """
    from blindspoon.lifting import correct_pourer, lift_blind  # noqa: PLC0415 - as for `blind`

    where, who = Path(folder), (poured or "unknown") if yes else None
    again = correct_pourer(where, poured, today()) if yes and poured else None
    return again or lift_blind(where, today(), lambda _: who, last=last)


def compare(folder: Folder) -> Compared:
    """Compare every variant of a trial with the control on every attribute.

    Returns
    -------
    Compared
        ``result["texture", "vine-leaf"]`` is one comparison, with its ``verdict``;
        ``comparisons`` has them all, and ``to_frame()`` a row each.

    Raises
    ------
    TrialError
        With every problem of the folder.
    """
    return Compared(analysis=analyse(Path(folder)))


def pool(first: Folder, second: Folder, /, *more: Folder) -> Pooled:
    """Pool the repeats of one trial from several kitchens; the rule of the first decides.

    Raises
    ------
    TrialError
        With every problem of every folder, or everything that keeps them from being pooled.
    """
    return Pooled(pool=pool_folders([Path(folder) for folder in (first, second, *more)]))


def report(
    folder: Folder, to: Folder = "reports", *, tell: Callable[[str], None] | None = None
) -> Path:
    """Write the page of a trial with its charts and tables, and say where it is.

    Parameters
    ----------
    to : str or path
        The folder of all reports; the trial's own folder lies in it.
    tell : callable, optional
        Told, a sentence each, which of the host's pictures are left out, and why.

    Raises
    ------
    TrialError
        With every problem of the folder; an earlier report is still there.
    """
    from blindspoon.writeup.page import render  # noqa: PLC0415 - brings in matplotlib

    analysis = analyse(Path(folder))
    content = compose_report(analysis)
    target = Path(to) / analysis.folder
    disk.write_folder_atomically(target, render(content))
    if tell is not None:
        for text in content.lacking:
            tell(text)
    return target / "index.html"


def publish(
    folder: Folder,
    to: Folder = "published",
    *,
    jar_g: float = 1000,
    progress: Progress | None = None,
) -> Published:
    """Write all that is sent out: the page in every form, figures, data and a kit.

    Parameters
    ----------
    to : str or path
        The trial's own folder, and its zip file, lie in it.
    jar_g : float
        Grams that a reader's jar holds, to which the recipes are scaled.
    progress : callable, optional
        Told how many steps are done, and of how many.

    Returns
    -------
    Published
        The ``folder``, the ``zipped`` file, and sentences on what is ``lacking``.

    Raises
    ------
    TrialError
        With every problem of the folder; what was published before is still there.
    ValueError
        If no jar holds so much.
    """
    from blindspoon.packing import pack  # noqa: PLC0415 - brings in matplotlib

    jar_g = _held_by_jar(jar_g)
    analysis = analyse(Path(folder))
    made = pack.pack(analysis, jar_g=jar_g, progress=progress)
    return pack.write_pack(made, Path(to) / analysis.folder)


def _held_by_jar(jar_g: float) -> float:
    if not 1 <= jar_g <= 1_000_000:
        raise ValueError(f"jar_g is from 1 to 1,000,000 grams, not {jar_g}")
    return jar_g
