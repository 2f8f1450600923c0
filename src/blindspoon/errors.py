"""What can be wrong with a trial folder, and how it is said.

TrialError
    Everything the user can put right. It carries every problem found, not only the first.
    ├── TrialFileError   trial.toml, or a file that is missing or cannot be read
    ├── ScoreError       scores.csv, ballots, servings.csv, key.csv
    ├── DesignError      a design that cannot be drawn or compared
    └── FormError        the score page

Only `cli.main` catches `TrialError`. Every other exception is a bug and keeps its traceback.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing to put right: where it is, what was found, what is allowed, what to do.

    Parameters
    ----------
    slug : str
        The name of the kind of problem, its heading in ``docs/reference/errors.md``.
    file : str
        Path as the user would write it, relative to the trial folder.
    line : int or None
        Line in the file, counted from 1; None where the problem is the whole file.
    column : str or None
        Name of the column or key; None where there is none.
    found, allowed, remedy : str
        Three sentence parts without a full stop.
    """

    slug: str
    file: str
    line: int | None = None
    column: str | None = None
    found: str
    allowed: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.where}: {self.found}; {self.allowed}. {self.remedy}."

    @property
    def where(self) -> str:
        """File, line and column in words."""
        line = "" if self.line is None else f" line {self.line}"
        column = "" if self.column is None else f", column {self.column}"
        return f"{self.file}{line}{column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something worth knowing that blocks nothing, such as a column that is not used."""

    file: str
    line: int | None = None
    text: str

    def __str__(self) -> str:
        line = "" if self.line is None else f" line {self.line}"
        return f"{self.file}{line}: {self.text}"


class TrialError(Exception):
    """Problems in the user's files, all of them at once.

    Parameters
    ----------
    problems : sequence of Problem
        At least one, in the order in which they are to be shown.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class TrialFileError(TrialError):
    """trial.toml does not say what it must, or a file cannot be read."""


class ScoreError(TrialError):
    """The tables of the folder do not fit trial.toml or one another."""


class DesignError(TrialError):
    """The design cannot be drawn or compared."""


class FormError(TrialError):
    """The score page cannot be served."""
