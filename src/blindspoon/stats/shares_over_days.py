"""Yes or no over days: the share of every day, and the day on which a share of the tasters turned.

The m days rise; answers, as to "would you eat it?", have the shape (n, m), n tasters: 1 for yes, 0
for no, NaN for none. A share of the tasters lies between 0 and 1.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import log_ndtr, ndtri, stdtrit

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.forced_choice import limits, upper_tail
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.several_tests import Bracket, coming_and_going, turning


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareOnDay:
    """How many said yes on one day, with the exact interval of the share at level 1 - alpha.

    The p values, not adjusted, are that at least, or at most, the share in question would say yes.
    """

    day: float
    yes: int
    asked: int
    interval: Interval
    p_fewer: float
    p_more: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SharesByDay:
    """All days, and between which of them the share was passed, and lost where that is asked."""

    days: tuple[ShareOnDay | NoResult, ...]
    passed: Bracket
    lost: Bracket | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TurningDays:
    """Between which days each taster turned from no to yes, shape (n,).

    0 where the first answer was yes, infinite where none was; NaN for those who never answered, or
    turned back to no.
    """

    after: FloatArray
    by: FloatArray
    turned_back: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOfShare:
    """The day by which a share has turned, by a distribution of the tasters' days.

    With its interval at level 1 - alpha; the scale is the standard deviation of the log of the day
    (lognormal), or 1 / shape (Weibull).
    """

    day: float
    interval: Interval
    scale: float
    log_likelihood: float
    tasters: int


def shares_by_day(
    days: FloatArray, answers: FloatArray, *, alpha: float, share: float = 0.5, both: bool = False
) -> SharesByDay:
    """Hold the share who said yes on each day against the share in question.

    Somebody who turns back counts on each day as they answered. Exact binomial tails, one-sided, in
    the sequences of `turning`, at alpha / 2 for either side. Where `both` are asked, when the share
    is passed and when it is lost again, "fewer" from the first day up, "more" between and "fewer"
    from the last day down have alpha / 3 each (`coming_and_going`): the chance that anything false
    is said of either question is alpha at most.

    >>> answers = np.array([[0.0, 0, 1]] * 8)
    >>> shares_by_day(np.array([7.0, 14, 21]), answers, alpha=0.05).passed
    Bracket(after=14.0, by=21.0)
    """
    asked = np.isfinite(answers).sum(axis=0)
    yes = np.nansum(answers, axis=0).astype(np.int64)
    more = np.where(asked > 0, upper_tail(yes, asked, share), np.nan)
    fewer = np.where(asked > 0, upper_tail(asked - yes, asked, 1 - share), np.nan)
    rows = zip(days.tolist(), yes.tolist(), asked.tolist(), fewer, more, strict=True)
    found = tuple(
        ShareOnDay(
            day=day,
            yes=own,
            asked=of,
            interval=Interval(*limits(own, of, alpha / 2)),
            p_fewer=float(p_fewer),
            p_more=float(p_more),
        )
        if of
        else NoResult("Nobody answered.")
        for day, own, of, p_fewer, p_more in rows
    )
    passed, lost = turning(days, fewer, more, alpha / 2), None
    if both:
        passed, lost, _ = coming_and_going(days, fewer, more, alpha / 3)
    return SharesByDay(days=found, passed=passed, lost=lost)


def turning_days(days: FloatArray, answers: FloatArray) -> TurningDays:
    """Find the days between which each taster turned from no to yes."""
    after = np.where(answers == 0, days, 0.0).max(axis=1, initial=0.0)
    by = np.where(answers == 1, days, np.inf).min(axis=1, initial=np.inf)
    back = after > by
    out = back | ~np.isfinite(answers).any(axis=1)
    return TurningDays(
        after=np.where(out, np.nan, after), by=np.where(out, np.nan, by), turned_back=back
    )


FIT_FROM = 12  # tasters from whom a distribution of their days is fitted

Family = Literal["lognormal", "weibull"]
_LATER: dict[Family, Callable[[FloatArray], FloatArray]] = {
    "lognormal": lambda z: np.asarray(log_ndtr(-z), float),
    "weibull": lambda z: -np.exp(np.minimum(z, 700.0)),
}
"""Log of the chance of a later day, by the standardised log of the day."""
_SCALES = (math.log(1e-3), math.log(20.0))
_FAR = math.log(100.0)


def day_of_share(
    after: FloatArray,
    by: FloatArray,
    *,
    alpha: float,
    share: float = 0.5,
    family: Family = "lognormal",
) -> DayOfShare | NoResult:
    """Fit a distribution to the tasters' days, each known between two days only (`turning_days`).

    Maximum likelihood with interval-censored days. The log-likelihood of either family is concave
    in 1 / scale and location / scale (J. Burridge 1981, J. R. Stat. Soc. B 43:41), so the profile
    of the day has one top. The interval is where it lies less than half the square of Student's
    t(n - 1) below, in place of the normal deviate that large samples allow: it is too short for
    twelve tasters (simulated, no source).
    """
    from scipy.optimize import brentq, minimize_scalar  # noqa: PLC0415 - slow to import

    known = np.isfinite(after)
    pairs, times = np.unique(np.stack([after[known], by[known]]), axis=1, return_counts=True)
    tasters = int(times.sum())
    reason = _no_fit(pairs, tasters)
    if reason:
        return NoResult(reason)
    ends = np.log(np.where(pairs > 0, pairs, 1e-300))
    later = _LATER[family]
    quantile = float(ndtri(share)) if family == "lognormal" else math.log(-math.log1p(-share))

    def likelihood(log_day: float, log_scale: float) -> float:
        first, second = later((ends - log_day) / math.exp(log_scale) + quantile)
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = first + np.log(-np.expm1(np.minimum(second - first, 0.0)))
        return float(times @ np.nan_to_num(logs, nan=-1e9, neginf=-1e9))

    def profile(log_day: float) -> tuple[float, float]:
        top = minimize_scalar(
            lambda log_scale: -likelihood(log_day, log_scale), bounds=_SCALES, method="bounded"
        )
        return -float(top.fun), float(top.x)

    inside = ends[(pairs > 0) & np.isfinite(pairs)]
    low, high = float(inside.min()) - _FAR, float(inside.max()) + _FAR
    top = minimize_scalar(lambda day: -profile(day)[0], bounds=(low, high), method="bounded")
    most, scale = profile(float(top.x))
    if scale > _SCALES[1] - 0.1:
        return NoResult("The tasters' days spread too widely for a fit.")
    depth = float(stdtrit(tasters - 1, alpha / 2)) ** 2 / 2

    def beyond(log_day: float) -> float:
        return most - profile(log_day)[0] - depth

    if min(beyond(low), beyond(high)) <= 0:
        return NoResult("The interval of the day is not bounded.")
    at = [float(brentq(beyond, float(top.x), end, xtol=1e-9)) for end in (low, high)]
    return DayOfShare(
        day=math.exp(top.x),
        interval=Interval(math.exp(at[0]), math.exp(at[1])),
        scale=math.exp(scale),
        log_likelihood=most,
        tasters=tasters,
    )


def _no_fit(pairs: FloatArray, tasters: int) -> str:
    """Say why no distribution can be fitted to these days; blank where one can."""
    if tasters < FIT_FROM:
        return f"A distribution of days is fitted from {FIT_FROM} tasters on."
    if np.isinf(pairs[1]).all() or not pairs[0].any():
        return "All tasters turned before the first day or after the last."
    if pairs[0].max() <= pairs[1].min():
        return "The tasters agree so well that their days have no spread."
    return "" if pairs[1].all() else "Somebody had turned on day 0 already."
