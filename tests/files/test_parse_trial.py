"""trial.toml read to a Trial, and everything that can be wrong with it."""

from __future__ import annotations

import datetime
import re
import subprocess
import sys

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from blindspoon.errors import TrialFileError
from blindspoon.files.trial_toml import parse_trial
from blindspoon.trial import Scale

LEAST = """\
trial = { title = "Crisp cucumbers", control = "plain" }
scale = { low = 0, high = 10 }
attribute = [{ name = "after_taste" }]
variant = [{ name = "plain" }, { name = "oak-leaf" }]
"""

FULL = """\
[trial]
title = "What keeps half-sour cucumbers crisp?"
question = "Which changes can tasters notice?"
product = "fermented cucumbers"
control = "plain"
host = "A. Host"
licence = "CC0-1.0"
dates = "two evenings in September"
seed = 0

[decision]
declared = 2026-09-04
primary = ["texture"]
margin = 1.0
alpha = 0.1
by = "ranks"

[scale]
low = 0
high = 10
step = 0.5

[[attribute]]
name = "texture"
label = "Crispness"
low = "soft"
high = "crisp"
less = "softer"
more = "crisper"

[[attribute]]
name = "ph_guess"
margin = 0.2
scale = { low = 3, high = 5 }

[[variant]]
name = "plain"
label = "Plain brine"
method = "3.5 % brine"

[[variant]]
name = "oak-leaf"
differs = ["leaf"]

[[session]]
name = "1"
date = 2026-09-19

[tasting]
tasters = ["T01", "Aunt Vera"]
servings = 2
codes = "per session"
cleanser = "water"
"""


def problems_of(text: str) -> list[str]:
    with pytest.raises(TrialFileError) as caught:
        parse_trial(text)
    return [str(problem) for problem in caught.value.problems]


def changed(old: str, new: str) -> str:
    assert FULL.count(old) == 1, old
    return FULL.replace(old, new)


def test_the_least_that_is_needed_has_every_default():
    trial = parse_trial(LEAST)
    assert (trial.question, trial.host, trial.sessions, trial.tasting.tasters) == ("", "", (), ())
    assert (trial.tasting.codes, trial.tasting.servings) == ("per taster", None)
    assert (trial.decision.declared, trial.decision.primary) == (None, ())
    assert (trial.decision.alpha, trial.decision.by) == (0.05, "mixed")
    assert trial.attributes[0].scale == Scale(low=0.0, high=10.0, step=0.0)
    assert trial.attributes[0].margin is None


def test_names_make_labels():
    trial = parse_trial(LEAST)
    assert trial.attributes[0].label == "After taste"
    assert trial.variants[1].label == "Oak leaf"


def test_everything_that_is_written_is_read():
    trial = parse_trial(FULL)
    assert (trial.seed, trial.dates) == (0, "two evenings in September")
    assert trial.decision.declared == datetime.date(2026, 9, 4)
    assert (trial.decision.alpha, trial.decision.by) == (0.1, "ranks")
    texture, ph = trial.attributes
    assert (texture.label, texture.less, texture.more, texture.margin) == (
        "Crispness", "softer", "crisper", 1.0,
    )  # fmt: skip
    assert (ph.scale, ph.margin) == (Scale(low=3.0, high=5.0, step=0.0), 0.2)
    assert trial.variants[1].differs == ("leaf",)
    assert trial.sessions[0].date == datetime.date(2026, 9, 19)
    assert trial.tasting.tasters == ("T01", "Aunt Vera")


@pytest.mark.parametrize(("count", "first", "last"), [(2, "T01", "T02"), (120, "T001", "T120")])
def test_a_number_of_tasters_names_them(count, first, last):
    trial = parse_trial(LEAST + f"tasting = {{ tasters = {count} }}\n")
    assert (trial.tasting.tasters[0], trial.tasting.tasters[-1]) == (first, last)
    assert len(trial.tasting.tasters) == count


