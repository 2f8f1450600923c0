"""One tray a taster and session: the cups in serving order, by code only."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.report.methods import day
from blindspoon.serving import Serving, ServingPlan
from blindspoon.sheets.veil import heading
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Tray:
    """The cups of one taster in one session, in serving order."""

    session: str
    taster: str
    cups: tuple[Serving, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayCard:
    """What lies on a tray: whose it is, and the codes in the order of tasting."""

    heading: str
    session: str
    taster: str
    warm_up: bool
    codes: tuple[str, ...]


def trays_of(plan: ServingPlan) -> tuple[Tray, ...]:
    """Put the servings of a plan on trays, by session and taster in the order of the trial."""
    held: dict[tuple[str, str], list[Serving]] = {}
    for serving in plan.servings:
        held.setdefault((serving.session, serving.taster), []).append(serving)
    return tuple(
        Tray(session=session, taster=taster, cups=_in_order(held[session, taster]))
        for session in plan.request.sessions
        for taster in plan.request.tasters
        if (session, taster) in held
    )


def session_line(trial: Trial, name: str) -> str:
    """Name a session, with its date where trial.toml gives one.

    Returns
    -------
    str
        "Session 1, 19 September 2026"
    """
    dates = {session.name: session.date for session in trial.sessions}
    date = dates.get(name)
    return f"Session {name}" if date is None else f"Session {name}, {day(date)}"


def tray_cards(trial: Trial, plan: ServingPlan) -> tuple[TrayCard, ...]:
    """Write a card for every tray."""
    return tuple(
        TrayCard(
            heading=heading(trial),
            session=session_line(trial, tray.session),
            taster=tray.taster,
            warm_up=plan.request.warm_up,
            codes=tuple(cup.code for cup in tray.cups),
        )
        for tray in trays_of(plan)
    )


def _in_order(cups: list[Serving]) -> tuple[Serving, ...]:
    return tuple(sorted(cups, key=lambda cup: cup.position))
