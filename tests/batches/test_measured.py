"""Taste beside measurement."""

from __future__ import annotations

import datetime

import pytest

from blindspoon.batches.strengths import days_of
from blindspoon.batches.summary import taste_against_measured
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.scores.score_table import build_table

SCORES = """\
session,taster,variant,texture,saltiness,sourness
1,Ann,plain,5,4,4
1,Ann,oak-leaf,6,6,6
1,Ann,cool-cellar,7,5,3
2,Ann,plain,5,6,5
1,Ben,plain,5,2,1
1,Ben,oak-leaf,6,5,
1,Ben,cool-cellar,7,3,2
1,Cleo,plain,5,9,
"""


@pytest.fixture
def table(trial):
    return build_table(trial, FolderTables(scores=(read_table(SCORES.encode(), "scores.csv"),)))[0]


def test_perceived_is_the_mean_of_tasters_not_of_cups(trial, read, table):
    salt, ph = taste_against_measured(trial, table, read())
    assert (salt.attribute, salt.quantity) == ("saltiness", "salt_percent")
    assert (ph.attribute, ph.quantity) == ("sourness", "last_ph")
    plain = salt.points[0]
    assert (plain.variant, plain.tasters, plain.perceived) == ("plain", 3, 16 / 3)
    assert plain.measured == pytest.approx(100 * 25 / 1025)
    assert [point.tasters for point in ph.points] == [2, 1, 2]


def test_who_is_as_strong_as_the_control(trial, read, table):
    text = (
        "batch,variant,produce_g,water_g,salt_g\njar 1,plain,600,400,25\n"
        "jar 2,oak-leaf,600,400,26\njar 3,cool-cellar,600,400,35\n"
    )
    (salt,) = taste_against_measured(trial, table, read(text, None))
    assert salt.same_strength == ("oak-leaf",)


@pytest.mark.parametrize(("salt_g", "differs"), [(29, False), (30, True)])
def test_jars_within_the_tolerance_of_one_between_them_do_not_differ(
    trial, read, table, salt_g, differs
):
    text = "batch,variant,produce_g,water_g,salt_g\njar 1,plain,600,400,25\n"
    (salt,) = taste_against_measured(
        trial, table, read(f"{text}jar 2,oak-leaf,600,400,{salt_g}\n", None)
    )
    assert salt.differs is differs


def test_days_of_fermenting_end_with_the_jar_or_the_tasting(jar):
    made = jar(started=datetime.date(2026, 9, 1), finished=datetime.date(2026, 9, 11))
    for day, fermented, stored in ((5, 4, -6), (11, 10, 0), (15, 10, 4)):
        date = datetime.date(2026, 9, day)
        assert days_of(made, date, "fermented_days") == fermented
        assert days_of(made, date, "stored_days") == stored


def test_acid_that_nobody_added_is_no_axis(trial, read, table):
    text = "batch,variant,water_g,salt_g,acid,acid_g\n" + "\n".join(
        f"jar {n},{variant},400,10,none,0"
        for n, variant in enumerate(("plain", "oak-leaf", "cool-cellar"))
    )
    found = taste_against_measured(trial, table, read(text, None))
    assert [each.quantity for each in found] == ["salt_percent"]


def test_a_variant_with_an_unknown_batch_is_no_point(trial, read, table):
    text = (
        "batch,variant,water_g,salt_g\njar 1,plain,400,10\njar 2,oak-leaf,400,10\n"
        "jar 3,oak-leaf,400,\njar 4,cool-cellar,400,12\n"
    )
    (salt,) = taste_against_measured(trial, table, read(text, None))
    assert [point.variant for point in salt.points] == ["plain", "cool-cellar"]


def test_one_measured_variant_is_held_against_nothing(trial, read, table):
    text = "batch,variant,water_g,salt_g\njar 1,plain,400,10\njar 2,oak-leaf,400,\n"
    assert taste_against_measured(trial, table, read(text, None)) == ()
