"""Every problem of what was made, at once, each with its line."""

from __future__ import annotations

import datetime
import time

import numpy as np
import pytest

from blindspoon.batches.log import SATURATION
from blindspoon.batches.strengths import strengths
from blindspoon.errors import ScoreError


def slugs(problems):
    return [(each.slug, each.file, each.line, each.column) for each in problems]


def test_a_sound_folder_has_no_problems(check):
    assert check() == ((), ())


def test_what_is_read(read):
    log = read()
    assert [batch.name for batch in log.batches] == ["jar 1", "jar 2", "jar 3"]
    first = log.batches[0]
    assert (first.salt_g, first.started) == (25.0, datetime.date(2026, 9, 5))
    assert first.own == {"leaf": "none"}
    assert [reading.ph for reading in log.readings.get("jar 1", ())] == [6.1, 3.6]
    assert (log.first_tasted, log.last_tasted) == (
        datetime.date(2026, 9, 19),
        datetime.date(2026, 9, 20),
    )


def test_a_day_may_have_points_as_a_spreadsheet_of_half_the_world_saves_it(check, read):
    batches = "batch;variant;salt_g;started;finished\njar 1;plain;25,0;5.9.2026;19.09.2026\n"
    readings = "batch;date;ph\njar 1;05.09.2026;6,1\n"
    assert not check(batches, readings)[0]
    log = read(batches, readings)
    assert str(log.batches[0].started) == str(log.readings.get("jar 1", ())[0].date) == "2026-09-05"


ROW = "jar 1,plain,600,400,25,2026-09-05,2026-09-19,20,clip jar,none"


@pytest.mark.parametrize(
    ("row", "slug", "column", "words"),
    [
        ("jar 1,plain,-600,400,25,,,,,", "absurd-mass", "produce_g", "produce_g is -600"),
        ("jar 1,plain,600,4000000,25,,,,,", "absurd-mass", "water_g", "0 to 1,000,000 g"),
        ("jar 1,plain,600 g,400,25,,,,,", "not-a-number", "produce_g", "without its unit"),
        ("jar 1,plain,nan,400,25,,,,,", "not-a-number", "produce_g", '"nan" is not a number'),
        ("jar 1,plain,inf,400,25,,,,,", "not-a-number", "produce_g", '"inf" is not a number'),
        ("jar 1,plain,600,400,360,,,,,", "too-much-salt", "salt_g", "dissolve 359 g at most"),
        ("jar 1,plian,600,400,25,,,,,", "unknown-variant", "variant", 'did you mean "plain"'),
        (",plain,600,400,25,,,,,", "blank-cell", "batch", "a blank cell"),
        ("jar 1,plain,600,400,25,5.9.26,,,,", "bad-date", "started", "as in 2026-09-05"),
        ("jar 1,plain,600,400,25,2026-02-30,,,,", "bad-date", "started", "is not a date"),
        (
            "jar 1,plain,600,400,25,2026-09-19,2026-09-05,,,",
            "finished-before-started",
            "finished",
            "before it was started on 2026-09-19",
        ),
        (
            "jar 1,plain,600,400,25,2026-09-21,,,,",
            "after-tasting",
            "started",
            "after the last tasting on 2026-09-20",
        ),
        ("jar 1,plain,600,400,25,,2026-09-21,,,", "after-tasting", "finished", "trial.toml"),
        ("jar 1,plain,600,400,25,,,680,,", "absurd-temperature", "temperature_c", "temperature_f"),
    ],
)
def test_a_bad_row_is_named(check, row, slug, column, words):
    head = "batch,variant,produce_g,water_g,salt_g,started,finished,temperature_c,vessel,leaf"
    text = f"{head}\n{row}\n{ROW.replace('jar 1', 'jar 9')}\n"
    problems, _ = check(text, None)
    assert slugs(problems) == [(slug, "batches.csv", 2, column)]
    assert words in str(problems[0])


# Saturated brine at 20 degrees is 26.4 % salt, 35.9 g in 100 g of water (handbooks, from memory).
def test_saturation_is_that_of_brine():
    percent = 100 * SATURATION / (100 + SATURATION)
    assert percent == pytest.approx(26.4, abs=0.05)


@pytest.mark.parametrize(
    ("row", "slug", "column", "words"),
    [
        ("jar 1,2026-09-18,36,20,", "absurd-ph", "ph", "36 is no pH"),
        ("jar 1,2026-09-18,355,20,", "absurd-ph", "ph", "put its point back"),
        ("jar 1,2026-09-18,-1,20,", "absurd-ph", "ph", "a pH is 0 to 14"),
        ("jar 1,2026-09-18,sour,20,", "not-a-number", "ph", '"sour" is not a number'),
        ("jar 7,2026-09-18,3.6,20,", "unknown-batch", "batch", "did you mean"),
        ("jar 1,,3.6,20,", "blank-cell", "date", "a reading has a date"),
        (",2026-09-18,3.6,20,", "blank-cell", "batch", "a reading has a batch"),
        ("jar 1,2026-09-04,3.6,20,", "reading-before-start", "date", "started on 2026-09-05"),
    ],
)
def test_a_bad_reading_is_named(check, row, slug, column, words):
    problems, _ = check(readings=f"batch,date,ph,temperature_c,note\n{row}\n")
    assert slugs(problems) == [(slug, "readings.csv", 2, column)]
    assert words in str(problems[0])


