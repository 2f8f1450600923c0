"""The calibration that is published with the tool: whole, held, and still what the code gives."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from blindspoon.files.text_table import write_csv
from tests.calibration import calibrate, course_rates
from tests.calibration.calibrate import COLUMNS, LIMIT, SEED, is_beyond, pooled, summary
from tests.calibration.situations import SITUATIONS

DOCS = Path(__file__).parents[2] / "docs/explanation"
CSV = DOCS / "calibration.csv"


def wrong(cell):
    return 1 - cell.rate.value if cell.question == "coverage" else cell.rate.value


def panel(cell):
    return cell.situation, cell.variants, cell.tasters, cell.truth


@pytest.fixture(scope="module")
def text():
    return CSV.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def every(text, from_csv):
    return from_csv(text)


@pytest.fixture(scope="module")
def cells(every):
    return [cell for cell in every if cell.situation not in course_rates.NAMES]


@pytest.fixture(scope="module")
def courses(every):
    return [cell for cell in every if cell.situation in course_rates.NAMES]


def test_it_says_how_it_was_made(text):
    rows = list(csv.DictReader(text.splitlines()))
    page = (DOCS / "calibration.md").read_text(encoding="utf-8")
    for date, version, seed in {(row["date"], row["blindspoon"], row["seed"]) for row in rows}:
        assert seed == str(SEED)
        assert f"Blindspoon {version}, {date}, seed {seed}" in page


def told(counted):
    """The rows of a summary's table, with what each situation is, and how many are beyond."""
    lines = [line for line in summary(counted).splitlines() if line and "---" not in line]
    says = {known.name: known.says for known in (*SITUATIONS, *course_rates.COURSES)}
    rows = [line.strip("| ").split(" | ") for line in lines if line[0] == "|"]
    rows = [[row[0], says.get(row[0], "what it is"), *row[1:]] for row in rows]
    return rows, [" of ".join(re.findall(r"\d[\d,]*", x)) for x in lines if x.startswith("Where")]


@pytest.mark.parametrize(
    ("which", "name"), [("cells", "calibration-summary"), ("courses", "calibration-over-days")]
)
def test_the_summary_beside_the_page_is_made_of_the_csv(which, name, request):
    path = DOCS / f"{name}.csv"
    rows, beyond = told(request.getfixturevalue(which))
    if request.config.getoption("--renew"):
        path.write_text(write_csv(rows), encoding="utf-8")
    assert path.read_text(encoding="utf-8") == write_csv(rows)
    page = (DOCS / "calibration.md").read_text(encoding="utf-8")
    assert len(beyond) == 2
    assert [count for count in beyond if f" {count}" not in page] == []


def test_the_whole_grid_is_there(cells):
    panels = {(cell.situation, cell.variants, cell.tasters, cell.procedure) for cell in cells}
    assert panels == {
        (situation.name, variants, tasters, by)
        for situation in SITUATIONS
        for variants in calibrate.VARIANTS
        for tasters in calibrate.TASTERS
        for by in situation.by
    }


def test_every_shown_question_is_there(cells):
    """Where no trial has an interval, as with four tasters by ranks, there is no coverage."""
    asked = {(cell.question, cell.truth) for cell in cells}
    assert asked >= {(question, truth) for _, question, truth in COLUMNS}


def test_monte_carlo_errors_are_those_of_the_shares(cells):
    for cell in cells:
        share = cell.rate.value
        error = (share * (1 - share) / cell.rate.trials) ** 0.5
        assert cell.rate.se == pytest.approx(error, abs=0.0012), cell


def test_limits_hold_where_assumptions_do(cells):
    held = [cell for cell in cells if cell.assumed and cell.question != "found"]
    beyond = [cell for cell in held if cell.beyond]
    assert len(held) > 900
    assert len(beyond) <= 0.03 * len(held), beyond
    trials = Counter()  # those without an interval exclude nothing, so they are right
    for cell in cells:
        trials[panel(cell)] = max(trials[panel(cell)], cell.rate.trials)
    for cell in held:
        every = trials[panel(cell)] if cell.question == "coverage" else cell.rate.trials
        noise = (LIMIT * (1 - LIMIT) / every) ** 0.5
        assert wrong(cell) * cell.rate.trials / every <= LIMIT + 4 * noise, cell


@pytest.mark.parametrize("question", ["false_alarm", "coverage", "false_alike"])
@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda each: each.name)
def test_limits_hold_over_the_panels_together(cells, situation, question):
    mine = [
        c for c in cells if (c.situation, c.question, c.assumed) == (situation.name, question, True)
    ]
    for by, truth in {(cell.procedure, cell.truth) for cell in mine}:
        rates = [cell.rate for cell in mine if (cell.procedure, cell.truth) == (by, truth)]
        assert not is_beyond(question, pooled(rates)), (by, truth)


def test_a_broken_assumption_shows(cells):
    rates = [
        cell.rate
        for cell in cells
        if (cell.situation, cell.procedure) == ("wide-control", "mixed")
        and cell.question == "false_alarm"
    ]
    assert pooled(rates).value > 0.07


