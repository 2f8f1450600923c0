"""The ballots of a tasting: each a file that is written before an answer is acknowledged.

The last acknowledged answer to a cup counts. One that replaces an answer its page had not seen
(two phones on one link, paper keyed over a phone) leaves the earlier one in ballots/conflicts.

Answers that are no page of their own: refusals, in words or as JSON for the script.

What the score page asks: whose cups, in which order, on which scales. Never what is in them.

What is filled in for a cup, read by the same check as a cell of a table.

The content of a ballot's file: its rows by code, columns of others included.

What happens at the score page, as the terminal tells it.
"""

from __future__ import annotations

import datetime
import hashlib
import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol

from flask import Response, jsonify, make_response, render_template, request

from blindspoon.errors import FormError, Problem, shown, some_of
from blindspoon.files import schema
from blindspoon.files.schema import missing_columns
from blindspoon.files.text_table import TextTable, read_table, table_of, tidied, write_csv
from blindspoon.files.toml import CONTROL
from blindspoon.scores.crosscheck import Cups
from blindspoon.trial import Attribute, Scale, Trial

MESSAGES = {
    400: "This request cannot be understood.",
    403: "This form was not sent from a page of the score page. Open your link again.",
    404: "There is no such page. If the host gave you this link, ask for it again.",
    405: "This address takes no such request.",
    413: "This is longer than the score page takes.",
    415: "This is no form of the score page.",
    421: "This is not the address of the score page.",
    429: "Too many links that do not exist were tried from here. Wait a minute.",
    500: "Something went wrong on the host\u2019s computer. Tell the host.",
    503: "The answer could not be saved. Try again, and tell the host.",
}


def wants_json() -> bool:
    """Tell whether the script asks, which says so, and not a person."""
    return request.headers.get("Accept") == "application/json"


def refuse(code: int, message: str = "") -> Response:
    """Say no: a page for people, JSON for the script."""
    text = message or MESSAGES.get(code, MESSAGES[400])
    if wants_json():
        return make_response(jsonify(message=text), code)
    return make_response(render_template("message.html.j2", heading="Sorry", text=text), code)


def refuse_scores(problems: Sequence[Problem]) -> Response:
    """Say to the script what is wrong with an answer."""
    said = [{"field": problem.column, "text": say(problem)} for problem in problems]
    return make_response(jsonify(problems=said), 422)


def say(problem: Problem) -> str:
    """Say to a taster what is wrong with a score.

    Examples
    --------
    >>> say(Problem(slug="off-scale", file="", found="score 11 is off the scale",
    ...             allowed="trial.toml allows 0 to 10", remedy=""))
    'Score 11 is off the scale; the scale is 0 to 10.'
    """
    allowed = problem.allowed.replace("trial.toml allows", "the scale is")
    return f"{problem.found[:1].upper()}{problem.found[1:]}; {allowed}."


