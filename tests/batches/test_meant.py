"""What a host left blank or undeclared: none went in, and perhaps it was the point."""

from __future__ import annotations

import pytest

from blindspoon.batches.differences import Amounts, amounts, recipes, what_differs
from blindspoon.batches.log import build_log
from blindspoon.batches.strengths import strengths
from blindspoon.batches.summary import differences_in_words, make_up
from blindspoon.cli.printed import batches_table
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial

TRIAL = """\
trial = { title = "Crisp", control = "plain" }
scale = { low = 0, high = 10 }
attribute = [{ name = "texture" }]
variant = [
  { name = "plain", method = "5 % brine, 20 °C" },
  { name = "other", label = "Cool", method = "The same, in the cellar" },
]
"""
JARS = b"""\
batch,variant,produce_g,water_g,salt_g,acid,acid_g,sugar_g,temperature_c
1,plain,600,600,30,,,,20
2,other,600,600,30,,,,12
"""


def made(trial=TRIAL, jars=JARS):
    return parse_trial(trial), *build_log(parse_trial(trial), read_table(jars, "batches.csv"))


def test_a_blank_beside_written_weights_is_none_and_said_once():
    trial, log, notes = made()
    assert [each.salt_percent for each in strengths(log)] == [pytest.approx(3000 / 1230)] * 2
    assert [note.text for note in notes] == [
        "a blank acid_g and sugar_g beside written weights is taken as none (1, 2)"
    ]
    assert isinstance(amounts(trial, log)[0], Amounts)
    assert len(recipes(trial, log, 1000)) == 2


@pytest.mark.parametrize(
    "row", [b"1,plain,,600,30,,,,20", b"1,plain,600,600,,,,,20", b"1,plain,600,600,30,vinegar,,,20"]
)
def test_a_blank_is_not_known_where_a_weight_is_blank_or_the_acid_is_named(row):
    _, log, _ = made(jars=JARS.splitlines()[0] + b"\n" + row + b"\n")
    assert strengths(log)[0].everything_g is None


@pytest.mark.parametrize(
    ("before", "after", "jar", "weight"),
    [(b"2,other,600,600,30", b"2,other,600,600,", "2 (“Cool”)", "salt"),
     (b"1,plain,600,600,30", b"1,plain,600,,30", "1 (“Plain”)", "water")],
)  # fmt: skip
def test_one_weight_that_is_missing_is_named_and_not_all_that_hangs_on_it(
    before, after, jar, weight
):
    trial, jars = parse_trial(TRIAL), read_table(JARS.replace(before, after), "batches.csv")
    found, _ = make_up(trial, jars, None)
    said = [*differences_in_words(trial, found, ask=True)]
    lacks = f"the weight of {weight} is not written"
    assert said[0] == (
        f"Of {jar} {lacks}, so how strong it came out is not known. Write 0 where none went in."
    )
    assert not any("it is not written of every batch" in text for text in said)
    if weight == "water":  # of the control
        assert amounts(trial, found.log)[0].reason.startswith(f"of the control {lacks}")


def test_what_the_label_or_method_speaks_of_is_asked_about_and_not_blamed():
    trial, log, _ = made()
    (what,) = what_differs(trial, log)
    assert (what.undeclared, what.differences[0].perhaps_meant) == ((), True)
    found, _ = make_up(trial, read_table(JARS, "batches.csv"), None)
    (said,) = differences_in_words(trial, found, ask=True)
    assert said.endswith('Was this the point? Then write differs = ["temperature"] in trial.toml.')


@pytest.mark.parametrize(
    ("method", "label", "meant"),
    [
        ("at 12 °C", "Other", True),
        ("with a leaf", "Other", False),
        ("", "Other", True),
        ("120 g more", "Other", False),
        ("5 % brine, 12.5 °C", "Other", False),
    ],
)
def test_a_difference_is_perhaps_meant_where_it_is_spoken_of_or_all_there_is(method, label, meant):
    text = TRIAL.replace("The same, in the cellar", method).replace("Cool", label)
    trial, log, _ = made(text)
    (what,) = what_differs(trial, log)
    assert what.differences[0].perhaps_meant == meant


def test_salt_that_is_the_point_is_weighed_as_it_was_made():
    trial, log, _ = made(
        TRIAL.replace("The same, in the cellar", "More salt").replace("Cool", "Other"),
        JARS.replace(b"30,,,,12", b"42,,,,20"),
    )
    plain, other = recipes(trial, log, 1000)
    assert other.grams["salt_g"] > 1.3 * plain.grams["salt_g"]


def test_what_is_perhaps_the_point_is_said_once_and_not_levelled():
    jars = JARS.replace(b"30,,,,12", b"42,,,,20")
    trial = parse_trial(TRIAL.replace("The same, in the cellar", "").replace("Cool", "More salt"))
    found, _ = make_up(trial, read_table(jars, "batches.csv"), None)
    said = batches_table(trial, found)
    assert said.count("the point") == 1
    for levelling in ("is meant to differ", "weigh", "To match"):
        assert levelling not in said
