"""What is to be drawn: who tastes, how many cups, which variants; and whether it can be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from blindspoon.errors import DesignError, Problem
from blindspoon.serving.codes import usable_codes
from blindspoon.trial import Trial

FILE = "trial.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingRequest:
    """What `draw` needs to know of a trial.

    Parameters
    ----------
    control : str
        Name of the variant that the others are compared with.
    others : tuple of str
        Names of the other variants; at least one.
    tasters : tuple of str
    sessions : tuple of str
        At least one.
    cups : int
        Coded cups a taster gets in one session, the control's included.
    controls : {1, 2}
        How many of these are the control.
    codes : {"per taster", "per session"}
    warm_up : bool
        Whether an uncoded cup is served first; it is in no table, only on the sheets.
    batches : mapping of str to tuple of str
        Batches to serve of a variant; a variant that is not in it has its batch left open.
    """

    control: str
    others: tuple[str, ...]
    tasters: tuple[str, ...]
    sessions: tuple[str, ...] = ("1",)
    cups: int
    controls: Literal[1, 2] = 1
    codes: Literal["per taster", "per session"] = "per taster"
    warm_up: bool = False
    batches: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def variants(self) -> tuple[str, ...]:
        """All variants, the control first."""
        return (self.control, *self.others)

    @property
    def places(self) -> int:
        """Cups in a set that are not the control."""
        return self.cups - self.controls

    @property
    def complete(self) -> bool:
        """Whether every taster gets every variant in a session."""
        return self.places == len(self.others)

    @property
    def alone(self) -> bool:
        """Whether one person tastes alone: each session is then a freely shuffled round."""
        return len(self.tasters) == 1


def request_for(
    trial: Trial,
    *,
    controls: Literal[1, 2] = 1,
    warm_up: bool = False,
    sessions: Sequence[str] = (),
    batches: Mapping[str, Sequence[str]] | None = None,
) -> ServingRequest:
    """Take what the drawing needs from a trial.

    Parameters
    ----------
    trial : Trial
    controls : {1, 2}
        How often the control is hidden among a taster's cups of one session.
    warm_up : bool
        Whether an uncoded cup is served first.
    sessions : sequence of str
        Names of sessions, where trial.toml lists none; "1" if there are none here either.
    batches : mapping of str to sequence of str, optional
        Batches of each variant.

    Returns
    -------
    ServingRequest

    Raises
    ------
    DesignError
        If the cups, tasters and variants do not fit together, with every problem found.
    """
    request = ServingRequest(
        control=trial.control,
        others=tuple(v.name for v in trial.variants if v.name != trial.control),
        tasters=trial.tasting.tasters,
        sessions=tuple(s.name for s in trial.sessions) or tuple(sessions) or ("1",),
        cups=trial.tasting.servings or len(trial.variants) + controls - 1,
        controls=controls,
        codes=trial.tasting.codes,
        warm_up=warm_up,
        batches={name: tuple(those) for name, those in (batches or {}).items() if those},
    )
    check_request(request)
    return request


def check_request(request: ServingRequest) -> None:
    """Refuse what cannot be drawn.

    Raises
    ------
    DesignError
        With every problem found: no tasters, more cups than there are variants, fewer than the
        control and one more, so few in all that a variant would never be served, or more codes
        in a set than there are.
    """
    found = [*_tasters(request), *_cups(request), *_codes(request)]
    if found:
        raise DesignError(found)


def _tasters(request: ServingRequest) -> list[Problem]:
    if request.tasters:
        return []
    return [
        _problem(
            "no-tasters",
            "tasting.tasters",
            "no tasters",
            "at least one is needed to draw who gets which cup",
            'Write tasters = ["T01", "T02"] or a number under [tasting]',
        )
    ]


def _cups(request: ServingRequest) -> list[Problem]:
    most = len(request.others) + request.controls
    least = request.controls + 1
    if request.cups > most:
        allowed = f"there are {most} to serve: the control{_twice(request)} and each other variant"
        return [_servings("too-many-servings", request, allowed, f"Write {most} or fewer")]
    if request.cups < least:
        allowed = f"a taster needs the control{_twice(request)} and one other variant"
        return [_servings("too-few-servings", request, allowed, f"Write {least} or more")]
    sets = len(request.tasters) * len(request.sessions)
    if request.tasters and sets * request.places < len(request.others):
        needed = -(-len(request.others) // request.places)
        allowed = (
            f"in {sets} {'set' if sets == 1 else 'sets'} of cups they cannot hold all "
            f"{len(request.others)} variants beside the control, which takes {needed} sets"
        )
        remedy = "Have more servings, tasters or sessions"
        return [_servings("too-few-servings", request, allowed, remedy)]
    return []


def _codes(request: ServingRequest) -> list[Problem]:
    count = request.cups if request.codes == "per taster" else len(request.others) + 2
    if count <= len(usable_codes()):
        return []
    allowed = f"there are {len(usable_codes())} three-digit codes to tell them apart"
    return [_servings("too-many-servings", request, allowed, "Serve fewer cups in a session")]


def _servings(slug: str, request: ServingRequest, allowed: str, remedy: str) -> Problem:
    found = f"{request.cups} servings for each taster and session"
    return _problem(slug, "tasting.servings", found, allowed, remedy)


def _twice(request: ServingRequest) -> str:
    return " twice" if request.controls == 2 else ""


def _problem(slug: str, column: str, found: str, allowed: str, remedy: str) -> Problem:
    return Problem(slug=slug, file=FILE, column=column, found=found, allowed=allowed, remedy=remedy)
