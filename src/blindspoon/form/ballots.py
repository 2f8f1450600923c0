"""The ballots of a tasting: each a file that is written before an answer is acknowledged.

The last acknowledged answer to a cup counts. One that replaces an answer its page had not seen
(two phones on one link, paper keyed over a phone) leaves the earlier one in ballots/conflicts.
"""

from __future__ import annotations

import datetime
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from blindspoon.delimited import read_table
from blindspoon.errors import FormError, some_of
from blindspoon.form.answers import Answer, write_rows
from blindspoon.form.contents import Contents, Paper
from blindspoon.form.events import Event, Tell

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
