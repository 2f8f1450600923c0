"""The commands as a user types them: output, messages, exit codes."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import spoil

ROOT = Path(__file__).parents[1]
CUCUMBERS = ROOT / "trials" / "allotment-cucumbers"
WINE = ROOT / "trials" / "randall-1989-wine"


@pytest.fixture
def cucumbers(tmp_path):
    """A copy of the demonstration trial that a test may spoil."""
    return Path(shutil.copytree(CUCUMBERS, tmp_path / "cucumbers"))


def test_a_sound_folder_has_no_problems(blindspoon):
    done = blindspoon("check", CUCUMBERS)
    assert done.returncode == 0
    assert "no problems, 8 notes" in done.stdout
    assert "it was also 3 °C cooler" in done.stdout
    assert "T09 in session 2 has no score" in done.stdout


def test_check_does_not_need_the_key(blindspoon, cucumbers):
    (cucumbers / "key.csv").unlink()
    assert blindspoon("check", cucumbers).returncode == 0
    done = blindspoon("compare", cucumbers)
    assert done.returncode == 1
    assert "key.csv" in done.stderr


def test_every_problem_is_listed_at_once(blindspoon, cucumbers):
    scores = cucumbers / "scores.csv"
    lines = scores.read_text(encoding="utf-8").splitlines()
    first = lines[1].split(",")
    lines[1] = ",".join([*first[:3], "11", *first[4:]])
    lines[2] = lines[2].replace(lines[2].split(",")[2], "099", 1)
    lines[3] = ",".join([*lines[3].split(",")[:3], "salty", *lines[3].split(",")[4:]])
    scores.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = blindspoon("check", cucumbers)
    assert done.returncode == 1
    for line, words in ((2, "off the scale"), (3, "099"), (4, "salty")):
        assert any(
            f"scores.csv line {line}" in each and words in each for each in done.stdout.splitlines()
        )


def test_problems_go_to_stderr_where_there_is_no_result(blindspoon, cucumbers):
    spoil(cucumbers / "trial.toml", "control =", "contorl =")
    for verb in ("compare", "report"):
        done = blindspoon(verb, cucumbers)
        assert (done.returncode, done.stdout) == (1, "")
        assert "contorl" in done.stderr
        assert "control" in done.stderr
        assert "Traceback" not in done.stderr


def test_under_every_problem_stands_the_command_that_explains_it(blindspoon, cucumbers):
    spoil(cucumbers / "trial.toml", "control =", "contorl =")
    said = blindspoon("compare", cucumbers).stderr.splitlines()
    commands = [line.removeprefix("    more: blindspoon ") for line in said[1::2]]
    assert commands == ["explain missing-key", "explain unknown-key"]
    for command in commands:
        done = blindspoon(*command.split())
        assert done.stdout.startswith(command.removeprefix("explain "))


def test_a_missing_folder_is_a_message(blindspoon, tmp_path):
    done = blindspoon("compare", tmp_path / "nowhere")
    assert done.returncode == 1
    assert "nowhere" in done.stderr
    assert "Traceback" not in done.stderr


def test_mistyped_commands_are_usage_errors(blindspoon):
    done = blindspoon("chek", CUCUMBERS)
    assert done.returncode == 2
    assert "Did you mean 'check'?" in done.stderr


@pytest.mark.parametrize("folder", [CUCUMBERS, WINE], ids=lambda path: path.name)
def test_the_table_fits_80_columns(blindspoon, folder):
    done = blindspoon("compare", folder)
    assert done.returncode == 0
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_json_has_the_fields_of_the_contract(printed):
    assert set(printed) == {
        "trial", "attributes", "comparisons", "not_compared", "left_out",
        "panel", "influence", "together", "seal",
    }  # fmt: skip
    assert set(printed["trial"]) == {
        "title", "control", "variants", "tasters", "sessions", "unit", "alpha", "decided_by",
        "primary", "session_labels",
    }  # fmt: skip
    for each in printed["comparisons"]:
        assert {"attribute", "variant", "tasters", "servings", "mean_control", "mean_variant",
                "mixed", "ranks", "verdict", "because"} <= set(each)  # fmt: skip
        assert {"difference", "se", "df", "t", "p_value", "p_adjusted", "interval",
                "equivalence_interval"} <= set(each["mixed"])  # fmt: skip
        assert {"shift", "interval", "p_value", "p_adjusted", "smallest_p",
                "method"} <= set(each["ranks"])  # fmt: skip
    for each in printed["attributes"]:
        assert {"statistic", "df", "p_value", "tasters", "form"} <= set(each["friedman"])
        assert {"f", "df_num", "df_den", "p_value", "reml_criterion", "residual_sd", "taster_sd",
                "taster_variant_sd"} <= set(each["mixed"])  # fmt: skip
    assert [each["line"] for each in printed["left_out"]] == sorted(
        each["line"] for each in printed["left_out"]
    )


def test_the_demonstration_shows_every_verdict(printed):
    kinds = {
        (each["attribute"], each["variant"]): each["verdict"] for each in printed["comparisons"]
    }
    assert kinds["texture", "calcium"] == "different"
    assert kinds["texture", "vine-leaf"] == "alike"
    assert kinds["texture", "old-brine"] == "open"
    assert kinds["sourness", "old-brine"] == "slight"


def test_a_missing_number_has_its_reason_beside_it(printed):
    for each in printed["attributes"]:
        assert each["mixed"]["batch_sd"] is None
        assert each["mixed"]["batch_sd_reason"]


def test_the_report_says_where_it_lies_and_is_the_same_twice(reported, apart, tmp_path):
    first, to = reported
    second = apart("report", CUCUMBERS, "--to", tmp_path)
    assert first.stdout == f"Report written: {to / 'allotment-cucumbers' / 'index.html'}\n"
    assert second.returncode == 0
    files = [path for path in to.rglob("*") if path.is_file()]
    assert len(files) > 10
    for path in files:
        twin = tmp_path / path.relative_to(to)
        assert path.read_bytes() == twin.read_bytes(), path.name


@pytest.fixture
def small(tmp_path, uncoded):
    """A folder of three tasters, whose report is soon drawn."""
    folder = tmp_path / "small"
    folder.mkdir()
    for name, data in uncoded.items():
        (folder / name).write_bytes(data)
    return folder


def test_a_failed_report_leaves_the_old_one(blindspoon, small, tmp_path):
    assert blindspoon("report", small, "--to", tmp_path / "out").returncode == 0
    page = tmp_path / "out" / "small" / "index.html"
    before = page.read_bytes()
    spoil(small / "trial.toml", "control =", "contorl =")
    assert blindspoon("report", small, "--to", tmp_path / "out").returncode == 1
    assert page.read_bytes() == before


def test_a_report_never_replaces_a_folder_that_is_not_a_report(blindspoon, small):
    done = blindspoon("report", small, "--to", small.parent)
    assert done.returncode == 1
    assert "small" in done.stderr
    assert (small / "scores.csv").exists()


def test_a_report_that_cannot_be_written_is_a_message(blindspoon, small, tmp_path):
    (tmp_path / "taken").write_text("a file where the reports should go", encoding="utf-8")
    done = blindspoon("report", small, "--to", tmp_path / "taken")
    assert done.returncode in {1, 2}
    assert "taken" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_reader_of_a_pipe_may_leave():
    read, write = os.pipe()
    os.close(read)
    command = [sys.executable, "-m", "blindspoon", "explain"]
    done = subprocess.run(
        command, stdout=write, stderr=subprocess.PIPE, encoding="utf-8", check=False
    )
    os.close(write)
    assert (done.returncode, done.stderr) == (1, "")
