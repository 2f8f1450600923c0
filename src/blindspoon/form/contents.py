"""The content of a ballot's file: its rows by code, columns of others included."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from blindspoon.cells import missing_columns
from blindspoon.delimited import read_table
from blindspoon.errors import FormError, Problem, shown, some_of
from blindspoon.form.answers import Answer, points_of, write_rows
from blindspoon.tables import TextTable
from blindspoon.trial import Attribute

Rows = Mapping[str, Mapping[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """Whose ballot it is, and what it asks.

    Parameters
    ----------
    session, taster : str
    codes : tuple of str
        The cups, in the order of serving.
    attributes : tuple of Attribute
    file : str
        Its name in the trial folder.
    """

    session: str
    taster: str
    codes: tuple[str, ...]
    attributes: tuple[Attribute, ...]
    file: str

    @property
    def names(self) -> tuple[str, ...]:
        """Columns of the scores."""
        return tuple(attribute.name for attribute in self.attributes)

    def empty(self) -> Contents:
        """Give a ballot without a row."""
        columns = ("session", "taster", "code", *self.names, "comment")
        return Contents(paper=self, columns=columns, rows={})

    def read(self, data: bytes) -> Contents:
        """Read the file.

        Raises
        ------
        FormError
            If a row is of another ballot or fails the check.
        """
        table = read_table(data, self.file)
        problems = self._problems(table)
        if problems:
            raise FormError(problems)
        scores, _ = points_of(self.attributes, table)
        cup = {"session": self.session, "taster": self.taster}
        rows = {
            row["code"]: row | cup | dict(zip(self.names, points, strict=True))
            for (_, row), points in zip(table.rows(), scores, strict=True)
        }
        columns = tuple(dict.fromkeys((*self.empty().columns, *table.columns)))
        return Contents(paper=self, columns=columns, rows=rows)

    def _problems(self, table: TextTable) -> list[Problem]:
        problems = [*table.problems]
        if table.readable:
            problems += missing_columns(table, ["taster", "code", *self.names])
        if problems:
            return problems
        problems, seen = points_of(self.attributes, table)[1], set()
        for line, row in table.rows():
            mine = (row.get("session", self.session), row["taster"]) == (self.session, self.taster)
            if not mine or row["code"] not in self.codes or row["code"] in seen:
                problems.append(self._foreign(line, row))
            seen.add(row["code"])
        return problems

    def _foreign(self, line: int, row: Mapping[str, str]) -> Problem:
        return Problem(
            slug="foreign-row",
            file=self.file,
            line=line,
            found=f"cup {shown(row['code'])} of {shown(row['taster'])} is not on this ballot, or"
            " stands on it twice",
            allowed=f"the score page keeps the ballot of {shown(self.taster)} in session"
            f" {self.session} here, with cups {some_of(map(shown, self.codes), 12)}",
            remedy="Correct the row, or move it to a file of another name in ballots",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What stands in a ballot.

    Parameters
    ----------
    paper : Paper
    columns : tuple of str
        Those of the page, then those of others.
    rows : mapping of str to mapping
        Cells by column, by code.
    """

    paper: Paper
    columns: tuple[str, ...]
    rows: Rows

    def answer(self, code: str) -> Answer:
        """Give what is filled in for a cup."""
        row = self.rows.get(code, {})
        scores = tuple(row.get(name, "") for name in self.paper.names)
        return Answer(scores=scores, comment=row.get("comment", ""))

    def fill(self, answers: Mapping[str, Answer]) -> Contents:
        """Put answers in, by code."""
        paper = self.paper
        rows = {
            code: {
                **self.rows.get(code, {}),
                "session": paper.session,
                "taster": paper.taster,
                "code": code,
                **dict(zip(paper.names, answer.scores, strict=True)),
                "comment": answer.comment,
            }
            for code, answer in answers.items()
        }
        return replace(self, rows={**self.rows, **rows})

    def in_order(self) -> list[Mapping[str, str]]:
        """Give the rows in the order of serving."""
        return [self.rows[code] for code in self.paper.codes if code in self.rows]

    def to_bytes(self) -> bytes:
        """Write the file."""
        return write_rows(self.columns, self.in_order())
