"""All that is put out for the day, as pages to print, each complete in itself.

What the checklist takes from a standard or a paper names it; the rest is common practice and says
so. Its sentences stand in templates/checklist.txt.j2: a part begins with "#", a thing to do has a
name before a bar, and at its end what it follows, in brackets.
"""

from __future__ import annotations

import datetime
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from markupsafe import Markup

from blindspoon import wording
from blindspoon.batches.log import Batch
from blindspoon.charts.scene import PALETTE, PREFIX
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.pouring import (
    LABEL_STOCKS,
    MARGIN,
    PAPERS,
    USUAL_STOCKS,
    Paper,
    Size,
    TrayCard,
    amount,
    heading,
    labels_of,
    pouring_sheets,
    session_line,
    tells,
    tray_cards,
    trays_of,
    two_marks,
    veiled,
    weight,
)
from blindspoon.trial import Attribute, Scale, Trial
from blindspoon.writeup.templating import paragraphs, points, templates

WIDEST = 84  # characters that all steps of a scale may have, so that they can be read side by side
REST = "at least 30 seconds"


class Ballots(NamedTuple):
    """All ballots, and what they have in common."""

    cards: tuple[TrayCard, ...]  # a code is blank where it is written in later
    instructions: tuple[str, ...]  # each short enough for one line of text
    lines: tuple[tuple[Attribute, tuple[str, ...]], ...]  # numbers to mark, unless it is written
    accept: str  # whether the taster would have it, to be answered by yes or no; may be empty
    words: tuple[str, ...]  # what may be answered of a set, where it is not a code


def make_ballots(trial: Trial, plan: ServingPlan) -> Ballots:
    """Write a ballot for every tray, without codes for one alone, who does not know the order."""
    alone, cards = plan.request.alone, tray_cards(trial, plan)
    if alone:
        cards = tuple(replace(card, codes=("",) * len(card.codes)) for card in cards)
    lines = tuple((attribute, steps(attribute.scale)) for attribute in trial.attributes)
    instructions = paragraphs(
        "ballots",
        **_to_tasters(trial),
        request=plan.request,
        circled=any(numbers for _, numbers in lines),
        written=not all(numbers for _, numbers in lines),
        asked=trial.choice and wording.asked(trial.choice),
        must=wording.MUST,
    )
    words = trial.choice.how.words if trial.choice else ()
    return Ballots(cards, instructions, lines, wording.would_have(trial.course), words)


def _to_tasters(trial: Trial) -> dict[str, str]:
    """Give what the host tells tasters, empty where it tells a variant; allergens all the same."""
    names = ("consent", "cleanser", "rest")
    texts = {name: veiled(getattr(trial.tasting, name), trial) for name in names}
    return texts | {"rest": texts["rest"] or REST, "allergens": trial.tasting.allergens}


def steps(scale: Scale) -> tuple[str, ...]:
    """Write every step of a scale; none where there are too many to stand side by side.

    >>> steps(Scale(low=1, high=3, step=0.5)), steps(Scale(low=0, high=100, step=1))
    (('1', '1.5', '2', '2.5', '3'), ())
    """
    texts = tuple(map(wording.plain, scale.side_by_side()))
    return texts if len(texts) * max(map(len, texts), default=0) <= WIDEST else ()


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


class Item(NamedTuple):
    """A thing to do and tick off.

    `source` is an entry of `SOURCES`, or "write" where there is room to; empty where a caution or a
    step is common practice.
    """

    name: str
    text: str
    source: str


class Part(NamedTuple):
    """A part of the list; `lead` may be empty."""

    heading: str
    lead: str
    items: list[Item]


class Checklist(NamedTuple):
    """The whole list; `facts` are (name, text) at its head, `sources` (mark, text) at its end."""

    title: str
    facts: tuple[tuple[str, str], ...]
    parts: list[Part]
    sources: tuple[tuple[str, str], ...]


