"""The kitchen's arithmetic against published proportions."""

from __future__ import annotations

import datetime

import pytest

from blindspoon.batches.log import unit_of
from blindspoon.batches.strengths import strengths
from blindspoon.stats.results import as_record


# Hand calculation: 2.5 % of 1000 g of produce and water is 25.0 g, which is 2.439 % of everything;
# 2.5 % of everything needs 25.64 g.
def test_the_two_bases_of_a_percentage(log_of, jar):
    by_weight, by_all = strengths(log_of(jar(salt_g=25.0), jar(name="jar 2", salt_g=25.641026)))
    assert by_weight.salt_percent == pytest.approx(2.439, abs=0.0005)
    assert by_weight.salt_percent_of_produce_and_water == pytest.approx(2.5)
    assert by_all.salt_percent == pytest.approx(2.5, abs=1e-6)


# Hand calculation: a 2.5 % brine of 400 g water over 600 g of produce is .990 % once level.
def test_a_brine_is_diluted_by_the_produce(log_of, jar):
    (found,) = strengths(log_of(jar(salt_g=10.0)))
    assert found.salt_percent_of_water == pytest.approx(2.5)
    assert found.salt_percent == pytest.approx(0.990, abs=0.0005)


# USDA sauerkraut, Michigan State University Extension 01600078: 25 lb cabbage and 3/4 cup salt, or
# 3 tablespoons to 5 lb. At 6.0 g a teaspoon (from memory) they are 1.90 and 2.38 % of the cabbage.
def test_the_sauerkraut_recipe_does_not_agree_with_itself():
    cabbage = unit_of("produce_lb").convert(25)
    by_cup = unit_of("salt_cups").convert(0.75)
    by_spoon = 5 * unit_of("salt_tbsp").convert(3)
    assert by_cup == pytest.approx(216, abs=0.1)
    assert 100 * by_cup / cabbage == pytest.approx(1.90, abs=0.005)
    assert 100 * by_spoon / cabbage == pytest.approx(2.38, abs=0.005)


# J. L. Gay-Lussac: 180.16 g of grape sugar give 92.14 g of ethanol, .511; table sugar takes up a
# water first: 342.30 g give 184.28 g, .538. Ethanol .789 g/ml (from memory).
def test_sugar_and_alcohol_follow_the_equation(log_of, jar):
    share = 184.28 / 342.30
    assert share == pytest.approx(0.511 * 2 * 180.16 / 342.30, abs=0.0005)
    (found,) = strengths(log_of(jar(salt_g=20.0, sugar_g=30.0)))
    assert found.sugar_percent == pytest.approx(100 * 30 / 1050)
    assert found.alcohol_percent == pytest.approx(1.948, abs=0.002)


def test_acid_per_hundred_grams(log_of, jar):
    (found,) = strengths(log_of(jar(salt_g=0.0, acid="citric acid", acid_g=48.0)))
    assert found.citric_g_per_100_g == pytest.approx(4800 / 1048)


def test_ages_count_from_the_start(log_of, jar):
    made = jar(started=datetime.date(2026, 8, 29), finished=datetime.date(2026, 9, 12))
    (found,) = strengths(log_of(made))
    assert (found.fermented_days, found.age_days) == (14, 21)


def test_a_column_that_is_missing_is_nothing_and_a_blank_cell_is_unknown(read):
    head = "batch,variant,produce_g,water_g,salt_g"
    (found,) = strengths(read(f"{head}\njar 1,plain,600,400,10\n", None))
    assert found.everything_g == 1010
    (found,) = strengths(read(f"{head}\njar 1,plain,,400,10\n", None))
    assert found.everything_g is None
    assert found.salt_percent is None
    assert found.salt_percent_of_water == pytest.approx(2.5)
    assert "the weight of produce is not written" in found.unknown["everything_g"]


def test_salt_has_to_be_written(read):
    (found,) = strengths(read("batch,variant,produce_g,water_g\njar 1,plain,600,400\n", None))
    assert found.salt_percent is None
    assert found.unknown["salt_percent"] == "there is no column salt_g"


def test_an_acid_without_a_weight_is_unknown(read):
    head = "batch,variant,water_g,salt_g,acid"
    text = f"{head}\njar 1,plain,400,10,vinegar 5 %\njar 2,plain,400,10,none\n"
    named, none = strengths(read(text, None))
    assert named.citric_g_per_100_g is None
    assert named.everything_g is None
    assert none.citric_g_per_100_g == 0
    assert none.everything_g == 410


def test_the_last_ph_is_that_before_the_tasting(log_of, jar, ph):
    log = log_of(jar(), readings=(ph(4.0, 5), ph(3.6, 1), ph(3.1, -2)))
    (found,) = strengths(log)
    assert (found.last_ph, found.last_ph_date) == (3.6, datetime.date(2026, 9, 18))


def test_rows_are_plain_values(log_of, jar, ph):
    (found,) = strengths(log_of(jar(salt_g=10.0), readings=(ph(3.6),)))
    row = as_record(found)
    assert row["last_ph_date"] == "2026-09-18"
    assert row["unknown"] == {"age_days": "started is blank"}


def test_salt_alone_is_not_a_jar_of_salt(log_of, jar):
    log = log_of(jar(produce_g=None, water_g=None, salt_g=10.0))
    (found,) = strengths(log)
    assert (found.everything_g, found.salt_percent) == (None, None)
    assert found.unknown["everything_g"] == "neither produce nor water was weighed in"
