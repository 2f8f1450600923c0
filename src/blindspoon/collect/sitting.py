"""A trial's files -> the tasting, ready to be filled in.

Links nobody can guess, and what the score page remembers beside the answers.

Every link is made from one secret, so that it is the same after a restart. The secret and who
has joined lie in .blindspoon in the trial folder, which is no part of the published trial.

The tasting as the score page runs it: who has joined, which session is open, the ballots.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any
from urllib.parse import quote

from blindspoon.collect.ballots import (
    Ballot,
    Cautions,
    Event,
    Paper,
    Plan,
    Shelf,
    Tell,
    make_plan,
    nobody,
)
from blindspoon.errors import FormError, Problem, ScoreError, TrialFileError, shown
from blindspoon.files.text_table import TextTable
from blindspoon.scores.ledger import Ledger, open_ledger
from blindspoon.trial import Trial
from blindspoon.wording import count

FILE = ".blindspoon/collect.json"
"""Its place in the trial folder."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What outlives a restart.

    Parameters
    ----------
    secret : str
        256 bits in hexadecimal; all links come from it.
    session : str
        The session that is open; empty for none.
    joined : tuple of str
        Tasters who have taken their name, in order.
    renewed : dict of str to int
        How often a taster's link was made anew.
    agreed, twice : tuple of (session, taster)
        Who has read the cautions; whose paper ballot was keyed twice and agrees.
    """

    secret: str = field(default_factory=lambda: secrets.token_hex(32))
    session: str = ""
    joined: tuple[str, ...] = ()
    renewed: dict[str, int] = field(default_factory=dict)
    agreed: tuple[tuple[str, str], ...] = ()
    twice: tuple[tuple[str, str], ...] = ()

    def link(self, kind: str, name: str = "") -> str:
        """Make the secret part of a link: 128 bits, of the host or of one taster.

        Examples
        --------
        >>> memory = Memory(secret="00" * 32)
        >>> len(memory.link("taster", "T01")), memory.link("host") == memory.link("taster", "T01")
        (22, False)
        """
        parts = (kind, name, str(self.renewed.get(name, 0)))
        text = "".join(f"{len(part)}:{part}" for part in parts).encode()
        digest = hmac.digest(bytes.fromhex(self.secret), text, hashlib.sha256)[:16]
        return base64.urlsafe_b64encode(digest).decode().rstrip("=")

    def to_bytes(self) -> bytes:
        """Write it as JSON."""
        return json.dumps(asdict(self), indent=1, ensure_ascii=False).encode()

    @classmethod
    def from_bytes(cls, data: bytes) -> Memory:
        """Read it.

        Raises
        ------
        FormError
            If it is damaged.
        """
        try:
            memory = cls(**_typed(json.loads(data)))
            memory.link("host")
        except (ValueError, TypeError, KeyError) as error:
            raise FormError([_damaged()]) from error
        return memory


def _typed(found: dict[str, Any]) -> dict[str, Any]:
    if set(found) != {each.name for each in fields(Memory)} or len(found["secret"]) != 64:
        raise ValueError
    return {
        "secret": str(found["secret"]),
        "session": str(found["session"]),
        "joined": tuple(map(str, found["joined"])),
        "renewed": {str(name): int(times) for name, times in found["renewed"].items()},
        "agreed": _pairs(found["agreed"]),
        "twice": _pairs(found["twice"]),
    }


def _pairs(found: Iterable[Any]) -> tuple[tuple[str, str], ...]:
    return tuple((str(session), str(taster)) for session, taster in found)


def _damaged() -> Problem:
    return Problem(
        slug="damaged-links",
        file=FILE,
        found="the file of links is damaged",
        allowed="only the score page writes it",
        remedy="Remove it; every taster then needs a new link, and no score is lost",
    )


QUIET = 10.0
"""Seconds for which the same trouble is not told again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far one taster is in one session, for the host.

    Parameters
    ----------
    taster : str
    joined, twice : bool
        Whether they have taken their name; whether their paper ballot was keyed twice.
    done, cups : int
    lacking : tuple of str
        Cups without every score, as sentence parts; empty before the first score.
    """

    taster: str
    joined: bool
    twice: bool
    done: int
    cups: int
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What was collected.

    Parameters
    ----------
    ballots : tuple of str
        Files with a score, by their names in the trial folder.
    scored, cups : int
        Cups that need nothing more, and all cups of the sessions.

    Examples
    --------
    >>> print(Tally(ballots=("ballots/1-T01.csv",), scored=5, cups=60))
    5 of 60 cups are scored; 1 ballot lies in ballots
    """

    ballots: tuple[str, ...]
    scored: int
    cups: int

    def __str__(self) -> str:
        """Say it in one line."""
        files = len(self.ballots)
        lie = f"{count(files, 'ballot')} {'lies' if files == 1 else 'lie'} in ballots"
        return f"{self.scored:,} of {count(self.cups, 'cup')} are scored; {lie}"


