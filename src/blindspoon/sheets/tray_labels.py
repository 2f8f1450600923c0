"""Cup labels: one code a label, on sheets of stock sizes, exact in millimetres.

One tray a taster and session: the cups in serving order, by code only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from blindspoon.serving.plan import Serving, ServingPlan
from blindspoon.sheets.telling import heading
from blindspoon.trial import Trial
from blindspoon.writeup.words import day


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


Paper = Literal["a4", "letter"]
INCH = 25.4
PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (8.5 * INCH, 11 * INCH)}
"""Width and height in millimetres (ISO 216; ANSI/ASME Y14.1)."""
MARGIN = 12
"""Around every page but the labels', in millimetres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelStock:
    """A sheet of labels of one size, centred on its paper; no gap between rows.

    Parameters
    ----------
    paper : {"a4", "letter"}
    width, height : float
        Of one label, in millimetres.
    columns, rows : int
    gap : float
        Between columns, in millimetres.
    """

    paper: Paper
    width: float
    height: float
    columns: int
    rows: int
    gap: float

    @property
    def count(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    @property
    def left(self) -> float:
        """Margin left of the first column, in millimetres."""
        used = self.columns * self.width + (self.columns - 1) * self.gap
        return (PAPERS[self.paper][0] - used) / 2

    @property
    def top(self) -> float:
        """Margin above the first row, in millimetres."""
        return (PAPERS[self.paper][1] - self.rows * self.height) / 2


LABEL_STOCKS = {
    "a4-21": LabelStock(paper="a4", width=63.5, height=38.1, columns=3, rows=7, gap=2.54),
    "a4-65": LabelStock(paper="a4", width=38.1, height=21.2, columns=5, rows=13, gap=2.54),
    "letter-30": LabelStock(
        paper="letter", width=2.625 * INCH, height=INCH, columns=3, rows=10, gap=0.125 * INCH
    ),
    "letter-80": LabelStock(
        paper="letter", width=1.75 * INCH, height=0.5 * INCH, columns=4, rows=20, gap=0.3 * INCH
    ),
}
"""Common stock sizes by name; common practice, no source: to be tried on plain paper first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One label; `owner` is whose cup it is, and may be empty."""

    code: str
    owner: str


def stock_named(name: str | None, paper: Paper) -> LabelStock:
    """Find a stock; the larger labels of the paper where none is named.

    Raises
    ------
    ValueError
        If there is no stock of that name.
    """
    chosen = name or {"a4": "a4-21", "letter": "letter-30"}[paper]
    if chosen not in LABEL_STOCKS:
        message = f'label_stock is "{chosen}"; it is one of {", ".join(LABEL_STOCKS)}'
        raise ValueError(message)
    return LABEL_STOCKS[chosen]


def label_sheets(
    plan: ServingPlan, stock: LabelStock, *, owner: bool
) -> tuple[tuple[Label, ...], ...]:
    """Fill sheets with labels: tray by tray, in serving order, which tells nothing."""
    labels = [
        Label(code=cup.code, owner=f"{tray.taster} · session {tray.session}" if owner else "")
        for tray in trays_of(plan)
        for cup in tray.cups
    ]
    starts = range(0, len(labels), stock.count)
    return tuple(tuple(labels[start : start + stock.count]) for start in starts)
