"""The ballots of a tasting: each a file that is written before an answer is acknowledged.

The answer to a cup that was given last counts. Of two that did not see each other (two phones on
one link, paper keyed over a phone) the earlier one lies in ballots/conflicts.
"""

from __future__ import annotations

import datetime
import hashlib
import math
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

from blindspoon import wording
from blindspoon.errors import FormError, Problem, Rule, shown, some_of
from blindspoon.files import schema
from blindspoon.files.durable import DurableFolder
from blindspoon.files.schema import missing_columns
from blindspoon.files.text_table import TextTable, read_table, table_of, tidied, write_csv
from blindspoon.files.toml import CONTROL
from blindspoon.trial import Attribute, Choice, Trial

CONFLICTS = "ballots/conflicts"  # where replaced answers are kept; no command reads them

Tell = Callable[[str], None]  # is told what happens at the score page, a sentence at a time
Rows = dict[str, Mapping[str, str]]  # cells by column, by code


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SetQuestion:
    """What is asked of sets of cups, in the place of an attribute.

    `label` is the question in English, `choice` its method; `options` are what may be answered of
    each set, by its number: a code, two codes joined by +, or a word.
    """

    label: str
    choice: Choice
    options: Mapping[str, tuple[str, ...]]
    same: Mapping[str, str]
    name: str = "answer"

    def read(self, table: TextTable) -> tuple[list[str], list[Problem]]:
        """Read the answers of a table with the columns set and answer, as ballots write them."""
        answers, problems = [], []
        for line, row in table.rows():
            text = row.get(self.name, "")
            said = "+".join(sorted(part.strip().lower() for part in text.split("+")))
            options = self.options.get(row.get("set", ""), ())
            found = self.same.get(said, said)
            answers.append(found if found in options else "")
            if text and found not in options:
                rule = Rule("bad-answer", f"it is one of {some_of(options, 12)}", "Correct it")
                said = f"the answer is {shown(text)}"
                problems.append(rule.broken(said, table.file, line, self.name))
        return answers, problems


class YesNoQuestion(NamedTuple):
    """Whether the taster would have it, asked of a cup beside its scores; `name` is its column."""

    name: str
    label: str


YES_NO = ("yes", "no")
Question = Attribute | SetQuestion | YesNoQuestion


def questions_of(trial: Trial, session: str) -> tuple[Question, ...]:
    """List what is asked of every cup to score in a session."""
    asked = [*trial.asked(session)]
    if trial.course and trial.course.accept:
        label = wording.would_have(trial.course)
        return (*asked, YesNoQuestion(name=trial.course.accept, label=label))
    return tuple(asked)


@dataclass(frozen=True, slots=True, kw_only=True)
class CupAnswer:
    """The comment on a cup and its scores, by attribute; those that were not given are blank."""

    scores: tuple[str, ...]
    comment: str = ""

    @classmethod
    def of_row(cls, row: Mapping[str, str], names: Iterable[str]) -> CupAnswer:
        """Take it from a row of a ballot."""
        scores = tuple(row.get(name, "") for name in names)
        return cls(scores=scores, comment=row.get("comment", ""))

    @property
    def cells(self) -> tuple[str, ...]:
        """Scores and comment."""
        return (*self.scores, self.comment)

    @property
    def blank(self) -> bool:
        """Whether nothing was filled in."""
        return not any(self.cells)

    @property
    def mark(self) -> str:
        """A short text that is another for another answer, so that a page can say what it saw."""
        return hashlib.sha256("\n".join(self.cells).encode()).hexdigest()[:16]

    def over(self, old: CupAnswer) -> tuple[CupAnswer, bool]:
        """Fill what is blank here with what is there, and tell whether the rest replaces any."""
        *scores, comment = (new or was for new, was in zip(self.cells, old.cells, strict=True))
        filled = CupAnswer(scores=tuple(scores), comment=comment)
        pairs = zip(filled.cells, old.cells, strict=True)
        return filled, any(was and was != new for new, was in pairs)


