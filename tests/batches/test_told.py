"""What was made, as check, batches and the report tell it."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from blindspoon.analysis import analyse
from tests.conftest import spoil

ROOT = Path(__file__).parents[2]
CUCUMBERS = ROOT / "trials" / "allotment-cucumbers"


@pytest.fixture
def cucumbers(tmp_path):
    return Path(shutil.copytree(CUCUMBERS, tmp_path / "cucumbers"))


def because(folder, variant):
    return next(
        found.because
        for found in analyse(folder).comparisons
        if (found.attribute.name, found.variant.name) == ("texture", variant)
    )


def test_the_table_of_strengths_fits_80_columns(blindspoon):
    done = blindspoon("batches", CUCUMBERS)
    assert done.returncode == 0
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert re.search(r"jar 1 \(plain\) +2\.27 +5\.00", done.stdout)


def test_strengths_as_json(blindspoon):
    found = json.loads(blindspoon("batches", CUCUMBERS, "--json").stdout)
    assert set(found) == {"strengths", "amounts", "differs", "cautions"}
    jar = found["strengths"][0]
    assert jar["salt_percent"] == pytest.approx(100 * 27 / (620 + 540 + 27))
    assert jar["last_ph"] == 3.6


def test_a_verdict_is_softened_by_what_else_differed(cucumbers):
    assert "it was also 3\xa0°C cooler, which may be the reason" in because(cucumbers, "calcium")
    spoil(cucumbers / "trial.toml", '["calcium_g"]', '["calcium_g", "temperature_c"]')
    assert "cooler" not in because(cucumbers, "calcium")


def test_without_batches_nothing_is_softened(blindspoon, cucumbers):
    (cucumbers / "batches.csv").unlink()
    (cucumbers / "readings.csv").unlink()
    assert "cooler" not in because(cucumbers, "calcium")
    assert blindspoon("batches", cucumbers).returncode == 1


@pytest.fixture
def report(reported):
    """The folder of the report, and its page as one line."""
    folder = reported[1] / "allotment-cucumbers"
    return folder, re.sub(r"\s+", " ", (folder / "index.html").read_text(encoding="utf-8"))


def test_the_report_tells_what_else_differed(report):
    _, text = report
    assert "One catch: the calcium jar was also 3 °C cooler." in text
    assert "What was made, as weighed and measured" in text
    assert "closed jar or bottle that ferments builds up pressure" in text


@pytest.mark.parametrize(
    ("file", "before", "after", "words"),
    [
        ("batches.csv", "620,540,27.0", "-620,540,27.0", "batches.csv line 2"),
        ("batches.csv", "620,540,27.0", "620,540,2700", "batches.csv line 2"),
        ("readings.csv", "jar 1,2026-09-18,3.6", "jar 1,2026-09-18,46", "readings.csv line 5"),
        ("key.csv", "jar 1", "jar 9", "jar 9"),
    ],
)
def test_what_cannot_be_is_named_with_its_line(blindspoon, cucumbers, file, before, after, words):
    spoil(cucumbers / file, before, after)
    done = blindspoon("check", cucumbers)
    assert done.returncode == 1
    assert words in done.stdout


def test_a_caution_blocks_nothing(blindspoon, cucumbers):
    spoil(cucumbers / "readings.csv", "jar 1,2026-09-18,3.6", "jar 1,2026-09-18,4.9")
    done = blindspoon("check", cucumbers)
    assert done.returncode == 0
    assert "caution: jar 1: the last pH before the first cup is above 4.6" in done.stdout
    assert blindspoon("compare", cucumbers).returncode == 0


def test_the_report_shows_readings_and_what_was_tasted_against_them(report):
    _, text = report
    assert "Every jar was last read at pH 4.6 or below" in text
    assert "“Calcium” had about the control’s pH (3.7, the control 3.6), yet was less sour" in text


def test_days_between_sessions_count_where_a_jar_went_on_fermenting(blindspoon, cucumbers):
    said = "Between the first and the last session lie 3 days, and jar 2 went on fermenting"
    spoil(cucumbers / "trial.toml", "2026-09-20", "2026-09-22")
    assert said not in blindspoon("batches", cucumbers).stdout.replace("\n    ", " ")
    spoil(cucumbers / "batches.csv", "2026-08-29,2026-09-19", "2026-08-29,")
    told = " ".join(blindspoon("check", cucumbers).stdout.split())
    assert said in told
