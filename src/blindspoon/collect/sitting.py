"""A tasting while it is filled in: who has joined, which session is open, whose link it is.

Every link is made from one secret, so that it is the same after a restart. The secret and who
has joined lie in .blindspoon in the trial folder, which is no part of the published trial.
"""

from __future__ import annotations

import base64
import contextlib
import datetime
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from blindspoon.collect.ballots import Ballot, Tell
from blindspoon.errors import FormError, Rule, shown
from blindspoon.files.durable import DurableFolder
from blindspoon.trial import Tasting
from blindspoon.wording import count

FILE = ".blindspoon/collect.json"  # where the memory lies in the trial folder

NIGHT = datetime.timedelta(hours=5)  # that belong to the evening before
LATEST = 7 * 24 * 3600.0  # seconds after which a phone without a network brings its answers

MOST_WARNINGS = 5
"""Warnings on the page of the host, the last ones."""

T = TypeVar("T")

Pairs = tuple[tuple[str, str], ...]  # sessions and tasters


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What the pages say of a trial: never what is in a cup.

    The title is for the host; it may tell tasters too much, so that they read the `food`: the
    product, or the title without one. Sessions and tasters are in the order of trial.toml and of
    servings.csv. `labels` are what people read in the place of a session's name; blank where it is
    the name.
    """

    title: str
    food: str
    sessions: tuple[str, ...]
    tasters: tuple[str, ...]
    tasting: Tasting
    labels: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What outlives a restart: the secret of 256 bits, in hexadecimal, from which all links come.

    Also which phone each taster took their name on, and how often their link was made anew.
    """

    secret: str = field(default_factory=lambda: secrets.token_hex(32))
    session: str = ""  # the one that is open; empty for none
    joined: tuple[str, ...] = ()  # who have taken their name, in order
    devices: dict[str, str] = field(default_factory=dict)
    renewed: dict[str, int] = field(default_factory=dict)
    agreed: Pairs = ()  # who has read the cautions
    twice: Pairs = ()  # whose paper ballot was keyed twice and agrees
    days: Pairs = ()  # sessions, and days on which phones answered

    def link(self, kind: str, name: str = "") -> str:
        """Make the secret part of a link: 128 bits, of the host or of one taster.

        >>> memory = Memory(secret="00" * 32)
        >>> len(memory.link("taster", "T01")), memory.link("host") == memory.link("taster", "T01")
        (22, False)
        """
        parts = (kind, name, str(self.renewed.get(name, 0)))
        text = "".join(f"{len(part)}:{part}" for part in parts).encode()
        digest = hmac.digest(bytes.fromhex(self.secret), text, hashlib.sha256)[:16]
        return base64.urlsafe_b64encode(digest).decode().rstrip("=")

    def to_bytes(self) -> bytes:
        return json.dumps(asdict(self), indent=1, ensure_ascii=False).encode()

    @classmethod
    def of(cls, folder: DurableFolder) -> Memory:
        """Read that of a trial; a new one where there is none. OSError, or FormError if damaged."""
        data = folder.read(FILE)
        if data is None:
            return cls()
        try:
            found = {"days": ()} | json.loads(data)
            memory = cls(
                secret=bytes.fromhex(found["secret"]).hex(),
                session=found["session"],
                joined=tuple(found["joined"]),
                devices={**found["devices"]},
                renewed={**found["renewed"]},
                **{name: tuple(map(tuple, found[name])) for name in ("agreed", "twice", "days")},
            )
        except (ValueError, TypeError, KeyError) as error:
            remedy = "Remove it; every taster then needs a new link, and no score is lost"
            rule = Rule("damaged-links", "only the score page writes it", remedy)
            raise FormError([rule.broken("the file of links is damaged", FILE)]) from error
        return memory


def remembered(folder: Path) -> Memory:
    """Give the memory of a trial; a new one where there is none that can be read."""
    with contextlib.suppress(OSError, FormError):
        return Memory.of(DurableFolder(folder))
    return Memory()