def test_larger_panels_find_more(cells):
    for situation in SITUATIONS:
        for by in situation.by:
            found = {
                cell.tasters: cell.rate.value
                for cell in cells
                if cell.question == "found"
                and (cell.situation, cell.procedure, cell.variants) == (situation.name, by, 4)
            }
            assert found[4] < found[12] < found[24]


def recomputed(name, tasters, truth, trials, seed=SEED):
    """The first trials of a published cell: its own draws, through the code of today."""
    situation = next(known for known in SITUATIONS if known.name == name)
    panel = course_rates.Cell(situation=situation, variants=4, tasters=tasters, truth=truth)
    starts = range(0, trials, calibrate.CHUNK)
    chunks = [
        calibrate.count_chunk(seed, panel, at, min(calibrate.CHUNK, trials - at)) for at in starts
    ]
    counts = course_rates.summed(pair for chunk in chunks for pair in chunk.items())
    return {asked: calibrate.rate(true, of) for asked, (true, of) in counts.items() if of}


def far_off(cells, name, tasters, truth, fresh):
    """Published rates that are further from fresh ones than chance would have them, 4 errors."""
    for cell in cells:
        if (cell.situation, cell.variants, cell.tasters, cell.truth) == (name, 4, tasters, truth):
            rate = fresh[cell.procedure, cell.question]
            share = np.clip(cell.rate.value, 0.02, 0.98)
            if abs(rate.value - cell.rate.value) > 4 * np.sqrt(share * (1 - share) / rate.trials):
                yield cell


@pytest.mark.parametrize(
    ("name", "tasters", "truth"),
    [("normal", 12, "none"), ("normal", 12, "one"), ("five-points", 8, "all")],
)
def test_trials_of_today_are_judged_as_those_that_were_published(cells, name, tasters, truth):
    fresh = recomputed(name, tasters, truth, 40)
    assert list(far_off(cells, name, tasters, truth, fresh)) == []


def test_a_procedure_that_shows_too_much_would_be_seen(cells, monkeypatch):
    """The same few trials with every verdict "different" are far from what was published."""
    answers = calibrate.answers
    broken = lambda *args: {  # noqa: E731
        number: calibrate.Answer("different", said.interval)
        for number, said in answers(*args).items()
    }
    monkeypatch.setattr(calibrate, "answers", broken)
    fresh = recomputed("normal", 12, "none", 20)
    off = {cell.question for cell in far_off(cells, "normal", 12, "none", fresh)}
    assert off == {"false_alarm"}


@pytest.mark.slow
@pytest.mark.parametrize(("name", "tasters"), [("normal", 6), ("five-points", 8)])
def test_the_command_still_gives_these_numbers(cells, situation, name, tasters):
    again = calibrate.calibrate(
        trials=calibrate.TRIALS, seed=SEED, tasters=[tasters], variants=[4],
        situations=[situation(name)], n_jobs=-1,
    )  # fmt: skip
    fresh = {(cell.procedure, cell.truth, cell.question): cell.rate for cell in again.rates}
    mine = [c for c in cells if (c.situation, c.variants, c.tasters) == (name, 4, tasters)]
    assert mine
    for cell in mine:
        rate = fresh[cell.procedure, cell.truth, cell.question]
        # a verdict on the border may turn with the libraries
        assert cell.rate.value == pytest.approx(rate.value, abs=0.002), cell


def test_every_course_is_there(courses):
    panels = {(cell.situation, cell.tasters, cell.truth) for cell in courses}
    assert panels == {
        (situation.name, tasters, truth)
        for situation in course_rates.COURSES
        for tasters in course_rates.TASTERS
        for truth in (["all"] if situation.turning else ["none", "all"])
    }


@pytest.mark.parametrize("question", ["false_alarm", "coverage", "false_alike"])
def test_limits_hold_over_days(courses, question):
    mine = [cell for cell in courses if (cell.question, cell.assumed) == (question, True)]
    assert {cell.situation for cell in mine} >= {"levels-off", "overshoots"}
    for key in {(cell.situation, cell.procedure) for cell in mine}:
        rates = [cell.rate for cell in mine if (cell.situation, cell.procedure) == key]
        assert not is_beyond(question, pooled(rates)), key


def test_what_would_be_wrong_over_days_shows(courses):
    """Slopes of one jar an age as those of the method; a line through what levels off."""
    found = {(cell.situation, cell.procedure): [] for cell in courses if not cell.assumed}
    for cell in courses:
        if (key := (cell.situation, cell.procedure)) in found and cell.question == "coverage":
            found[key].append(cell.rate)
    assert found.keys() == course_rates.ASSUMING_TOO_MUCH
    assert all(is_beyond("coverage", pooled(rates)) for rates in found.values())


@pytest.mark.parametrize("situation", course_rates.COURSES, ids=lambda course: course.name)
def test_courses_of_today_are_judged_as_those_that_were_published(courses, situation):
    chunk = course_rates.course_chunk(
        SEED, course_rates.Cell(situation, situation.variants, 12, "all"), 0, 25
    )
    for cell in courses:
        if (cell.situation, cell.tasters, cell.truth) == (situation.name, 12, "all"):
            true, of = chunk.get((cell.procedure, cell.question), (0, 0))
            share = np.clip(cell.rate.value, 0.02, 0.98)
            assert abs(true - of * cell.rate.value) <= 4 * np.sqrt(share * (1 - share) * of) + 1