def test_a_missing_seed_is_made_from_the_title():
    seed = parse_trial(LEAST).seed
    assert seed == 0x50827F6A  # the first four bytes of the SHA-256 of "Crisp cucumbers"
    assert parse_trial(LEAST.replace("Crisp", "Soft")).seed != seed


def test_a_margin_of_its_own_counts_without_a_decision():
    rule = FULL[FULL.index("[decision]") : FULL.index("[scale]")]
    trial = parse_trial(FULL.replace(rule, ""))
    assert [attribute.margin for attribute in trial.attributes] == [None, 0.2]


def test_like_the_control_needs_a_margin():
    with pytest.raises(TrialFileError, match=r"course.attribute: after_taste has no margin"):
        parse_trial(LEAST + "course = {}\n")


def test_what_is_kept_is_what_was_reached():
    trial = parse_trial(LEAST + "course = { reach = 6, keep = true }\n")
    assert (trial.course.reach, trial.course.keep, trial.course.level) == (6.0, 6.0, 6.0)
    trial = parse_trial(LEAST + "course = { keep = 6 }\n")
    assert (trial.course.reach, trial.course.keep, trial.course.level) == (None, 6.0, 6.0)


def test_a_byte_order_mark_is_no_part_of_the_text():
    assert parse_trial(LEAST.replace("\n", "\r\n")) == parse_trial(LEAST)


