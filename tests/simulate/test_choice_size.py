"""How many sets a question of "can anybody tell?" needs."""

from __future__ import annotations

import csv
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blindspoon.cli.printed import sets_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.planning import hope
from blindspoon.scores.standing import too_few_sets
from blindspoon.simulate.exact_size import size_choice
from blindspoon.stats.forced_choice import boundary
from blindspoon.trial import Session, default_tasters

DATA = Path(__file__).parents[1] / "data"
pytestmark = pytest.mark.quick
NAMES = {"2-afc": "paired", "3-afc": "three-afc"}


def trial_of(method, more=""):
    if method in ("paired", "three-afc"):
        more += '\nattribute = "sourness"\nexpect = "more"'
    return parse_trial(f"""
trial = {{ title = "Two salts", control = "sea" }}
variant = [{{ name = "sea" }}, {{ name = "rock" }}]
[choice]
method = "{method}"
{more}
""")


def rows_of(method):
    with (DATA / "choice_power.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["method"] == method]


@pytest.mark.parametrize("method", ["triangle", "tetrad", "duo-trio"])
def test_power_is_that_of_the_exact_table(method):
    rows = rows_of(method)
    assert len(rows) > 20
    trial = trial_of(method)
    found = {
        row.tests: row for row in size_choice(trial, [int(row["n_tests"]) for row in rows]).rows
    }
    for row in rows:
        ours = found[int(row["n_tests"])]
        if not row["min_correct_a05"]:
            assert ours.needed is None
            continue
        assert ours.needed == int(row["min_correct_a05"])
        assert ours.true_alpha == pytest.approx(float(row["true_alpha"]), abs=5.1e-4)
        powers = [float(row[f"power_pd.{share}"]) for share in (3, 5, 7)]
        assert ours.chances == pytest.approx(powers, abs=5.1e-4)
        usable = row["usable"] == "True"
        assert ours.most == (int(row["similar_max_correct_pd.3_b05"]) if usable else None)


def test_seven_sets_beat_eight():
    said = " ".join(size_choice(trial_of("triangle", "tests = 8")).sentences)
    assert "7 sets do no worse than 8" in said
    assert "0.57 and 0.47" in said


@pytest.mark.parametrize(
    ("method", "least", "often"), [("triangle", 24, 39), ("duo-trio", 36, 68), ("paired", 36, 68)]
)
def test_alike_is_not_possible_with_few_sets(method, least, often):
    said = " ".join(size_choice(trial_of(method, 'ask = "alike"')).sentences)
    assert said.startswith("That fewer than 30")
    assert f"fewer than {least} sets; {often} show it 8 times in 10" in said


def test_where_a_thousand_sets_are_too_few_to_be_likely_none_is_named():
    first, *_ = size_choice(trial_of("triangle", 'ask = "alike"\ncan_tell = 0.05')).sentences
    assert first.endswith("fewer than 591 sets, and up to 1,000 seldom show it, if nobody can.")


def test_scores_are_advised_where_they_take_a_fraction_of_the_cups():
    assert "score it" in size_choice(trial_of("triangle")).sentences[-1]
    assert "score it" not in size_choice(trial_of("paired")).sentences[-1]


@pytest.mark.parametrize(
    ("more", "plan", "in_all", "able", "never"),
    [
        ("sets = 2", (12, 1, 1), "12 tasters in 1 session: 24 sets in all.", "24 sets: 13", False),
        ("sets = 2", (24, 2, 1), "48 sets in all, 24 a change.", "24 sets: 14", True),  # 13: .028
        ("sets = 1", (12, 1, 2), "12 tasters in 2 sessions: 24 sets in all.", "24 sets: 13", False),
        ("sets = 4\ntests = 18", (12, 1, 1), "48 sets in all.", "18 sets: 10", True),
        ("looks = [8, 16]", (16, 1, 1), "16 sets in all.", "16 sets: 10", True),  # 9: p is 0.04996
    ],
)
def test_a_plan_says_what_its_sets_can_show(more, plan, in_all, able, never):
    looks, more = ((8, 16), "") if "looks" in more else ((), more)
    trial, (tasters, changes, often) = trial_of("triangle", more), plan
    variants = [replace(trial.variants[1], name=f"v{n}") for n in range(changes)]
    said = hope(
        replace(
            trial,
            decision=replace(trial.decision, looks=looks),
            tasting=replace(trial.tasting, tasters=default_tasters(tasters)),
            variants=(trial.variants[0], *variants),
            sessions=tuple(Session(name=f"{n}", date=None) for n in range(often)),
        )
    )
    assert said.sentences[0].endswith(in_all)
    assert said.sentences[1].startswith(f"{able} right are needed")
    end = f"So {able.partition(':')[0]} can never come out as alike."
    assert (said.in_vain, end in said.sentences) == (never, never)


def test_tasters_have_their_sets_in_every_session():
    trial = trial_of("triangle", "sets = 2")
    twice = replace(trial, sessions=tuple(Session(name=name, date=None) for name in "ab"))
    assert [row.tests for row in size_choice(twice, [6, 9]).rows] == [24, 36]


def test_every_number_up_to_1000_takes_half_a_second():
    trial, start = trial_of("triangle"), time.process_time()  # other programs take none of it
    size_choice(trial, range(1, 1001))
    assert time.process_time() - start < 0.5


def test_the_command_prints_and_gives_json(blindspoon, tmp_path):
    text = (
        '[trial]\ntitle = "Two salts"\ncontrol = "sea"\n[choice]\nmethod = "triangle"\ntests = 24\n'
    )
    text += '[[variant]]\nname = "sea"\n[[variant]]\nname = "rock"\n'
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    assert "13 right are needed" in blindspoon("size", tmp_path).stdout
    found = json.loads(blindspoon("size", tmp_path, "--json").stdout)["choice"]
    assert next(row for row in found["tests"] if row["tests"] == 24)["needed"] == 13


def test_the_sequential_rule_is_promised_what_its_lines_show():
    """Drawn trials that stop at the lines, at most 40 sets, against the chances worked out."""
    more = 'rule = "sequential"\ntests = 40\ncan_tell = 0.4\nbeta = 0.1'
    sizing = size_choice(trial_of("triangle", more))
    row = next(row for row in sizing.rows if row.tests == 40)
    lines, rng = boundary(1 / 3, 0.4, 0.05, 0.1), np.random.default_rng(1)
    for share, kind, chance in (
        (0.0, "different", row.true_alpha),
        (0.0, "alike", row.chance_alike),
        (0.3, "different", row.chances[0]),
        (0.5, "different", row.chances[1]),
    ):
        right = rng.random((2000, 40)) < 1 / 3 + share * 2 / 3
        met = np.mean([lines.stops(path)[1] == kind for path in right])  # error .008 or less
        assert met == pytest.approx(chance, abs=0.03)
    assert "right are needed" not in " ".join(sizing.sentences)
    printed = sets_table(sizing)
    assert "needed" not in printed
    assert "alike to" not in printed


@pytest.mark.parametrize("method", ["triangle", "tetrad", "duo-trio", "paired", "a-not-a"])
def test_sets_that_can_show_nothing_are_told_without_working_it_out(method):
    for sets in range(1, 9):
        trial = trial_of(method, f"tests = {sets}")
        row = next(row for row in size_choice(trial).rows if row.tests == sets)
        unnamed = replace(trial, tasting=replace(trial.tasting, tasters=()))
        assert bool(too_few_sets(trial)) is bool(too_few_sets(unnamed)) is (row.needed is None)
    assert too_few_sets(trial_of("triangle", 'tests = 2\nrule = "sequential"')) == ""


def test_answers_in_words_need_about_so_many():
    said = " ".join(size_choice(trial_of("a-not-a", "tests = 40")).sentences)
    assert "40 sets: about 26 right are needed" in said
