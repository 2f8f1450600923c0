"""Right and wrong verdicts are counted as such."""

from __future__ import annotations

import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.simulate.calibrate import QUESTIONS, Answer, Rate, answers, rate, tally
from blindspoon.simulate.situations import Truths
from blindspoon.stats.results import Interval, NoResult

WIDE = Interval(-9, 9)


def true(*differs):
    means = tuple(1.5 * off for off in differs)
    halves = tuple(1.0 * off for off in differs)
    return Truths(levels=(5.0, *means), differs=differs, means=means, pseudomedians=halves)


def counted(said, truth, procedure="mixed"):
    counts = tally([said], truth, procedure)
    return dict(zip(QUESTIONS, map(tuple, counts.tolist()), strict=True))


@pytest.mark.parametrize(
    ("first", "second", "alarm", "found", "alike"),
    [
        ("open", "different", 0, 1, 0),
        ("open", "slight", 0, 1, 1),
        ("open", "alike", 0, 0, 1),
        ("open", "open", 0, 0, 0),
        ("different", "open", 1, 0, 0),
        ("slight", "different", 1, 1, 0),
        ("alike", "different", 0, 1, 0),
    ],
)
def test_verdicts_of_one_that_differs_and_one_that_does_not(first, second, alarm, found, alike):
    said = {1: Answer(first, WIDE), 2: Answer(second, WIDE)}
    assert counted(said, true(False, True)) == {
        "false_alarm": (alarm, 1),
        "coverage": (1, 1),
        "found": (found, 1),
        "false_alike": (alike, 1),
    }


def test_questions_that_cannot_be_asked():
    said = {1: Answer("open", WIDE), 2: Answer("alike", WIDE)}
    none, both = counted(said, true(False, False)), counted(said, true(True, True))
    assert (none["found"][1], none["false_alike"][1]) == (0, 0)
    assert (both["false_alarm"][1], both["found"][1], both["false_alike"]) == (0, 0, (1, 1))


def test_one_interval_that_misses_is_a_miss():
    said = {1: Answer("open", WIDE), 2: Answer("open", Interval(0.5, 1.2))}
    assert counted(said, true(False, True), "mixed")["coverage"] == (0, 1)
    assert counted(said, true(False, True), "ranks")["coverage"] == (1, 1)
    said = {1: Answer("open", Interval(0.1, 1.0)), 2: Answer("open", Interval(0.5, 2.0))}
    assert counted(said, true(False, True), "mixed")["coverage"] == (0, 1)


def test_an_interval_that_ends_at_the_truth_holds_it():
    said = {1: Answer("open", Interval(0.0, 1.0)), 2: Answer("open", Interval(1.0, 1.5))}
    assert counted(said, true(False, True))["coverage"] == (1, 1)


def test_without_intervals_nothing_is_covered_and_nothing_missed():
    said = {1: Answer("open", None), 2: Answer("open", None)}
    assert counted(said, true(False, True))["coverage"] == (0, 0)


def test_what_was_not_compared_is_no_alarm_and_not_found():
    assert counted({}, true(False, True)) == {
        "false_alarm": (0, 1),
        "coverage": (0, 0),
        "found": (0, 1),
        "false_alike": (0, 1),
    }


def test_rates_and_their_errors():
    counts = tally([{1: Answer("different", WIDE)}] + [{}] * 3, true(False), "mixed")
    false_alarm, coverage, found, _ = counts.tolist()
    assert rate(*false_alarm) == Rate(0.25, pytest.approx((0.25 * 0.75 / 4) ** 0.5), 4)
    assert rate(*coverage) == Rate(1.0, 0.0, 1)
    assert found == [0, 0]


@pytest.mark.parametrize("name", ["normal", "incomplete", "missing"])
def test_answers_are_the_verdicts_of_the_procedure(simulated, name):
    for trial, table in simulated(name, truth="one", tasters=6, trials=8):
        (result,) = compare_trial(trial, table)
        mixed, ranks = (answers(result, by) for by in ("mixed", "ranks"))
        for comparison in result.comparisons:
            number = trial.variants.index(comparison.variant)
            for said, kind, contrast in (
                (mixed, comparison.verdict, comparison.mixed),
                (ranks, comparison.verdict_by_other, comparison.ranks),
            ):
                assert (number in said) is not isinstance(contrast, NoResult)
                assert number not in said or said[number] == Answer(kind, contrast.interval)
