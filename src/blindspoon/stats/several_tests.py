"""Several tests at one alpha: Holm's method, and sequences of days that are fixed before."""

from dataclasses import dataclass

import numpy as np

from blindspoon.arrays import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """The days between which something happened: after the first and by the second, if shown."""

    after: float | None
    by: float | None


def holm(p_values: FloatArray) -> FloatArray:
    """Adjust p values by S. Holm's step-down method (1979, Scand. J. Stat. 6:65).

    Never below the p value nor above 1.

    >>> holm(np.array([0.01, 0.04, 0.03, 0.005]))
    array([0.03, 0.06, 0.06, 0.02])
    """
    order = np.argsort(p_values, kind="stable")
    stages = p_values[order] * np.arange(p_values.size, 0, -1)
    adjusted = np.empty(p_values.size)
    adjusted[order] = np.minimum(np.maximum.accumulate(stages), 1.0)
    return adjusted


def shown_until(days: FloatArray, p_values: FloatArray, alpha: float) -> float | None:
    """Go from the first day up as long as each is shown at level alpha; days of NaN are passed.

    Each day is tested at the full level until the first that fails: W. Maurer, L. A. Hothorn and W.
    Lehmacher 1995; R. Marcus, E. Peritz and K. R. Gabriel 1976, Biometrika 63:655.

    >>> shown_until(np.array([3.0, 7, 10]), np.array([0.01, np.nan, 0.2]), 0.05)
    3.0
    """
    tested = np.isfinite(p_values)
    run = np.cumsum(p_values[tested] > alpha) == 0
    return float(days[tested][run][-1]) if run.any() else None


def shown_from(days: FloatArray, p_values: FloatArray, alpha: float) -> float | None:
    """Go from the last day down as long as each is shown at level alpha; days of NaN are passed."""
    return shown_until(days[::-1], p_values[::-1], alpha)


def turning(days: FloatArray, before: FloatArray, then: FloatArray, alpha: float) -> Bracket:
    """Bracket a change for good: the first state from the first day up, the other from the last.

    Alpha is that of each of the two sequences.
    """
    return Bracket(after=shown_until(days, before, alpha), by=shown_from(days, then, alpha))


def coming_and_going(
    days: FloatArray, outside: FloatArray, inside: FloatArray, alpha: float
) -> tuple[Bracket, Bracket, FloatArray]:
    """Bracket how something came, and how it went again; and give all days on which it is shown.

    No sequence fixed before leads to the days between, so these are adjusted by `holm`. Alpha is
    that of each of three tests: outside from the first day up, inside between, outside from the
    last day down. At 3 alpha in sum all statements hold together, whatever the course and however
    the days depend on one another.
    """
    tested = np.isfinite(inside)
    between = days[tested][holm(inside[tested]) <= alpha]
    first, last = (float(between[0]), float(between[-1])) if between.size else (None, None)
    return (
        Bracket(after=shown_until(days, outside, alpha), by=first),
        Bracket(after=last, by=shown_from(days, outside, alpha)),
        between,
    )
