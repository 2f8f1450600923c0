"""Scores of the same jars over days: their trend, every day by itself, the day of a crossing.

Everything rests on each taster's own values, one a day, in points: differences from the control of
the same sitting, so that what moves a whole sitting drops out. The m days rise; the values have the
shape (n, m), n tasters, and are NaN where somebody was not there. `step` is to what scores are
rounded, in points; it stands in for scatter where all agree exactly (see `unanimous`).
"""

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from scipy.special import stdtr, stdtrit

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.mixed import LEAST_ALIKE
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.several_tests import Bracket, turning
from blindspoon.stats.sign_flips import (
    null_distribution,
    one_by_one,
    settle_ties,
    signed_ranks,
    statistics,
)

Side = Literal["within", "above", "below"]
"""What is to be reached: within a margin of the level, at least the level, or at most."""

SIGNS_FROM = 6  # tasters from whom on slopes are tested by their signs: 2 / 2^6 is below 0.05
LINE_TASTERS, LINE_DAYS = 5, 4  # fewest tasters and days for a day read off straight lines


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How the tasters' values moved: the mean slope of their straight lines, in points a day.

    With its interval at level 1 - alpha. P values are two-sided that it is zero: by t, and by
    flips of the slopes' signed ranks; None with fewer than six tasters, and without a control.
    """

    slope: float
    interval: Interval
    p_value: float
    df: float
    tasters: int
    p_signs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayFound:
    """What was found on one day, by that day's values alone, in points.

    The interval has level 1 - alpha. The p values, not adjusted, are against: the mean is the level
    (two-sided); it has not reached what is to be reached; it has reached it.
    """

    day: float
    tasters: int
    mean: float
    interval: Interval
    p_different: float
    p_inside: float
    p_outside: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoresByDay:
    """All days, and between which of them it came inside, or left; alpha / 2 for each side."""

    days: tuple[DayFound | NoResult, ...]
    reached: Bracket
    lost: Bracket


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """The day on which straight lines cross a level.

    The interval has level 1 - alpha; its ends may lie outside the days tasted. `p_bend` is that the
    lines do not bend.
    """

    day: float
    interval: Interval
    tasters: int
    p_bend: float


def trend_from_control(
    days: FloatArray,
    differences: FloatArray,
    *,
    alpha: float,
    step: float,
    rng: np.random.Generator,
) -> Trend | NoResult:
    """Estimate by how much the differences from the control move a day.

    A slope for each taster with two days by least squares, their mean against t(n - 1): the summary
    measure of J. N. S. Matthews, D. G. Altman, M. J. Campbell and P. Royston 1990, BMJ 300:230. It
    holds however slopes and cups scatter, where a model with one intercept a taster does not.
    """
    found = _lines(days, differences)
    if isinstance(found, NoResult):
        return found
    _, lines, spread = found
    slopes, p_signs = lines[:, 1:], None
    mean = _means(slopes, step**2 / 6 * float((1 / spread).mean()))
    if len(slopes) >= SIGNS_FROM:
        signed = signed_ranks(slopes)
        (p_signs,) = one_by_one(null_distribution(signed, rng), statistics(signed))
    return Trend(
        slope=float(mean.value[0]),
        interval=_interval(mean.value[0], mean.error[0], len(slopes) - 1, alpha),
        p_value=float(mean.p_values()[0]),
        df=len(slopes) - 1,
        tasters=len(slopes),
        p_signs=p_signs,
    )


def trend_without_control(
    days: FloatArray, scores: FloatArray, *, alpha: float
) -> Trend | NoResult:
    """Estimate by how much scores move a day where no cup stayed the same.

    It holds for days like these; whether the food moved or the days, it cannot say.

    Var(slope) = (variance of the tasters' slopes) / n + (mean square of the days' mean residuals
    from the lines) / (sum of squares of the days): tasters and days are both samples, and the
    error of cups is counted in both, which errs on the safe side. Degrees of freedom after F. E.
    Satterthwaite 1946, Biometrics Bull. 2:110, from n - 1 and m - 2.
    """
    found = _lines(days, scores)
    if isinstance(found, NoResult):
        return found
    scores, lines, spread = found
    slopes = _means(lines[:, 1:])
    residuals = scores - lines @ np.vander(days, 2, increasing=True).T
    n, m = len(lines), np.count_nonzero(np.isfinite(residuals).any(axis=0))
    daily = (_means(residuals).value ** 2).sum() / (m - 2)
    parts = np.array([slopes.error[0] ** 2, daily / spread.mean()])
    slope, variance = float(slopes.value[0]), float(parts.sum())
    if variance <= 1e-18:
        return NoResult("Neither tasters nor days scatter about the line.")
    degrees, error = float(variance**2 / (parts**2 / [n - 1, m - 2]).sum()), math.sqrt(variance)
    return Trend(
        slope=slope,
        interval=_interval(slope, error, degrees, alpha),
        p_value=float(2 * stdtr(degrees, -abs(slope) / error)),
        df=degrees,
        tasters=n,
    )


def scores_by_day(
    days: FloatArray,
    values: FloatArray,
    *,
    alpha: float,
    step: float,
    margin: float = 0.0,
    level: float = 0.0,
    side: Side = "within",
) -> ScoresByDay:
    """Hold every day against the control's margin, or against a level.

    Values are differences (the level is 0) or scores; margins are for "within". One-sided t(n - 1)
    a day; "within" by two of them (D. J. Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657), and
    beyond a margin by the sum of both tails from its nearer and its farther end (J. L. Hodges and
    E. L. Lehmann 1954, J. R. Stat. Soc. B 16:261). On a day on which all agree exactly they are to
    be four to show anything inside. Days are tested in the sequences of `turning`.

    >>> values = np.array([[-4.0, -2, 0, 0], [-3, -1, 0, 0], [-4, -1, 0, 0], [-5, -2, 0, 0.0]])
    >>> days = np.array([3.0, 7, 10, 14])
    >>> found = scores_by_day(days, values, margin=1.0, alpha=0.05, step=1.0)
    >>> found.reached
    Bracket(after=3.0, by=10.0)
    """
    mean = _means(values, step**2 / 6)
    off, there = mean.value - level, mean.n >= 2
    away, sign = np.abs(off), -1 if side == "below" else 1
    if side == "within":
        inside = np.maximum(mean.tail(margin - away), mean.agree & (mean.n < LEAST_ALIKE))
        outside = mean.tail(away - margin) + mean.tail(away + margin)
    else:
        inside, outside = np.maximum(mean.tail(sign * off), mean.chance), mean.tail(-sign * off)
    p_inside, p_outside = (
        np.where(there, np.minimum(p, 1.0), np.nan)
        for p in (inside, np.maximum(outside, mean.chance))
    )
    columns = (days, mean.value, mean.error, mean.p_values(level), p_inside, p_outside)
    rows = zip(mean.n.tolist(), *(column.tolist() for column in columns), strict=True)
    return ScoresByDay(
        days=tuple(
            DayFound(
                day=day,
                tasters=int(n),
                mean=value,
                interval=_interval(value, error, n - 1, alpha),
                p_different=different,
                p_inside=within,
                p_outside=beyond,
            )
            if n >= 2
            else NoResult(f"{'One taster was' if n else 'Nobody was'} there; two are needed.")
            for n, day, value, error, different, within, beyond in rows
        ),
        reached=turning(days, p_outside, p_inside, alpha / 2),
        lost=turning(days, p_inside, p_outside, alpha / 2),
    )


def crossing_of_lines(
    days: FloatArray, values: FloatArray, *, level: float, alpha: float
) -> Crossing | NoResult:
    """Read off straight lines when a level is crossed.

    With a margin from the control, the level is its end on the side that they come from.

    Each taster's line by least squares, and `fieller` with t(n - 1) of their means. Parabolas of
    the tasters with three days or more say whether there is a bend.
    """
    lines = _own_fits(days, values, 1)
    size, many = len(lines), int(np.isfinite(values).any(axis=0).sum())
    if size < LINE_TASTERS or many < LINE_DAYS:
        return NoResult("A day is read off straight lines from five tasters and four days on.")
    bend = _means(settle_ties(_own_fits(days, values, 2)[:, 2:]))
    if bend.n[0] < LINE_TASTERS:
        return NoResult("Fewer than five tasters were there on three days, so a bend cannot show.")
    p_bend = float(bend.p_values()[0])
    if p_bend <= BEND:
        return NoResult(BENT)
    intercept, slope = lines.mean(axis=0).tolist()
    t = -float(stdtrit(size - 1, alpha / 2))
    errors = np.cov(settle_ties(lines - lines[0]).T) / size
    interval = fieller(intercept, slope, errors, level=level, t=t)
    if isinstance(interval, NoResult):
        return interval
    day = (level - intercept) / slope
    if not days[0] <= day <= days[-1]:
        return NoResult("The line crosses outside the days that were tasted.")
    return Crossing(day=day, interval=interval, tasters=size, p_bend=p_bend)


BEND = 0.2
"""A bend is taken as found at this level: to miss one misleads, to find one wrongly only leaves the
day to the bracket."""

BENT = "The course bends, so a straight line would mislead."


def fieller(
    intercept: float, slope: float, covariance: FloatArray, *, level: float, t: float
) -> Interval | NoResult:
    """Bound the place at which a line crosses a level; no result where there are no two ends.

    All x with ``(intercept + slope x - level)^2 <= t^2 var(intercept + slope x)``: E. C. Fieller
    1954, J. R. Stat. Soc. B 16:175. The covariance, shape (2, 2), is that of both estimates.
    """
    if not covariance.any():
        return NoResult("All tasters have one and the same line, which leaves no scatter.")
    (v0, v01), (_, v1) = covariance.tolist()
    square, half = slope**2 - t**2 * v1, slope * (intercept - level) - t**2 * v01
    if square <= 0:
        return NoResult("The slope is not told from zero, so no day can be bounded.")
    root = math.sqrt(max(half**2 - square * ((intercept - level) ** 2 - t**2 * v0), 0.0))
    return Interval((-half - root) / square, (-half + root) / square)


def _interval(mean: float, error: float, degrees: float, alpha: float) -> Interval:
    half = -float(stdtrit(degrees, alpha / 2)) * error
    return Interval(mean - half, mean + half)


class _Means(NamedTuple):
    """Means of columns of n values each; where all `agree`, the standard error is rounding's."""

    n: FloatArray
    value: FloatArray
    error: FloatArray
    agree: BoolArray

    @property
    def chance(self) -> FloatArray:
        """That so many would agree in direction, where they do; else 0."""
        return np.where(self.agree, 0.5**self.n, 0.0)

    def tail(self, distance: FloatArray) -> FloatArray:
        """Give the chance by t(n - 1) of a mean so far above, or farther."""
        error = np.where(self.error > 0, self.error, 1e-12)
        return np.asarray(stdtr(np.maximum(self.n - 1, 1), -distance / error), float)

    def p_values(self, level: float = 0.0) -> FloatArray:
        """Test, two-sided, that they are at the level."""
        tail = self.tail(np.abs(self.value - level))
        return np.minimum(2 * np.maximum(tail, self.chance), 1.0)