SEQUENTIAL = "[choice]\nrule = 'sequential'\nmethod = "
WRONG = [
    ("[trial]\n", "[trial\n", r"line 1: this is not TOML: expected ']'"),
    ("alpha = 0.1\n", "alpha = 0.1\nalpha = 0.2\n", r"line 16: .*cannot overwrite a value"),
    ("seed = 0", "sead = 0", r'line 9, key trial.sead: .*"sead" is not known .*mean "seed"'),
    ("[tasting]", "[course]\nreach = 12\n[tasting]", r"12 is off the scale of texture; it goes"),
    ("[tasting]", "[course]\nreach = 2\nkeep = 3\n[tasting]", r"reach and keep differ; what"),
    ("[tasting]", '[course]\naccept = "texture"\n[tasting]', r'key course.accept: "texture"; '),
    ("[tasting]", '[course]\nattribute = "x"\n[tasting]', r'course.attribute: "x" is not known'),
    ("[tasting]", '[course]\nside = "at least"\n[tasting]', r"side stands without a number"),
    ("servings = 2", 'servings = 2\n[[variant]]\nname = "ash"\nseries = "x"', r"ash has a series;"),
    ("[tasting]", '[choice]\nmethod = "paired"\n[tasting]', r"paired has no attribute; it asks"),
    ("[tasting]", '[choice]\nmethod = "tetrad"\nexpect = "more"\n[tasting]', r"expect stands with"),
    ("[tasting]", f"{SEQUENTIAL}'triangle'\n[tasting]", r"there is no number of tests; the seq"),
    ("[tasting]", f"{SEQUENTIAL}'a-not-a'\n[tasting]", r"a-not-a is sequential; it needs"),
    ("servings = 2", 'servings = 2\n[choice]\nmethod = "a-not-a"\n[[variant]]\nname = "ash"',
     r"3 variants; a-not-a holds one against the control"),
    ("[tasting]", '[publish]\naddress = "home"\n[tasting]', r'"home"; an address begins with'),
    ("[tasting]", "[tastings]", r'key tastings: .*did you mean "tasting"'),
    ("more = ", "moer = ", r'line 29, key attribute\[1\].moer: .*did you mean "more"'),
    ("step = 0.5", "step = 0.5\nsteps = 3", r"line 22, key scale.steps: .*keys here are low, high"),
    ("servings = 2", "serving = 2", r'key tasting.serving: .*did you mean "servings"'),
    ("title = ", "titel = ", r"key trial.title: trial has no title; title is required"),
    ('"What keeps half-sour cucumbers crisp?"', '" "', "title is blank; a text is needed"),
    ('"What keeps half-sour cucumbers crisp?"', "7", "7 is a whole number; a text is needed"),
    ('"A. Host"', '"a\\u0007b"', r'"a\\x07b"; a text has no control characters'),
    ('control = "plain"\n', "", r"key trial.control: trial has no control"),
    ('control = "plain"', 'control = "plane"', r'"plane" is not known \(did you mean "plain"\?\)'),
    ('["texture"]', '["tecture"]', r'key decision.primary: "tecture" is not known \(did you mean'),
    ('["texture"]', '["texture", "texture"]', r'"texture" stands 2 times; every name stands once'),
    ('["texture"]', '"texture"', r'"texture" is a text; a list of texts is needed. .*brackets'),
    ('["texture"]', "[1]", r"1 is a whole number; a list of texts is needed"),
    ("margin = 1.0", "margin = 1,5  # points", r"line 14: 1,5 has a comma in place of the point"),
    ("margin = 1.0", "margin = 0", r"line 14, key decision.margin: margin is 0; it is a number"),
    ("margin = 1.0", "margin = -1", r"margin is -1; it is a number above 0"),
    ("margin = 1.0", 'margin = "1"', r'"1" is a text; a number is needed. Write it without quotes'),
    ("margin = 1.0", "margin = nan", r"margin is a number beyond all bounds; it is a number above"),
    ("margin = 0.2", "margin = inf", r"key attribute\[2\].margin: margin is a number beyond"),
    ("margin = 0.2", "margin = true", r"true is true or false; a number is needed"),
    ("alpha = 0.1", "alpha = 0", r"alpha is 0; alpha lies between 0 and 0.5"),
    ("alpha = 0.1", "alpha = 0.5", r"alpha is 0.5; alpha lies between 0 and 0.5"),
    ('"ranks"', '"rank"', r'"rank" \(did you mean "ranks"\?\); it is one of "mixed", "ranks"'),
    ("2026-09-04", '"2026-09-04"', r'"2026-09-04" is a text; a date is needed. .*without quotes'),
    ("2026-09-04", "2026-09-04T10:00:00", r"is a date with a time; a date is needed"),
    ("2026-09-04", "2026-02-30", r"line 12: this is not TOML: invalid date"),
    ("seed = 0", "seed = -1", r"seed is -1; a seed is a whole number from 0"),
    ("seed = 0", "seed = 1.5", r"1.5 is a number; a whole number is needed"),
    ("[scale]\nlow = 0\nhigh = 10", "[scale]\nlow = 10\nhigh = 10", r"key scale: low is 10"),
    ("[scale]\nlow = 0\n", "[scale]\n", r"key scale.low: scale has no low"),
    ("[scale]\nlow = 0\nhigh = 10\nstep = 0.5\n", "", r"attribute\[1\].scale: .*has no scale"),
    ("step = 0.5", "step = 0.3", r"line 21, key scale.step: step 0.3 does not divide 0 to 10"),
    ("step = 0.5", "step = 20", r"step 20 does not divide 0 to 10"),
    ("step = 0.5", "step = -1", r"step is -1; a step is 0 \(any number\) or above"),
    ("low = 3, high = 5", "low = 5, high = 3", r"line 34, key attribute\[2\].scale: low is 5 and"),
    ('"ph_guess"', '"pH"', r'attribute\[2\].name: the name is "pH"; it begins with a lower-case'),
    ('"ph_guess"', '"code"', r"code is a column of its own; an attribute has another name"),
    ('"ph_guess"', '"texture"', r'attribute\[2\].name: "texture" stands above already'),
    ('name = "oak-leaf"', 'name = "Oak leaf"', r'variant\[2\].name: the name is "Oak leaf"'),
    ('name = "oak-leaf"', 'name = "plain"', r'variant\[2\].name: "plain" stands above already'),
    ('name = "oak-leaf"\n', "", r"variant\[2\] has no name; name is required"),
    ('[[variant]]\nname = "oak-leaf"\ndiffers = ["leaf"]\n', "", r"1 \[\[variant\]\]; 2 or more"),
    ('[[session]]\nname = "1"', '[[session]]\nname = "Day 1"', r"session\[1\].name: the name is"),
    ("[[session]]", "[session]", r"the value is a table; a list of tables is needed. Write \[\["),
    ("2026-09-19", '"19.9."', r"key session\[1\].date: \"19.9.\" is a text; a date is needed"),
    ('["T01", "Aunt Vera"]', "0", r"tasters is 0; a number of tasters is 1 to 9999"),
    ('["T01", "Aunt Vera"]', '["T01", "T01"]', r'"T01" stands 2 times; every name stands once'),
    ('["T01", "Aunt Vera"]', '["T01", ""]', r'key tasting.tasters: ""; 1 to 80 characters'),
    ("servings = 2", "servings = 0", r"servings is 0; a taster gets 1 to 999 cups"),
    ('"per session"', '"per cup"', r'"per cup".*it is one of "per taster", "per session"'),
    ("[decision]", "[[decision]]", r"the value is a list; a table is needed"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), WRONG)
