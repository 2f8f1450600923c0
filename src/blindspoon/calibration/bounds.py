"""What the design promises of these rates, and which of them are beyond it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from blindspoon.calibration.results import Calibration, CalibrationCell, Rate
from blindspoon.calibration.situations import SITUATIONS, Truth
from blindspoon.calibration.truth import truths
from blindspoon.verdict import By

LIMIT = 0.055
"""Highest rate of an error at alpha 0.05 that is taken as held; coverage is at least 1 less it."""

ERRORS = 2
"""Monte Carlo standard errors that a rate may be beyond the limit by chance."""

FEWEST_VARIANTS = 4
"""Of the grid; with more, one that scatters widely stands out no less."""

QUESTIONS = ("false_alarm", "coverage", "false_alike")
"""The rates that are held to a limit; the share found is not."""


@dataclass(frozen=True, slots=True)
class Held:
    """One rate that has a limit: whether it is beyond it, and whether it should not be.

    ``assumed`` says that the procedure's assumptions hold in the cell's situation.
    """

    cell: CalibrationCell
    question: str
    rate: Rate
    beyond: bool
    assumed: bool


def is_beyond(question: str, rate: Rate) -> bool:
    """Tell whether a rate is worse than its limit by more than its noise.

    Parameters
    ----------
    question : {"false_alarm", "coverage", "false_alike", "found"}
    rate : Rate

    Examples
    --------
    >>> is_beyond("false_alarm", Rate(0.06, 0.005, 2000)), is_beyond("coverage", Rate(0.9, 0, 2000))
    (False, True)
    """
    if question not in QUESTIONS:
        return False
    wrong = 1 - rate.value if question == "coverage" else rate.value
    return wrong > LIMIT + ERRORS * math.sqrt(LIMIT * (1 - LIMIT) / rate.trials)


def held_to_limits(calibration: Calibration) -> Iterator[Held]:
    """Go through every rate that has a limit, those without a claim included."""
    for cell in calibration.cells:
        assumed = is_assumed(cell.situation, cell.truth, cell.procedure)
        for question in QUESTIONS:
            rate = getattr(cell, question)
            if rate is not None:
                yield Held(cell, question, rate, is_beyond(question, rate), assumed)


def is_assumed(situation: str, truth: Truth, procedure: By) -> bool:
    """Tell whether a procedure's assumptions hold, so that its limits have to.

    Those of ranks hold in every situation, since what is drawn for a taster could as well have
    come turned. The mixed model wants all variants to scatter alike.

    Examples
    --------
    >>> is_assumed("normal", "one", "mixed"), is_assumed("wide-control", "one", "mixed")
    (True, False)
    """
    if procedure == "ranks":
        return True
    found = next(each for each in SITUATIONS if each.name == situation)
    return not truths(found, truth, FEWEST_VARIANTS).uneven


def pooled(rates: list[Rate]) -> Rate:
    """Put rates of the same thing together, each by its trials.

    Examples
    --------
    >>> pooled([Rate(0.0, 0.0, 100), Rate(0.5, 0.05, 100)])
    Rate(value=0.25, se=0.025, trials=200)
    """
    trials = sum(rate.trials for rate in rates)
    value = sum(rate.value * rate.trials for rate in rates) / trials
    error = math.sqrt(sum((rate.se * rate.trials) ** 2 for rate in rates)) / trials
    return Rate(value, error, trials)