def make_checklist(trial: Trial, plan: ServingPlan, days: Sequence[Reminder] = ()) -> Checklist:
    """Write the list for a trial; it names no variant, for it lies about where tasters are."""
    portion_g = trial.tasting.portion_g
    sessions = Counter(tray.session for tray in trays_of(plan))
    counts = Counter(cup.session for cup in plan.servings)
    poured = amount(len(plan.servings), portion_g)
    poured += f" ({_per_session(counts, 'cup')})" if len(counts) > 1 else ""
    if uncoded := sessions.total() * (plan.request.warm_up + plan.request.references):
        poured += f", and {amount(uncoded, portion_g)} without a code"
    parts = _parts(
        points(
            "checklist",
            **_to_tasters(trial),
            cleansed=trial.tasting.cleanser,
            request=plan.request,
            portion=_portion(trial),
            cups=f"{poured}.",
            ballots=_per_session(sessions, "ballot"),
            days=[(wording.day(reminder.day), reminder.text) for reminder in days],
        )
    )
    counted = [wording.count(plan.request.cups, "coded cup")] * bool(trial.attributes)
    if trial.choice:
        of = wording.count(trial.choice.how.cups, "cup")
        counted.append(f"{wording.count(trial.choice.sets, 'set')} of {of} to choose from")
    cups = wording.listing(counted)
    warm_up = ", after one without a code" if plan.request.warm_up else ""
    used = dict.fromkeys(item.source for part in parts for item in part.items)
    return Checklist(
        title=heading(trial) if tells(trial.title, trial) else trial.title,
        facts=(
            ("Sessions", "; ".join(session_line(trial, name) for name in sessions)),
            ("Tasters", wording.count(len(plan.request.tasters), "taster")),
            ("Each taster gets", f"{cups} in a session{warm_up}"),
        ),
        parts=parts,
        sources=tuple((name, SOURCES[name]) for name in used if name in SOURCES),
    )


def _parts(told: Iterable[tuple[str, str]]) -> list[Part]:
    parts: list[Part] = []
    for name, text in told:
        if name.startswith("# "):
            parts.append(Part(name.removeprefix("# "), text, []))
            continue
        bare = re.sub(r" \[\w+\]$", "", text)
        parts[-1].items.append(Item(name, bare, text[len(bare) + 2 : -1]))
    return parts


def _portion(trial: Trial) -> str:
    grams = trial.tasting.portion_g
    return "the same spoonful" if grams is None else weight(grams)


def _per_session(counts: Counter[str], what: str) -> str:
    numbers = set(counts.values())
    if len(numbers) == 1:
        return f"{wording.count(numbers.pop(), what)} a session"
    return wording.listing(
        f"{wording.count(number, what)} in session {name}" for name, number in counts.items()
    )


COLOURS = ("ink", "soft", "edge", "hair")


