"""The tasting as the score page runs it: who has joined, which session is open, the ballots."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from blindspoon.errors import shown
from blindspoon.form.ballots import Ballot, Shelf
from blindspoon.form.events import Event, Tell, nobody
from blindspoon.form.links import FILE, Memory
from blindspoon.form.plan import Plan
from blindspoon.wording import count

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