Change = Callable[[Memory], dict[str, Any]]  # gives the fields of a memory that are to be others


class Sitting:
    """One tasting; safe to use from several threads.

    It begins with the memory of the last restart. `ballots` are by session and taster; `serve` sets
    `tell`, which is told what happens. `look_for_late` adds tasters for whom cups were drawn since.
    """

    def __init__(self, plan: Plan, folder: DurableFolder, memory: Memory) -> None:
        self.plan = plan
        self.memory = memory
        self.ballots: dict[tuple[str, str], Ballot] = {}
        self.tell: Tell = lambda _: None
        self.warnings: tuple[str, ...] = ()
        self.look_for_late: Callable[[], None] = lambda: None
        self._folder = folder
        self._disk = threading.Lock()
        self._tasters: dict[str, str] = {}
        self._name_links()

    @property
    def session(self) -> str:
        """The session that is open; empty for none."""
        return self.memory.session

    @property
    def host_link(self) -> str:
        return self.memory.link("host")

    def taster_link(self, taster: str) -> str:
        return self.memory.link("taster", taster)

    def ticket(self, link: str) -> str:
        """Make what a page of this link puts into its forms, and a page of another site cannot."""
        return self.memory.link("form", link)

    def taster_of(self, link: str) -> str | None:
        return self._tasters.get(link)

    def free_names(self) -> list[str]:
        return [name for name in self.plan.tasters if name not in self.memory.joined]

    def join(self, taster: str, device: str) -> bool:
        """Take a name; False where another device took it. The first to ask gets it.

        A name that the device took before, and did not go on with, is free again.
        """

        def joined(memory: Memory) -> dict[str, Any]:
            if taster in memory.joined:
                return {}
            devices = memory.devices | {taster: device}
            return {"joined": (*memory.joined, taster), "devices": devices}

        if self._change(joined):
            self.say(f"{shown(taster)} has joined.")
            for name in self.names_of(device):
                if name != taster and self.may_leave(name):
                    self.renew(name)
        return hmac.compare_digest(self.memory.devices.get(taster, ""), device)

    def names_of(self, device: str) -> list[str]:
        return [name for name, theirs in self.memory.devices.items() if theirs == device]

    def may_leave(self, taster: str) -> bool:
        """Tell whether a name was picked and not gone on with, so that it can be given back."""
        return taster in self.memory.devices and not self.has_begun(taster)

    def has_begun(self, taster: str) -> bool:
        return any(name == taster for _, name in self.memory.agreed)

    def renew(self, taster: str) -> None:
        """Make a taster's link anew and their name free; the old link is dead."""

        def renewed(memory: Memory) -> dict[str, Any]:
            times = memory.renewed.get(taster, 0) + 1
            return {
                "joined": tuple(name for name in memory.joined if name != taster),
                "devices": {name: it for name, it in memory.devices.items() if name != taster},
                "renewed": memory.renewed | {taster: times},
                "agreed": tuple(pair for pair in memory.agreed if pair[1] != taster),
            }

        self._change(renewed)
        self._name_links()

    def agree(self, session: str, taster: str) -> None:
        self._change(
            lambda memory: {
                "joined": _including(memory.joined, taster),
                "agreed": _including(memory.agreed, (session, taster)),
            }
        )

    def has_agreed(self, session: str, taster: str) -> bool:
        return (session, taster) in self.memory.agreed

    def note_twice(self, session: str, taster: str) -> None:
        self._change(lambda memory: {"twice": _including(memory.twice, (session, taster))})

    def note_day(self, session: str, ago: float) -> None:
        """Note the day of an answer that a phone took so many seconds before."""
        given = datetime.datetime.now().astimezone() - datetime.timedelta(seconds=min(ago, LATEST))
        pair = session, evening_of(given).isoformat()
        if pair not in self.memory.days:  # else nobody waits for the disk
            self._change(lambda memory: {"days": _including(memory.days, pair)})

    def open_session(self, session: str) -> None:
        """Open a session, and close the one before; empty closes only.

        An answer that is being saved in that moment still counts.
        """
        before = self.session
        if self._change(lambda _: {"session": session}):
            self.say(f"Session {session} is open." if session else f"Session {before} is closed.")

    def session_of(self, taster: str) -> str:
        """Name the session that is open, if the taster has cups in it; else empty."""
        return self.session if (self.session, taster) in self.ballots else ""

    def session_after(self, session: str, taster: str) -> str:
        """Name the next session in which a taster has cups to score; empty after the last."""
        later = self.plan.sessions[self.plan.sessions.index(session) + 1 :]
        ballots = (self.ballots.get((name, taster)) for name in later)
        return next((ballot.session for ballot in ballots if ballot and ballot.gaps), "")

    def ballots_of(self, session: str) -> list[Ballot]:
        """Give the ballots of a session, in the order of the tasters."""
        pairs = ((session, taster) for taster in self.plan.tasters)
        return [self.ballots[pair] for pair in pairs if pair in self.ballots]

    @property
    def unfinished(self) -> str:
        """Name the first session with a cup that is not scored; empty where there is none."""
        names = self.plan.sessions
        return next((name for name in names if any(b.gaps for b in self.ballots_of(name))), "")

    def tally(self) -> str:
        """Count what was collected: "5 of 60 cups are scored; 1 ballot lies in ballots"."""
        ballots = self.ballots.values()
        scored, total = sum(it.count for it in ballots), sum(len(it.codes) for it in ballots)
        files = sum(bool(part.rows) for ballot in ballots for part in ballot.parts)
        kinds = {ballot.kind for ballot in ballots}
        both = "sets are answered" if kinds == {"sets"} else "sets and cups are answered"
        done = "cups are scored" if kinds == {"cups"} else both
        lie = "lies" if files == 1 else "lie"
        return f"{scored:,} of {total:,} {done}; {count(files, 'ballot')} {lie} in ballots"

    def reconcile(self) -> None:
        """Look whether ballots were changed by hand; trouble is told, and stops nothing."""
        self.look_for_late()
        for ballot in self.ballots.values():
            try:
                ballot.reconcile()
            except OSError as error:
                self.trouble(error)

    def add(self, plan: Plan, ballots: Mapping[tuple[str, str], Ballot]) -> None:
        """Take in a plan and ballots; those that are there stay as they are."""
        self.plan = plan
        self.ballots = {**ballots, **self.ballots}
        self._name_links()

    def trouble(self, error: OSError) -> None:
        name = shown(str(error.filename or "A file"), 200)
        self.warn(
            f"{name} cannot be written ({error.strerror or error}); see that the folder is in its "
            "place, the disk has room, and no program has it open."
        )

    def warn(self, text: str) -> None:
        """Tell what the host has to know, once a minute, and keep it for their page."""
        warning = f"{time.strftime('%H:%M')} {text}"
        if warning not in self.warnings:
            kept = [it for it in self.warnings if not it.endswith(text)][1 - MOST_WARNINGS :]
            self.warnings = (*kept, warning)
            self.say(text)

    def say(self, text: str) -> None:
        self.tell(text)

    def _change(self, change: Change) -> bool:
        """Change what is remembered, on the disk first; tell whether there was anything to change.

        Raises OSError, and then nothing is changed.
        """
        with self._disk:
            memory = replace(self.memory, **change(self.memory))
            changed = memory != self.memory
            if changed:
                self._folder.save(FILE, memory.to_bytes())
                self.memory = memory
        return changed

    def _name_links(self) -> None:
        names = self.plan.tasters
        self._tasters = {self.memory.link("taster", name): name for name in names}


def evening_of(moment: datetime.datetime) -> datetime.date:
    """Give the day to which an evening belongs, of which the end may be after midnight.

    >>> [f"{evening_of(datetime.datetime(2026, 9, 6, hour))}" for hour in (2, 19)]
    ['2026-09-05', '2026-09-06']
    """
    return (moment - NIGHT).date()


def _including(items: tuple[T, ...], item: T) -> tuple[T, ...]:
    return items if item in items else (*items, item)