class Given(NamedTuple):
    """An answer as a page sends it.

    `base` is the mark of the answer that the page had seen, `page` names the page that was opened,
    and `turn` is its how many-th answer this is. It was given `ago` seconds before it came.
    """

    answer: CupAnswer
    base: str
    page: str = ""
    turn: int = 0
    ago: float = 0.0


class Receipt(NamedTuple):
    """What an acknowledged cup holds; the news is what became of another answer, or of this one."""

    answer: CupAnswer
    news: str  # "replaced", "late" or nothing


@dataclass(slots=True)
class _History:
    """What is known of one cup since the page was started."""

    since: float = 0.0  # when the answer that stands was given
    writer: str | None = None  # the page that gave it
    sent: dict[str, tuple[int, CupAnswer]] = field(default_factory=dict)  # last, of every page
    marks: set[str] = field(default_factory=set)  # of all that stood here


class _Merged(NamedTuple):
    """What is to stand for a cup, and the answer that is kept in the conflicts for it, if any."""

    answer: CupAnswer
    lost: CupAnswer | None = None
    late: bool = False  # what stood there was given after what was sent


def written(value: float | str) -> str:
    """Write a score as it stands in a ballot: with a point, and no more digits than it needs.

    >>> written(7.0), written(6.5), written(-0.0), written(float("nan")), written("yes")
    ('7', '6.5', '0', '', 'yes')
    """
    if isinstance(value, str):
        return value
    return "" if math.isnan(value) else repr(float(value) + 0.0).removesuffix(".0")


def read_answer(
    questions: Sequence[Question], row: Mapping[str, str], file: str
) -> tuple[CupAnswer, list[Problem]]:
    """Check what was filled in for a cup or set, as a cell of a table is checked.

    `row` is by the name of the question, and ``comment``; what is absent is blank. ``set`` names a
    set. Messages call the ballot `file`; scores at fault are blank.

    >>> from blindspoon.trial import Scale
    >>> crisp = Attribute(name="texture", label="Texture", scale=Scale(low=0, high=10, step=0.5))
    >>> read_answer([crisp], {"texture": "7,5"}, "page")[0].scores
    ('7.5',)
    >>> read_answer([crisp], {"texture": "11"}, "page")[1][0].found
    'score 11 is off the scale'
    """
    names = (*(it.name for it in questions), "set")
    texts = {name: row.get(name, "")[:200].replace(wording.MINUS, "-") for name in names}
    table = replace(table_of(file, [texts]), decimal_comma=True)
    (scores,), problems = points_of(questions, table)
    return CupAnswer(scores=scores, comment=tidy_comment(row.get("comment", ""))), problems


def points_of(
    questions: Sequence[Question], table: TextTable
) -> tuple[list[tuple[str, ...]], list[Problem]]:
    """Read a table that has columns for some questions; answers a row, as ballots write them."""
    scales = {it.name: it.scale for it in questions if isinstance(it, Attribute)}
    columns = [
        schema.ATTRIBUTE._replace(name=it.name, kind="score" if it.name in scales else "yes-no")
        for it in questions
        if not isinstance(it, SetQuestion)
    ]
    values, _, problems = schema.read_columns(table, columns, schema.Known(scales=scales))
    points = {name: list(map(written, found.tolist())) for name, found in values.items()}
    for it in questions:
        if isinstance(it, SetQuestion):
            points[it.name], wrong = it.read(table)
            problems += wrong
    blank = [""] * len(table)
    return list(zip(*(points.get(it.name, blank) for it in questions), strict=True)), problems