def test_what_is_wrong_is_said_with_its_place(old, new, message):
    problems = problems_of(changed(old, new))
    assert any(re.search(message, problem) for problem in problems), problems
    assert all(problem.startswith("trial.toml") for problem in problems)


def test_all_problems_are_said_at_once_by_line():
    text = FULL.replace("margin = 1.0", "margin = 0").replace("step = 0.5", "step = 0.3")
    lines = [int(re.search(r"line (\d+)", problem)[1]) for problem in problems_of(text)]
    assert lines == [14, 21]


@pytest.mark.parametrize(
    "text", ["", "\0", "a = " + "[" * 5000, "a = " + "9" * 5000, "a = 0x" + "f" * 5000]
)
def test_odd_texts_are_problems(text):
    assert problems_of(text)


TOML_VALUE = st.sampled_from(
    ["1", "-1", "0", "1e400", "nan", "-inf", "true", '"x"', '""', "[]", "[[]]", "{}", "[1, 'a']",
     "2026-09-04", "07:32:00", "2026-09-04 07:32:00", "[{ name = 'a' }]", "9999999999999999999999"]
)  # fmt: skip


@given(st.integers(0, FULL.count(" = ") - 1), TOML_VALUE)
@example(8, "0xffffffffffffffffffffffffffffffffffffffffffffffffffff")
def test_any_value_at_any_key_is_a_trial_or_problems(place, value):
    lines = FULL.split("\n")
    keys = [number for number, line in enumerate(lines) if " = " in line]
    number = keys[place % len(keys)]
    lines[number] = f"{lines[number].partition(' = ')[0]} = {value}"
    try:
        parse_trial("\n".join(lines))
    except TrialFileError as error:
        for problem in error.problems:
            assert problem.found
            assert problem.line is None or 1 <= problem.line <= len(lines)


@given(st.text(max_size=200))
def test_any_text_is_a_trial_or_problems(text):
    with pytest.raises(TrialFileError):
        parse_trial(text)


def test_importing_the_trial_loads_no_tables():
    code = (
        "import sys, blindspoon.errors, blindspoon.trial\n"
        "assert not {'pandas', 'numpy', 'scipy'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_evening_has_its_keys():
    lines = "\n[tasting]\ncontrols = 2\nwarm_up = true\nportion_g = 12.5\nallergens = 'garlic'\n"
    tasting = parse_trial(LEAST + lines).tasting
    assert (tasting.controls, tasting.warm_up, tasting.portion_g) == (2, True, 12.5)
    assert (tasting.allergens, tasting.consent, tasting.rest) == ("garlic", "", "about a minute")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("controls = 3", "once or twice"),
        ("warm_up = 'yes'", "true or false"),
        ("portion_g = 0", "above 0"),
    ],
)
def test_the_evening_is_checked(line, words):
    with pytest.raises(TrialFileError, match=words):
        parse_trial(f"{LEAST}\n[tasting]\n{line}\n")
