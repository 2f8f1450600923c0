"""Cautions: only what applies, each with its source; none blocks, none says that food is safe."""

from __future__ import annotations

import re

import pytest

from blindspoon.batches import cautions as safety
from blindspoon.batches.cautions import CAUTIONS, SALT_RANGE, cautions
from blindspoon.batches.log import build_log
from blindspoon.batches.strengths import strengths
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial


def kinds(log):
    return {each.kind: each for each in cautions(log) if not each.general}


# 21 CFR 114.3 and Codex CXS 115-1981: up to and with 4.6.
@pytest.mark.parametrize(("value", "cautioned"), [(4.59, False), (4.6, False), (4.61, True)])
def test_the_limit_is_four_point_six(log_of, jar, ph, value, cautioned):
    found = kinds(log_of(jar(), readings=(ph(5.5, 8), ph(value))))
    assert ("ph-above-limit" in found) == cautioned


def test_only_the_last_ph_before_the_tasting_counts(log_of, jar, ph):
    log = log_of(jar(), readings=(ph(5.8, 12), ph(4.8, 1), ph(3.5, -3)))
    found = kinds(log)["ph-above-limit"]
    assert (found.batches, found.values, found.limit) == (("jar 1",), (4.8,), 4.6)


def test_a_reading_on_the_day_counts(log_of, jar, ph):
    assert kinds(log_of(jar(), readings=(ph(3.6, 9), ph(4.9, 0))))["ph-above-limit"].values == (
        4.9,
    )


def test_no_reading_is_a_caution(log_of, jar, ph):
    log = log_of(jar(), jar("jar 2"), readings=(ph(3.6, batch="jar 2"),))
    assert kinds(log)["ph-not-read"].batches == ("jar 1",)


@pytest.mark.parametrize(
    ("course", "expected"),
    [
        ((6.0, 4.4, 3.6), set()),
        ((6.0, 6.0), {"ph-above-limit", "ph-not-falling"}),
        ((5.8, 6.1), {"ph-above-limit", "ph-not-falling"}),
        ((6.0, 3.6, 4.0), {"ph-rising"}),
        ((6.0, 3.6, 3.9), set()),
        ((4.0, 3.5, 4.5), {"ph-rising"}),  # above where it began
        ((3.4, 4.0), {"ph-rising"}),
        ((5.0, 6.0), {"ph-above-limit", "ph-not-falling", "ph-rising"}),
        ((3.4, 3.4), set()),
    ],
)
def test_the_course_of_the_ph(log_of, jar, ph, course, expected):
    readings = tuple(ph(value, len(course) - n) for n, value in enumerate(course))
    found = {kind for kind in kinds(log_of(jar(), readings=readings)) if kind.startswith("ph-")}
    assert found == expected


@pytest.mark.parametrize(("days", "cautioned"), [(3, False), (4, True)])
def test_an_old_reading_is_a_caution(log_of, jar, ph, days, cautioned):
    found = kinds(log_of(jar(), readings=(ph(3.6, days),)))
    assert ("ph-read-early" in found) == cautioned


# 2 %: the least of the USDA's definition of sauerkraut; 8 %: the most of cucumbers in tanks.
@pytest.mark.parametrize(
    ("salt", "kind"),
    [(19.9, "salt-low"), (20.0, None), (80.0, None), (80.1, "salt-high"), (0.0, "unsalted")],
)
def test_the_usual_range_of_salt(log_of, jar, salt, kind):
    found = set(kinds(log_of(jar(salt_g=salt)))) & {"salt-low", "salt-high", "unsalted"}
    assert found == ({kind} if kind else set())
    assert SALT_RANGE == (2.0, 8.0)


def test_salt_is_not_asked_of_what_was_soured_or_has_no_produce(log_of, jar):
    soured = jar(salt_g=5.0, acid="vinegar 5 %", acid_g=300.0)
    drink = jar("jar 2", salt_g=0.0, produce_g=0.0)
    assert "salt-low" not in kinds(log_of(soured))
    assert "unsalted" not in kinds(log_of(drink))


# .5 % vol of a kilogram is 7.3 g of table sugar (Gay-Lussac's equation).
@pytest.mark.parametrize(("sugar", "cautioned"), [(7.0, False), (8.0, True)])
def test_sugar_that_could_become_alcohol(log_of, jar, sugar, cautioned):
    assert ("alcohol" in kinds(log_of(jar(salt_g=0.0, sugar_g=sugar)))) == cautioned


def test_vessels_and_notes_point_at_batches(log_of, jar, ph):
    log = log_of(
        jar(vessel="1.5 l clip jar"),
        jar("jar 2", vessel="open crock"),
        jar("jar 3", vessel="vacuum bag"),
        jar("jar 4", vessel="zip bag, air pressed out"),
        jar("jar 5", vessel="crock", note="bag of black tea"),
        readings=(ph(3.6, 4, "jar 2", "white mold on top"),),
    )
    found = kinds(log)
    assert found["pressure"].batches == ("jar 1",)
    assert found["vacuum"].batches == ("jar 3", "jar 4")
    assert found["mould"].batches == ("jar 2",)


def test_general_cautions_stand_once(log_of, jar):
    found = cautions(log_of(jar(vessel="clip jar")))
    names = [each.kind for each in found]
    assert len(names) == len(set(names))
    assert {c.kind for c in found if c.general} == {"mould", "allergens", "local-rules"}


def test_without_batches_the_general_ones_are_left(log_of):
    assert {each.general for each in cautions(log_of())} == {True}


