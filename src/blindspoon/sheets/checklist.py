"""The host's checklist for the day: cautions first, then the hours in their order.

What comes from a standard or a paper names it; the rest is common practice and says so.

The protocol for one person who pours, shuffles and tastes, with or without a helper.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets import telling
from blindspoon.sheets.paper_ballots import REST
from blindspoon.sheets.pouring import amount, weight
from blindspoon.sheets.telling import Item, heading, tells, veiled
from blindspoon.sheets.tray_labels import session_line, trays_of
from blindspoon.trial import Trial

LEAD = (
    "You will know which jars there are; what you must not know is which cup is which. If you can "
    "tell the cups by eye or by smell, this does not blind you: have somebody help."
)

WITH_A_HELPER = (
    Item("Pour.", "The helper pours by the pouring sheet, out of your sight.", "4120"),
    Item("Serve.", "They put the cups on the tray in the order of the card, and keep silent."),
    Item("Score.", "Copy the code of each cup to the ballot, taste in that order, and score."),
    Item("Key.", "The helper keeps key.csv and the pouring sheet until the last round.", "13299"),
)

AFTER = (
    Item(
        "Keyed in.",
        "In scores.csv, by code. Where you shuffled, add a column “position”: 1 for the cup that"
        " you tasted first, and so on.",
    ),
    Item(
        "Checked.",
        "“blindspoon check FOLDER” has nothing left to say before you look at any result.",
    ),
    Item(
        "Rounds.",
        "Each on a day of its own if you can, each shuffled afresh. What comes out is"
        " about you, not about people.",
        "13299",
    ),
)


def by_oneself(clear: str) -> tuple[Item, ...]:
    """List the steps for nobody but oneself; `clear` is what clears the mouth."""
    return (
        Item(
            "Mark.",
            "Stick each label under the foot of a cup. Nothing on the side; all cups"
            " alike and not to be seen through.",
        ),
        Item(
            "Pour.",
            "By the pouring sheet, the same portion and temperature in each cup. Then put"
            " the sheet and key.csv away.",
            "4120",
        ),
        Item(
            "Shuffle.",
            "Shut your eyes and move the cups about, the tray too, until you cannot"
            " say which is which. Set them in a row.",
        ),
        Item(
            "Taste.",
            f"From left to right: {clear}, a rest, never less than 30 seconds, one cup, its"
            " scores. Turn none over.",
        ),
        Item(
            "Read.",
            "After the last score, turn the cups over in the same order and write each"
            " code on its line. No score changes now.",
        ),
    )


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
    day = _alone(trial) if plan.request.alone else _together(trial, plan)
    parts = (
        Part(
            heading="Before anything else",
            lead="Whatever your local food safety authority, your codes or a licensed adviser say "
            "comes first. A tasting does not show that food is safe.",
            items=_cautions(trial),
        ),
        Part(heading="To have ready", lead="", items=_things(trial, plan, portion_g)),
        *day,
    )
    return Checklist(
        title=heading(trial) if tells(trial.title, trial) else trial.title,
        facts=_facts(trial, plan),
        parts=parts,
        sources=telling.cited([item.source for part in parts for item in part.items]),
    )


def _cautions(trial: Trial) -> tuple[Item, ...]:
    own = veiled(trial.tasting.consent, trial)
    allergens = veiled(trial.tasting.allergens, trial)
    return (
        Item(
            "Consent.",
            "Everybody who tastes knows what kind of food it is and that it is home-made, has "
            "agreed freely, and may stop at any time without a reason. No children without a "
            f"parent’s consent and guidance.{f' They read: “{own}”' if own else ''}",
            "IFST",
        ),
        Item(
            "Allergens.",
            "List every ingredient of every jar, all together and not by cup, and let each taster "
            "read it and answer before the first cup. "
            f"{f'They may contain {allergens}. ' if allergens else ''}In the cups are:",
            blank=True,
        ),
        *CAUTIONS,
    )


CAUTIONS = (
    Item(
        "Who must not taste.",
        "Anyone who is allergic to or does not tolerate an ingredient; who is pregnant, has a "
        "weakened immune system or was told to avoid home-made, fermented or unpasteurised food; "
        "who must watch their salt or reacts to histamine. In doubt they ask a doctor first.",
    ),
    Item(
        "What must not be served.",
        "Look at and smell every jar before pouring. Mould, slime, a foul smell, a bulging lid, or "
        "a ferment that was meant to turn sour and did not: throw it out, without tasting it to "
        "find out. Leave a variant out rather than serve it.",
    ),
    Item(
        "Pressure.",
        "Closed jars of live ferments build it. Cool them, and open them slowly, over a sink and "
        "away from faces.",
    ),
    Item(
        "Alcohol.",
        "Where sugar has fermented there may be some. Tell tasters, above all those who avoid it "
        "or will drive.",
    ),
    Item(
        "Clean hands.",
        "Whoever is ill does not pour. Clean hands, cups and tools; a fresh spoon for every cup.",
        "IFST",
    ),
)


def _facts(trial: Trial, plan: ServingPlan) -> tuple[tuple[str, str], ...]:
    request = plan.request
    sessions = dict.fromkeys(tray.session for tray in trays_of(plan))
    cups = wording.count(request.cups, "coded cup")
    warm_up = ", after one without a code" if request.warm_up else ""
    return (
        ("Sessions", "; ".join(session_line(trial, name) for name in sessions)),
        ("Tasters", wording.count(len(request.tasters), "taster")),
        ("Each taster gets", f"{cups} in a session{warm_up}"),
    )


def _things(trial: Trial, plan: ServingPlan, portion_g: float | None) -> tuple[Item, ...]:
    portion = "the same spoonful" if portion_g is None else weight(portion_g)
    clear = veiled(
        trial.tasting.cleanser,
        trial,
        "what [tasting] in trial.toml names; the pouring sheet repeats it",
    )
    return (
        Item(
            "Cups.",
            f"{_cups(plan, portion_g)} {portion[0].upper()}{portion[1:]} in each; the pouring "
            "sheet says how much of what. Portion, temperature and number are tried beforehand.",
            "E1871",
        ),
        Item("To clear the mouth.", f"{_sentence(clear)} The same for everybody.", "cleansers"),
        Item("On the table.", "Water, napkins, pens, a cup to spit into, a clock."),
        Item(
            "Paper.",
            "Printed at 100 %, on one side, tray cards and ballots cut apart; the labels tried on "
            "ordinary paper first, held against the label sheet and the light.",
        ),
        Item(
            "The room.",
            "Quiet, light, no smell of cooking or perfume, seats apart or facing away.",
            "room",
        ),
    )


def _together(trial: Trial, plan: ServingPlan) -> tuple[Part, ...]:
    return (
        Part(heading="Before the tasters come", lead="", items=_before()),
        Part(heading="While they taste", lead="", items=_tasting(trial, plan)),
        Part(heading="Before the key is looked at", lead="", items=_after(plan)),
    )


def _alone(trial: Trial) -> tuple[Part, ...]:
    clear = veiled(trial.tasting.cleanser, trial, "the mouth cleared")
    return (
        Part(heading="If you pour for yourself", lead=LEAD, items=by_oneself(clear)),
        Part(heading="If somebody helps", lead="", items=WITH_A_HELPER),
        Part(heading="Afterwards", lead="", items=AFTER),
    )


def _before() -> tuple[Item, ...]:
    return (
        Item(
            "The key.",
            "key.csv and the pouring sheet go to the person who pours, unread. They keep both "
            "until the end, do not taste, and had best not serve either.",
            "13299",
        ),
        Item("Out of sight.", "Jars are opened and cups poured where no taster sees it.", "4120"),
        Item("Alike.", "The same vessel, portion and temperature for every cup.", "4120"),
        Item(
            "What the eye tells.",
            "Where a cup is known by its look, use lids, dark cups or dim light of one colour; "
            "otherwise note it: it was not blind.",
            "4120",
        ),
        Item("Codes only.", "On every cup, tray card and ballot, and in everything said.", "13299"),
        Item(
            "Tray by tray.",
            "Cups stand in the order of the card, and are checked against the pouring sheet.",
        ),
    )


def _tasting(trial: Trial, plan: ServingPlan) -> tuple[Item, ...]:
    rest = veiled(trial.tasting.rest, trial, REST)
    first = "The cup without a code first; then the" if plan.request.warm_up else "The"
    clear = veiled(trial.tasting.cleanser, trial, "the mouth cleared")
    return (
        Item("Order.", f"{first} cups as the ballot lists them, never another order.", "13299"),
        Item(
            "Between cups.",
            _sentence(f"{clear}, then a rest of {rest}, and never less than 30 seconds"),
        ),
        Item("Swallow or spit.", "Decide once, and tell everybody the same.", "4120"),
        Item(
            "No talking.",
            "About the cups, until the last ballot is in; no faces either. The host says nothing "
            "about what is hoped for.",
            "4120",
        ),
    )


def _after(plan: ServingPlan) -> tuple[Item, ...]:
    counts = Counter(tray.session for tray in trays_of(plan))
    return (
        Item(
            "Ballots.",
            f"Collected and counted: {_each(counts, 'ballot')}. Ask about empty lines while the "
            "tasters are still there, without pressing anyone.",
        ),
        Item("Keyed in.", "In scores.csv or on the score page (“blindspoon collect FOLDER”)."),
        Item(
            "Checked.",
            "“blindspoon check FOLDER” has nothing left to say. Only then is the key looked at: "
            "no score, and no rule, changes after that.",
            "13299",
        ),
    )


def _cups(plan: ServingPlan, portion_g: float | None) -> str:
    counts = Counter(cup.session for cup in plan.servings)
    coded = amount(len(plan.servings), portion_g)
    split = f" ({_each(counts, 'cup')})" if len(counts) > 1 else ""
    if not plan.request.warm_up:
        return f"{coded}{split}."
    return f"{coded}{split}, and {amount(len(trays_of(plan)), portion_g)} without a code."


def _each(counts: Counter[str], what: str) -> str:
    numbers = set(counts.values())
    if len(numbers) == 1:
        return f"{wording.count(numbers.pop(), what)} a session"
    return wording.listing(
        f"{wording.count(number, what)} in session {name}" for name, number in counts.items()
    )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
