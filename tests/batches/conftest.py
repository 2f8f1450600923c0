"""Small logs of batches, and how to read one from text."""

from __future__ import annotations

import datetime

import pytest

from blindspoon.batches.log import Batch, BatchLog, Reading, build_log
from blindspoon.errors import ScoreError
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial

TRIAL = """
trial = { title = "What keeps half-sour cucumbers crisp?", control = "plain" }
scale = { low = 0, high = 10 }
attribute = [{ name = "texture" }, { name = "saltiness" }, { name = "sourness" }]
session = [{ name = "1", date = 2026-09-19 }, { name = "2", date = 2026-09-20 }]

[[variant]]
name = "plain"

[[variant]]
name = "oak-leaf"
differs = ["leaf"]

[[variant]]
name = "cool-cellar"
differs = ["temperature_c", "age"]
"""

BATCHES = """\
batch,variant,produce_g,water_g,salt_g,started,finished,temperature_c,vessel,leaf
jar 1,plain,600,400,25,2026-09-05,2026-09-19,20,clip jar,none
jar 2,oak-leaf,600,400,25,2026-09-05,2026-09-19,20,clip jar,oak
jar 3,cool-cellar,600,400,25,2026-08-29,2026-09-19,14,clip jar,none
"""

READINGS = """\
batch,date,ph,temperature_c,note
jar 1,2026-09-05,6.1,20,
jar 1,2026-09-18,3.6,20,clear
jar 2,2026-09-18,3.6,20,
jar 3,2026-09-18,3.8,14,
"""


@pytest.fixture
def trial():
    """A plain control and two variants, tasted on two days."""
    return parse_trial(TRIAL)


@pytest.fixture
def check(trial):
    """Say what is wrong and worth knowing with texts of tables."""

    def run(batches=BATCHES, readings=READINGS, **cups):
        tables = [read_table(text.encode(), f"{name}.csv") for name, text in cups.items()]
        measured = None if readings is None else read_table(readings.encode(), "readings.csv")
        made = read_table(batches.encode(), "batches.csv")
        try:
            return (), build_log(trial, made, measured, tables)[1]
        except ScoreError as error:
            return error.problems, ()

    return run


@pytest.fixture
def read(trial):
    """Read texts of tables to a log."""

    def run(batches=BATCHES, readings=READINGS):
        measured = None if readings is None else read_table(readings.encode(), "readings.csv")
        return build_log(trial, read_table(batches.encode(), "batches.csv"), measured)[0]

    return run


@pytest.fixture
def log_of():
    """Make a log from batches and readings that are already apart."""

    def make(*batches, readings=(), own=(), tasted=datetime.date(2026, 9, 19)):
        standard = set(Batch.__slots__) - {"name", "variant", "line", "own"}
        columns = {c for c in standard for b in batches if getattr(b, c) not in (None, "")}
        return BatchLog(
            batches=batches,
            readings={b.name: tuple(r for r in readings if r.batch == b.name) for b in batches},
            columns=frozenset(columns),
            own=own,
            first_tasted=tasted,
            last_tasted=tasted,
        )

    return make


@pytest.fixture
def jar():
    """Make a batch of 600 g produce and 400 g water."""

    def make(name="jar 1", variant="plain", **known):
        basis = {"line": 2, "produce_g": 600.0, "water_g": 400.0, "own": {}}
        return Batch(name=name, variant=variant, **{**basis, **known})

    return make


@pytest.fixture
def ph():
    """Make a reading of pH, so many days before 19 September."""

    def make(value, days_before=1, batch="jar 1", note=""):
        day = datetime.date(2026, 9, 19) - datetime.timedelta(days_before)
        return Reading(batch=batch, line=2, date=day, ph=value, temperature_c=None, note=note)

    return make