def test_every_caution_is_said_and_has_a_source(log_of, jar, ph):
    batches = [
        jar(salt_g=10.0, vessel="clip jar"),
        jar("jar 2", salt_g=90.0, note="vacuum packed"),
        jar("jar 3", salt_g=0.0, sugar_g=50.0),
        jar("jar 4", salt_g=25.0, note="slimy"),
        jar("jar 5", salt_g=25.0),
    ]
    readings = (
        ph(5.0, 9),
        ph(5.2, 5),
        ph(6.0, 9, "jar 2"),
        ph(3.5, 5, "jar 2"),
        ph(4.2, 2, "jar 2"),
    )
    log = log_of(*batches, readings=readings)
    log_kinds = {each.kind for each in cautions(log)}
    assert log_kinds == set(CAUTIONS)
    for each in cautions(log):
        text = safety.caution(each)
        assert text.endswith(".")
        assert each.sources
        assert " is safe" not in text
        assert all(name in text for name in each.batches)


# The fourteen of Regulation (EU) 1169/2011, Annex II, from memory; cereals by their gluten.
ANNEX = [
    "gluten",
    "crustaceans",
    "egg",
    "fish",
    "peanuts",
    "soya",
    "milk",
    "nuts",
    "celery",
    "mustard",
    "sesame",
    "sulphites",
    "lupin",
    "molluscs",
]


def test_every_allergen_that_europe_has_labelled_is_named(log_of):
    said = safety.caution(next(c for c in cautions(log_of()) if c.kind == "allergens"))
    assert [name for name in ANNEX if not re.search(rf"\b{name}\b", said)] == []


def test_soy_sauce_is_brewed_with_wheat():
    assert safety.given_away("a spoon of soy sauce") == ("soya", "gluten")


def test_how_to_read_ph_and_what_a_swollen_jar_means_is_said(log_of, jar):
    said = [safety.caution(each) for each in cautions(log_of(jar(note="the lid bulges")))]
    assert sum("a meter" in text and "4.0 or less" in text for text in said) == 1
    assert sum("thrown away unopened" in text for text in said) == 1


def test_the_head_defers_to_local_codes():
    assert "do not say that anything is safe" in safety.HEAD
    assert "Local codes" in safety.HEAD
    assert "licensed" in safety.HEAD


LATE = """\
trial = { title = "t", control = "plain" }
scale = { low = 0, high = 10 }
attribute = [{ name = "texture" }]
variant = [{ name = "plain" }, { name = "oak" }]
session = [{ name = "1", date = 2026-10-03 }, { name = "2", date = 2026-10-17 }]
"""
MADE = "batch,variant,started,temperature_c\njar 1,plain,2026-09-20,18\njar 2,oak,2026-10-05,18\n"


def read_late(ph, key="", text=LATE, made=MADE):
    rows = f"batch,date,ph\njar 1,2026-10-03,3.5\njar 2,2026-10-17,{ph}\n".encode()
    cups = [read_table(key.encode(), "key.csv")] * bool(key)
    tables = read_table(made.encode(), "batches.csv"), read_table(rows, "readings.csv")
    return build_log(parse_trial(text), *tables, cups)[0]


def told(log):
    return [(it.kind, it.batches) for it in cautions(log) if it.batches]


def test_a_jar_started_after_the_first_session_is_judged_by_its_own_first_tasting():
    assert told(read_late("3.6")) == []
    assert told(read_late("5.2")) == [("ph-above-limit", ("jar 2",))]
    made = strengths(read_late("3.6"))
    assert [it.age_days for it in made] == [13, 12]


def test_a_jar_that_the_cups_of_the_second_session_name_is_judged_by_that_day():
    made = MADE.replace("2026-10-05", "2026-09-20")
    key = "session,code,variant,batch\n1,101,plain,jar 1\n2,102,oak,jar 2\n"
    assert told(read_late("5.2", made=made)) == [("ph-not-read", ("jar 2",))]
    assert told(read_late("5.2", key, made=made)) == [("ph-above-limit", ("jar 2",))]


def test_a_jar_of_a_course_is_judged_on_the_day_on_which_it_is_opened():
    course = 'course = { over = "fermented_days", attribute = "texture", reach = 5.0 }\n' + LATE
    made = (
        "batch,variant,started,finished\njar 1,plain,2026-09-20,2026-10-03\n"
        "jar 2,oak,2026-09-20,2026-10-17\n"
    )
    assert told(read_late("5.2", text=course, made=made)) == [("ph-above-limit", ("jar 2",))]


@pytest.mark.parametrize(
    ("note", "mentioned"),
    [
        ("no mould, no slime", False),
        ("with pink salt and pink peppercorns", False),
        ("pink spots", True),
        ("no slime, but a bad smell", True),
        ("mouldy at the rim", True),
        ("smells great 🌶️", False),
        ("smelt good, many bubbles", False),
        ("smells good but odd", True),
    ],
)
def test_a_note_that_there_is_no_mould_is_no_caution(log_of, jar, note, mentioned):
    assert ("mould" in kinds(log_of(jar(note=note)))) == mentioned


@pytest.mark.parametrize(
    ("note", "warned"), [("The lid bulged", True), ("no bulging", False), ("hissed", True)]
)
def test_a_jar_that_bulged_is_told_of_pressure(log_of, jar, note, warned):
    told = {found.kind: found.batches for found in cautions(log_of(jar(note=note)))}
    assert told["pressure"] == (("jar 1",) if warned else ())
