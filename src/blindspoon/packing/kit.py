"""What lets others do it again: a trial folder that is not drawn yet, and how to go about it."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.differences import JAR_G, Recipe, recipes
from blindspoon.batches.log import PLANNED
from blindspoon.batches.summary import Made
from blindspoon.files.text_table import guarded, write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.scores.score_table import ScoreTable
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import ServingPlan, request_for
from blindspoon.sheets.pouring import trays_of
from blindspoon.sheets.printing import print_sheets
from blindspoon.trial import Session, Trial, default_tasters
from blindspoon.wording import capital
from blindspoon.writeup.batches_section import only_a_mark, recipe_table
from blindspoon.writeup.limits import cautions
from blindspoon.writeup.templating import html_page
from blindspoon.writeup.writers import Table, grid


def kit_files(
    trial: Trial,
    table: ScoreTable,
    made: Made | None,
    *,
    jar_g: float = JAR_G,
    data: Sequence[str] = ("data",),
) -> dict[str, bytes]:
    """Make the files of a repeat in jars that hold so many grams, for as many as tasted.

    ``do-it-yourself.html``, and a trial folder that is not drawn yet: ``trial.toml`` with a rule to
    declare, and ``batches.csv``, without amounts where none were written down. ``drawn/`` is the
    same with a drawing, its sheets, and ``scores.csv`` with a row a cup, for whoever has no
    Blindspoon. The folders `data` lie beside it.
    """
    again = _repeat_of(trial, table)
    jars = {it.variant: it for it in recipes(trial, made.log, jar_g)} if made else {}
    own = {variant.name: [f"{variant.name} jar"] for variant in again.variants}
    plan = draw(request_for(again, own), np.random.default_rng([again.seed, 0]))
    sheets = print_sheets(again, plan)
    folder = {
        "trial.toml": _rule_to_declare(again).encode(),
        "batches.csv": write_csv(_batch_rows(again, jars)).encode(),
    }
    cups = [(tray, cup) for tray in trays_of(plan) for cup in tray.cups]  # to be keyed in
    accept = again.course.accept if again.course else ""
    asked = (*(attribute.name for attribute in again.attributes), accept, "comment")
    names = [*filter(None, asked)]
    scores = [[t.session, t.taster, c.code, *[""] * len(names)] for t, c in cups if not c.set]
    sets = dict.fromkeys((tray.session, tray.taster, cup.set) for tray, cup in cups if cup.set)
    keyed = {
        "scores.csv": [["session", "taster", "code", *names], *scores],
        "choices.csv": [
            ["session", "taster", "set", "answer", "comment"],
            *([*of, "", ""] for of in sets),
        ],
    }
    drawn = {
        **folder,
        "servings.csv": write_csv(plan.servings_rows()).encode(),
        "key.csv": write_csv(plan.key_rows()).encode(),
        **{name: write_csv(rows).encode() for name, rows in keyed.items() if rows[1:]},
        **{f"sheets/{name}": content for name, content in sheets.items()},
    }
    return {
        "do-it-yourself.html": _do_it_yourself(again, plan, jars, made, jar_g, data),
        **folder,
        **{f"drawn/{name}": content for name, content in drawn.items()},
    }


DECLARE = """\
# The rule of the first trial. Change what you like, and write the day on which you fix it, before
# you draw the blind, without the # before it:
# declared = 2026-12-31
"""


def _rule_to_declare(trial: Trial) -> str:
    text = trial_text(replace(trial, decision=replace(trial.decision, declared=None)))
    heading = "[decision]\n"
    if heading not in text:
        text += f"\n{heading}"
    return text.replace(heading, heading + DECLARE)


def _batch_rows(trial: Trial, jars: Mapping[str, Recipe]) -> list[list[str]]:
    """Write what is to be weighed, and that it is not weighed yet; the rest is the reader's."""
    grams = list(dict.fromkeys(name for jar in jars.values() for name in jar.grams))
    others = dict.fromkeys(name for jar in jars.values() for name in jar.others)
    words: list[str] = [name for name in ("acid", "starter", "vessel") if name in others]
    words += [name for name in others if name not in (*words, "temperature_c")]
    rows = []
    for variant in trial.variants:
        jar = jars.get(variant.name)
        masses = jar.grams if jar else {}
        written = {name: f"{it:.0f}" if it >= 1000 else f"{it:.4g}" for name, it in masses.items()}
        note = f"{PLANNED}: write what you weigh over the grams, then clear this" if masses else ""
        cells = [note, *(written.get(name, "") for name in grams)]
        cells += [guarded(jar.others.get(name, "")) if jar else "" for name in words]
        rows.append([f"{variant.name} jar", variant.name, *cells, *[""] * 3])
    days = ["started", "finished", "temperature_c"]
    return [["batch", "variant", "note", *grams, *map(guarded, words), *days], *rows]


