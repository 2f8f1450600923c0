"""A trial begun with seven questions, asked by a page or in a terminal; its rule in a sentence."""

from __future__ import annotations

import re
import secrets
import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import NamedTuple

from blindspoon.errors import Problem, Rule, TrialFileError, quoted
from blindspoon.files import disk
from blindspoon.files.schema import as_number
from blindspoon.files.trial_edit import Value, add, put, take_out
from blindspoon.files.trial_toml import parse_trial
from blindspoon.trial import Attribute, Trial, default_tasters
from blindspoon.wording import count, listing, plain, spelled


class Question(NamedTuple):
    """A question of a new trial: the key of its answer, what is asked, and a hint."""

    key: str
    asked: str
    hint: str


QUESTIONS = (
    Question(
        "trial.product",
        "What food is it?",
        "Tasters will read this, so leave out what you changed.",
    ),
    Question(
        "variant[1].label",
        "What stays plain?",
        "Your recipe as you always make it. It is the control: every change is compared with it.",
    ),
    Question(
        "changes",
        "What is changed?",
        "One line for each jar, and one change in each jar: then you will know what did it.",
    ),
    Question(
        "trial.title",
        "What do you want to know?",
        "Your question, as you would ask a friend.",
    ),
    Question(
        "decision.margin",
        "What difference would be too small to bother?",
        "If a jar scores higher or lower than your usual one by less than this, you would go on "
        "as always. One point is one number further on the ballot, from 0 to 10.",
    ),
    Question(
        "tasting.tasters",
        "Who tastes?",
        "First names, one a line; yours too, if you taste. No names yet? Write how many, such as "
        "9.",
    ),
    Question(
        "session[1].date",
        "When?",
        "Year-month-day, such as 2026-10-17. At a second session the same people taste everything "
        "again, and smaller differences show.",
    ),
)

SCORED = "scored"
"""Key of the answer that says what tasters score: names, or words of the host's own, a line each;
the first of them answers the question."""

Answers = Mapping[str, str]

_FACTORS = {
    "salt": r"salt|% brine|brine strength",
    "temperature_c": r"cellar|cool|warm|cold|°|degrees|fridge|temperature",
    "fermented": r"longer|shorter|more days|fewer days",
    "acid": r"vinegar|acid",
    "sugar": r"sugar|honey|sweet",
    "starter": r"brine from|old brine|starter|whey|culture",
    "vessel": r"crock|vessel|airlock|lid",
}
"""What a change is meant to differ in, by words of its name; else in a column of its own."""


def new_files(answers: Answers, seed: int | None = None) -> dict[str, bytes]:
    """Make the files of a new trial from answers.

    Parameters
    ----------
    answers : mapping of str to str
        By the keys of `QUESTIONS` and `SCORED`; also "variant[1].method" and "session[2].date". An
        answer that is missing is blank.
    seed : int, optional
        Of the trial's random draws; by default by chance.

    Raises
    ------
    TrialFileError
        With a problem for each answer that will not do, its key as the column.
    """
    told = {key: text.strip() for key, text in answers.items()}
    changes, scored = (lines_of(told.get(key, "")) for key in ("changes", SCORED))
    problems = list(_see(told, changes, scored))
    if problems:
        raise TrialFileError(problems)
    text = disk.shipped("starter/trial.toml")
    text = text.replace("{seed}", str(secrets.randbelow(10**8) if seed is None else seed))
    own: list[str] = []
    text = _with_attributes(text, scored)
    names: list[str] = []
    for number, label in enumerate([told["variant[1].label"], *changes], 1):
        name = short_name(label, names, f"change-{number - 1}")
        names.append(name)
        method = told.get("variant[1].method", "") if number == 1 else label
        differs = [] if number == 1 else meant(label)
        own += [factor for factor in differs if factor not in _FACTORS]
        row: dict[str, Value] = {"name": name, "label": label}
        row |= ({"method": method} if method else {}) | ({"differs": differs} if differs else {})
        text = _put_row(text, "variant", number, row)
    for number in range(len(parse_sections(text, "variant")), len(names), -1):
        text = take_out(text, "variant", number)
    primary = parse_sections(text, "attribute")[0]
    tasters = tasters_of(told.get("tasting.tasters", ""))
    for place, value in {
        "trial.title": told["trial.title"],
        "trial.question": None,
        "trial.product": told["trial.product"],
        "trial.control": names[0],
        "decision.primary": [primary],
        "decision.margin": number_of(told["decision.margin"]),
        "tasting.tasters": tasters or None,
        "session[1].date": date_of(told.get("session[1].date", "")),
    }.items():
        text = put(text, place, value)
    if second := told.get("session[2].date"):
        text = add(text, "session", {"name": "2", "date": date_of(second) or ""})
    try:
        parse_trial(text)
    except TrialFileError as error:
        raise TrialFileError([_asked(problem) for problem in error.problems]) from None
    head = disk.shipped("starter/batches.csv").strip()
    batches = ",".join([head, *dict.fromkeys(own)]) + "\n"
    readings = disk.shipped("starter/readings.csv")
    return {
        "trial.toml": text.encode(),
        "batches.csv": batches.encode(),
        "readings.csv": readings.encode(),
    }
