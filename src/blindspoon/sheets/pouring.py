"""Trays, one a taster and session, their cards and labels, and what is poured for them.

The pouring sheet says which code is which variant: the only sheet that names them. What tasters
read holds no name of a variant.
"""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from string import ascii_uppercase
from typing import Literal, NamedTuple

import numpy as np

from blindspoon import wording
from blindspoon.serving.plan import Serving, ServingPlan
from blindspoon.trial import Attribute, Trial
from blindspoon.wording import day


class Tray(NamedTuple):
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
        Tray(session, taster, tuple(held[session, taster]))
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


Paper = Literal["a4", "letter"]
INCH = 25.4
Size = tuple[float, float]
PAPERS: dict[Paper, Size] = {"a4": (210.0, 297.0), "letter": (8.5 * INCH, 11 * INCH)}
"""Width and height in millimetres (ISO 216; ANSI/ASME Y14.1)."""
MARGIN = 12  # around every page but the labels', in millimetres


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelStock:
    """A sheet of labels of one size, in millimetres, centred on its paper.

    There is a gap between columns, and none between rows.
    """

    paper: Paper
    width: float
    height: float
    columns: int
    rows: int
    gap: float

    @property
    def count(self) -> int:
        return self.columns * self.rows

    @property
    def left(self) -> float:
        used = self.columns * self.width + (self.columns - 1) * self.gap
        return (PAPERS[self.paper][0] - used) / 2

    @property
    def top(self) -> float:
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


USUAL_STOCKS: dict[Paper, str] = {"a4": "a4-21", "letter": "letter-30"}


def labels_of(plan: ServingPlan) -> list[tuple[str, str, str]]:
    """Give labels tray by tray, in serving order, which tells nothing.

    A label is a code, whose cup it is, and in which session.
    """
    trays = trays_of(plan)
    return [(cup.code, it.taster, f"session {it.session}") for it in trays for cup in it.cups]


MARKS = 1001  # tells the random stream of the marks from the others that come from the trial's seed


class Pour(NamedTuple):
    """Everything that is poured from one batch, which may have no name, in one session.

    `mark` stands for it in the check by tray: "A", or "A2" for a second batch; `variant` is a
    label; `cups` are (code, taster), in the order of the codes.
    """

    mark: str
    variant: str
    batch: str
    control: bool
    cups: tuple[tuple[str, str], ...]


class Pouring(NamedTuple):
    """What is poured for one session.

    `checks` are the trays, (taster, tuple of (code, mark)), to be looked at when all is poured, in
    serving order.
    """

    session: str
    pours: tuple[Pour, ...]
    checks: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]


def pouring_sheets(trial: Trial, plan: ServingPlan) -> tuple[Pouring, ...]:
    """Sort the cups of every session by what is poured into them.

    A batch has the same mark in all sessions: a letter a variant.
    """
    marks, found, trays = dict[tuple[str, str | None], str](), list[Pouring](), trays_of(plan)
    for number, variant in enumerate(trial.variants):
        batches = {cup.batch for cup in plan.servings if cup.variant == variant.name}
        for place, batch in enumerate(sorted(batches, key=lambda batch: batch or ""), 1):
            marks[variant.name, batch] = f"{_letter(number)}{place if len(batches) > 1 else ''}"
    for session in dict.fromkeys(tray.session for tray in trays):
        on_day = [tray for tray in trays if tray.session == session]
        cups: dict[tuple[str, str | None], list[tuple[str, str]]] = {jar: [] for jar in marks}
        for cup in sorted((cup for tray in on_day for cup in tray.cups), key=lambda cup: cup.code):
            cups[cup.variant, cup.batch].append((cup.code, cup.taster))
        pours = (
            Pour(
                marks[name, batch], trial.variant(name).label, batch or "", name == trial.control,
                tuple(poured),
            )
            for (name, batch), poured in cups.items() if poured
        )  # fmt: skip
        checks = (
            (tray.taster, tuple((cup.code, marks[cup.variant, cup.batch]) for cup in tray.cups))
            for tray in on_day
        )
        found.append(Pouring(session_line(trial, session), tuple(pours), tuple(checks)))
    return tuple(found)


def two_marks(sheets: Sequence[Pouring], seed: int) -> tuple[Pouring, ...]:
    """Mark the jars afresh in every session, where two people pour and both want to taste.

    Who fills the marked bowls knows which jar a mark is, and who fills the cups which code; the
    letters are drawn, so that neither can tell the other half from them.
    """
    drawn = []
    for number, sheet in enumerate(sheets):
        order = np.random.default_rng([seed, MARKS, number]).permutation(len(sheet.pours))
        pours = tuple(
            pour._replace(mark=_letter(int(place)))
            for pour, place in zip(sheet.pours, order, strict=True)
        )
        drawn.append(sheet._replace(pours=pours, checks=()))
    return tuple(drawn)


def amount(cups: int, portion_g: float | None) -> str:
    """Say how much is needed for some cups of one portion.

    >>> amount(12, 10), amount(120, 12.5), amount(1, None)
    ('12 cups, 120 g in all', '120 cups, 1.5 kg in all', '1 cup')
    """
    text = wording.count(cups, "cup")
    if portion_g is None:
        return text
    return f"{text}, {weight(cups * portion_g)} in all"


def weight(grams: float) -> str:
    """Write a weight as a scale shows it.

    >>> weight(12.25), weight(120), weight(1265)
    ('12.3 g', '120 g', '1.27 kg')
    """
    size, digits, unit = (grams / 1000, 2, "kg") if grams >= 1000 else (grams, 1, "g")
    return f"{wording.plain(float(wording.number(size, digits)))} {unit}"


def _letter(number: int) -> str:
    """Count as columns of a spreadsheet do: A to Z, then AA."""
    before, last = divmod(number, len(ascii_uppercase))
    return (_letter(before - 1) if before else "") + ascii_uppercase[last]


SHORT = 3
"""Letters from which on a name is looked for within words."""


def tells(text: str, trial: Trial) -> bool:
    """Whether a text holds the name or the label of a variant, in any case, accent and punctuation.

    Parts of words count: a variant "salt" is told by "less salty". A name of one or two Latin
    letters has to stand alone, or "crackers" would tell a variant "a".
    """
    names = {name for variant in trial.variants for name in (variant.name, variant.label)}
    signs = {sign for name in names for sign in _forms(name)}
    return any(_told(sign, form) for form in {*_forms(text)} for sign in signs)


def _told(sign: str, text: str) -> bool:
    if sign.isascii() and len(sign) < SHORT:
        return re.search(rf"(?<!\w){re.escape(sign)}(?!\w)", text) is not None
    return sign in text


def heading(trial: Trial) -> str:
    """Head the sheets that tasters see: never the title, which may tell what the host hopes for.

    "Tasting of fermented cucumbers"; "Tasting" where there is no product, or it tells a variant.
    """
    silent = not trial.product or tells(trial.product, trial)
    return "Tasting" if silent else f"Tasting of {trial.product}"


def veiled(text: str, trial: Trial, instead: str = "") -> str:
    """Give a text of the host's; something instead where it is empty or tells a variant."""
    return instead if not text or tells(text, trial) else text


def _forms(text: str) -> Iterable[str]:
    """Give a text without case and accents, and with all but letters and digits made one blank."""
    parts = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).upper().casefold())
    folded = "".join(part for part in parts if not unicodedata.combining(part))
    return filter(None, (folded, re.sub(r"[\W_]+", " ", folded).strip()))