def test_batches_that_were_never_made_are_named_once_a_file(check):
    key = "taster,code,variant,batch\nT1,1,plain,jar 1\nT1,2,oak-leaf,jar 8\nT2,3,oak-leaf,jar 8\n"
    problems, _ = check(key=key, scores="taster,variant,batch\nT1,plain,jar 9\n")
    assert slugs(problems) == [
        ("never-made", "key.csv", 3, "batch"),
        ("never-made", "scores.csv", 2, "batch"),
    ]
    assert "and in 1 row more" in str(problems[0])


def test_a_batch_of_another_variant_is_named(check):
    problems, _ = check(key="taster,code,variant,batch\nT1,1,plain,jar 2\nT1,2,plain,\n")
    assert slugs(problems) == [("batch-of-two-variants", "key.csv", 2, "batch")]
    assert "is plain here and oak-leaf in batches.csv" in str(problems[0])


def test_a_batch_stands_once(check):
    text = "batch,variant\njar 1,plain\njar 1,oak-leaf\n"
    problems, _ = check(text, None)
    assert slugs(problems) == [("batch-twice", "batches.csv", 3, "batch")]


def test_a_quantity_stands_in_one_unit(check, read):
    problems, _ = check("batch,variant,salt_g,salt_oz\njar 1,plain,20,1\n", None)
    assert slugs(problems) == [("two-units", "batches.csv", 2, "salt_oz")]
    log = read("batch,variant,salt_g,salt_oz\njar 1,plain,20,\njar 2,plain,,1\n", None)
    assert [batch.salt_g for batch in log.batches] == [20.0, 28.349523125]


def test_the_days_themselves_are_allowed(check):
    text = "batch,variant,started,finished\njar 1,plain,2026-09-20,2026-09-20\n"
    assert check(text, "batch,date,ph\njar 1,2026-09-20,3.6\n")[0] == ()


def test_all_problems_come_at_once_and_in_order(check):
    text = "batch,variant,salt_g,started\njar 1,plain,-1,x\njar 1,nobody,20,2026-10-01\n"
    problems, _ = check(text, "batch,date,ph\njar 2,2026-09-01,46\n")
    assert [(each.file, each.line) for each in problems] == [
        ("batches.csv", 2),
        ("batches.csv", 2),
        ("batches.csv", 3),
        ("batches.csv", 3),
        ("readings.csv", 2),
        ("readings.csv", 2),
    ]


def test_missing_columns_are_named(check):
    problems, _ = check("batch,varient\njar 1,plain\n", "batch,day\njar 1,2026-09-05\n")
    found = [(each.slug, each.column) for each in problems]
    assert found == [("missing-column", "variant"), ("missing-column", "date")]


@pytest.mark.parametrize("text", ["", "batch|variant\njar 1|plain\n"])
def test_a_table_that_cannot_be_read_is_one_problem(check, text):
    for given in ((text, "batch,date\n"), ("batch,variant\njar 1,plain\n", text)):
        (problem,) = check(*given)[0]
        assert problem.file == ("batches.csv" if given[0] is text else "readings.csv")


def test_reading_a_log_raises_with_every_problem(read):
    with pytest.raises(ScoreError, match="salt_g is -1") as caught:
        read("batch,variant,salt_g,water_g\njar 1,plain,-1,x\n", None)
    assert len(caught.value.problems) == 2


def test_spoons_and_near_misses_are_noted(check):
    text = "batch,variant,salt_tbsp,acid_tsp,salt,finishd\njar 1,plain,2,1,9,2026-09-19\n"
    problems, notes = check(text, None)
    assert problems == ()
    said = " ".join(str(note) for note in notes)
    assert "salt_tbsp is converted at 18 g each; spoons and cups are not grams" in said
    assert "acid_tsp is kept as a factor of your own (did you mean acid_g?)" in said
    assert "column salt is kept as a factor of your own (did you mean salt_g?)" in said
    assert "column finishd is kept as a factor of your own (did you mean finished?)" in said
    assert "variants without a batch: oak-leaf, cool-cellar" in said
    spelt = "batch,variant,Salt (g),pH\njar 1,plain,2,4\nJar 1,plain,2,4\n"
    said = " ".join(map(str, check(spelt, None)[1]))
    assert "column Salt (g) is kept as a factor of your own (did you mean salt_g?)" in said
    assert "jar 1, Jar 1 are taken for two" in said


