"""Links nobody can guess, and what the score page remembers beside the answers.

Every link is made from one secret, so that it is the same after a restart. The secret and who
has joined lie in .blindspoon in the trial folder, which is no part of the published trial.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from blindspoon.errors import FormError, Problem

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
