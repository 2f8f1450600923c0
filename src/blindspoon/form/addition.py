"""Scores from a spreadsheet's export: what they would add, and adding them."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from blindspoon.errors import FormError, Problem, ScoreError, shown, some_of
from blindspoon.form.answers import Answer, points_of, tidy_comment
from blindspoon.form.ballots import Given, Stamp
from blindspoon.form.desk import Desk
from blindspoon.ledger import open_ledger
from blindspoon.tables import TextTable
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
