"""What is filled in for a cup, read by the same check as a cell of a table."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from blindspoon import cells
from blindspoon.delimited import write_csv
from blindspoon.errors import Problem
from blindspoon.form.plan import written
from blindspoon.settings import CONTROL
from blindspoon.tables import TextTable, table_of, tidied
from blindspoon.trial import Attribute

COMMENT_LIMIT = 2_000
"""Characters in the longest comment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The scores and the comment of one cup.

    Parameters
    ----------
    scores : tuple of str
        As they stand in a ballot, in the order of the attributes; blank where none was given.
    comment : str
    """

    scores: tuple[str, ...]
    comment: str = ""

    @property
    def blank(self) -> bool:
        """Whether nothing was filled in."""
        return not any(self.scores) and not self.comment

    @property
    def complete(self) -> bool:
        """Whether every attribute has a score."""
        return all(self.scores)

    @property
    def mark(self) -> str:
        """A short text that is another for another answer, so that a page can say what it saw."""
        whole = "\n".join((*self.scores, self.comment)).encode()
        return hashlib.sha256(whole).hexdigest()[:16]


def read_answers(
    attributes: Sequence[Attribute], rows: Sequence[Mapping[str, str]], file: str
) -> tuple[list[Answer], list[Problem]]:
    """Check what was filled in for some cups.

    Parameters
    ----------
    attributes : sequence of Attribute
    rows : sequence of mapping
        One a cup, by the name of the attribute, and ``comment``; what is absent is blank.
    file : str
        Name that messages give the ballot.

    Returns
    -------
    answers : list of Answer
        One a row; scores at fault are blank.
    problems : list of Problem
        Row k is line k + 2, as under a header.

    Examples
    --------
    >>> from blindspoon.trial import Scale
    >>> crisp = Attribute(name="texture", label="Texture", low="soft", high="crisp", less="",
    ...     more="", scale=Scale(low=0, high=10, step=0.5), margin=None)
    >>> answers, problems = read_answers([crisp], [{"texture": "7,5"}, {"texture": "11"}], "page")
    >>> answers[0].scores, problems[0].found
    (('7.5',), 'score 11 is off the scale')
    """
    names = [attribute.name for attribute in attributes]
    texts = [{name: row.get(name, "")[:200] for name in names} for row in rows]
    table = replace(table_of(file, texts), decimal_comma=True)
    points, problems = points_of(attributes, table)
    comments = [tidy_comment(row.get("comment", "")) for row in rows]
    for line, comment in enumerate(comments, 2):
        if len(comment) > COMMENT_LIMIT:
            problems.append(_long_comment(file, line, len(comment)))
    answers = [
        Answer(scores=scores, comment=comment[:COMMENT_LIMIT])
        for scores, comment in zip(points, comments, strict=True)
    ]
    return answers, problems


def points_of(
    attributes: Sequence[Attribute], table: TextTable
) -> tuple[list[tuple[str, ...]], list[Problem]]:
    """Read the scores of a table that has a column for each attribute, as ballots write them."""
    points, problems = [], []
    for attribute in attributes:
        values, wrong = cells.scores(table, attribute)
        points.append(["" if math.isnan(value) else written(value) for value in values.tolist()])
        problems += wrong
    return list(zip(*points, strict=True)), problems


def tidy_comment(text: str) -> str:
    r"""Take out of a comment what is no text: control characters, broken letters.

    Examples
    --------
    >>> tidy_comment(" snaps,\r\nthen \x00soft\t ")
    'snaps,\nthen soft'
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ").split("\n")
    return tidied("\n".join(CONTROL.sub("", line).rstrip() for line in lines))


def write_rows(names: Sequence[str], rows: Iterable[Mapping[str, str]]) -> bytes:
    r"""Write rows as a table: UTF-8, commas, quotes as in RFC 4180.

    Examples
    --------
    >>> write_rows(["code", "comment"], [{"code": "037", "comment": "soft,\nmild"}])
    b'code,comment\n037,"soft,\nmild"\n'
    """
    cells = ([row.get(name, "") for name in names] for row in rows)
    return write_csv([names, *cells]).encode()


def write_for_spreadsheet(names: Sequence[str], rows: Iterable[Mapping[str, str]]) -> bytes:
    """Do as `write_rows` for a program that would run a cell beginning with = + - or @.

    Such a cell gets an apostrophe before it, unless it is a number; a byte-order mark tells
    spreadsheets that the text is UTF-8.

    Examples
    --------
    >>> rows = [{"texture": "-1", "comment": "=1+1"}]
    >>> write_for_spreadsheet(["texture", "comment"], rows).decode("utf-8-sig").splitlines()[1]
    "-1,'=1+1"
    """
    guarded = ({name: _no_formula(text) for name, text in row.items()} for row in rows)
    return b"\xef\xbb\xbf" + write_rows(names, guarded)


def _no_formula(text: str) -> str:
    if not text.startswith(tuple("=+-@\uff1d\uff0b\uff0d\uff20")):  # the wide forms count too
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def _long_comment(file: str, line: int, length: int) -> Problem:
    return Problem(
        slug="long-comment",
        file=file,
        line=line,
        column="comment",
        found=f"the comment has {length:,} characters",
        allowed=f"a comment has {COMMENT_LIMIT:,} at most",
        remedy="Shorten it",
    )
