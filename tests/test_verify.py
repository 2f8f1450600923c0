"""Other libraries find the same numbers, in a published folder and from the command."""

from __future__ import annotations

import copy
import importlib.util
import itertools
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blindspoon.analysis import analyse, to_record
from blindspoon.api import Compared, compare
from blindspoon.stats.sign_flips import SAMPLES
from blindspoon.verify import FLIPS, SAMPLED, recompute, unlike

ROOT = Path(__file__).parents[1]
TRIALS = sorted(path.parent.name for path in ROOT.glob("trials/*/scores.csv"))


@pytest.fixture(scope="module", params=TRIALS)
def found(request, analysis_of, record_of):
    """The scores of a trial, and what was found in it."""
    analysis = analysis_of(request.param)
    return analysis.table.to_frame(analysis.trial), record_of(request.param)


@pytest.fixture(scope="module")
def both(found):
    return recompute(*found)


def test_statsmodels_and_scipy_find_the_same(both):
    found = both.dropna(subset=["other"]).set_index("number")["difference"].abs()
    over_days = found.index.str.contains("slope|_day_")
    assert (found[over_days] < 1e-8).all()  # of differences rounded to nine decimals
    found = found[~over_days]
    assert set(found.index) | {"friedman"} == {
        "reml_criterion", "residual_sd", "difference", "se", "friedman", "shift", "p_value",
    }  # fmt: skip
    assert found["reml_criterion"].max() < 1e-6
    assert found["difference"].max() < 1e-5
    asked = both[both["number"] == "friedman"]
    assert (asked["other"].notna() | asked["remark"].str.contains("every variant of every")).all()
    assert found.loc[found.index.isin(["shift", "p_value", "friedman"])].max() < 1e-9


def test_a_standard_error_is_never_below_the_uncorrected_one(both):
    errors = both[both["number"] == "se"]
    assert len(errors)
    assert (errors["difference"] < 1e-4).all()


def test_every_comparison_is_there_with_a_number_or_a_reason(found, both):
    compared = {(each["attribute"], each["variant"]) for each in found[1]["comparisons"]}
    assert compared <= set(zip(both["attribute"], both["variant"], strict=True))
    assert (both["other"].notna() | both["remark"].str.startswith("no answer")).all()


def test_a_fault_in_our_numbers_would_be_seen(found):
    scores, record = found
    record = copy.deepcopy({name: record[name] for name in ("trial", "attributes", "comparisons")})
    record["comparisons"][0]["mixed"]["difference"] += 0.01
    record["attributes"] = record["attributes"][:1]  # that of the comparison
    table = recompute(scores, record)
    assert table.loc[table["number"] == "difference", "difference"].abs().max() > 0.009


def test_one_taster_alone_has_no_other_opinion_over_rounds():
    record = {
        "trial": {"unit": "round", "control": "plain"},
        "attributes": [{"attribute": "texture", "mixed": None, "friedman": None}],
        "comparisons": [
            {
                "attribute": "texture",
                "variant": "leaf",
                "mixed": None,
                "ranks": {"shift": 1.0, "p_value": 0.25},
            }
        ],
    }
    cups = [(str(r), "Ana", v, p + r) for r in range(3) for p, v in enumerate(("plain", "leaf"))]
    scores = pd.DataFrame(cups, columns=["session", "taster", "variant", "texture"])
    shift, p_value = recompute(scores, record).to_dict("records")
    assert shift["difference"] == 0
    assert p_value["remark"].startswith("no answer: scipy has no test over the rounds")


def scored(folder, moved, tasters):
    """A trial in which some tasters, by their numbers, find a variant other than the control."""
    rng = np.random.default_rng(5)
    rows = [
        (f"T{taster:02}", variant, 5 + (rng.choice([-1, 1, 2]) if taster in moved[variant] else 0))
        for taster, variant in itertools.product(range(tasters), moved)
    ]
    named = [("attribute", "texture"), *(("variant", variant) for variant in moved)]
    head = '[trial]\ntitle = "Crisp"\ncontrol = "plain"\nseed = 7\n[scale]\nlow = 0\nhigh = 10\n'
    tables = "".join(f'[[{kind}]]\nname = "{name}"\n' for kind, name in named)
    (folder / "trial.toml").write_text(head + tables, "utf-8")
    table = pd.DataFrame(rows, columns=["taster", "variant", "texture"])
    table.to_csv(folder / "scores.csv", index=False)
    analysis = analyse(folder)
    return analysis.table.to_frame(analysis.trial), to_record(analysis)


def test_one_difference_other_than_zero_has_its_p_value_too(tmp_path):
    found = recompute(*scored(tmp_path, {"plain": (), "oak-leaf": [1]}, tasters=3))
    assert found.set_index("number").loc["p_value", ["blindspoon", "other"]].tolist() == [1, 1]


def test_slopes_that_all_agree_have_no_other_p_value(analysis_of, record_of):
    found = analysis_of("carrot-days")
    scores = found.table.to_frame(found.trial)
    days = scores["variant"].str.removeprefix("days-").replace("usual", "0")
    scores["sourness"] = days.astype(float) / 7
    table = recompute(scores, record_of("carrot-days"))
    slope = table[(table["number"] == "p_slope") & (table["attribute"] == "sourness")].iloc[0]
    assert slope["remark"] == "no answer: all tasters agree exactly"


def test_what_was_drawn_by_chance_agrees_within_its_chance_and_no_further(tmp_path):
    moved = {"plain": (), "oak-leaf": range(14), "cool-cellar": range(10, 24)}
    assert FLIPS == SAMPLES
    found = recompute(*scored(tmp_path, moved, tasters=24))
    p_values = found["number"] == "p_value"
    assert {*found.loc[p_values, "remark"]} == {SAMPLED}
    assert found.loc[p_values, "difference"].abs().max() > 1e-4
    assert unlike(found).empty
    found.loc[p_values, "difference"] = 0.02
    found["blindspoon"] = found["other"] - found["difference"]
    assert len(unlike(found)) == 2


def test_where_the_other_optimiser_stops_short_nothing_is_called_unequal(tmp_path):
    # MixedLM by BFGS does not converge here, and by Powell ends beside the optimum.
    path = Path(__file__).parent / "reference" / "allotment_cucumbers.py"
    spec = importlib.util.spec_from_file_location("allotment_cucumbers", path)
    demo = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(demo)
    shutil.copy(Path(__file__).parents[1] / "trials/allotment-cucumbers/trial.toml", tmp_path)
    demo.write(tmp_path, seed=147)
    analysis = analyse(tmp_path)
    record = to_record(analysis)
    texture = [each for each in record["attributes"] if each["attribute"] == "texture"]
    scores = analysis.table.to_frame(analysis.trial)
    found = recompute(scores, {**record, "attributes": texture})
    assert len(found) > 10
    assert unlike(found).empty


def test_the_command_says_by_its_end_whether_the_numbers_agree(blindspoon, monkeypatch):
    trials = [ROOT / "trials" / name for name in ("two-salts", "randall-1989-wine")]
    wrong = compare(trials[0]).verify().assign(other=1.5)
    done = blindspoon("compare", *trials, "--verify")
    assert [line for line in done.stdout.splitlines() if line.endswith(":")] == [
        f"{trial}:" for trial in trials
    ]
    assert done.returncode == 0
    monkeypatch.setattr(Compared, "verify", lambda _: wrong)
    assert blindspoon("compare", trials[0], "--verify").returncode == 1
    assert blindspoon("compare", trials[0], "--verify", "--json").returncode == 2
