"""The invented trial has batches, readings and one honest confound."""

from __future__ import annotations

import importlib
import shutil
import sys
from pathlib import Path

import pytest

from blindspoon.batches.cautions import cautions
from blindspoon.batches.differences import what_differs
from blindspoon.batches.log import build_log
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial

FOLDER = Path(__file__).parents[2] / "trials" / "allotment-cucumbers"


@pytest.fixture
def demo():
    trial = parse_trial((FOLDER / "trial.toml").read_text(encoding="utf-8"))
    batches, readings, key = (
        read_table((FOLDER / name).read_bytes(), name)
        for name in ("batches.csv", "readings.csv", "key.csv")
    )
    return trial, *build_log(trial, batches, readings, [key])


def test_the_calcium_jar_was_also_cooler(demo):
    trial, log, notes = demo
    assert notes == ()
    undeclared = {
        each.variant: [(d.factor, d.amount) for d in each.undeclared]
        for each in what_differs(trial, log)
    }
    assert undeclared == {
        "cool-cellar": [],
        "vine-leaf": [],
        "calcium": [("temperature_c", -3.0)],
        "old-brine": [],
    }


def test_every_declared_difference_is_recorded_and_there(demo):
    trial, log, _ = demo
    for each in what_differs(trial, log):
        assert (each.declared_but_alike, each.not_recorded, each.not_known) == ((), (), ())


def test_its_ph_is_under_way_and_its_salt_usual(demo):
    _, log, _ = demo
    found = {each.kind: each.batches for each in cautions(log) if not each.general}
    assert set(found) == {"pressure"}
    assert len(found["pressure"]) == 5


def test_its_blind_was_drawn_sealed_and_lifted_by_the_tool(tmp_path):
    sys.path.insert(0, str(FOLDER.parents[1] / "tests" / "reference"))
    made = importlib.import_module("allotment_cucumbers")
    for name in ("trial.toml", "batches.csv"):
        shutil.copy(FOLDER / name, tmp_path)
    made.tasted_blind(tmp_path)
    for name in ("servings.csv", "key.csv", "scores.csv", "seal.toml"):
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), name