def by_cell(problems: Sequence[Problem]) -> Mapping[tuple[int, str], str]:
    """Order problems by row, from 0, and column."""
    return {((each.line or 2) - 2, each.column or ""): say(each) for each in problems}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """What tasters are told before the first cup, beside the usual cautions.

    Parameters
    ----------
    allergens : str
        What in the cups somebody may not tolerate: "mustard seed, garlic"; may be empty.
    consent : str
        Paragraphs of the host's own; may be empty.
    rest : str
        How long to wait between cups: "about a minute".
    """

    allergens: str = ""
    consent: str = ""
    rest: str = "about a minute"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that the pages say of a trial.

    Parameters
    ----------
    title : str
        For the host.
    food : str
        For the tasters, whom a title may tell too much: the product, or the title without one.
    attributes : tuple of Attribute
        At least one.
    sessions, tasters : tuple of str
        At least one each, in the order of trial.toml and of servings.csv.
    orders : mapping of (session, taster) to tuple of str
        Codes in the order of serving.
    cleanser : str
        May be empty.
    cautions : Cautions
    """

    title: str
    food: str
    attributes: tuple[Attribute, ...]
    sessions: tuple[str, ...]
    tasters: tuple[str, ...]
    orders: Mapping[tuple[str, str], tuple[str, ...]]
    cleanser: str
    cautions: Cautions


def make_plan(trial: Trial, served: Cups, cautions: Cautions) -> Plan:
    """Take from a trial and its servings.csv what the pages need.

    Parameters
    ----------
    trial : Trial
    served : Cups
        The rows of servings.csv, without problems.
    cautions : Cautions
    """
    rows = sorted(range(len(served)), key=lambda row: int(served.position[row]))
    orders: dict[tuple[str, str], tuple[str, ...]] = {}
    for row in rows:
        session, taster, code = served.texts(row)
        orders[session, taster] = (*orders.get((session, taster), ()), code)
    listed = [session.name for session in trial.sessions]
    found = dict.fromkeys((*listed, *served.session.texts))
    return Plan(
        title=trial.title,
        food=trial.product or trial.title,
        attributes=trial.attributes,
        sessions=tuple(name for name in found if any(name == key[0] for key in orders)),
        tasters=served.taster.texts,
        orders=orders,
        cleanser=trial.tasting.cleanser,
        cautions=cautions,
    )


def written(value: float) -> str:
    """Write a score as it stands in a ballot: with a point, and no more digits than it needs.

    Examples
    --------
    >>> written(7.0), written(6.5), written(-0.0)
    ('7', '6.5', '0')
    """
    return repr(float(value) + 0.0).removesuffix(".0")


def steps(scale: Scale) -> tuple[str, ...]:
    """Write every step of a scale; none where there are too many to be shown side by side.

    Examples
    --------
    >>> steps(Scale(low=1, high=3, step=0.5)), steps(Scale(low=0, high=100, step=1))
    (('1', '1.5', '2', '2.5', '3'), ())
    """
    return tuple(map(written, scale.side_by_side()))


def columns(count: int, widest: int = 7) -> int:
    """Give the steps rows of the same length, or nearly.

    Examples
    --------
    >>> [columns(count) for count in (5, 9, 11, 21)]
    [5, 5, 6, 7]
    """
    rows = -(-count // widest)
    return -(-count // max(rows, 1))


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
        values, wrong = schema.scores(table, attribute)
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


Kind = Literal["joined", "scored", "finished", "replaced", "session", "trouble"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened.

    Parameters
    ----------
    kind : str
        "joined"; "scored", another cup is complete; "finished", a ballot is; "replaced", two
        answers to one cup, both kept; "session", opened or closed; "trouble", not saved.
    taster : str
        Empty where it concerns nobody in particular.
    text : str
        The sentence, without the taster and the full stop.

    Examples
    --------
    >>> print(Event(kind="joined", taster="Aunt Vera", text="has joined"))
    Aunt Vera has joined.
    """

    kind: Kind
    taster: str = ""
    text: str

    def __str__(self) -> str:
        """Say it in one line."""
        return f"{shown(self.taster)} {self.text}." if self.taster else f"{self.text}."


Tell = Callable[[Event], None]


def nobody(_: Event) -> None:
    """Tell nobody."""


CONFLICTS = "ballots/conflicts"
"""Where replaced answers are kept; no command reads them."""

MOST_KEPT = 500
"""Replaced answers that are kept of one ballot."""

MOST_SEEN = 200
"""Pages of one ballot whose last answer is remembered, to recognise it if it is sent again."""


