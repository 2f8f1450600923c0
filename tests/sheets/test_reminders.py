"""Dates of a course on the checklist."""

import datetime
from dataclasses import replace

from blindspoon.batches.log import Batch
from blindspoon.files.trial_toml import parse_trial
from blindspoon.sheets.printing import reminders
from blindspoon.trial import Session

TRIAL = parse_trial("""
trial = { title = "Carrots", control = "usual", product = "carrots; 3 % salt, garlic", seed = 7 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "sourness" }]
variant = [{ name = "usual" }, { name = "early", label = "Three days" }]
session = [{ name = "1", date = 2026-11-21 }]
tasting = { tasters = 4 }
""")
LONG = "Krug mit Möhren – ganz hinten, links; der mit dem blauen Deckel \\ neben dem Sellerie"


def jar(name, line, started, finished):
    day = datetime.date.fromisoformat
    return Batch(
        name=name, variant="early", line=line, started=day(started), finished=day(finished), own={}
    )


JARS = (
    jar("jar 1", 2, "2026-10-24", "2026-10-27"),
    jar(LONG, 3, "2026-10-24", "2026-11-21"),
    jar("three days", 4, "2026-10-24", "2026-10-27"),
)


def test_what_is_to_be_done_is_listed_by_day_and_tells_no_variant():
    found = reminders(TRIAL, JARS)
    assert [f"{day}: {text}" for day, text in found] == [
        f"2026-10-24: start jar 1, {LONG} and the jar of line 4 of batches.csv",
        "2026-10-27: move jar 1 and the jar of line 4 of batches.csv to the cold",
        f"2026-11-21: bring {LONG} to the tasting",
        "2026-11-21: session 1: read the pH, taste",
    ]


def test_sessions_of_one_label_are_both_told_and_a_label_that_tells_is_not():
    dated = [datetime.date(2026, 11, day) for day in (21, 28, 30)]
    labels = ("evening", "evening", "three days only")
    sessions = tuple(
        Session(name=f"{n}", date=day, label=label)
        for n, (day, label) in enumerate(zip(dated, labels, strict=True), 1)
    )
    trial = replace(TRIAL, sessions=sessions)
    found = reminders(trial, ())
    assert [text for _, text in found] == [
        *["evening: read the pH, taste"] * 2,
        "session 3: read the pH, taste",
    ]
