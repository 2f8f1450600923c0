"""The largest of several correlated normal deviates, in absolute value, far tails included."""

from __future__ import annotations

import itertools

import numpy as np
from scipy.optimize import brentq
from scipy.special import log_ndtr, ndtri, ndtri_exp

from blindspoon.scores import FloatArray

POINTS = 8192
SMALLEST = float(np.finfo(np.float64).tiny)


def normal_max_tail(value: float, correlation: FloatArray) -> float:
    """Probability that the largest of correlated absolute normal deviates reaches a value.

    Parameters
    ----------
    value : float
        Not negative.
    correlation : array, shape (d, d)
        May be singular.

    Returns
    -------
    float
        Between the largest single probability and their sum; 2.2e-308 if smaller than that.

    Notes
    -----
    The sum of the single probabilities counts an outcome once for each deviate that reaches
    the value; the mean of the reciprocal of that number, given that a deviate reached it,
    corrects for this: D. Q. Naiman and C. E. Priebe 2001, J. Comput. Graph. Stat. 10:296. The
    mean is taken over 8,192 fixed quasi-random points (R. D. Richtmyer's, square roots of
    primes). The relative error, below 0.4 % for 11 deviates in the tests, does not grow in the
    tail.

    Examples
    --------
    >>> round(normal_max_tail(1.959964, np.eye(1)), 6)
    0.05
    >>> abs(normal_max_tail(2.0, np.eye(3)) - (1 - (1 - 0.0455003) ** 3)) < 1e-4
    True
    """
    size = len(correlation)
    single = np.log(2) + float(log_ndtr(-value))
    if size == 1 or value <= 0:
        return max(float(np.exp(min(single, 0.0))), SMALLEST)
    uniform = _points(size + 1)
    beyond = -ndtri_exp(np.log(uniform[0]) + log_ndtr(-value))
    free = _root(correlation) @ ndtri(uniform[1:])
    share = 0.0
    for row, own in zip(correlation, free, strict=True):
        reached = np.abs(free + row[:, None] * (beyond - own)) >= value
        share += float((1 / np.maximum(reached.sum(axis=0), 1)).mean())
    return max(min(float(np.exp(single)) * max(share, 1.0), 1.0), SMALLEST)


def normal_max_critical(alpha: float, correlation: FloatArray) -> float:
    """Return what the largest absolute deviate exceeds with probability alpha."""
    if alpha >= 1:
        return 0.0

    def excess(value: float) -> float:
        """Say how far the tail lies above alpha."""
        return normal_max_tail(value, correlation) - alpha

    low, high = -ndtri(alpha / 2), -ndtri(alpha / 2 / len(correlation)) + 1e-6
    return float(low if excess(low) <= 0 else brentq(excess, low, high, xtol=1e-7))


def _points(size: int) -> FloatArray:
    """Return fixed, evenly spread points of the unit cube, shape (size, 8192)."""
    steps = np.sqrt(np.array(_primes(size), dtype=float))
    points: FloatArray = (steps[:, None] * np.arange(1, POINTS + 1)) % 1.0
    return points


def _primes(count: int) -> list[int]:
    """Return the first primes: their square roots are steps without a common measure."""
    found: list[int] = []
    candidates = itertools.count(2)
    while len(found) < count:
        number = next(candidates)
        if all(number % prime for prime in found):
            found.append(number)
    return found


def _root(correlation: FloatArray) -> FloatArray:
    """Return a matrix whose product with its transpose is the correlation."""
    values, vectors = np.linalg.eigh(correlation)
    root: FloatArray = vectors * np.sqrt(np.maximum(values, 0.0))
    return root
