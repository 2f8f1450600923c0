"""The score page of a trial folder, which is never asked what is in a cup.

Scores from a spreadsheet's export: what they would add, and adding them.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from blindspoon.collect.ballots import Answer, Cautions, Given, Stamp, points_of, tidy_comment
from blindspoon.collect.sitting import Desk, open_desk
from blindspoon.errors import FormError, Problem, ScoreError, shown, some_of
from blindspoon.files import disk, durable
from blindspoon.files.text_table import TextTable, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.ledger import open_ledger
from blindspoon.trial import Trial

Cup = tuple[str, str, str]
"""Session, taster and code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """What a file would add to the ballots.

    Parameters
    ----------
    file : str
    answers : mapping of (session, taster, code) to Answer
        What is new; `add` writes it.
    present : int
        Cups that are scored just so already.
    blank : int
        Rows without a score and a comment.
    """

    file: str
    answers: Mapping[Cup, Answer]
    present: int
    blank: int

    @property
    def tasters(self) -> dict[tuple[str, str], tuple[str, ...]]:
        """Codes that would be added, by session and taster."""
        found: dict[tuple[str, str], tuple[str, ...]] = {}
        for session, taster, code in self.answers:
            found[session, taster] = (*found.get((session, taster), ()), code)
        return found

    def lines(self) -> list[str]:
        """Say what would be added, a line a ballot."""
        return [
            f"session {session}, {shown(taster)}: {some_of(map(shown, codes), 20)}"
            for (session, taster), codes in self.tasters.items()
        ]

    def add(self, desk: Desk) -> None:
        """Write it into the ballots. Raises OSError where one cannot be written."""
        stamp = Stamp(page=secrets.token_urlsafe(12), turn=0)
        for (session, taster), codes in self.tasters.items():
            ballot = desk.ballots[session, taster]
            given = {
                code: Given(self.answers[session, taster, code], ballot.contents.answer(code).mark)
                for code in codes
            }
            ballot.save(given, stamp)


def plan_addition(
    trial: Trial, desk: Desk, table: TextTable, servings: TextTable | None
) -> Addition:
    """See what a table would add.

    Parameters
    ----------
    trial : Trial
    desk : Desk
    table : TextTable
        Columns as in scores.csv.
    servings : TextTable or None

    Raises
    ------
    ScoreError
        With every problem that the check finds in the table.
    FormError
        With every cup that is scored already, and otherwise than in the table.
    """
    ledger = open_ledger(trial, [table], servings)
    if ledger.problems:
        raise ScoreError(ledger.problems)
    scores, _ = points_of(trial.attributes, table)
    blank = ("",) * len(scores)
    comments = table.cells("comment") if "comment" in table.columns else blank
    rows = [
        (ledger.scored.texts(row), int(table.lines[row]), Answer(scores=points, comment=comment))
        for row, (points, comment) in enumerate(
            zip(scores, map(tidy_comment, comments), strict=True)
        )
    ]
    filled = [each for each in rows if not each[2].blank]
    new = {cup: answer for cup, _, answer in filled if _is_new(desk, cup, answer)}
    problems = [
        problem
        for cup, line, answer in filled
        if cup in new
        for problem in _conflicts(desk, cup, answer, table.file, line)
    ]
    if problems:
        raise FormError(problems)
    return Addition(
        file=table.file,
        answers=new,
        present=len(filled) - len(new),
        blank=len(rows) - len(filled),
    )


def _is_new(desk: Desk, cup: Cup, answer: Answer) -> bool:
    session, taster, code = cup
    return desk.ballots[session, taster].contents.answer(code) != answer


def _conflicts(desk: Desk, cup: Cup, answer: Answer, file: str, line: int) -> Iterator[Problem]:
    """Find scores that would be replaced; gaps may be filled."""
    session, taster, code = cup
    ballot = desk.ballots[session, taster]
    now = ballot.contents.answer(code)
    pairs = zip((*now.scores, now.comment), (*answer.scores, answer.comment), strict=True)
    if code in ballot.elsewhere or any(old and old != new for old, new in pairs):
        there = ballot.elsewhere.get(code, ballot.paper.file)
        yield Problem(
            slug="scored-already",
            file=file,
            line=line,
            found=f"{shown(code)} of {shown(taster)} in session {session} is scored in {there}",
            allowed="a file adds what is not scored yet, and replaces nothing",
            remedy=f"Take the row out, or correct {there}",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tasting:
    """A trial folder that is ready to be filled in.

    Parameters
    ----------
    desk : Desk
        For `collect.server.serve`.
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
        table = read_table(durable.read_file(file), shown(file.name, 200))
        return plan_addition(self.trial, self.desk, table, self.servings)

    def add(self, addition: Addition) -> None:
        """Add what was planned.

        Raises
        ------
        TrialFileError
            If a ballot could not be written.
        """
        with durable.complaining():
            addition.add(self.desk)


@contextlib.contextmanager
def opened(folder: Path, cautions: Cautions | None = None) -> Iterator[Tasting]:
    """Make a trial folder ready to be filled in, for one process at a time.

    Parameters
    ----------
    folder : Path
        Holds trial.toml and servings.csv. The key is not opened.
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
    with durable.held(folder) as kept:
        text = _read(folder)
        trial, servings = parse_trial(text.trial), text.table("servings.csv")
        with durable.complaining():
            kept.sweep()
            desk = open_desk(trial, text.scores, servings, kept, cautions or _cautions(trial))
        yield Tasting(desk=desk, trial=trial, servings=servings)


def _cautions(trial: Trial) -> Cautions:
    tasting = trial.tasting
    return Cautions(allergens=tasting.allergens, consent=tasting.consent, rest=tasting.rest)


def _read(folder: Path) -> disk.FolderText:
    return disk.read_folder(folder, without=disk.KEY)
