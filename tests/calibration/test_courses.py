"""Simulated courses: what is truly so in them is found where nothing scatters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blindspoon.findings import course as followed
from blindspoon.stats.several_tests import Bracket
from tests.calibration import course_rates
from tests.calibration.calibrate import calibrate
from tests.calibration.course_rates import COURSES, Cell, ask, course_chunk, panel_of

BY_NAME = {situation.name: situation for situation in COURSES}


def asked(name, *, changes=True, tasters=8, seed=1):
    panel = panel_of(BY_NAME[name], tasters)
    rng = np.random.default_rng(seed)
    return dict(ask(BY_NAME[name], panel, changes=changes, rng=rng))


@pytest.mark.parametrize("name", ["days-differ", "jar-an-age"])
def test_cups_that_hardly_scatter_show_all_that_is_true(monkeypatch, name):
    for width in ("CUP_SD", "TASTER_SD", "DRIFT_SD"):
        monkeypatch.setattr(course_rates, width, 1e-6)
    found = asked(name)
    assert found["slopes", "found"]
    assert found["days", "coverage"]
    assert not found["days", "false_alike"]


@pytest.mark.parametrize(("name", "one_sitting"), [("days-differ", False), ("levels-off", True)])
def test_ages_are_tasted_at_once_or_an_evening_each(name, one_sitting):
    panel = panel_of(BY_NAME[name], 5)
    assert len(panel.served.sessions) == (1 if one_sitting else 6)
    cups = np.bincount(panel.served.taster)
    assert cups.tolist() == [7 if one_sitting else 12] * 5
    assert ("Page", "found") in asked("levels-off")
    assert ("without a control", "found") in asked("days-differ")


def test_a_cell_is_the_same_whatever_else_is_asked():
    one, other = BY_NAME["levels-off"], BY_NAME["overshoots"]
    alone = calibrate(situations=[one], trials=3, seed=2, tasters=[6]).rates
    both = calibrate(situations=[other, one], trials=3, seed=2, tasters=[6, 7]).rates
    assert set(alone) < set(both)
    assert {rate.rate.trials for rate in alone} <= {1, 2, 3}
    assert {rate.variants for rate in alone} == {7}


def test_a_bracket_that_closes_too_soon_is_seen(monkeypatch):
    """With every day but the first said to be there, levels-off is wrong in every trial."""
    broken = followed.scores_over_days.scores_by_day

    def hasty(*args, **asked):
        return replace(broken(*args, **asked), reached=Bracket(after=3.0, by=7.0))

    monkeypatch.setattr(followed.scores_over_days, "scores_by_day", hasty)
    counts = course_chunk(1, Cell(BY_NAME["levels-off"], 7, 8, "all"), 0, 6)
    assert counts["days", "coverage"] == (0, 6)
    assert counts["days", "false_alike"] == (6, 6)
