"""Right and wrong verdicts are counted as such."""

from __future__ import annotations

import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.stats.results import Interval, NoResult
from tests.calibration.calibrate import QUESTIONS, Answer, Rate, answers, rate, replies
from tests.calibration.situations import Truths

WIDE = Interval(-9, 9)


def true(*differs):
    means = tuple(1.5 * off for off in differs)
    halves = tuple(1.0 * off for off in differs)
    return Truths(levels=(5.0, *means), differs=differs, means=means, pseudomedians=halves)


def told(said, truth, procedure="mixed"):
    found = replies(said, truth, procedure)
    assert tuple(found) == QUESTIONS
    return found


@pytest.mark.parametrize(
    ("first", "second", "alarm", "found", "alike"),
    [
        ("open", "different", False, True, False),
        ("open", "slight", False, True, True),
        ("open", "alike", False, False, True),
        ("open", "open", False, False, False),
        ("different", "open", True, False, False),
        ("slight", "different", True, True, False),
        ("alike", "different", False, True, False),
    ],
)
def test_verdicts_of_one_that_differs_and_one_that_does_not(first, second, alarm, found, alike):
    said = {1: Answer(first, WIDE), 2: Answer(second, WIDE)}
    expected = {"false_alarm": alarm, "coverage": True, "found": found, "false_alike": alike}
    assert told(said, true(False, True)) == expected


def test_questions_that_cannot_be_asked():
    said = {1: Answer("open", WIDE), 2: Answer("alike", WIDE)}
    none, both = told(said, true(False, False)), told(said, true(True, True))
    assert (none["found"], none["false_alike"]) == (None, None)
    assert (both["false_alarm"], both["found"], both["false_alike"]) == (None, None, True)


def test_one_interval_that_misses_is_a_miss():
    said = {1: Answer("open", WIDE), 2: Answer("open", Interval(0.5, 1.2))}
    assert told(said, true(False, True), "mixed")["coverage"] is False
    assert told(said, true(False, True), "ranks")["coverage"] is True
    said = {1: Answer("open", Interval(0.1, 1.0)), 2: Answer("open", Interval(0.5, 2.0))}
    assert told(said, true(False, True), "mixed")["coverage"] is False


def test_an_interval_that_ends_at_the_truth_holds_it():
    said = {1: Answer("open", Interval(0.0, 1.0)), 2: Answer("open", Interval(1.0, 1.5))}
    assert told(said, true(False, True))["coverage"] is True


def test_without_intervals_nothing_is_covered_and_nothing_missed():
    said = {1: Answer("open", None), 2: Answer("open", None)}
    assert told(said, true(False, True))["coverage"] is None


def test_what_was_not_compared_is_no_alarm_and_not_found():
    expected = {"false_alarm": False, "coverage": None, "found": False, "false_alike": False}
    assert told({}, true(False, True)) == expected


def test_rates_and_their_errors():
    assert rate(1, 4) == Rate(0.25, pytest.approx((0.25 * 0.75 / 4) ** 0.5), 4)
    assert rate(1, 1) == Rate(1.0, 0.0, 1)


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
