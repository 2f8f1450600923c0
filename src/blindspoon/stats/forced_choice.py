"""Forced choice: exact tails and limits, the share who can tell, d', the sequential rule.

A method is known by the chance of a right answer from somebody who guesses. Tails and limits are
exact binomial; *who can tell* are those who are right for sure, while the others guess:
``p = guess + share (1 - guess)``.
"""

import math
from typing import Literal, NamedTuple

import numpy as np
from scipy.special import bdtrc, bdtrik, betaincinv, chndtrinc, gammaln, ncfdtr, ndtr, ndtri

from blindspoon.arrays import BoolArray, FloatArray, IntArray

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)


def upper_tail(
    right: int | IntArray, tests: int | IntArray, chance: float | FloatArray
) -> FloatArray:
    """Give the probability of that many right answers or more, of independent tests.

    >>> round(float(upper_tail(13, 24, 1 / 3)), 6)  # 13 of 24 triangles
    0.028441
    """
    return np.asarray(bdtrc(np.asarray(right) - 1, tests, chance), float)


def needed(tests: int | IntArray, guess: float, alpha: float) -> IntArray:
    """Give the fewest right answers that guessing brings with probability alpha at most.

    ``tests + 1`` where even all right would not do. The tables of ISO 4120, ISO 5495 and ISO 10399
    hold the same numbers.
    """
    n = np.asarray(tests, np.int64)
    about = np.floor(bdtrik(1 - alpha, n, guess)).astype(np.int64)
    tried = np.clip(about[..., None] + np.arange(-2, 4), 0, n[..., None] + 1)
    enough = upper_tail(tried, n[..., None], guess) <= alpha
    return np.take_along_axis(tried, enough.argmax(axis=-1)[..., None], -1)[..., 0]


def most_alike(tests: int | IntArray, guess: float, share: float, alpha: float) -> IntArray:
    """Give the most right answers that show at level 1 - alpha that fewer than `share` can tell.

    -1 where not even none right would do. The tables of similarity of ISO 4120 and ISO 5495 hold
    the same numbers.
    """
    p = guess + share * (1 - guess)
    n = np.asarray(tests, np.int64)
    about = np.nan_to_num(np.floor(bdtrik(alpha, n, p)), nan=-1).astype(np.int64)
    tried = np.clip(about[..., None] + np.arange(-3, 3), -1, n[..., None])
    few = 1 - upper_tail(tried + 1, n[..., None], p) <= alpha
    return np.where(few, tried, -1).max(axis=-1)


def limits(right: int, tests: int, alpha: float) -> tuple[float, float]:
    """Give exact limits of a probability, each passed by chance with probability alpha at most.

    C. J. Clopper and E. S. Pearson 1934, Biometrika 26, 404-413.
    """
    low = float(betaincinv(right, tests - right + 1, alpha)) if right else 0.0
    high = float(betaincinv(right + 1, tests - right, 1 - alpha)) if right < tests else 1.0
    return low, high


def share_who_can_tell(p: float, guess: float) -> float:
    """Turn a probability of being right into the share who can tell, 0 to 1."""
    return min(max((p - guess) / (1 - guess), 0.0), 1.0)


class Answers(NamedTuple):
    """How often "A" (or "same") was said where it was right, and of the other kind of set."""

    same: int
    of_same: int
    other: int
    of_other: int

    def turned(self) -> "Answers":
        """Give the same with the two answers exchanged."""
        same, of_same, other, of_other = self
        return Answers(of_same - same, of_same, of_other - other, of_other)


def fisher(answers: Answers) -> float:
    """Give the one-sided p value that the word was said no more often where it was right.

    R. A. Fisher 1934, Statistical Methods for Research Workers, 5th ed., as ISO 8588 has it for few
    answers.
    """
    said = answers.same + answers.other
    k = np.arange(max(0, said - answers.of_other), min(said, answers.of_same) + 1)

    def ways(n: int, of: IntArray) -> FloatArray:
        return np.asarray(gammaln(n + 1) - gammaln(of + 1) - gammaln(n - of + 1), float)

    logs = ways(answers.of_same, k) + ways(answers.of_other, said - k)
    logs = logs - ways(answers.of_same + answers.of_other, np.array(said))
    return min(float(np.exp(logs)[k >= answers.same].sum()), 1.0)


def chance_right(method: str, d: FloatArray | float) -> FloatArray:
    """Give the chance of a right answer by the distance d' of the two, in standard deviations.

    S. Ura 1960 (triangle, whose chance is a tail of the noncentral F), H. A. David and S. K.
    Trivedi 1962 (duo-trio), M. J. Hacker and R. Ratcliff 1979 (m-AFC), D. M. Ennis 1993, J. M.
    Ennis and V. Jesionka 2011 (tetrad).
    """
    d = np.asarray(d, float)
    z, w = 10 * _NODES, 10 * _WEIGHTS
    if method == "triangle":
        p = 1 - ncfdtr(1, 1, 2 * d**2 / 3, 3.0)
    elif method == "tetrad":
        own, other = ndtr(z), ndtr(z - d[..., None])
        p = 1 - 2 * (_density(z) * (2 * own * other - other**2)) @ w
    elif method == "three-afc":
        p = (_density(z) * ndtr(z + d[..., None]) ** 2) @ w
    elif method == "duo-trio":
        near, far = ndtr(d / np.sqrt(2)), ndtr(d / np.sqrt(6))
        p = 1 - near - far + 2 * near * far
    else:
        p = ndtr(d / np.sqrt(2))
    return np.asarray(p, float)


