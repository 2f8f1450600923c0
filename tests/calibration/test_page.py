"""The tables of a calibration, its CSV, and the command."""

from __future__ import annotations

import datetime
import itertools
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.calibration.calibrate import (
    HEADING,
    Calibration,
    Counted,
    Rate,
    calibrate,
    held_to_limits,
    is_beyond,
    pooled,
    summary,
    tables,
    to_csv,
)
from tests.calibration.command import main
from tests.calibration.course_rates import COURSES
from tests.calibration.situations import SITUATIONS

DAY = datetime.date(2026, 9, 5)
SMALL = ["--trials", "8", "--tasters", "6", "--only", "normal", "--jobs", "1"]


def cell(truth, procedure, situation="normal", **found):
    questions = found.items()
    return [Counted(situation, 4, 6, truth, procedure, name, rate) for name, rate in questions]


def calibration(situation="normal", **found):
    cells = [
        cell(truth, procedure, situation, **found)
        for truth in ("none", "one", "all")
        for procedure in ("mixed", "ranks")
    ]
    return Calibration(trials=2000, seed=3, rates=tuple(itertools.chain(*cells)))


def block(found):
    return tables(found.rates)


@pytest.mark.parametrize(
    ("question", "value", "trials", "beyond"),
    [  # the limit is 0.055 + 2 sqrt(0.055 * 0.945 / trials): 0.0652 of 2,000, 0.0778 of 400
        ("false_alarm", 0.065, 2000, False),
        ("false_alarm", 0.0655, 2000, True),
        ("false_alike", 0.0775, 400, False),
        ("false_alike", 0.0780, 400, True),
        ("coverage", 0.935, 2000, False),
        ("coverage", 0.9345, 2000, True),
        ("coverage", 1.0, 2000, False),
        ("found", 0.9, 2000, False),
    ],
)
def test_limits(question, value, trials, beyond):
    assert is_beyond(question, Rate(value, 0.005, trials)) is beyond


def test_a_rate_beyond_its_limit_is_bold_and_listed():
    text = block(calibration(false_alarm=Rate(0.128, 0.0075, 2000)))
    assert "| **0.128 ± 0.008** |" in text
    assert "hold, 6 of 6 rates are beyond their limit:" in text
    assert "- normal, ranks: false alarm in 3 of 3 cells, at worst 0.128 ± 0.008" in text


def test_where_assumptions_do_not_hold_it_is_said():
    found = calibration("wide-control", false_alarm=Rate(0.128, 0.0075, 2000))
    claims = {one.procedure: one.assumed for one in held_to_limits(found.rates)}
    assert claims == {"mixed": False, "ranks": True}
    text = block(found)
    assert "| wide-control | mixed model | no |" in text
    assert "do not hold, 3 of 3 rates are beyond their limit:" in text


def test_a_question_that_was_never_asked_is_a_dash():
    text = block(calibration(coverage=Rate(0.95, 0.005, 2000)))
    assert "| 4 | 6 | ranks | – | – | 0.950 ± 0.005 |" in text


def test_fewer_trials_with_an_interval_are_said():
    text = block(calibration(coverage=Rate(0.8, 0.1, 16), false_alike=Rate(0.0, 0.0, 2000)))
    assert "| 0.800 ± 0.100 of 16 |" in text.replace("**", "")


def test_a_rate_of_few_trials_is_not_called_the_worst():
    few, many = cell("none", "ranks", coverage=Rate(0.8, 0.1, 16)), cell(
        "one", "ranks", coverage=Rate(0.96, 0.005, 1000))  # fmt: skip
    text = block(Calibration(trials=2000, seed=3, rates=(*few, *many)))
    assert "| 0.957 ± 0.005 (0.960) |" in text


def test_pooled_rates_weigh_by_trials():
    rate = pooled([Rate(0.1, 0.03, 100), Rate(0.04, 0.01, 300)])
    assert (rate.value, rate.trials) == (pytest.approx(0.055), 400)
    assert rate.se == pytest.approx((0.03**2 / 16 + 0.01**2 * 9 / 16) ** 0.5)


def test_a_line_of_the_csv_says_how_its_rate_was_made():
    text = to_csv(calibration(false_alarm=Rate(0.128, 0.0075, 2000)), DAY)
    heads, first, *_ = text.splitlines()
    assert heads == ",".join(HEADING)
    assert first.startswith("2026-09-05,")
    assert first.endswith(",3,normal,4,6,none,mixed,false_alarm,0.128,0.0075,2000")


def test_the_csv_gives_every_rate_back(from_csv):
    found = calibration(false_alarm=Rate(0.128, 0.0075, 2000), coverage=Rate(0.8, 0.1, 16))
    assert from_csv(to_csv(found, DAY)) == found.rates
    assert summary(found.rates) in tables(found.rates)


@pytest.fixture(scope="module")
def command():
    """Run the command; what it simulates is simulated once, and told as often as it is run."""
    found = {}

    def once(progress, **asked):
        key = repr(asked)
        if key not in found:
            found[key] = calibrate(progress=progress, **asked)
        return found[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tests.calibration.command.calibrate", once)
        yield lambda *more: CliRunner().invoke(main, [*SMALL, *more]).stdout
    assert len(found) == 1


def test_the_command_prints_json(command):
    found = json.loads(command("--json"))
    assert (found["trials"], found["seed"], len(found["cells"])) == (8, 20260905, 12)
    assert found["cells"][0]["coverage"]["trials"] == 8


def test_the_command_writes_every_rate_and_prints_the_summary(command, from_csv, tmp_path):
    file = tmp_path / "rates.csv"
    said = command("--to", str(file))
    written = from_csv(file.read_text(encoding="utf-8"))
    assert {(one.situation, one.tasters, one.procedure) for one in written} == {
        ("normal", 6, "mixed"),
        ("normal", 6, "ranks"),
    }
    assert said == summary(written)


def test_the_command_prints_the_tables(command):
    said = command()
    assert said.startswith("### In short")
    assert "### normal" in said


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--only", "normel"], "'normel' is not one of 'normal', 'five-points'"),
        (["--tasters", "1"], "1 is not in the range x>=2"),
    ],
)
def test_what_cannot_be_simulated_is_refused(asked, said):
    refused = CliRunner().invoke(main, asked)
    assert (refused.exit_code, said in refused.stderr) == (2, True)


@pytest.mark.slow
def test_it_is_run_from_anywhere_and_names_every_situation(tmp_path):
    command = [sys.executable, Path(__file__).parent, "--help"]
    said = subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, text=True).stdout
    assert f"[{'|'.join(known.name for known in (*SITUATIONS, *COURSES))}]" in said
