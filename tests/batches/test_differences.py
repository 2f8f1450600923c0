"""What else differs, with the room that each factor is given."""

from __future__ import annotations

import datetime
from dataclasses import replace

import pytest

from blindspoon.batches.differences import (
    STANDARD,
    amounts,
    factor_values,
    what_differs,
)
from blindspoon.batches.strengths import strengths
from blindspoon.batches.summary import in_words
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stats.results import as_record
from blindspoon.trial import Course


def found(trial, log, variant):
    return next(each for each in what_differs(trial, log) if each.variant == variant)


def test_declared_and_undeclared_are_told_apart(trial, read):
    what = found(trial, read(), "cool-cellar")
    assert [(each.factor, each.amount, each.declared) for each in what.differences] == [
        ("temperature_c", -6.0, True),
        ("age", 7.0, True),
    ]
    assert what.undeclared == ()
    assert "leaf" in what.alike


def test_the_difference_is_variant_minus_control(trial, log_of, jar):
    warm = jar("jar 2", "oak-leaf", temperature_c=25.0)
    (one,) = found(trial, log_of(jar(temperature_c=20.0), warm), "oak-leaf").differences
    assert (one.control_value, one.variant_value, one.amount, one.unit) == (20.0, 25.0, 5.0, "°C")
    assert not one.declared


@pytest.mark.parametrize(
    ("factor", "inside", "outside"),
    [
        ("temperature_c", {"temperature_c": 22.0}, {"temperature_c": 22.1}),
        ("salt", {"salt_g": 27.0}, {"salt_g": 27.3}),
        ("produce", {"produce_g": 650.0, "salt_g": 26.25}, {"produce_g": 760.0, "salt_g": 29.0}),
    ],
)
def test_each_factor_has_its_tolerance(trial, log_of, jar, factor, inside, outside):
    control = jar(temperature_c=20.0, salt_g=25.0)
    for known, expected in ((inside, []), (outside, [factor])):
        other = jar("jar 2", "oak-leaf", **{"temperature_c": 20.0, "salt_g": 25.0, **known})
        what = found(trial, log_of(control, other), "oak-leaf")
        assert [each.factor for each in what.differences] == expected


def test_days_that_are_asked_about_differ_by_one_already(trial, log_of, jar):
    course = Course(attribute="texture", over="age_days", reach="control")
    start = datetime.date(2026, 9, 5)
    log = log_of(
        jar(started=start), jar("jar 2", "cool-cellar", started=start + datetime.timedelta(1))
    )
    what = found(replace(trial, course=course), log, "cool-cellar")
    assert [(each.factor, each.amount, each.declared) for each in what.differences] == [
        ("age", -1.0, True)
    ]
    assert "age" not in what.declared_but_alike


@pytest.mark.parametrize(
    ("start", "lacking"), [(datetime.date(2026, 9, 5), ()), (None, ("fermented",))]
)
def test_days_of_a_jar_that_has_a_start_are_written_down(trial, log_of, jar, start, lacking):
    course = Course(attribute="texture", over="fermented_days", reach="control", same_control=True)
    cool = replace(trial.variant("cool-cellar"), differs=("fermented",))
    others = tuple(it for it in trial.variants if it.name != cool.name)
    asked = replace(trial, course=course, variants=(*others, cool))
    what = found(asked, log_of(jar(), jar("jar 2", "cool-cellar", started=start)), "cool-cellar")
    assert what.not_recorded == lacking


@pytest.mark.parametrize(("days", "expected"), [(2, []), (3, ["age"])])
def test_two_days_of_age_are_alike(trial, log_of, jar, days, expected):
    start = datetime.date(2026, 9, 5)
    later = start + datetime.timedelta(days)
    log = log_of(jar(started=start), jar("jar 2", "oak-leaf", started=later))
    assert [each.factor for each in found(trial, log, "oak-leaf").differences] == expected


# 5 % of a measured column; a lot number without a unit is never "about the same".
@pytest.mark.parametrize(
    ("column", "values", "differs"),
    [
        ("calcium_g", (1.00, 1.05), False),
        ("calcium_g", (1.00, 1.06), True),
        ("calcium_g", (0.0, 0.01), True),
        ("lot", (1001.0, 1002.0), True),
        ("lot", (1001.0, 1001.0), False),
        ("cut", ("spears", "whole"), True),
        ("thickness_mm", (5.0, "thick"), True),
    ],
)
def test_own_columns(trial, log_of, jar, column, values, differs):
    first, second = (
        jar(name, variant, own={column: value})
        for name, variant, value in zip(("a", "b"), ("plain", "oak-leaf"), values, strict=True)
    )
    what = found(trial, log_of(first, second, own=(column,)), "oak-leaf")
    assert [each.factor for each in what.differences] == [column] * differs


def test_a_word_is_the_same_in_other_capitals_and_an_acid_however_it_is_written(read, trial):
    text = (
        "batch,variant,produce_g,salt_g,acid,acid_g,vessel,leaf\n"
        "a,plain,600,20,vinegar 5 %,50,clip jar,None\n"
        "b,plain,600,20,Vinegar 5%,50,Clip  jar,none\n"
        "c,oak-leaf,600,20,5 % vinegar,50,CLIP JAR,1 leaf\n"
        "d,cool-cellar,600,20,vinegar 6 %,50,clip jar,NONE\n"
    )
    oak, cool = what_differs(trial, read(text, None))
    assert [in_words(found) for found in oak.differences] == ["made with 1 leaf"]
    assert {found.factor for found in cool.differences} == {"acid", "kind of acid"}