def tidy_comment(text: str) -> str:
    r"""Take out of a comment what is no text: control characters, broken letters.

    >>> tidy_comment(" snaps,\r\nthen \x00soft\t ")
    'snaps,\nthen soft'
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ").split("\n")
    return tidied("\n".join(CONTROL.sub("", line).rstrip() for line in lines))


def write_rows(names: Sequence[str], rows: Iterable[Mapping[str, str]]) -> bytes:
    cells = ([row.get(name, "") for name in names] for row in rows)
    return write_csv([names, *cells]).encode()


Kind = Literal["cups", "sets", "both"]  # what a ballot asks about


class Ballot:
    """What one taster fills in for one session: sets to choose from, cups to score, or both.

    `codes` are the numbers of the sets and the codes of the cups, in the order of serving; `parts`
    the files, that of the first one first. `tell` is told how far the taster is.
    """

    def __init__(self, parts: Sequence[BallotFile], codes: tuple[str, ...], tell: Tell) -> None:
        self.session, self.taster, self.codes = parts[0].session, parts[0].taster, codes
        self.parts = tuple(sorted(parts, key=lambda part: codes.index(part.codes[0])))
        self.kind: Kind = "both" if len(parts) > 1 else parts[0].kind
        self._tell = tell

    @property
    def elsewhere(self) -> dict[str, str]:
        """The file of each cup or set that is answered in another one."""
        return {code: file for part in self.parts for code, file in part.elsewhere.items()}

    def part(self, code: str) -> BallotFile:
        """Find the file in which a cup or set lies."""
        return next(part for part in self.parts if code in part.codes)

    def save(self, given: Mapping[str, Given]) -> dict[str, Receipt]:
        """Fill in some of it, as `BallotFile.save` does; each file is written whole."""
        receipts, before, taster = dict[str, Receipt](), self.count, shown(self.taster)
        for part in self.parts:
            own = {code: sent for code, sent in given.items() if code in part.codes}
            receipts |= part.save(own) if own else {}
            if disputed := [code for code in own if receipts[code].news]:
                cups = f"{part.noun} {some_of(disputed)}"
                part.warn(f"{taster} has a second answer for {cups}; the earlier one is kept.")
        if self.count > before and not self.gaps:
            self._tell(f"{taster} has finished session {self.session}.")
        elif self.count > before:
            done = "scored" if self.kind == "cups" else "answered"
            cups = "cups and sets" if self.kind == "both" else self.kind
            of = f"{self.count} of {len(self.codes)} {cups} in session {self.session}"
            self._tell(f"{taster} has {done} {of}.")
        return receipts

    def reconcile(self) -> None:
        for part in self.parts:
            part.reconcile()

    def answer(self, code: str) -> CupAnswer:
        return self.part(code).answer(code)

    @property
    def begun(self) -> bool:
        """Whether anything of it was answered here."""
        return any(part.rows for part in self.parts)

    def lacking(self, code: str) -> list[str]:
        return self.part(code).lacking(code)

    @property
    def gaps(self) -> list[str]:
        """Cups and sets that need something more."""
        return [code for code in self.codes if self.lacking(code)]

    @property
    def count(self) -> int:
        """How many need nothing more."""
        return len(self.codes) - len(self.gaps)


@dataclass(eq=False, kw_only=True)
class BallotFile:
    """The cups, or the sets, of one ballot, in a file; safe to use from several threads.

    Some are answered `elsewhere`, in another file, and not asked for. `sets` has the codes of each
    set, and none where cups are scored. `columns` are those of the page, then those of others;
    `rows` what stands in the file, by code.
    """

    session: str
    taster: str
    codes: tuple[str, ...]
    attributes: tuple[Question, ...]
    file: str
    folder: DurableFolder
    warn: Tell
    elsewhere: Mapping[str, str] = field(default_factory=dict)
    sets: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    columns: tuple[str, ...] = field(init=False)
    rows: Rows = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Begin with an empty file."""
        self.kind: Kind = "sets" if self.sets else "cups"
        self.unit, self.noun = ("set", "set") if self.sets else ("code", "cup")
        self.names = tuple(attribute.name for attribute in self.attributes)
        self.columns = self.own = ("session", "taster", self.unit, *self.names, "comment")
        self._bytes: bytes | None = None
        self._lock = threading.Lock()
        self._past = defaultdict[str, _History](_History)

    def answer(self, code: str) -> CupAnswer:
        """Give what is filled in for a cup or set."""
        return CupAnswer.of_row(self.rows.get(code, {}), self.names)

    def lacking(self, code: str) -> list[str]:
        """Labels of what is not answered."""
        row = self.rows.get(code, {})
        asked = () if code in self.elsewhere else self.attributes
        return [attribute.label for attribute in asked if not row.get(attribute.name)]

    def load(self) -> None:
        """Take over the file as it lies in the folder. Raises OSError and FormError."""
        data = self.folder.read(self.file)
        if data is not None:
            (self.columns, self.rows), self._bytes = self._read(data), data
            written = (self.folder.folder / self.file).stat().st_mtime  # no answer is newer
            for code in self.rows:
                self._past[code].since = written
                self._past[code].marks.add(self.answer(code).mark)

    def save(self, given: Mapping[str, Given]) -> dict[str, Receipt]:
        """Fill in some cups, none of them in `elsewhere`; when this returns, they are on the disk.

        What counts is decided by `_decided`. Where OSError says that it could not be written,
        nothing changes.
        """
        with self._lock:
            self._see_outside_changes()
            arrival, news = time.time(), dict[str, str]()
            decided = {code: self._decided(code, sent, arrival) for code, sent in given.items()}
            merged = {code: found for code, found in decided.items() if found}
            self._keep([self._row(code, it.lost) for code, it in merged.items() if it.lost])
            changed = {code for code, it in merged.items() if it.answer != self.answer(code)}
            rows = self.rows | {code: self._row(code, it.answer) for code, it in merged.items()}
            if rows != self.rows:  # the file first, and only then the answers
                self._write(self.columns, rows)
            for code, it in merged.items():
                past, sent = self._past[code], given[code]
                past.sent[sent.page] = sent.turn, sent.answer
                past.marks.add(it.answer.mark)
                past.writer = None if it.late else sent.page
                if code in changed and not it.late:
                    past.since = arrival - sent.ago
                if it.lost:
                    news[code] = "late" if it.late else "replaced"
            return {code: Receipt(self.answer(code), news.get(code, "")) for code in given}

    def _decided(self, code: str, given: Given, arrival: float) -> _Merged | None:
        """Decide what is to stand for a cup; None where nothing changes.

        ==========================================  =====================  =====================
        an answer                                   stands then            is kept aside
        ==========================================  =====================  =====================
        of an earlier turn than its page’s last     what stood
        of that turn, with the same content         what stood
        that is blank, where there is no row        nothing
        whose page saw what stands, or gave it      the answer
        unseen by each other, given after it        the answer, its gaps   what stood,
        (a second tab, a phone, paper)              filled by what stood   if they differ
        unseen by each other, given before it       what stood, its gaps   the answer,
        (a phone that was offline)                  filled by the answer   if they differ
        ==========================================  =====================  =====================
        """
        past, stands = self._past[code], self.answer(code)
        turn, answer = past.sent.get(given.page, (-1, None))
        if given.turn < turn or (given.turn == turn and given.answer == answer):
            return None
        if given.answer.blank and code not in self.rows:
            return None
        if given.base == stands.mark or given.page == past.writer:
            return _Merged(given.answer)
        late = arrival - given.ago < past.since
        newer, older = (stands, given.answer) if late else (given.answer, stands)
        filled, differ = newer.over(older)
        return _Merged(filled, older if differ else None, late)

    def reconcile(self) -> None:
        """Look whether the file was changed by hand. Raises OSError."""
        with self._lock:
            self._see_outside_changes()

    def _row(self, code: str, answer: CupAnswer) -> Mapping[str, str]:
        cells = (self.session, self.taster, code, *answer.cells)
        return {**self.rows.get(code, {}), **dict(zip(self.own, cells, strict=True))}

    def _write(self, columns: tuple[str, ...], rows: Rows) -> None:
        data = write_rows(columns, [rows[code] for code in self.codes if code in rows])
        self.folder.save(self.file, data)
        self.columns, self.rows, self._bytes = columns, rows, data

    def _keep(self, replaced: Sequence[Mapping[str, str]]) -> None:
        """Write rows that are about to be replaced, or are not taken, into the conflicts."""
        if not replaced:
            return
        name = f"{CONFLICTS}/{self.file.rpartition('/')[2]}"
        earlier = self.folder.read(name)
        kept = [] if earlier is None else [row for _, row in read_table(earlier, name).rows()]
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        rows = [*kept, *({**row, "replaced": now} for row in replaced)]
        self.folder.save(name, write_rows((*self.columns, "replaced"), rows))

    def _see_outside_changes(self) -> None:
        """Merge what was changed in the file by hand since it was last written or read.

        A row that says what never stood here is a correction and counts. One that is missing, or
        says what stood here before, comes from an old copy, and what was acknowledged since stays;
        if no row is missing it may be a correction all the same, and is kept. All of it is told.
        """
        data = self.folder.read(self.file)
        if data == self._bytes:
            return
        columns, outside = self._read_outside(data)
        theirs = {code: CupAnswer.of_row(row, self.names).mark for code, row in outside.items()}
        changed = {code for code, mark in theirs.items() if mark != self.answer(code).mark}
        old = {code for code in changed if theirs[code] in self._past[code].marks}
        missing = [code for code in self.rows if code not in theirs]
        corrected = [code for code in self.rows if code in changed - old]
        self._keep([self.rows[code] for code in corrected])
        self._keep([outside[code] for code in outside if code in old and not missing])
        where, older = f"{self.file} was changed by hand", [*missing, *old]
        if corrected:
            what = "is corrected, the earlier answer kept."
            self.warn(f"{where}: {self.noun} {some_of(corrected)} {what}")
        if older:
            what = "the newer answer stays. To go back to an older one, key it in."
            self.warn(f"{where} to an older state of {self.noun} {some_of(older)}; {what}")
        kept = {code: row for code, row in self.rows.items() if code in old or code not in theirs}
        columns = tuple(dict.fromkeys((*self.columns, *columns)))
        if kept:
            self._write(columns, {**outside, **kept})
        else:
            self.columns, self.rows, self._bytes = columns, outside, data
        for code in self.rows:
            past = self._past[code]
            past.marks.add(self.answer(code).mark)
            past.writer = None
            if code in corrected:
                past.since = time.time()

    def _read_outside(self, data: bytes | None) -> tuple[tuple[str, ...], Rows]:
        """Read a file changed by hand; put it aside where it fails the check."""
        if data is None:
            return self.columns, {}
        try:
            return self._read(data)
        except FormError as error:
            stem = self.file.rpartition("/")[2].removesuffix(".csv")
            aside = f"{CONFLICTS}/{stem}.{hashlib.sha256(data).hexdigest()[:8]}.csv"
            self.folder.save(aside, data)
            self.warn(f"{error.problems[0]} The file as changed by hand is kept as {aside}.")
            return self.columns, {}

    def _read(self, data: bytes) -> tuple[tuple[str, ...], Rows]:
        """Read columns and rows of the file; FormError if a row fails the check."""
        table = read_table(data, self.file)
        problems = [*table.problems]
        if table.readable:
            problems += missing_columns(table, ["taster", self.unit, *self.names])
        if problems:
            raise FormError(problems)
        scores, problems = points_of(self.attributes, table)
        own = {"session": self.session, "taster": self.taster}
        here = Rule(
            "foreign-row",
            f"the score page keeps the ballot of {shown(self.taster)} in session {self.session} "
            f"here, with {self.noun}s {some_of(map(shown, self.codes), 12)}",
            "Correct the row, or move it to a file of another name in ballots",
        )
        rows: dict[str, Mapping[str, str]] = {}
        for (line, row), points in zip(table.rows(), scores, strict=True):
            code, named = row[self.unit], {name: row.get(name, own[name]) for name in own}
            if named != own or code not in self.codes or code in rows:
                cup = f"{self.noun} {shown(code)} of {shown(row['taster'])}"
                found = f"{cup} is not on this ballot, or stands on it twice"
                problems.append(here.broken(found, self.file, line))
            rows[code] = row | own | dict(zip(self.names, points, strict=True))
        if problems:
            raise FormError(problems)
        return tuple(dict.fromkeys((*self.columns, *table.columns))), rows