class Desk:
    """One tasting; safe to use from several threads.

    Parameters
    ----------
    plan : Plan
    ballots : mapping of (session, taster) to Ballot
    memory : Memory
        As it was at the last restart.
    shelf : Shelf
    tell : callable
        Is told each `Event`; `serve` sets it.
    """

    def __init__(
        self,
        plan: Plan,
        ballots: Mapping[tuple[str, str], Ballot],
        memory: Memory,
        shelf: Shelf,
    ) -> None:
        self.plan = plan
        self.ballots = ballots
        self.memory = memory
        self.tell: Tell = nobody
        self._shelf = shelf
        self._lock = threading.Lock()
        self._disk = threading.Lock()
        self._changes, self._written = 0, 0
        self._tasters: dict[str, str] = {}
        self._told: dict[str, float] = {}
        self._name_links()
        self._change(lambda memory: memory)

    @property
    def session(self) -> str:
        """The session that is open; empty for none."""
        return self.memory.session

    @property
    def host_link(self) -> str:
        """The secret part of the host's link."""
        return self.memory.link("host")

    def taster_link(self, taster: str) -> str:
        """Give the secret part of a taster's link."""
        return self.memory.link("taster", taster)

    def taster_of(self, link: str) -> str | None:
        """Find whose link it is."""
        return self._tasters.get(link)

    def free_names(self) -> list[str]:
        """Name the tasters who have not joined yet."""
        return [name for name in self.plan.tasters if name not in self.memory.joined]

    def join(self, taster: str) -> bool:
        """Take a name; False where it is taken already. The first to ask gets it."""
        taken = False

        def take(memory: Memory) -> Memory:
            nonlocal taken
            taken = taster in memory.joined or taster not in self.plan.tasters
            return memory if taken else replace(memory, joined=(*memory.joined, taster))

        self._change(take)
        if taken:
            return False
        self.tell(Event(kind="joined", taster=taster, text="has joined"))
        return True

    def renew(self, taster: str) -> None:
        """Make a taster's link anew and their name free; the old link is dead."""

        def renew(memory: Memory) -> Memory:
            times = memory.renewed.get(taster, 0) + 1
            joined = tuple(name for name in memory.joined if name != taster)
            return replace(memory, joined=joined, renewed=memory.renewed | {taster: times})

        self._change(renew)
        self._name_links()

    def agree(self, session: str, taster: str) -> None:
        """Note that a taster has read the cautions."""

        def agree(memory: Memory) -> Memory:
            joined = dict.fromkeys((*memory.joined, taster))
            agreed = dict.fromkeys((*memory.agreed, (session, taster)))
            return replace(memory, joined=tuple(joined), agreed=tuple(agreed))

        self._change(agree)

    def has_agreed(self, session: str, taster: str) -> bool:
        """Tell whether a taster has read the cautions of this session."""
        return (session, taster) in self.memory.agreed

    def note_twice(self, session: str, taster: str) -> None:
        """Note that a paper ballot was keyed twice, and that both agree."""
        pair = (session, taster)
        self._change(
            lambda memory: replace(memory, twice=tuple(dict.fromkeys((*memory.twice, pair))))
        )

    def open_session(self, session: str) -> None:
        """Open a session, and close the one before; empty closes only."""
        before = self.session
        self._change(lambda memory: replace(memory, session=session))
        if session != before:
            text = f"Session {session} is open" if session else f"Session {before} is closed"
            self.tell(Event(kind="session", text=text))

    def standing(self, session: str) -> list[Standing]:
        """Tell how far every taster of a session is."""
        return [
            _standing(self.memory, ballot)
            for taster in self.plan.tasters
            if (ballot := self.ballots.get((session, taster))) is not None
        ]

    def tally(self) -> Tally:
        """Count what was collected."""
        ballots = self.ballots.values()
        return Tally(
            ballots=tuple(each.paper.file for each in ballots if each.contents.rows),
            scored=sum(each.count for each in ballots),
            cups=sum(len(each.paper.codes) for each in ballots),
        )

    def reconcile(self) -> None:
        """Look whether ballots were changed by hand; trouble is told, and stops nothing."""
        for ballot in self.ballots.values():
            try:
                ballot.reconcile()
            except OSError as error:
                self.trouble(error)

    def trouble(self, error: OSError) -> None:
        """Tell that a file could not be written; the same is not told again at once."""
        name = shown(str(error.filename or "A file"), 200)
        advice = "close it in other programs, and see that the disk has room"
        text = f"{name} cannot be written ({error.strerror or error}); {advice}"
        now = time.monotonic()
        if now - self._told.get(text, -QUIET) >= QUIET:
            self._told[text] = now
            self.tell(Event(kind="trouble", text=text))

    def tell_all(self, event: Event) -> None:
        """Pass on what a ballot tells."""
        self.tell(event)

    def _change(self, change: Callable[[Memory], Memory]) -> None:
        """Change what is remembered; it is on the disk when this returns. Raises OSError.

        Threads that come while another one writes share the next write.
        """
        with self._lock:
            self.memory = change(self.memory)
            self._changes += 1
            own = self._changes
        with self._disk:
            if self._written >= own:
                return
            with self._lock:
                newest, memory = self._changes, self.memory
            self._shelf.save(FILE, memory.to_bytes())
            self._written = newest

    def _name_links(self) -> None:
        names = self.plan.tasters
        self._tasters = {self.memory.link("taster", name): name for name in names}


