"""The functions that ``import blindspoon`` gives: lazy, typed, and what the commands print."""

from __future__ import annotations

import copy
import doctest
import json
import math
import pickle
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import blindspoon as bs
from blindspoon.stats.results import records_frame

ROOT = Path(__file__).parents[1]
CUCUMBERS = ROOT / "trials" / "allotment-cucumbers"


@pytest.fixture(scope="module")
def result():
    return bs.compare(CUCUMBERS)


def test_the_page_about_python_is_what_happens(monkeypatch):
    monkeypatch.chdir(ROOT)
    page = ROOT / "docs" / "reference" / "python.md"
    found = doctest.testfile(str(page), module_relative=False)
    assert found.attempted > 10
    assert found.failed == 0


def test_importing_brings_in_nothing_heavy():
    code = (
        "import sys, blindspoon as bs; assert 'compare' in dir(bs); "
        "print(sorted({'numpy', 'scipy', 'pandas', 'matplotlib', 'click'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_public_name_is_there_and_no_other():
    assert all(getattr(bs, name) is not None for name in bs.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'tasting'"):
        bs.tasting  # noqa: B018


def test_type_checkers_see_every_public_name_and_no_mistyped_one(monkeypatch):
    monkeypatch.setattr("typing.TYPE_CHECKING", True)
    seen = runpy.run_path(bs.__file__)
    assert {name for name in seen if name[0] != "_"} == {*bs.__all__, "TYPE_CHECKING"}
    assert "__getattr__" not in seen  # by which any name would be there


def test_the_scores_are_one_row_a_cup_with_the_types_that_are_promised():
    scores = bs.read(CUCUMBERS).scores
    assert len(scores) == 119  # one cup of 120 has no score at all
    assert scores["position"].dtype == "Int64"
    assert scores["texture"].dtype == float
    assert scores["variant"].nunique() == 5


def test_a_question_of_sets_shows_its_verdict_too():
    assert repr(bs.compare(ROOT / "trials" / "two-salts")).count("\n  choice, ") > 0


@pytest.mark.parametrize("trial", ["allotment-cucumbers", "two-salts", "carrot-days"])
def test_sentences_for_scripts_have_plain_spaces(trial, blindspoon):
    folder = ROOT / "trials" / trial
    assert "\N{NO-BREAK SPACE}" not in json.dumps(
        bs.compare(folder).to_record(), ensure_ascii=False
    )
    assert "\N{NO-BREAK SPACE}" not in blindspoon("check", folder, "--json").stdout
    assert "\N{NO-BREAK SPACE}" not in bs.check(folder).to_frame().to_csv()


def test_a_frame_has_the_numbers_of_the_command(result):
    frame, printed = result.to_frame(), result.to_record()["comparisons"]
    assert frame["mixed_p_adjusted"].tolist() == [each["mixed"]["p_adjusted"] for each in printed]
    lows = [each["ranks"]["interval"][0] for each in printed]
    assert frame["ranks_interval_low"].tolist() == lows


def test_a_comparison_is_found_by_its_names(result):
    found = result["texture", "calcium"]
    assert (found.attribute.name, found.variant.name) == ("texture", "calcium")
    assert found.verdict == "different"
    with pytest.raises(KeyError, match=r"oak.*old-brine"):
        result["texture", "oak"]


def compared(folder, cups):
    """Three jars, of which some were scored."""
    jars = "".join(f'[[variant]]\nname = "{name}"\n' for name in ("plain", "leaf", "cool"))
    (folder / "trial.toml").write_text(
        '[trial]\ntitle = "Crisp"\ncontrol = "plain"\n[decision]\nmargin = 1\n'
        f'[scale]\nlow = 0\nhigh = 10\n[[attribute]]\nname = "texture"\n{jars}'
    )
    rows = "".join(f"T{t},{jar},{score}\n" for jar, scores in cups.items() for t, score in scores)
    (folder / "scores.csv").write_text(f"taster,variant,texture\n{rows}")
    return bs.compare(folder)


def test_a_variant_that_nobody_scored_is_shown_with_the_reason(tmp_path):
    found = compared(tmp_path, {"plain": enumerate("345678"), "leaf": enumerate("648769")})
    assert repr(found).endswith("texture, cool: not compared")
    with pytest.raises(KeyError, match="Nobody scored this variant"):
        found["texture", "cool"]


def test_columns_are_the_same_whatever_was_found(result, tmp_path):
    agreed = compared(tmp_path, {"plain": enumerate("345678"), "leaf": enumerate("456789")})
    assert isinstance(agreed["texture", "leaf"].mixed, bs.NoResult)
    frame = agreed.to_frame()
    there = [name for name in frame if not name.endswith("_reason")]
    assert there == result.to_frame().columns.to_list()
    assert frame["mixed_difference"].dtype == float
    assert not frame["mixed_reason"].isna().any()
    alone = compared(tmp_path, {"plain": enumerate("345678")})
    assert alone.to_frame().columns.to_list() == there
    assert bs.read(tmp_path).scores["batch"].dtype == bs.read(CUCUMBERS).scores["batch"].dtype


def test_of_two_kitchens_each_stands_in_a_list_as_of_three():
    """A list of two kitchens is no interval."""
    record = {"kitchens": [{"kitchen": "mill"}, {"kitchen": "oak"}], "interval": [None, 1.0]}
    (row,) = records_frame([record]).to_dict("records")
    assert row == {"kitchens": record["kitchens"], "interval_low": None, "interval_high": 1.0}


def test_a_notebook_shows_a_few_lines_and_not_every_number(result):
    lines = repr(result).splitlines()
    assert lines[0] == "Compared('allotment-cucumbers')"
    assert "  texture, vine-leaf: alike" in lines
    assert len(lines) == 1 + len(result.comparisons)


def test_problems_notes_and_cautions_are_rows(tmp_path):
    shutil.copytree(CUCUMBERS, tmp_path / "spoilt")
    file = tmp_path / "spoilt" / "scores.csv"
    file.write_text(file.read_text("utf-8").replace(",6,", ",66,", 1), encoding="utf-8")
    found = bs.check(tmp_path / "spoilt").to_frame()
    assert set(found["kind"]) == {"problem", "note", "caution"}
    (problem,) = found[found["kind"] == "problem"].to_dict("records")
    assert "off the scale" in problem["text"]
    assert (found["line"].dtype, problem["line"]) == ("Int64", 3)
    with pytest.raises(bs.TrialError, match="off the scale"):
        bs.read(tmp_path / "spoilt")


def test_a_drawn_blind_is_a_frame_with_every_cup(tmp_path):
    shutil.copy(CUCUMBERS / "trial.toml", tmp_path)
    plan = bs.blind(tmp_path)
    cups = plan.to_frame()
    assert len(cups) == len(plan.servings)
    assert cups.groupby(["session", "taster"])["variant"].nunique().eq(5).all()
    assert (tmp_path / "key.csv").exists()
    assert not [code for code in cups["code"] if f"'{code}'" in repr(plan)]


def test_a_gap_has_its_cause_in_words(tmp_path):
    shutil.copy(CUCUMBERS / "trial.toml", tmp_path)
    bs.blind(tmp_path)
    assert not bs.check(tmp_path).problems
    cups = pd.read_csv(tmp_path / "servings.csv", dtype=str)
    cups = cups.drop(columns="position").assign(saltiness=4, sourness=4, ferment=4, texture=4)
    cups.iloc[:-1].to_csv(tmp_path / "scores.csv", index=False)
    (gap,) = (note for note in bs.check(tmp_path).notes if note.gap)
    assert gap.cause == "was never scored, session 2"


def test_sizes_are_rows_a_panel_and_procedure():
    frame = bs.size(CUCUMBERS, tasters=[4, 8], sessions=1, trials=100).to_frame()
    assert set(frame["procedure"]) == {"mixed", "ranks"}
    assert frame["smallest_seen"].isna().any()


def test_the_page_and_the_pack_are_written_where_they_say(tmp_path):
    salts = ROOT / "trials" / "two-salts"
    page = bs.report(salts, tmp_path / "reports")
    assert page.read_bytes().lower().startswith(b"<!doctype html>")
    written = bs.publish(salts, tmp_path / "published")
    assert (written.folder / "index.html").exists()
    assert written.zipped.exists()
    assert callable(bs.report)  # no module of that name has taken its place


def test_what_was_written_of_a_cup_that_nobody_scored_is_not_what_tasters_said(reported):
    page = (reported[1] / CUCUMBERS.name / "index.html").read_text(encoding="utf-8")
    assert "Snaps. Closest to a fresh one." in page
    assert "spilt before I could taste it" not in page


def test_answers_to_sets_are_rows_with_the_numbers_of_the_command(result):
    found = bs.compare(ROOT / "trials" / "two-salts")
    frame, printed = found.choices_frame(), found.to_record()["choices"]
    assert frame["variant"].tolist() == [each["variant"] for each in printed]
    assert frame["can_tell_interval_low"].tolist() == [
        each["can_tell"]["interval"][0] for each in printed
    ]
    assert frame["right"].dtype == int
    with pytest.raises(KeyError, match="choices_frame"):
        found["choice", "rock-salt"]
    none, columns = result.choices_frame(), frame.columns.drop("d_prime_reason")
    assert (len(none), [*none]) == (0, [*columns])


def test_a_problem_that_was_copied_or_came_from_another_process_says_the_same():
    with pytest.raises(bs.TrialError) as raised:
        bs.read(ROOT / "tests")
    sent = pickle.loads(pickle.dumps(raised.value))  # noqa: S301 - our own
    for again in (copy.copy(raised.value), sent):
        assert type(again) is type(raised.value)
        assert (str(again), again.problems) == (str(raised.value), raised.value.problems)


def test_a_comparison_is_asked_for_by_names_and_not_in_a_loop(result):
    with pytest.raises(TypeError, match="not iterable"):
        list(result)


def test_what_was_read_is_compared_as_it_was_read(tmp_path):
    folder = Path(shutil.copytree(CUCUMBERS, tmp_path / "trial"))
    trial = bs.read(folder)
    shutil.rmtree(folder)
    assert trial.compare().to_record() == bs.compare(CUCUMBERS).to_record()


@pytest.mark.parametrize(("name", "number"), [("trials", 50), ("tasters", 2), ("sessions", 0)])
def test_a_size_that_is_too_small_is_told_by_the_name_of_its_argument(name, number):
    with pytest.raises(bs.TrialError, match=f"^{name}: .* not {number}; "):
        bs.size(CUCUMBERS, **{name: number})


def test_sizes_are_whole_numbers_from_any_sequence():
    sizes = bs.size(CUCUMBERS, tasters=np.arange(4, 6), sessions=np.int64(1), trials=100)
    assert sizes.to_frame()["tasters"].unique().tolist() == [4, 5]
    assert len(repr(sizes)) < 1500  # a notebook shows what follows, not every chance
    with pytest.raises(TypeError, match="'float' object"):
        bs.size(CUCUMBERS, tasters=[4.5])
    with pytest.raises(bs.TrialError, match="only scores are simulated"):
        bs.size(ROOT / "trials" / "two-salts")


@pytest.mark.parametrize("jar_g", [0, -5, math.nan])
def test_no_jar_holds_nothing(jar_g, tmp_path):
    with pytest.raises(ValueError, match="from 1 to 1,000,000 grams"):
        bs.publish(CUCUMBERS, tmp_path, jar_g=jar_g)
    assert not [*tmp_path.iterdir()]
