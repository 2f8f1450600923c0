"""Trays, one a taster and session, and the cards and labels that name their cups by code only."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.serving.plan import Serving, ServingPlan
from blindspoon.sheets.paper import LabelStock
from blindspoon.trial import Attribute, Trial
from blindspoon.wording import day


@dataclass(frozen=True, slots=True, kw_only=True)
class Tray:
    """The cups of one taster in one session, in serving order."""

    session: str
    taster: str
    cups: tuple[Serving, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayCard:
    """What a taster may read of a tray: its session in words, and codes in the order of tasting.

    `codes` are those of cups to score for the attributes `asked`, `sets` those of each set to
    choose from.
    """

    session: str
    taster: str
    asked: tuple[Attribute, ...]
    codes: tuple[str, ...]
    sets: tuple[tuple[str, ...], ...] = ()


def trays_of(plan: ServingPlan) -> tuple[Tray, ...]:
    """Put the servings of a plan on trays, by session and taster in the order of the trial."""
    held: dict[tuple[str, str], list[Serving]] = {}
    for serving in sorted(plan.servings, key=lambda serving: serving.position):
        held.setdefault((serving.session, serving.taster), []).append(serving)
    return tuple(
        Tray(session=session, taster=taster, cups=tuple(held[session, taster]))
        for session in plan.request.sessions
        for taster in plan.request.tasters
        if (session, taster) in held
    )


def session_line(trial: Trial, name: str) -> str:
    """Name a session, with its date where trial.toml gives one: "Session 1, 19 September 2026"."""
    date = {session.name: session.date for session in trial.sessions}.get(name)
    said = trial.session_label(name) or f"Session {name}"
    return said if date is None else f"{said}, {day(date)}"


def tray_cards(trial: Trial, plan: ServingPlan) -> tuple[TrayCard, ...]:
    """Write a card for every tray."""
    return tuple(
        TrayCard(
            session=session_line(trial, tray.session),
            taster=tray.taster,
            asked=trial.asked(tray.session),
            codes=tuple(cup.code for cup in tray.cups if not cup.set),
            sets=tuple(
                tuple(cup.code for cup in tray.cups if cup.set == name)
                for name in dict.fromkeys(cup.set for cup in tray.cups if cup.set)
            ),
        )
        for tray in trays_of(plan)
    )


def label_sheets(
    plan: ServingPlan, stock: LabelStock, *, owner: bool
) -> tuple[tuple[tuple[str, str], ...], ...]:
    """Fill sheets with labels: tray by tray, in serving order, which tells nothing.

    A label is a code and whose cup it is, which is blank unless `owner`.
    """
    labels = [
        (cup.code, f"{tray.taster} · session {tray.session}" if owner else "")
        for tray in trays_of(plan)
        for cup in tray.cups
    ]
    starts = range(0, len(labels), stock.count)
    return tuple(tuple(labels[start : start + stock.count]) for start in starts)