def _standing(memory: Memory, ballot: Ballot) -> Standing:
    paper = ballot.paper
    started = bool(ballot.contents.rows or ballot.elsewhere)
    gaps = {code: ballot.lacking(code) for code in paper.codes} if started else {}
    lacking = [
        code if len(labels) == len(paper.attributes) else f"{code} ({', '.join(labels)})"
        for code, labels in gaps.items()
        if labels
    ]
    return Standing(
        taster=paper.taster,
        joined=paper.taster in memory.joined,
        twice=(paper.session, paper.taster) in memory.twice,
        done=ballot.count,
        cups=len(paper.codes),
        lacking=tuple(lacking),
    )


NAME_LIMIT = 120
"""Characters of a ballot's file name that come from the taster."""


def open_desk(
    trial: Trial,
    scores: Sequence[TextTable],
    servings: TextTable | None,
    shelf: Shelf,
    cautions: Cautions,
) -> Desk:
    """Make ready the tasting that a trial folder describes.

    Parameters
    ----------
    trial : Trial
    scores : sequence of TextTable
        scores.csv and every ballot.
    servings : TextTable or None
    shelf : Shelf
    cautions : Cautions

    Returns
    -------
    Desk
        The session of before is open; at first the first with a cup that is not scored yet.

    Raises
    ------
    TrialError
        If nobody is served, or with every problem of the tables and of the file of links.
    """
    ledger = open_ledger(trial, scores, servings)
    problems = [problem for problem in ledger.problems if problem.slug != "no-scores"]
    if servings is None:
        raise TrialFileError([_no_servings()])
    if problems or ledger.plan is None:
        raise ScoreError(problems)
    plan = make_plan(trial, ledger.plan, cautions)
    papers = _papers(plan)
    data = shelf.read(FILE)
    memory = Memory() if data is None else Memory.from_bytes(data)
    ballots: dict[tuple[str, str], Ballot] = {}
    desk = Desk(plan, ballots, memory, shelf)
    elsewhere = _elsewhere(ledger, {paper.file for paper in papers})
    for paper in papers:
        cup = (paper.session, paper.taster)
        ballots[cup] = Ballot(paper, shelf, desk.tell_all, elsewhere.get(cup, {}))
        if (content := shelf.read(paper.file)) is not None:
            ballots[cup].load(content)
    if data is None:
        desk.open_session(_first_unfinished(plan, ballots))
    return desk


def _papers(plan: Plan) -> list[Paper]:
    names = _file_names(plan.orders)
    return [
        Paper(
            session=session,
            taster=taster,
            codes=codes,
            attributes=plan.attributes,
            file=f"ballots/{names[session, taster]}",
        )
        for (session, taster), codes in plan.orders.items()
    ]


def _file_names(keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Name the file of each ballot, safe on every system, none like another's in any case.

    Examples
    --------
    >>> list(_file_names([("1", "T01"), ("1", "Aunt Vera"), ("1", "t01")]).values())
    ['1-T01.csv', '1-Aunt%20Vera.csv', '1-t01%48ebf3.csv']
    """
    names: dict[tuple[str, str], str] = {}
    taken: set[str] = set()
    for session, taster in keys:
        safe = quote(taster, safe="").replace(".", "%2E").replace("~", "%7E")
        name = f"{session}-{safe}"
        if len(safe) > NAME_LIMIT or name.casefold() in taken:
            cut = re.sub("%.?$", "", safe[:NAME_LIMIT])
            name = f"{session}-{cut}%{hashlib.sha256(taster.encode()).hexdigest()[:6]}"
        taken.add(name.casefold())
        names[session, taster] = f"{name}.csv"
    return names


def _elsewhere(ledger: Ledger, own: set[str]) -> dict[tuple[str, str], dict[str, str]]:
    """Find cups that have a row in scores.csv or in a ballot that is not the page's."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for row in range(len(ledger.scored)):
        file, _ = ledger.scored.place(row)
        if file not in own:
            session, taster, code = ledger.scored.texts(row)
            found.setdefault((session, taster), {})[code] = file
    return found


def _first_unfinished(plan: Plan, ballots: Mapping[tuple[str, str], Ballot]) -> str:
    for session in plan.sessions:
        if not all(ballot.finished for key, ballot in ballots.items() if key[0] == session):
            return session
    return ""


def _no_servings() -> Problem:
    return Problem(
        slug="missing-file",
        file="servings.csv",
        found="there is no such file",
        allowed="the score page needs to know who is served which cup when",
        remedy='Draw the codes and orders with "blind" first',
    )