def _means(values: FloatArray, rounding: float = 0.0) -> _Means:
    """Average columns; rounding is what a value varies by where nothing else moves it."""
    there = np.isfinite(values)
    n = there.sum(axis=0).astype(float)
    means = np.where(there, values, 0.0).sum(axis=0) / np.maximum(n, 1)
    squares = (np.where(there, values - means, 0.0) ** 2).sum(axis=0)
    agree = (squares <= 1e-18 * np.maximum(n, 1)) & (n > 0)
    variance = np.where(agree, rounding, squares / np.maximum(n - 1, 1))
    return _Means(n, settle_ties(means), np.sqrt(variance / np.maximum(n, 1)), agree)


def _lines(
    days: FloatArray, values: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | NoResult:
    """Give values, lines and sums of squares of the days of all who were there on two or more."""
    used = np.isfinite(values).sum(axis=1) > 1
    values, there = values[used], np.isfinite(values[used])
    if there.any(axis=0).sum() < 3:
        return NoResult("A trend needs three days.")
    if len(values) < 2:
        return NoResult("A trend needs two tasters who were there on two days or more.")
    centre = (there @ days) / there.sum(axis=1)
    spread = (np.where(there, days - centre[:, None], 0.0) ** 2).sum(axis=1)
    return values, settle_ties(_own_fits(days, values, 1)), spread


def _own_fits(days: FloatArray, values: FloatArray, degree: int) -> FloatArray:
    """Fit a polynomial to each taster with days enough; shape (n_fitted, degree + 1)."""
    there = np.isfinite(values)
    enough = there.sum(axis=1) > degree
    scale = float(np.abs(days).max()) or 1.0
    powers = np.vander(days / scale, degree + 1, increasing=True)
    weights = there[enough].astype(float)
    squares = np.einsum("nm,mp,mq->npq", weights, powers, powers, optimize=True)
    products = np.nan_to_num(values[enough]) @ powers
    fits = np.linalg.solve(squares, products[..., None])[..., 0]
    return np.asarray(fits / scale ** np.arange(degree + 1), float)