@pytest.mark.parametrize(
    ("cell", "slugs", "said"),
    [
        ("1.250", {"not-a-number"}, ""),
        ("1,25", set(), ""),
        ("a pinch", set(), '"a pinch" is no num'),
    ],
)
def test_a_measure_of_the_hosts_own_is_a_number_or_asked_about(check, cell, slugs, said):
    text = f"batch;variant;calcium_mg\njar 1;plain;0\njar 2;oak-leaf;{cell}\n"
    problems, notes = check(text, None)
    assert {problem.slug for problem in problems} == slugs
    assert bool(said) == any("read as words" in str(note) for note in notes)
    assert said in " ".join(map(str, notes))


def test_a_reading_under_another_head_is_no_secret(check):
    problems, notes = check(readings="batch,date,pH,Temp\njar 1,2026-09-18,3.6,20\n")
    assert problems == ()
    assert [str(note) for note in notes if note.file == "readings.csv"] == [
        'readings.csv line 1: columns not used: pH (did you mean "ph"?), Temp'
    ]


def test_a_reading_after_the_tasting_is_kept_and_noted(check, read):
    late = "batch,date,ph\njar 1,2026-09-18,3.6\njar 1,2026-09-25,3.2\n"
    problems, notes = check(readings=late)
    assert problems == ()
    assert "readings.csv line 3: 2026-09-25 is after the last tasting on 2026-09-20" in str(
        notes[0]
    )
    log = read(readings=late)
    assert len(log.readings.get("jar 1", ())) == 2
    assert [reading.ph for reading in log.readings_before_tasting("jar 1")] == [3.6]


def test_own_columns_are_numbers_only_if_all_are(read):
    text = "batch,variant,cut,turns\njar 1,plain,5 mm,2\njar 2,oak-leaf,5,0\njar 3,plain,,\n"
    own = [batch.own for batch in read(text, None).batches]
    assert own == [{"cut": "5 mm", "turns": 2.0}, {"cut": "5", "turns": 0.0}, {}]


def test_decimal_commas_and_fahrenheit(read):
    text = "batch;variant;salt_g;temperature_f\njar 1;plain;18,9;68\n"
    (batch,) = read(text, "batch;date;ph;temperature_f;brix\njar 1;2026-09-18;3,6;50;4,5\n").batches
    assert (batch.salt_g, round(batch.temperature_c, 9)) == (18.9, 20.0)
    log = read(text, "batch;date;ph;temperature_f;brix\njar 1;2026-09-18;3,6;50;4,5\n")
    (reading,) = log.readings.get("jar 1", ())
    assert (reading.ph, round(reading.temperature_c, 9)) == (3.6, 10.0)


def test_a_header_alone_is_a_folder_not_yet_begun(check):
    problems, notes = check("batch,variant,salt_g\n", "batch,date,ph\n")
    assert problems == ()
    assert "variants without a batch: plain, oak-leaf, cool-cellar" in str(notes[0])


def test_the_order_of_readings_does_not_matter(read):
    lines = [f"jar {n},2026-09-{day:02},{3 + day / 10}" for n in (1, 2) for day in range(5, 19)]
    shuffled = np.random.default_rng(3).permutation(lines).tolist()
    logs = [read(readings="\n".join(["batch,date,ph", *order])) for order in (lines, shuffled)]
    kept = [
        {name: [(each.date, each.ph) for each in of] for name, of in log.readings.items()}
        for log in logs
    ]
    assert kept[0] == kept[1]


def test_ten_thousand_faults_are_listed_within_bounds(check):
    rows = "\n".join(f"jar {n},plain,-1" for n in range(10_000))
    problems, _ = check(f"batch,variant,salt_g\n{rows}\n", None)
    assert len(problems) == 1001
    assert "8,999 rows more like it" in str(problems[-1])


def test_a_thousand_batches_take_no_time(read):
    rows = "\n".join(f"jar {n},plain,600,400,25" for n in range(1000))
    days = "\n".join(f"jar {n},2026-09-{day:02},4" for day in range(5, 15) for n in range(1000))
    log = read(f"batch,variant,produce_g,water_g,salt_g\n{rows}\n", f"batch,date,ph\n{days}\n")
    began = time.process_time()
    assert {each.last_ph for each in strengths(log)} == {4.0}
    assert time.process_time() - began < 1.0


@pytest.mark.parametrize(
    ("jars", "noun"),
    [
        ((("jar 1", ""), ("Jar 2", "")), "jar"),  # as the pages call them
        ((("jar 1", "2 l crock"), ("jar 2", "2 l crock")), "crock"),
        ((("jar 1", ""), ("jar 2", "crock")), "batch"),
        ((("a", "Bottle"), ("b", "")), "bottle"),
        ((("ajar", ""), ("b", "")), "batch"),
    ],
)
def test_what_was_made_is_called_by_its_vessel_or_else_by_its_name(read, jars, noun):
    rows = (f"{name},plain,{vessel}" for name, vessel in jars)
    assert read("\n".join(["batch,variant,vessel", *rows]), None).noun == noun