def _density(z: FloatArray | float) -> FloatArray:
    return np.asarray(np.exp(-(np.asarray(z) ** 2) / 2) / np.sqrt(2 * np.pi), float)


FARTHEST = 12.0  # a d' above which nobody is ever wrong in double precision


def distance(method: str, p: FloatArray | float) -> FloatArray:
    """Give d' for chances of a right answer: 0 up to guessing, `FARTHEST` where all are right."""
    wanted = np.asarray(p, float)
    low, high = np.zeros_like(wanted), np.full_like(wanted, FARTHEST)
    for _ in range(60):
        middle = (low + high) / 2
        enough = chance_right(method, middle) > wanted
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(wanted <= chance_right(method, 0.0), 0.0, low)


def distance_error(method: str, d: float, p: float, tests: int) -> float:
    """Give the standard error of d' by the delta method; p lies between guessing and 1.

    J. Bi, D. M. Ennis and M. O'Mahony 1997, J. Sensory Stud. 12, 87-104.
    """
    low, high = chance_right(method, np.array([d - 1e-4, d + 1e-4]))
    return float(np.sqrt(p * (1 - p) / tests) / ((high - low) / 2e-4))


def yes_no_distance(answers: Answers) -> tuple[float, float]:
    """Give d' and its standard error for "A" or "not A"; no share is 0 or 1.

    V. Gourevitch and E. Galanter 1967, Psychometrika 32, 25-33.
    """
    shares = (answers.same / answers.of_same, answers.other / answers.of_other)
    counts = (answers.of_same, answers.of_other)
    hit, false = (float(ndtri(share)) for share in shares)
    variance = sum(
        p * (1 - p) / n / _density(z) ** 2
        for p, n, z in zip(shares, counts, (hit, false), strict=True)
    )
    return hit - false, float(np.sqrt(variance))


def same_different_distance(answers: Answers) -> tuple[float, float]:
    """Give d' and its standard error for "same" or "different"; no share is 0 or 1.

    The differencing model: N. A. Macmillan, H. L. Kaplan and C. D. Creelman 1977, Psychol. Rev.
    84, 452-471; D. M. Ennis et al. 1988. Two cups differ by a normal deviate of variance 2 about d'
    or 0; "same" is said below a threshold, both here in its standard deviations. The error is by
    the delta method.
    """
    same, other = answers.same / answers.of_same, answers.other / answers.of_other
    threshold = float(ndtri((same + 1) / 2))
    away = float(np.sqrt(chndtrinc(threshold**2, 1, other)))
    if away < 1e-4:
        return 0.0, float("nan")
    near, far = _density(threshold - away), _density(threshold + away)
    by_same = float((near + far) / (2 * _density(threshold)))
    variance = by_same**2 * same * (1 - same) / answers.of_same
    variance += other * (1 - other) / answers.of_other
    return math.sqrt(2) * away, math.sqrt(2 * variance) / float(near - far)


class Boundary(NamedTuple):
    """Wald's two lines of right answers, which rise by `slope` a test."""

    slope: float
    alike: float
    different: float

    def stops(self, right: BoolArray) -> tuple[int, Literal["alike", "different", "open"]]:
        """Say after how many tests a line was met, and which; after all of them "open"."""
        counts = np.arange(1, right.size + 1)
        above = np.cumsum(right) - self.slope * counts
        met = np.flatnonzero((above <= self.alike) | (above >= self.different))
        if not met.size:
            return int(right.size), "open"
        return int(met[0]) + 1, "alike" if above[met[0]] <= self.alike else "different"


def boundary(guess: float, share: float, alpha: float, beta: float) -> Boundary:
    """Draw the lines of the sequential rule; `share` may be able to tell, and it would still do.

    A. Wald 1947, Sequential Analysis; ISO 16820.

    >>> line = boundary(1 / 2, 0.4, 0.1, 0.1)
    >>> line.stops(np.array([letter == "P" for letter in "PPPPNPPPNPPP"]))
    (12, 'different')
    """
    p = guess + share * (1 - guess)
    odds = np.log(p / guess) + np.log((1 - guess) / (1 - p))
    return Boundary(
        slope=float(np.log((1 - guess) / (1 - p)) / odds),
        alike=float(np.log(beta / (1 - alpha)) / odds),
        different=float(np.log((1 - beta) / alpha) / odds),
    )
