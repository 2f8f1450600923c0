"""All tasters find exactly the same difference: no scatter, but scores are rounded to a step."""

import math

import numpy as np
from scipy.special import stdtr, stdtrit

from blindspoon.arrays import FloatArray
from blindspoon.stats.results import Interval, Unanimous

STEPS = (1.0, 0.5, 0.1)
"""What scores are held to be rounded to where any number was allowed, the coarsest that fits."""

LEAST_ALIKE = 4  # tasters from whom on an interval by rounding alone may show two variants alike


def unanimous(
    differences: FloatArray, variant: int, *, step: float, alpha: float, family: int = 1
) -> Unanimous:
    """Judge a difference on which all tasters, two at least, agree exactly.

    Scores are rounded to a step, in points. So many variants are compared in this way (`family`);
    intervals are shared out by Bonferroni.

    That all n agree in direction has the chance 2 / 2^n by flips of signs (R. A. Fisher 1935, *The
    Design of Experiments*), for all variants of a family at once, since a taster's signs turn
    together. Rounding adds step^2 / 12 to the variance of a score (W. F. Sheppard 1898, Proc.
    London Math. Soc. 29:353): so a difference's interval is never narrower than
    t(n - 1) step / sqrt(6 n) on either side.

    >>> found = unanimous(np.full(8, 2.0), 1, step=1.0, alpha=0.05)
    >>> found.p_value == 1 / 128, round(found.interval.low, 2), round(found.interval.high, 2)
    (True, 1.66, 2.34)
    """
    n, difference = differences.size, float(differences[0])
    half = half_width(n, step, alpha / family)
    interval = Interval(difference - half, difference + half)
    return Unanimous(
        variant=variant,
        tasters=n,
        step=step,
        difference=difference,
        p_value=2.0 ** (1 - n) if difference else 1.0,
        interval=interval,
        equivalence_interval=interval if n >= LEAST_ALIKE else None,
    )


def enough_to_differ(alpha: float) -> int:
    """Count the tasters whose agreement in direction shows a difference: six at 0.05."""
    return 1 + math.ceil(-math.log2(alpha) - 1e-9)


def enough_to_be_alike(found: Unanimous, margin: float) -> int | None:
    """Count the tasters whose agreement would show it alike; None where it lies too far off."""
    room, n = margin - abs(found.difference), found.tasters
    half = (found.interval.high - found.interval.low) / 2
    share = 2 * float(stdtr(n - 1, -half * math.sqrt(6 * n) / found.step))  # alpha over the family
    sizes = range(LEAST_ALIKE, 100)
    return next((n for n in sizes if half_width(n, found.step, share) < room), None)


def half_width(tasters: int, step: float, alpha: float) -> float:
    """Give half of the interval that rounding leaves, in points."""
    return -float(stdtrit(tasters - 1, alpha / 2)) * step / math.sqrt(6 * tasters)


def rounded_to(scores: FloatArray) -> float | None:
    """Find the coarsest step that all scores lie on; None where there is none of the usual."""
    given = scores[np.isfinite(scores)]
    fits = (step for step in STEPS if np.allclose(given / step, np.rint(given / step), atol=1e-6))
    return next(fits, None)