def test_several_batches_are_compared_by_their_means(trial, log_of, jar):
    batches = [
        jar("a", temperature_c=19.0, vessel="crock"),
        jar("b", temperature_c=21.0, vessel="jar"),
        jar("c", "oak-leaf", temperature_c=24.0, vessel="jar"),
        jar("d", "oak-leaf", temperature_c=26.0, vessel="jar"),
    ]
    what = found(trial, log_of(*batches), "oak-leaf")
    warm, vessel = what.differences
    assert (warm.control_value, warm.variant_value) == (20.0, 25.0)
    assert (vessel.control_value, vessel.variant_value, vessel.amount) == (
        "crock and jar",
        "jar",
        None,
    )
    assert (what.batches, what.control_batches) == (2, 2)


def test_blank_cells_are_not_alike_but_unknown(trial, log_of, jar):
    log = log_of(jar(vessel="crock"), jar("jar 2", "oak-leaf"))
    what = found(trial, log, "oak-leaf")
    assert what.not_known == ("vessel",)
    assert "vessel" not in what.alike


def test_what_was_declared_and_did_not_happen(trial, log_of, jar):
    log = log_of(jar(temperature_c=20.0), jar("jar 3", "cool-cellar", temperature_c=20.5))
    what = found(trial, log, "cool-cellar")
    assert what.declared_but_alike == ("temperature_c",)
    assert what.not_recorded == ("age",)
    lacks = [
        (each.variant, name) for each in what_differs(trial, log) for name in each.not_recorded
    ]
    assert lacks == [
        ("oak-leaf", "leaf"),
        ("cool-cellar", "age"),
    ]


def test_a_variant_without_a_batch_has_nothing_to_compare(trial, log_of, jar):
    what = found(trial, log_of(jar()), "oak-leaf")
    assert (what.batches, what.differences, what.alike) == (0, (), ())


def test_days_of_fermenting_are_not_told_twice(read):
    names = [factor.name for factor in factor_values(read())]
    assert "age" in names
    assert "fermented" not in names
    text = "batch,variant,started,finished\njar 1,plain,2026-09-01,2026-09-10\n"
    assert "fermented" in [factor.name for factor in factor_values(read(text, None))]


def test_age_is_delivered_by_days_of_fermenting(trial, log_of, jar):
    start, ends = datetime.date(2026, 9, 1), (datetime.date(2026, 9, 8), datetime.date(2026, 9, 15))
    log = log_of(
        jar(started=start, finished=ends[0], temperature_c=20.0),
        jar("jar 3", "cool-cellar", started=start, finished=ends[1], temperature_c=14.0),
    )
    what = found(trial, log, "cool-cellar")
    assert [(each.factor, each.declared) for each in what.differences] == [
        ("temperature_c", True),
        ("fermented", True),
    ]
    assert "age" in what.alike
    assert what.declared_but_alike == ()


@pytest.mark.parametrize("name", ["salt", "salt_g", "salt_percent"])
def test_a_difference_is_declared_by_any_of_its_names(log_of, jar, name):
    trial = parse_trial(
        'trial = { title = "t", control = "plain" }\nscale = { low = 0, high = 9 }\n'
        'attribute = [{ name = "a" }]\n'
        f'variant = [{{ name = "plain" }}, {{ name = "salty", differs = ["{name}"] }}]\n'
    )
    log = log_of(jar(salt_g=20.0), jar("jar 2", "salty", salt_g=30.0))
    (one,) = found(trial, log, "salty").differences
    assert (one.factor, one.declared) == ("salt", True)


def test_the_order_of_batches_changes_nothing(trial, read):
    log = read()
    turned = replace(log, batches=log.batches[::-1])
    assert what_differs(trial, log) == what_differs(trial, turned)


def test_swapping_variant_and_control_turns_the_sign(log_of, jar):
    def amount(control, other):
        trial = parse_trial(
            f'trial = {{ title = "t", control = "{control}" }}\nscale = {{ low = 0, high = 9 }}\n'
            'attribute = [{ name = "a" }]\nvariant = [{ name = "plain" }, { name = "warm" }]\n'
        )
        log = log_of(jar(temperature_c=20.0), jar("jar 2", "warm", temperature_c=26.0))
        return found(trial, log, other).differences[0].amount

    assert (amount("plain", "warm"), amount("warm", "plain")) == (6.0, -6.0)


def test_every_standard_factor_has_a_unit_where_it_has_a_tolerance():
    assert all(bool(factor.unit) == bool(factor.tolerance) for factor in STANDARD)


def test_rows_are_plain_values(trial, read):
    row = as_record(found(trial, read(), "cool-cellar"))
    assert row["differences"][0]["factor"] == "temperature_c"


def test_salt_that_was_weighed_is_recorded_though_a_blank_cell_hides_the_rest(trial, read):
    """Cabbage that gives its own brine: 22 and 25 g of salt, and nothing written about water."""
    rows = "1,plain,1000,,22", "2,oak-leaf,1000,,25"
    made = read("\n".join(["batch,variant,produce_g,water_g,salt_g", *rows]), None)
    assert "salt" in found(trial, made, "oak-leaf").not_known
    assert "water is not written; write 0 where none went in" in amounts(trial, made)[0].reason
    told = [each.unknown for each in strengths(made)]
    assert not any("no water was weighed in" in each.values() for each in told)
