"""Situations by name, and many simulated trials of one panel at once."""

from __future__ import annotations

import csv
from functools import cache

import numpy as np
import pytest

from blindspoon.serving.plan import request_for
from tests.calibration.calibrate import Counted, Rate
from tests.calibration.situations import (
    SITUATIONS,
    draw_orders,
    draw_trial_scores,
    make_trial,
    simulate,
    truths,
)


@pytest.fixture(scope="session")
def situation():
    return {each.name: each for each in SITUATIONS}.__getitem__


@pytest.fixture(scope="session")
def grid(situation):
    """Scores of many trials on one plan, shape (trials, tasters, variants, sessions)."""

    @cache
    def draw(name, *, truth="none", variants=4, tasters=8, trials=3000, seed=11):
        rng = np.random.default_rng(seed)
        tasting = situation(name)
        served = draw_orders(request_for(make_trial(tasting, variants, tasters)), rng)
        true = truths(tasting, truth, variants)
        scores = np.full((trials, tasters, variants, tasting.sessions), np.nan)
        drawn = draw_trial_scores(tasting, true, served, trials, rng)
        scores[:, served.taster, served.variant, served.session] = drawn
        scores.setflags(write=False)
        return scores

    return draw


@pytest.fixture(scope="session")
def simulated(situation):
    """Trials and their tables, as the sweep judges them."""

    @cache
    def draw(name, *, truth="none", variants=4, tasters=8, trials=20, seed=11):
        tasting = situation(name)
        plan, true = make_trial(tasting, variants, tasters), truths(tasting, truth, variants)
        return list(simulate(plan, tasting, true, trials, np.random.default_rng(seed)))

    return draw


@pytest.fixture(scope="session")
def from_csv():
    """Read the rates of a CSV that `to_csv` wrote."""

    def read(text):
        return tuple(
            Counted(
                row["situation"], int(row["variants"]), int(row["tasters"]), row["truth"],
                row["procedure"], row["question"],
                Rate(float(row["rate"]), float(row["error"]), int(row["trials"])),
            )
            for row in csv.DictReader(text.splitlines())
        )  # fmt: skip

    return read
