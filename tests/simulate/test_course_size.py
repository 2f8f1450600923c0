"""What panels can hope for of a question of days, against statsmodels and simulated panels."""

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.power import TTestPower
from statsmodels.stats.weightstats import DescrStatsW

from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.course import compare_course
from blindspoon.planning import hope
from blindspoon.simulate.exact_size import DESIGNS, size_course
from blindspoon.simulate.size_results import Spread
from tests.calibration import course_rates

SPREAD = Spread(residual_sd=0.8, taster_sd=1.0, taster_variant_sd=0.4, source="as given")
TEXT = """
trial = {{ title = "Carrots", control = "usual" }}
course = {{ {course} }}
decision = {{ margin = 1.0, primary = ["course"] }}
scale = {{ low = 0, high = 10, step = 1 }}
attribute = [{{ name = "sourness" }}]
variant = [{{ name = "usual" }}, {variants}]
tasting = {{ tasters = {tasters} }}
"""
AGES = ", ".join(f'{{ name = "d{day}", series = "carrots" }}' for day in (3, 7, 14, 28))


def sized(course='attribute = "sourness"', variants=AGES, tasters=12, tried=(12,)):
    trial = parse_trial(TEXT.format(course=course, variants=variants, tasters=tasters))
    return size_course(trial, SPREAD, tried)


def test_the_chance_of_a_day_that_is_not_there_yet_is_that_of_statsmodels():
    row = sized().rows[0]
    sd = math.sqrt(2 * (0.8**2 + 1 / 12 + 0.4**2))
    expected = TTestPower().power(1 / sd, 12, 0.025, alternative="larger")
    assert row.not_yet == pytest.approx(expected, abs=1e-9)


def test_a_plan_says_what_its_panel_can_see_and_no_other_design():
    plan = parse_trial(TEXT.format(course='attribute = "sourness"', variants=AGES, tasters=12))
    said = hope(plan).sentences
    assert said[0] == "You plan to taste four ages in one sitting."
    assert not any(text in said for text in DESIGNS)
    assert said[-1].startswith("12 tasters with one cup of each would see a change of ")


@pytest.mark.parametrize(("variants", "cups"), [(AGES, 1), ('{ name = "jar" }', 2)])
def test_the_change_that_is_seen_is_that_of_statsmodels(variants, cups):
    """Of several sittings each has a control of its own, and so the scatter of two cups."""
    row = sized(variants=variants).rows[0]
    days = np.linspace(0, 1, 4)
    sd = math.sqrt((cups * (0.8**2 + 1 / 12) + 0.4**2) / ((days - days.mean()) ** 2).sum())
    shown = TTestPower().power(row.change / sd, 12, 0.025, alternative="larger")
    assert shown == pytest.approx(0.8, abs=1e-6)


def test_the_chance_to_lie_within_the_margin_is_that_of_simulated_panels():
    # two one-sided tests by statsmodels on panels of 20, each with an opinion of either variant
    rng = np.random.default_rng(20261129)
    sd = math.sqrt(0.8**2 + 1 / 12 + 2 * 0.4**2)
    panels = rng.normal(0, sd, (2000, 20))
    low, high = DescrStatsW(panels.T).tconfint_mean(alpha=0.05)
    within = np.mean((low > -1) & (high < 1))
    found = size_course(
        parse_trial(TEXT.format(course='attribute = "sourness"', variants=AGES, tasters=20)),
        Spread(
            residual_sd=math.sqrt((0.8**2 - 1 / 12) / 2),
            taster_sd=1,
            taster_variant_sd=0.4,
            source="",
        ),
        (20,),
    )
    chance = found.rows[0].reached
    assert within == pytest.approx(chance, abs=3 * math.sqrt(chance * (1 - chance) / 2000))


def test_a_day_is_promised_as_often_as_the_report_says_it(monkeypatch):
    monkeypatch.setattr(course_rates, "DAYS", np.array([3, 10, 17, 24]))
    situation = course_rates.CourseSituation(name="still", says="", course=(0,) * 4)
    panel = course_rates.panel_of(situation, 24)
    spread = Spread(residual_sd=0.6, taster_sd=1, taster_variant_sd=1.0)
    rng, served = np.random.default_rng(1), panel.served
    alike = []
    for _ in range(100):
        scores = 50 + rng.normal(0, 1, (24, 5)) + rng.normal(0, 1, (24, 1))
        given = scores[served.taster, served.variant] + rng.normal(0, 0.6, panel.day.size)
        table = replace(served, scores=np.rint(given)[:, None])
        (found,) = compare_course(panel.trial, table, panel.ages)
        alike.append(found.days[-1].verdict == "alike")
    (row,) = size_course(panel.trial, spread, (24,)).rows
    assert row.reached == pytest.approx(np.mean(alike), abs=0.1)


def test_small_panels_are_also_told_of_two_cups_each():
    rows = sized(tried=(8, 12)).rows
    assert [(row.tasters, row.cups) for row in rows] == [(8, 1), (8, 2), (12, 1)]
    assert rows[1].not_yet > rows[0].not_yet


def test_a_level_is_reached_by_scores_that_hold_the_tasters_habits():
    level = sized('attribute = "sourness", reach = 6.0').rows[0]
    sd = math.sqrt(0.8**2 + 1 / 12 + 0.4**2 + 1.0)
    expected = TTestPower().power(1 / sd, 12, 0.025, alternative="larger")
    assert level.reached == level.not_yet == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("variants", "tasters", "said"),
    [
        (AGES, 12, "You plan to taste four ages in one sitting."),
        (AGES, 8, "You plan to taste four ages in one sitting, one cup of each: too little for"),
        ('{ name = "carrots" }', 12, "You plan one day so far. How it changes takes two"),
    ],
)
def test_it_says_what_is_planned_and_what_that_lacks(variants, tasters, said):
    told = sized(variants=variants, tasters=tasters, tried=(tasters,)).sentences
    assert told[len(DESIGNS)].startswith(said)
    assert ("would see a change of" in told[-1]) == (variants == AGES)


def test_a_change_beyond_the_scale_is_not_promised_and_every_session_is_counted():
    eight = AGES + "]\nsession = [" + ", ".join(f'{{ name = "{n}" }}' for n in range(8))
    told = sized(variants=eight, tasters=2, tried=(2,)).sentences
    assert told[len(DESIGNS)] == "You plan to taste four ages in 8 sessions."
    assert "would see no change that the scale has room for from the first day" in told[-1]


def test_json_has_what_its_reference_lists():
    page = (Path(__file__).parents[2] / "docs" / "reference" / "json.md").read_text("utf-8")
    rows = re.findall(
        r"^- \*\*`([^`]+)`\*\*: ((?:`\w+`(?:, )?)+)", page.split("## size")[1], re.MULTILINE
    )
    listed = {at: re.findall(r"\w+", fields) for at, fields in rows}
    made = sized().to_record()
    assert listed["course"] == [*made]
    assert listed["course.panels[]"] == [*made["panels"][0]]
