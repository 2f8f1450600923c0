"""Jars: named before anyone tastes, and what they cannot tell is said by then."""

from __future__ import annotations

import csv
import datetime

import pytest

from blindspoon.drawing import add_late, add_more, draw_again, draw_blind
from blindspoon.errors import DesignError
from blindspoon.examine import examine
from blindspoon.files.trial_toml import parse_trial
from blindspoon.serving.plan import all_named, foretold

TODAY = datetime.date(2026, 9, 4)
TOML = """
[trial]
title = "Crisp cucumbers"
control = "plain"
seed = 7
[decision]
by = "mixed"
[scale]
low = 0
high = 10
[[attribute]]
name = "texture"
[[variant]]
name = "plain"
[[variant]]
name = "oak"
[tasting]
tasters = ["Ada", "Ben", "Cy"]
"""
MADE = "batch,variant\njar 1,oak\njar 2,oak\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("jars")
    (place / "trial.toml").write_text(TOML, encoding="utf-8")
    (place / "batches.csv").write_text(MADE, encoding="utf-8")
    draw_blind(place, TODAY)
    return place


def keyed(folder):
    with (folder / "key.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_jar_is_named_of_every_variant_as_soon_as_one_has_two(folder):
    assert {row["batch"] for row in keyed(folder) if row["variant"] == "plain"} == {"plain 1"}
    assert examine(folder).problems == ()  # although batches.csv has no row of it


def test_a_late_taster_gets_the_named_jar_and_a_lost_key_comes_back(folder):
    add_late(folder, "Dot", TODAY)
    before = (folder / "key.csv").read_bytes()
    assert b"Dot" in before
    assert all(row["batch"] for row in keyed(folder))
    (folder / "key.csv").unlink()
    assert draw_again(folder) == ("key.csv",)
    assert (folder / "key.csv").read_bytes() == before


SETS = '[choice]\nmethod = "triangle"\n'
"""A set each in place of scores: too few for every variant in the first session."""


@pytest.mark.parametrize("sets", ["", SETS])
@pytest.mark.parametrize("seed", range(1, 7))
def test_a_key_that_is_lost_after_one_more_session_comes_back(tmp_path, seed, sets):
    more = '[[variant]]\nname = "leaf"\n[[variant]]\nname = "cool"\n[[session]]\nname = "1"\n'
    toml = TOML.replace("seed = 7", f"seed = {seed}") + sets + more
    if sets:
        toml = toml.replace('[[attribute]]\nname = "texture"\n', "").replace(', "Ben", "Cy"', "")
    (tmp_path / "trial.toml").write_text(toml, encoding="utf-8")
    made = "batch,variant\njar 1,oak\njar 2,oak\njar 3,cool\njar 4,cool\njar 5,leaf\n"
    (tmp_path / "batches.csv").write_text(made, encoding="utf-8")
    draw_blind(tmp_path, TODAY)
    (tmp_path / "trial.toml").write_text(toml + '[[session]]\nname = "2"\n', encoding="utf-8")
    add_more(tmp_path, TODAY)
    assert all(row["batch"] for row in keyed(tmp_path))
    before = (tmp_path / "key.csv").read_bytes()
    (tmp_path / "key.csv").unlink()
    assert draw_again(tmp_path) == ("key.csv",)
    assert (tmp_path / "key.csv").read_bytes() == before


def test_a_name_that_is_taken_is_not_given_again():
    jars = {"oak": ["plain 1", "oak 2"]}
    assert all_named(jars, ["plain", "oak"])["plain"] == ["plain 2"]
    assert all_named({"oak": ["jar 1"]}, ["plain", "oak"]) == {"oak": ["jar 1"]}


@pytest.mark.parametrize(
    ("by", "jars", "said"),
    [
        ("mixed", {"oak": ["1", "2"]}, "hardly ever be settled"),
        ("mixed", {"oak": ["1", "2"], "plain": ["3", "4"]}, "takes fewer tasters"),
        ("ranks", {"oak": ["1", "2"], "plain": ["3", "4"]}, "about these jars"),
        ("ranks", {"oak": ["1"]}, ""),
    ],
)
def test_what_jars_cannot_tell_is_said_before_the_tasting(by, jars, said):
    told = " ".join(foretold(parse_trial(TOML.replace('"mixed"', f'"{by}"')), jars))
    assert (said in told) if said else not told
    assert "by =" not in told  # the word of the file; pages say it too


def test_check_says_it(folder):
    notes = [note.text for note in examine(folder).notes]
    assert any("A second jar of the control would tell most." in text for text in notes)


def test_jars_and_cups_that_do_not_fit_are_told_together_before_anything_is_drawn(tmp_path):
    (tmp_path / "trial.toml").write_text(f"{TOML}servings = 40\n", encoding="utf-8")
    (tmp_path / "batches.csv").write_text(f"{MADE}jar 3,beech\n", encoding="utf-8")
    slugs = {"unknown-variant", "too-many-servings"}
    assert {problem.slug for problem in examine(tmp_path).problems} == slugs
    with pytest.raises(DesignError) as refused:
        draw_blind(tmp_path, TODAY)
    assert {problem.slug for problem in refused.value.problems} == slugs
    assert not (tmp_path / "key.csv").exists()
