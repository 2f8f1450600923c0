"""Simulated verdicts against the truth, counted."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from blindspoon.calibration.results import Rate
from blindspoon.calibration.truth import Truths
from blindspoon.compare.results import AttributeResult, Interval
from blindspoon.scores import IntArray
from blindspoon.verdict import By, Kind, Verdict, finding

QUESTIONS = ("false_alarm", "coverage", "found", "false_alike")
SLACK = 1e-9
"""Points by which an interval's end may fall short of the truth through floating point."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What one procedure says of one variant; None where it says nothing."""

    kind: Kind | None
    interval: Interval | None


def answers(
    verdicts: Sequence[Verdict], results: Sequence[AttributeResult], procedure: By
) -> dict[int, Answer]:
    """Pick a procedure's answers out of the verdicts of a trial that the mixed model decides.

    Parameters
    ----------
    verdicts : sequence of Verdict
        Of one attribute.
    results : sequence of AttributeResult
        That attribute's, in the same order as its verdicts.
    procedure : {"mixed", "ranks"}

    Returns
    -------
    dict of int to Answer
        By variant, 1 the first after the control. One that was not compared is not in it.
    """
    said = {}
    (result,) = results
    for verdict, comparison in zip(verdicts, result.comparisons, strict=True):
        contrast = comparison.mixed if procedure == "mixed" else comparison.ranks
        found = finding(contrast)
        kind = verdict.kind if procedure == "mixed" else verdict.other
        if found is not None:
            number = int(comparison.variant.rpartition("-")[2])
            said[number] = Answer(kind, found.interval)
    return said


def tally(said: Sequence[dict[int, Answer]], true: Truths, procedure: By) -> IntArray:
    """Count right and wrong over trials.

    Parameters
    ----------
    said : sequence of dict
        The answers of each trial.
    true : Truths
    procedure : {"mixed", "ranks"}
        Whose true differences the intervals are held against.

    Returns
    -------
    int array, shape (4, 2)
        A row a question of `QUESTIONS`: how often it came true, and in how many trials it
        could be asked.

    Examples
    --------
    >>> true = Truths(levels=(5, 5, 6.5), differs=(False, True), means=(0, 1.5),
    ...               pseudomedians=(0, 1.5))
    >>> trial = {1: Answer("different", Interval(0.2, 2)), 2: Answer("open", Interval(0, 2))}
    >>> tally([trial], true, "mixed").tolist()
    [[1, 1], [0, 1], [0, 1], [0, 1]]
    """
    counts = np.zeros((len(QUESTIONS), 2), dtype=np.int64)
    for trial in said:
        replies = (
            _false_alarm(trial, true),
            _covered(trial, true.differences(procedure)),
            _found(trial, true),
            _false_alike(trial, true),
        )
        counts += [(bool(reply), reply is not None) for reply in replies]
    return counts


def rates(counts: IntArray) -> dict[str, Rate | None]:
    """Turn counts of shape (4, 2) into rates; None for a question that was never asked."""
    return {
        name: _rate(int(true), int(asked)) if asked else None
        for name, (true, asked) in zip(QUESTIONS, counts, strict=True)
    }


def _rate(true: int, asked: int) -> Rate:
    share = true / asked
    return Rate(share, math.sqrt(share * (1 - share) / asked), asked)


def _numbers(true: Truths, *, differs: bool) -> list[int]:
    return [number for number, off in enumerate(true.differs, 1) if off == differs]


def _called(trial: dict[int, Answer], numbers: Iterable[int], kinds: tuple[Kind, Kind]) -> bool:
    return any(number in trial and trial[number].kind in kinds for number in numbers)


def _false_alarm(trial: dict[int, Answer], true: Truths) -> bool | None:
    like = _numbers(true, differs=False)
    return _called(trial, like, ("different", "slight")) if like else None


def _found(trial: dict[int, Answer], true: Truths) -> bool | None:
    off = _numbers(true, differs=True)
    return _called(trial, off, ("different", "slight")) if len(off) == 1 else None


def _false_alike(trial: dict[int, Answer], true: Truths) -> bool | None:
    off = _numbers(true, differs=True)
    return _called(trial, off, ("alike", "slight")) if off else None


def _covered(trial: dict[int, Answer], differences: Sequence[float]) -> bool | None:
    held = [
        answer.interval.low - SLACK <= differences[number - 1] <= answer.interval.high + SLACK
        for number, answer in trial.items()
        if answer.interval is not None
    ]
    return all(held) if held else None