def print_sheets(
    trial: Trial,
    plan: ServingPlan,
    *,
    paper: Paper = "a4",
    label_stock: str | None = None,
    cautions: Sequence[str] = (),
    roles: bool = False,
    days: Sequence[Reminder] = (),
) -> dict[str, bytes]:
    """Make everything that is printed for the day, HTML by file name; no page needs another file.

    ``checklist.html``, ``labels.html``, ``ballots.html``, ``pouring.html`` and ``trays.html``;
    `cautions` are what the log of the batches warns whoever pours of. With `roles` the last two
    stand in a file for each who gets one, ``helper.html`` and ``table.html``, and the ballots once
    more in ``tasters/01-NAME.html``. Two tasters also get ``both-taste/bowls.html`` and
    ``both-taste/cups.html``, by which both can taste though they pour themselves; of sets each
    pours those of the other, as the letters of a set alone tell which cup is the odd one.
    """
    tasters, head, portion = plan.request.tasters, heading(trial), _portion(trial)
    stock = LABEL_STOCKS[label_stock or USUAL_STOCKS[paper]]
    ballots, poured = make_ballots(trial, plan), pouring_sheets(trial, plan)

    def part(name: str, **values: object) -> tuple[str, Markup]:
        """Fill a template; all text of the host is escaped in it."""
        text = templates().get_template(f"{name}.html.j2").render(values, head=head)
        return name, Markup(text)  # noqa: S704 - of a template

    def page(
        title: str, *parts: tuple[str, Markup], size: Size = PAPERS[paper], margin: int = MARGIN
    ) -> bytes:
        width, height = (round(side, 3) for side in size)
        colours = "".join(f"{PREFIX}{colour}:{PALETTE[colour][0]};" for colour in COLOURS)
        known = {"width": width, "height": height, "margin": margin, "colours": colours}
        sheet = templates().get_template("sheet.html.j2")
        return sheet.render(known, title=title, parts=parts).encode()

    checklist = part("checklist", list=make_checklist(trial, plan, days))
    amounts = {"portion": portion, "amount": partial(amount, portion_g=trial.tasting.portion_g)}
    pouring = part(
        "pouring", trial=trial, request=plan.request, sessions=poured, cautions=cautions, **amounts
    )
    trays = part("trays", cards=tray_cards(trial, plan), request=plan.request)
    labels = part("labels", stock=stock, labels=labels_of(plan))
    pages = {
        "checklist": page("Checklist for the day", checklist),
        "labels": page("Cup labels", labels, size=PAPERS[stock.paper], margin=0),
        "ballots": page(f"Ballots: {head}", part("ballots", **ballots._asdict())),
    }
    if roles:
        table = part("table", **_to_tasters(trial), warm_up=plan.request.warm_up, sets=trial.choice)
        pages["helper"] = page("For the helper", checklist, pouring)
        pages["table"] = page("For the table", table, trays)
        for number, taster in enumerate(tasters, 1):
            theirs = tuple(card for card in ballots.cards if card.taster == taster)
            pages[f"tasters/{file_name(number, taster)}"] = page(
                f"For {taster}", part("ballots", **ballots._replace(cards=theirs)._asdict())
            )
    else:
        pages["pouring"], pages["trays"] = page("Pouring sheet", pouring), page("Tray cards", trays)
    if roles and len(tasters) == 2 and plan.request.controls == 1:
        marked = two_marks(poured, trial.seed)
        for name, who, other in zip(("bowls", "cups"), tasters, tasters[::-1], strict=True):
            seen = {"own": who, "other": other, "first": name == "bowls", "sets": trial.choice}
            seen |= {"references": plan.request.references}
            both = part("marks", sessions=marked, **seen, **amounts)
            pages[f"both-taste/{name}"] = page(f"For {who}", both)
    return {f"{name}.html": content for name, content in pages.items()}


def file_name(number: int, taster: str) -> str:
    name = re.sub(r"\W+", "-", taster)[:60].strip("-")
    return f"{number:02}-{name}"


# What is to be done on which day of a course ----------------------------------------------------


class Reminder(NamedTuple):
    """A thing to do on a day, in words that name no variant."""

    day: datetime.date
    text: str


def reminders(trial: Trial, batches: Sequence[Batch]) -> tuple[Reminder, ...]:
    """List what is to be done, by day: jars to start and to move to the cold, and sessions."""
    tasted = {session.date for session in trial.sessions}
    todo: dict[tuple[datetime.date, str], list[str]] = {}
    for batch in batches:
        # A name that tells a variant would tell it to whoever sees the checklist.
        telling = tells(batch.name, trial)
        jar = f"the jar of line {batch.line} of batches.csv" if telling else batch.name
        ended = "bring {} to the tasting" if batch.finished in tasted else "move {} to the cold"
        for day, what in ((batch.started, "start {}"), (batch.finished, ended)):
            if day is not None:
                todo.setdefault((day, what), []).append(jar)
    found = [
        Reminder(day, what.format(wording.listing(jars))) for (day, what), jars in todo.items()
    ]
    for session in trial.sessions:
        label = veiled(session.label, trial, f"session {session.name}")
        if session.date:
            found.append(Reminder(session.date, f"{label}: read the pH, taste"))
    return tuple(sorted(found, key=lambda reminder: reminder.day))