USUAL = 12  # tasters of a repeat, where nobody knows how many there were


def _repeat_of(trial: Trial, table: ScoreTable) -> Trial:
    """Take over the plan, with as many tasters and sessions as there were.

    Without the host and the dates, and with a seed of its own, so that its codes and orders are not
    those of the first tasting.
    """
    chosen, own = table.choices, trial.tasting
    sessions = table.sessions or (chosen.sessions if chosen else ())
    people = len(table.tasters) or len(chosen.tasters if chosen else ()) or USUAL
    if own.servings:  # of whom some may not have come, though all were needed to hold every variant
        places = max(own.servings - own.controls, 1) * max(len(sessions), 1)
        people = max(people, math.ceil((len(trial.variants) - 1) / places))
    seed = int.from_bytes(hashlib.sha256(f"repeat {trial.seed}".encode()).digest()[:4])
    unasked = {session.name: session.not_asked for session in trial.sessions}
    return replace(
        trial, host="", dates="", story="", photos=(), address="", seed=seed,
        sessions=tuple(
            Session(name=name, date=None, not_asked=unasked.get(name, ())) for name in sessions
        ),
        tasting=replace(own, tasters=default_tasters(people)),
    )  # fmt: skip


# Its page ---------------------------------------------------------------------------------------


def _do_it_yourself(
    trial: Trial,
    plan: ServingPlan,
    jars: Mapping[str, Recipe],
    made: Made | None,
    jar_g: float,
    data: Sequence[str],
) -> bytes:
    """Write the page of a repeat; it needs no other file, no network and no script.

    Without masses there are no jars; what else differed, and the cautions, come from `made`.
    """
    ballot = list[tuple[str, tuple[str, ...]]]()
    for attribute in trial.attributes:
        scale = attribute.scale
        low = f"{wording.plain(scale.low)} {attribute.low}".strip()
        high = f"{wording.plain(scale.high)} {attribute.high}".strip()
        steps = wording.plain(scale.step) if scale.step else "any number"
        ballot.append((attribute.label, (low, high, steps, wording.margin(attribute))))
    heads = ("From", "To", "Steps", "Margin that matters")
    return html_page(
        "kit",
        data=data,
        trial=trial,
        request=plan.request,
        cups=max(len(tray.cups) for tray in trays_of(plan)),
        control=trial.variant(trial.control).label,
        cautions=cautions(trial, made),
        avoid={
            trial.variant(what.variant).label: summary.also_differed(what)
            for what in (made.differs if made else ())
            if what.undeclared
        },
        recipe=recipe_table(trial, made, jar_g),
        others=_others_table(trial, jars),
        ballot=ballot and grid("ballot", "What is scored of every cup", "Attribute", heads, ballot),
        asked=wording.asked(trial.choice) if trial.choice else "",
    ).encode()


def _others_table(trial: Trial, jars: Mapping[str, Recipe]) -> Table:
    """Show the methods, and what is not weighed as it was in the first jars."""
    names = dict.fromkeys(name for jar in jars.values() for name in jar.others)
    names = {name: None for name in names if not only_a_mark(trial, jars.values(), name)}
    rows = []
    for variant in trial.variants:
        jar = jars.get(variant.name)
        days = wording.count(wording.whole(jar.days), "day") if jar and jar.days is not None else ""
        held = wording.grams(jar.made_g) if jar and jar.made_g else ""
        own = [jar.others.get(name, "") if jar else "" for name in names]
        rows.append((variant.label, [variant.method, held, days, *own]))
    others = ("°C" if name == "temperature_c" else summary.factor_name(name) for name in names)
    heads = ("Method", "The jar held", "Time", *map(capital, others))
    caption = "How the first jars were made"
    return grid("methods", caption, "Variant", heads, rows, stacked=True)
