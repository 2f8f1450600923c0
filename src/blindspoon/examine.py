"""Everything that can be said of a trial folder before the blind is lifted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from blindspoon import files
from blindspoon.errors import Note, Problem, TrialError
from blindspoon.scores import check_scores
from blindspoon.trial import parse_trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Examination:
    """What can be said of a trial folder before the blind is lifted.

    Parameters
    ----------
    problems : tuple of Problem
        What has to be put right before anything is compared.
    notes : tuple of Note
        What is worth knowing: scores that are missing, columns that are not used.
    """

    problems: tuple[Problem, ...]
    notes: tuple[Note, ...]


def examine(folder: Path) -> Examination:
    """Check a trial folder without looking up a single cup in the key.

    Raises
    ------
    TrialFileError
        If files of the folder cannot be read at all.
    """
    text = files.read_folder(folder)
    tables = (*text.scores, text.table("servings.csv"), text.table("key.csv"))
    try:
        trial = parse_trial(text.trial)
    except TrialError as error:
        unreadable = [problem for table in tables if table for problem in table.problems]
        return Examination(problems=(*error.problems, *unreadable), notes=text.notes)
    problems, notes = check_scores(trial, text.scores, *tables[-2:])
    waiting = [problem for problem in problems if problem.slug == "no-scores"]
    return Examination(
        problems=tuple(problem for problem in problems if problem not in waiting),
        notes=(*text.notes, *notes, *(Note(file=each.file, text=each.found) for each in waiting)),
    )
