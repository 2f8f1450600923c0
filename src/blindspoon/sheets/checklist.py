"""The host's checklist for the day: cautions first, then the hours in their order.

What comes from a standard or a paper names it; the rest is common practice and says so. The
sentences stand in templates/checklist.txt.j2: a part begins with "#", a thing to do has a name
before a bar, and at its end what it follows, in brackets.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.paper_ballots import REST
from blindspoon.sheets.pouring import amount, weight
from blindspoon.sheets.telling import cited, heading, tells, veiled
from blindspoon.sheets.tray_labels import session_line, trays_of
from blindspoon.trial import Trial
from blindspoon.writeup.words import points


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A thing to do and tick off.

    Parameters
    ----------
    name, text : str
    source : str
        An entry of `telling.SOURCES`; empty where a caution or a step is common practice.
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
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checklist:
    """The whole list; `facts` are (name, text) at its head, `sources` (mark, text) at its end."""

    title: str
    facts: tuple[tuple[str, str], ...]
    parts: tuple[Part, ...]
    sources: tuple[tuple[str, str], ...]


def make_checklist(trial: Trial, plan: ServingPlan, portion_g: float | None) -> Checklist:
    """Write the list for a trial; it names no variant, for it lies about where tasters are."""
    tasting, trays = trial.tasting, trays_of(plan)
    sessions = Counter(tray.session for tray in trays)
    told = points(
        "checklist",
        request=plan.request,
        alone=plan.request.alone,
        consent=veiled(tasting.consent, trial),
        allergens=veiled(tasting.allergens, trial),
        cleanser=veiled(tasting.cleanser, trial),
        rest=veiled(tasting.rest, trial, REST),
        portion="the same spoonful" if portion_g is None else weight(portion_g),
        cups=_cups(plan, portion_g),
        ballots=_per_session(sessions, "ballot"),
    )
    parts = tuple(_parts(told))
    cups = wording.count(plan.request.cups, "coded cup")
    warm_up = ", after one without a code" if plan.request.warm_up else ""
    return Checklist(
        title=heading(trial) if tells(trial.title, trial) else trial.title,
        facts=(
            ("Sessions", "; ".join(session_line(trial, name) for name in sessions)),
            ("Tasters", wording.count(len(plan.request.tasters), "taster")),
            ("Each taster gets", f"{cups} in a session{warm_up}"),
        ),
        parts=parts,
        sources=cited([item.source for part in parts for item in part.items]),
    )


def _parts(told: tuple[tuple[str, str], ...]) -> Iterator[Part]:
    """Gather the things to do under the heads of their parts."""
    part: Part | None = None
    for name, text in told:
        if name.startswith("# "):
            if part is not None:
                yield part
            part = Part(heading=name.removeprefix("# "), lead=text, items=())
        elif part is not None:
            part = replace(part, items=(*part.items, _item(name, text)))
    if part is not None:
        yield part


def _item(name: str, text: str) -> Item:
    marked = re.search(r" \[(\w+)\]$", text)
    mark = marked[1] if marked else ""
    return Item(
        name=name,
        text=text[: marked.start()] if marked else text,
        source="" if mark == "write" else mark,
        blank=mark == "write",
    )


def _cups(plan: ServingPlan, portion_g: float | None) -> str:
    counts = Counter(cup.session for cup in plan.servings)
    coded = amount(len(plan.servings), portion_g)
    split = f" ({_per_session(counts, 'cup')})" if len(counts) > 1 else ""
    if not plan.request.warm_up:
        return f"{coded}{split}."
    return f"{coded}{split}, and {amount(len(trays_of(plan)), portion_g)} without a code."


def _per_session(counts: Counter[str], what: str) -> str:
    numbers = set(counts.values())
    if len(numbers) == 1:
        return f"{wording.count(numbers.pop(), what)} a session"
    return wording.listing(
        f"{wording.count(number, what)} in session {name}" for name, number in counts.items()
    )
