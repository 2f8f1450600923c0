"""The host's checklist for the day: cautions first, then the hours in their order.

What comes from a standard or a paper names it; the rest is common practice and says so. The
sentences stand in templates/checklist.txt.j2: a part begins with "#", a thing to do has a name
before a bar, and at its end what it follows, in brackets.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.paper_ballots import REST
from blindspoon.sheets.pouring import amount, session_line, trays_of, weight
from blindspoon.sheets.reminders import Reminder
from blindspoon.sheets.telling import heading, tells, veiled
from blindspoon.trial import Trial
from blindspoon.wording import day
from blindspoon.writeup.words import points

PRACTICE = "Whatever has no number: common practice, no source."

SOURCES = {
    "IFST": "Institute of Food Science & Technology, Guidelines for ethical and professional "
    "practices for the sensory analysis of foods: volunteers, informed consent, hygiene, no "
    "children without guidance.",
    "4120": "ISO 4120, read as AS 2542.2.2:2014, clauses 5.2 to 5.8: three-digit codes, the same "
    "vessel, quantity and temperature, prepared out of sight, colour masked, no communication, "
    "swallowing or not stated. The standard is for triangle tests; only its rules of serving are "
    "followed here.",
    "13299": "ISO 13299:2016: one temperature, three-digit codes, a designed order, replicates on "
    "different days if possible, identities not disclosed until the end.",
    "E1871": "ASTM E1871-97, 5.1: portion, number of cups, cleanser and temperature are settled in "
    "a trial run; samples are uniform. It does not cover alcohol.",
    "cleansers": "One cleanser, kept: sourness was scored higher after carrots or water than after "
    "crackers (Vickers, Morris and Savaria 2008, Journal of Sensory Studies 23:526). Only table "
    "water crackers worked for all of seven foods (Lucak and Delwiche 2009, Chemosensory "
    "Perception 2:32).",
    "room": "Rooms are the subject of ISO 8589; what stands here is common practice, no source.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A thing to do and tick off.

    Parameters
    ----------
    source : str
        An entry of `SOURCES`; empty where a caution or a step is common practice.
    blank : bool
        Whether there is room to write.
    """

    name: str
    text: str
    source: str
    blank: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part of the list; `lead` may be empty."""

    heading: str
    lead: str
    items: list[Item]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checklist:
    """The whole list; `facts` are (name, text) at its head, `sources` (mark, text) at its end."""

    title: str
    facts: tuple[tuple[str, str], ...]
    parts: list[Part]
    sources: tuple[tuple[str, str], ...]


def make_checklist(
    trial: Trial, plan: ServingPlan, portion_g: float | None, days: Sequence[Reminder] = ()
) -> Checklist:
    """Write the list for a trial; it names no variant, for it lies about where tasters are."""
    tasting = trial.tasting
    sessions = Counter(tray.session for tray in trays_of(plan))
    counts = Counter(cup.session for cup in plan.servings)
    poured = amount(len(plan.servings), portion_g)
    poured += f" ({_per_session(counts, 'cup')})" if len(counts) > 1 else ""
    if plan.request.warm_up:
        poured += f", and {amount(sessions.total(), portion_g)} without a code"
    parts = _parts(
        points(
            "checklist",
            request=plan.request,
            alone=plan.request.alone,
            consent=veiled(tasting.consent, trial),
            allergens=veiled(tasting.allergens, trial),
            cleanser=veiled(tasting.cleanser, trial),
            rest=veiled(tasting.rest, trial, REST),
            portion="the same spoonful" if portion_g is None else weight(portion_g),
            cups=f"{poured}.",
            ballots=_per_session(sessions, "ballot"),
            days=[(day(reminder.day), reminder.text) for reminder in days],
        )
    )
    sets = trial.choice.sets if trial.choice else 0
    counted = [wording.count(plan.request.cups, "coded cup")] * bool(trial.attributes)
    if trial.choice:
        of = wording.count(trial.choice.how.cups, "cup")
        counted.append(f"{wording.count(sets, 'set')} of {of} to choose from")
    cups = wording.listing(counted)
    warm_up = ", after one without a code" if plan.request.warm_up else ""
    used = dict.fromkeys(item.source for part in parts for item in part.items if item.source)
    return Checklist(
        title=heading(trial) if tells(trial.title, trial) else trial.title,
        facts=(
            ("Sessions", "; ".join(session_line(trial, name) for name in sessions)),
            ("Tasters", wording.count(len(plan.request.tasters), "taster")),
            ("Each taster gets", f"{cups} in a session{warm_up}"),
        ),
        parts=parts,
        sources=tuple((name, SOURCES[name]) for name in used),
    )


def _parts(told: Iterable[tuple[str, str]]) -> list[Part]:
    """Gather the things to do under the heads of their parts."""
    parts: list[Part] = []
    for name, text in told:
        if name.startswith("# "):
            parts.append(Part(heading=name.removeprefix("# "), lead=text, items=[]))
            continue
        marked = re.search(r" \[(\w+)\]$", text)
        mark = marked[1] if marked else ""
        parts[-1].items.append(
            Item(
                name=name,
                text=text[: marked.start()] if marked else text,
                source="" if mark == "write" else mark,
                blank=mark == "write",
            )
        )
    return parts


def _per_session(counts: Counter[str], what: str) -> str:
    numbers = set(counts.values())
    if len(numbers) == 1:
        return f"{wording.count(numbers.pop(), what)} a session"
    return wording.listing(
        f"{wording.count(number, what)} in session {name}" for name, number in counts.items()
    )
