"""What happens at the score page, as the terminal tells it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from blindspoon.errors import shown

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
