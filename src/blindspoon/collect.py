"""The score page of a trial folder, which is never asked what is in a cup."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from blindspoon import files, shelf
from blindspoon.delimited import read_table
from blindspoon.errors import shown
from blindspoon.form import Addition, Cautions, Desk, open_desk, plan_addition
from blindspoon.tables import TextTable
from blindspoon.trial import Trial
from blindspoon.trial_file import parse_trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Tasting:
    """A trial folder that is ready to be filled in.

    Parameters
    ----------
    desk : Desk
        For `blindspoon.form.serve`.
    trial : Trial
    servings : TextTable or None
    """

    desk: Desk
    trial: Trial
    servings: TextTable | None

    def plan(self, file: Path) -> Addition:
        """See what a spreadsheet's export would add, without adding it.

        Raises
        ------
        TrialError
            With everything that is wrong with the file, as if it were scores.csv, and every cup
            that is scored already and otherwise.
        """
        table = read_table(shelf.read_file(file), shown(file.name, 200))
        return plan_addition(self.trial, self.desk, table, self.servings)

    def add(self, addition: Addition) -> None:
        """Add what was planned.

        Raises
        ------
        TrialFileError
            If a ballot could not be written.
        """
        with shelf.complaining():
            addition.add(self.desk)


@contextlib.contextmanager
def opened(folder: Path, cautions: Cautions | None = None) -> Iterator[Tasting]:
    """Make a trial folder ready to be filled in, for one process at a time.

    Parameters
    ----------
    folder : Path
        Holds trial.toml and servings.csv. key.csv is not opened.
    cautions : Cautions, optional
        What tasters are told beside the usual cautions.

    Yields
    ------
    Tasting

    Raises
    ------
    TrialError
        With every problem of the folder; if another process has it open; if it cannot be written.
    """
    parse_trial(_read(folder).trial)  # complains before anything is written
    with shelf.held(folder) as kept:
        text = _read(folder)
        trial, servings = parse_trial(text.trial), text.table("servings.csv")
        with shelf.complaining():
            kept.sweep()
            desk = open_desk(trial, text.scores, servings, kept, cautions or _cautions(trial))
        yield Tasting(desk=desk, trial=trial, servings=servings)


def _cautions(trial: Trial) -> Cautions:
    tasting = trial.tasting
    return Cautions(allergens=tasting.allergens, consent=tasting.consent, rest=tasting.rest)


def _read(folder: Path) -> files.FolderText:
    return files.read_folder(folder, without=("key.csv",))