class Shelf(Protocol):
    """Where the files of a trial lie; names have forward slashes."""

    def read(self, name: str) -> bytes | None:
        """Give a file's content; None where there is no such file. Raises OSError."""

    def save(self, name: str, content: bytes) -> None:
        """Replace a file, on the disk when this returns; or raise OSError, and change nothing."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """From which page an answer comes, and its how many-th it is."""

    page: str
    turn: int


@dataclass(frozen=True, slots=True)
class Given:
    """An answer, and the mark of the one that its page had seen."""

    answer: Answer
    base: str


@dataclass(frozen=True, slots=True)
class Receipt:
    """What an acknowledged cup holds now, and whether an answer of others was replaced."""

    mark: str
    replaced: bool


class TooManyConflictsError(Exception):
    """So many answers to one ballot were replaced that no more are kept."""


class Ballot:
    """What one taster fills in for one session; safe to use from several threads.

    Parameters
    ----------
    paper : Paper
    shelf : Shelf
    tell : callable
        Is told each `Event`.
    elsewhere : mapping of str to str
        Cups that are scored in another file, which it names; they are not asked for.
    """

    def __init__(
        self, paper: Paper, shelf: Shelf, tell: Tell, elsewhere: Mapping[str, str]
    ) -> None:
        self.paper = paper
        self.elsewhere = elsewhere
        self.contents: Contents = paper.empty()
        self._bytes: bytes | None = None
        self._shelf = shelf
        self._tell = tell
        self._lock = threading.Lock()
        self._seen: OrderedDict[tuple[str, str], tuple[int, Answer]] = OrderedDict()
        self._writer: dict[str, str] = {}
        self._past: dict[str, set[str]] = {}

    def load(self, data: bytes) -> None:
        """Take over the file as it lies in the folder. Raises FormError."""
        self.contents, self._bytes = self.paper.read(data), data
        self._note_marks(self.contents.rows)

    def done(self, code: str) -> bool:
        """Tell whether a cup needs nothing more here."""
        return code in self.elsewhere or self.contents.answer(code).complete

    @property
    def count(self) -> int:
        """How many cups need nothing more."""
        return sum(map(self.done, self.paper.codes))

    @property
    def finished(self) -> bool:
        """Whether every cup needs nothing more."""
        return self.count == len(self.paper.codes)

    def lacking(self, code: str) -> list[str]:
        """Labels of the attributes without a score."""
        if code in self.elsewhere:
            return []
        pairs = zip(self.paper.attributes, self.contents.answer(code).scores, strict=True)
        return [attribute.label for attribute, score in pairs if not score]

    def save(self, given: Mapping[str, Given], stamp: Stamp) -> dict[str, Receipt]:
        """Fill in some cups; when this returns, they are on the disk.

        Parameters
        ----------
        given : mapping of str to Given
            By code; none of them in `elsewhere`.
        stamp : Stamp
            An answer with the stamp and content of one that was saved before changes nothing, nor
            does one that is older than what its page sent since.

        Raises
        ------
        OSError, TooManyConflictsError
            If it could not be written; nothing is changed then.
        """
        with self._lock:
            self._see_outside_changes()
            before = self.count
            fresh = {code: each for code, each in given.items() if self._is_news(code, each, stamp)}
            disputed = [code for code in fresh if self._is_disputed(code, fresh[code], stamp)]
            answers = {code: each.answer for code, each in fresh.items()}
            self._keep(disputed)
            self._write(self.contents.fill(answers))
            self._remember(answers, stamp)
            marks = {code: self.contents.answer(code).mark for code in given}
            after = self.count
        self._report(before, after, disputed)
        return {code: Receipt(mark, code in disputed) for code, mark in marks.items()}

    def reconcile(self) -> None:
        """Look whether the file was changed by hand. Raises OSError."""
        with self._lock:
            self._see_outside_changes()

    def _is_news(self, code: str, each: Given, stamp: Stamp) -> bool:
        turn, answer = self._seen.get((stamp.page, code), (-1, None))
        if stamp.turn < turn or (stamp.turn == turn and each.answer == answer):
            return False
        return not each.answer.blank or code in self.contents.rows

    def _is_disputed(self, code: str, each: Given, stamp: Stamp) -> bool:
        now = self.contents.answer(code)
        unseen = each.base != now.mark and self._writer.get(code) != stamp.page
        return unseen and not now.blank and each.answer != now

    def _remember(self, answers: Mapping[str, Answer], stamp: Stamp) -> None:
        for code, answer in answers.items():
            self._seen[stamp.page, code] = (stamp.turn, answer)
            self._writer[code] = stamp.page
        self._note_marks(answers)
        while len(self._seen) > MOST_SEEN:
            self._seen.popitem(last=False)

    def _note_marks(self, codes: Collection[str]) -> None:
        for code in codes:
            self._past.setdefault(code, set()).add(self.contents.answer(code).mark)

    def _write(self, contents: Contents) -> None:
        """Write the file, and only then take the answers for given."""
        if contents.rows != self.contents.rows:
            data = contents.to_bytes()
            self._shelf.save(self.paper.file, data)
            self.contents, self._bytes = contents, data

    def _keep(self, codes: Sequence[str]) -> None:
        """Write answers that are about to be replaced into the record of conflicts."""
        if not codes:
            return
        name = f"{CONFLICTS}/{self.paper.file.rpartition('/')[2]}"
        earlier = self._shelf.read(name)
        kept = [] if earlier is None else [row for _, row in read_table(earlier, name).rows()]
        if len(kept) >= MOST_KEPT:
            raise TooManyConflictsError
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        rows = [*kept, *({**self.contents.rows[code], "replaced": now} for code in codes)]
        self._shelf.save(name, write_rows((*self.contents.columns, "replaced"), rows))

    def _see_outside_changes(self) -> None:
        """Merge what was changed in the file by hand since it was last written or read.

        A row that says what never stood here is a correction and counts. One that is missing, or
        says what stood here before, comes from an old copy, and what was acknowledged since stays.
        """
        data = self._shelf.read(self.paper.file)
        if data == self._bytes:
            return
        ours, outside = self.contents, self._read_outside(data)
        theirs = {code: outside.answer(code).mark for code in outside.rows}
        changed = {code for code, mark in theirs.items() if mark != ours.answer(code).mark}
        old = {code for code in changed if theirs[code] in self._past.get(code, ())}
        self._keep([code for code in ours.rows if code in changed - old])
        kept = {code: row for code, row in ours.rows.items() if code in old or code not in theirs}
        columns = tuple(dict.fromkeys((*ours.columns, *outside.columns)))
        merged = replace(outside, columns=columns, rows={**outside.rows, **kept})
        if kept:
            data = merged.to_bytes()
            self._shelf.save(self.paper.file, data)
        self.contents, self._bytes = merged, data
        self._note_marks(merged.rows)
        self._writer.clear()

    def _read_outside(self, data: bytes | None) -> Contents:
        """Read a file changed by hand; put it aside where it fails the check."""
        nothing = replace(self.contents, rows={})
        if data is None:
            return nothing
        try:
            return self.paper.read(data)
        except FormError as error:
            stem = self.paper.file.rpartition("/")[2].removesuffix(".csv")
            aside = f"{CONFLICTS}/{stem}.{hashlib.sha256(data).hexdigest()[:8]}.csv"
            self._shelf.save(aside, data)
            text = f"{error.problems[0]} The file as changed by hand is kept as {aside}"
            self._tell(Event(kind="trouble", text=text))
            return nothing

    def _report(self, before: int, after: int, disputed: Sequence[str]) -> None:
        taster, session, size = self.paper.taster, self.paper.session, len(self.paper.codes)
        if disputed:
            text = f"has a second answer for cup {some_of(disputed)}; the earlier one is kept"
            self._tell(Event(kind="replaced", taster=taster, text=text))
        if after == size > before:
            text = f"has finished session {session}"
            self._tell(Event(kind="finished", taster=taster, text=text))
        elif after > before:
            text = f"has scored {after} of {size} cups in session {session}"
            self._tell(Event(kind="scored", taster=taster, text=text))
