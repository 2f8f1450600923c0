"""The pouring sheet: which code is which variant. The only sheet that names them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from string import ascii_uppercase

from blindspoon import wording
from blindspoon.serving.plan import Serving, ServingPlan
from blindspoon.sheets.telling import telling_words
from blindspoon.sheets.tray_labels import Tray, session_line, trays_of
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """Everything that is poured from one batch in one session.

    Parameters
    ----------
    mark : str
        Stands for it in the check by tray: "A", or "A2" for a second batch.
    variant, batch : str
        Label of the variant; the batch may be empty.
    control : bool
    amount : str
        "12 cups, 120 g in all"
    cups : tuple of (code, taster)
        In the order of the codes.
    """

    mark: str
    variant: str
    batch: str
    control: bool
    amount: str
    cups: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One tray, to be looked at when all is poured: codes and marks in serving order."""

    taster: str
    cups: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pouring:
    """What is poured for one session; `warm_up` is a sentence, empty without such a cup."""

    session: str
    amount: str
    warm_up: str
    pours: tuple[Pour, ...]
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PouringSheet:
    """All sessions, and what tasters will read that holds a variant's name; texts may be empty."""

    title: str
    cleanser: str
    allergens: str
    telling: str
    cautions: tuple[str, ...]
    sessions: tuple[Pouring, ...]


def pouring_sheet(
    trial: Trial, plan: ServingPlan, portion_g: float | None, cautions: Sequence[str] = ()
) -> PouringSheet:
    """Sort the cups of every session by what is poured into them."""
    trays = trays_of(plan)
    held = dict.fromkeys(tray.session for tray in trays)
    words = wording.listing(f"“{word}”" for word in telling_words(trial, plan))
    return PouringSheet(
        title=trial.title,
        cleanser=trial.tasting.cleanser,
        allergens=trial.tasting.allergens,
        telling=words,
        cautions=tuple(cautions),
        sessions=tuple(
            _pouring(trial, plan, [tray for tray in trays if tray.session == name], portion_g)
            for name in held
        ),
    )


def amount(cups: int, portion_g: float | None) -> str:
    """Say how much is needed for some cups of one portion.

    Examples
    --------
    >>> amount(12, 10), amount(120, 12.5), amount(1, None)
    ('12 cups, 120 g in all', '120 cups, 1.5 kg in all', '1 cup')
    """
    text = wording.count(cups, "cup")
    if portion_g is None:
        return text
    return f"{text}, {weight(cups * portion_g)} in all"


def weight(grams: float) -> str:
    """Write a weight as a scale shows it.

    Examples
    --------
    >>> weight(12.5), weight(120), weight(1260)
    ('12.5 g', '120 g', '1.26 kg')
    """
    if grams >= 1000:
        return f"{wording.plain(round(grams / 1000, 2))} kg"
    return f"{wording.plain(round(grams, 1))} g"


def _pouring(
    trial: Trial, plan: ServingPlan, trays: list[Tray], portion_g: float | None
) -> Pouring:
    marks = _marks(trial, plan)
    served: dict[tuple[str, str], list[Serving]] = {}
    for cup in (cup for tray in trays for cup in tray.cups):
        served.setdefault(_source(cup), []).append(cup)
    return Pouring(
        session=session_line(trial, trays[0].session),
        amount=amount(sum(map(len, served.values())), portion_g),
        warm_up=_warm_up(trial, len(trays), portion_g) if plan.request.warm_up else "",
        pours=tuple(
            _pour(trial, served[source], mark, portion_g)
            for source, mark in marks.items()
            if source in served
        ),
        checks=tuple(
            Check(
                taster=tray.taster,
                cups=tuple((cup.code, marks[_source(cup)]) for cup in tray.cups),
            )
            for tray in trays
        ),
    )


def _pour(trial: Trial, cups: list[Serving], mark: str, portion_g: float | None) -> Pour:
    variant = trial.variant(cups[0].variant)
    place = {name: number for number, name in enumerate(dict.fromkeys(c.taster for c in cups))}
    ordered = sorted(cups, key=lambda cup: (cup.code, place[cup.taster]))
    return Pour(
        mark=mark,
        variant=variant.label,
        batch=cups[0].batch or "",
        control=variant.name == trial.control,
        amount=amount(len(cups), portion_g),
        cups=tuple((cup.code, cup.taster) for cup in ordered),
    )


def _source(cup: Serving) -> tuple[str, str]:
    return cup.variant, cup.batch or ""


def _marks(trial: Trial, plan: ServingPlan) -> dict[tuple[str, str], str]:
    """Give every batch a mark that is the same in all sessions: a letter a variant."""
    marks = {}
    for number, variant in enumerate(trial.variants):
        batches = sorted({cup.batch or "" for cup in plan.servings if cup.variant == variant.name})
        for place, batch in enumerate(batches, 1):
            few = len(batches) == 1
            marks[variant.name, batch] = _letter(number) + ("" if few else str(place))
    return marks


def _letter(number: int) -> str:
    """Count as columns of a spreadsheet do: A to Z, then AA."""
    before, last = divmod(number, len(ascii_uppercase))
    return (_letter(before - 1) if before else "") + ascii_uppercase[last]


def _warm_up(trial: Trial, tasters: int, portion_g: float | None) -> str:
    label = trial.variant(trial.control).label
    return (
        f"First {amount(tasters, portion_g)}, without a code, to warm up: the same for "
        f"everybody, from a jar that is not compared, or else from {label}."
    )
