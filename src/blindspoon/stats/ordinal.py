"""Each variant against the control, scores taken as ordered categories: a cumulative logit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.maximise import Optimum, Point, Terms, integrate, maximise
from blindspoon.stats.results import Interval, NoResult

ERROR_PER_TASTER = 1e-5  # error of the log-likelihood, a taster, above which more nodes are taken
MOST_NODES = 160  # twice as many are the most that can be computed with care
WIDEST_SE = 15.0  # standard error of a log odds above which the likelihood is taken to be flat
LEAST_SD = 1e-3  # spread of the tasters that is taken for zero

RUNS_OFF = (
    "The scores of some variants lie wholly above or below those of others, so their log odds "
    "have no limit."
)
TASTERS_RUN_OFF = (
    "The tasters keep so closely to levels of their own that the spread between them has no limit."
)
UNSETTLED = "The scores say too little to settle the levels and the spread between tasters."


@dataclass(frozen=True, slots=True, kw_only=True)
class CumulativeFit:
    """A fitted model ``logit P(level <= j) = threshold_j - design @ effects - intercept``.

    Parameters
    ----------
    thresholds : float array, shape (levels - 1,)
        Rising, in log odds.
    effects : float array, shape (columns,)
        Log odds of a higher level, one a column of the design.
    covariance : float array, shape (columns, columns)
        Of the effects, from the observed information.
    taster_sd : float
        Standard deviation of the tasters' intercepts, in log odds; may be zero.
    """

    thresholds: FloatArray
    effects: FloatArray
    covariance: FloatArray
    taster_sd: float
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class CumulativeModel:
    """The likelihood of the levels: logistic terms, and one term for each inner level.

    Parameters
    ----------
    terms : Terms
        The bounds of the scores' levels.
    inner : float array, shape (levels - 2,)
        Scores at each level but the lowest and the highest.
    nodes : int
        Quadrature nodes a taster.

    Notes
    -----
    With ``a > b`` the bounds of a level, ``expit(a) - expit(b)`` is
    ``expit(a) * expit(-b) * (1 - exp(b - a))``. The first two factors are logistic terms; the
    third depends on the thresholds alone, so that no small difference is ever formed.
    """

    terms: Terms
    inner: FloatArray
    nodes: int

    @classmethod
    def of(
        cls, level: IntArray, taster: IntArray, design: FloatArray, nodes: int
    ) -> CumulativeModel:
        """Set the model up; arguments as in `fit_cumulative`.

        Each level's upper and lower bound is a logistic term of its taster.
        """
        top = int(level.max())
        upper, lower = np.flatnonzero(level < top), np.flatnonzero(level > 0)
        row = np.concatenate([upper, lower])
        bound = np.concatenate([level[upper], level[lower] - 1])
        columns = np.hstack([np.eye(top)[bound], -design[row]])
        sign = np.repeat([1.0, -1.0], [upper.size, lower.size])
        _, who, sizes = np.unique(taster[row], return_inverse=True, return_counts=True)
        order = np.argsort(who, kind="stable")
        place = np.empty_like(order)
        place[order] = np.arange(order.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        shape = (sizes.size, int(sizes.max()))
        filled = Terms(np.zeros((*shape, columns.shape[1])), np.ones(shape), np.zeros(shape))
        filled.design[who, place] = columns
        filled.sign[who, place] = sign
        filled.count[who, place] = 1.0
        return cls(filled, np.bincount(level)[1:-1].astype(np.float64), nodes)

    def __call__(self, at: FloatArray) -> Point | None:
        """Evaluate at thresholds, effects and SD; None where the thresholds do not rise."""
        bounds = self.inner.size + 1
        gap = np.minimum(np.diff(at[:bounds]), 700.0)
        if (gap <= 0).any():
            return None
        point = integrate(self.terms, at[:-1], float(at[-1]), self.nodes)
        rises = np.diff(np.eye(bounds), axis=0)
        bend = self.inner / (4 * np.sinh(gap / 2) ** 2)
        point.gradient[:bounds] += rises.T @ (self.inner / np.expm1(gap))
        point.hessian[:bounds, :bounds] -= rises.T @ (bend[:, None] * rises)
        value = point.value + float(self.inner @ np.log(-np.expm1(-gap)))
        return Point(value, point.gradient, point.hessian)


def fit_cumulative(
    level: IntArray, taster: IntArray | None, design: FloatArray, nodes: int = 10
) -> CumulativeFit | NoResult:
    """Fit ordered levels by maximum likelihood.

    Parameters
    ----------
    level : int array, shape (n,)
        Codes from 0, at least two, each of which occurs.
    taster : int array, shape (n,), or None
        Codes of any kind; None leaves the intercepts of the tasters out.
    design : float array, shape (n, columns)
        Fixed effects, without a constant; columns must be independent.
    nodes : int
        Quadrature nodes a taster, 2 to 160. Four and sixteen times as many (160 at most) are
        taken where twice as many would change the log-likelihood by more than 1e-5 a taster,
        which happens where tasters lie far apart.

    Returns
    -------
    CumulativeFit or NoResult
        A reason where an estimate runs off to infinity, or where the fit does not settle.

    Notes
    -----
    P. McCullagh (1980), JRSS B 42, 109-142; D. Hedeker and R. D. Gibbons (1994), Biometrics
    50, 933-944. Without tasters the log-likelihood is concave. It is even in the SD, so that
    zero is always a stationary place: it is the answer where no SD gives a higher likelihood.

    Examples
    --------
    Two cups, one scored high by three in four tasters and the other by one in four, differ by
    ``2 log 3``:

    >>> level = np.array([1, 1, 1, 0, 1, 0, 0, 0])
    >>> fit = fit_cumulative(level, None, np.repeat([[1.0], [0.0]], 4, axis=0))
    >>> round(float(fit.effects[0] / np.log(3)), 6)
    2.0
    """
    who = np.zeros(level.size, dtype=np.int64) if taster is None else taster
    model = CumulativeModel.of(level, who, design, nodes)
    below = np.cumsum(np.bincount(level))[:-1] / level.size  # the levels' shares alone
    still = np.append(np.log(below / (1 - below)), np.zeros(design.shape[1] + 1))
    alone = maximise(replace(model, nodes=1), still, still.size - 1)
    if alone.runs_off:
        return NoResult(RUNS_OFF)
    best = alone
    if taster is not None:
        spread = _with_tasters(model, alone.at)
        if spread.point.value > alone.point.value and abs(spread.at[-1]) > LEAST_SD:
            best = spread
    if best.runs_off:
        return NoResult(TASTERS_RUN_OFF)
    bounds = model.inner.size + 1
    information = -best.point.hessian[: best.free, : best.free]
    if not best.converged or np.linalg.eigvalsh(information)[0] <= 0:
        return NoResult(UNSETTLED)
    effects = slice(bounds, best.at.size - 1)
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)[effects, effects]
    if np.diag(covariance).max(initial=0.0) > WIDEST_SE**2:
        return NoResult(UNSETTLED)
    return CumulativeFit(
        thresholds=best.at[:bounds],
        effects=best.at[effects],
        covariance=covariance,
        taster_sd=abs(float(best.at[-1])),
        log_likelihood=best.point.value,
    )


def _with_tasters(model: CumulativeModel, at: FloatArray) -> Optimum:
    """Maximise with a spread of the tasters, with more nodes until they are enough."""
    enough = ERROR_PER_TASTER * len(model.terms.count)
    start = np.append(at[:-1] * 1.2, 1.0)
    for growth in (1, 4, 16):
        nodes = min(growth * model.nodes, MOST_NODES)
        end = maximise(replace(model, nodes=nodes), start, start.size)
        finer = replace(model, nodes=2 * nodes)(end.at)
        close = finer is not None and abs(finer.value - end.point.value) < enough
        if end.runs_off or (end.converged and close):
            break
        start = end.at
    return end


MOST_LEVELS = 30
MOST_CLASSES = 12
SCORES_A_CLASS = 3
MOST_TASTERS = 1500  # above so many the fit is skipped; it takes about a second there


@dataclass(frozen=True, slots=True, kw_only=True)
class OrdinalContrast:
    """One variant against the control by the cumulative logit model.

    Parameters
    ----------
    log_odds, se : float
        Log odds of a higher score, variant minus control, and its standard error.
    p_value, p_adjusted : float
        Two-sided normal; the second by Dunnett's method over all variants of this attribute.
    interval : Interval
        Of the log odds, simultaneous at level 1 - alpha.
    """

    variant: int
    log_odds: float
    se: float
    z: float
    p_value: float
    p_adjusted: float
    interval: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class OrdinalFit:
    """The cumulative logit model of one attribute, ``level ~ variant + (1 | taster)``.

    Parameters
    ----------
    contrasts : tuple of OrdinalContrast
        In the order of the variants; a variant that nobody scored has none.
    thresholds : tuple of float
        Log odds for the control and an average taster of a score at or below each level but
        the highest.
    levels : tuple of float
        The scores that occur; where they were grouped, the lowest score of each class.
    grouped : bool
        Whether neighbouring scores were put in one class.
    taster_sd : float
        Standard deviation between tasters, in log odds.
    """

    contrasts: tuple[OrdinalContrast, ...]
    thresholds: tuple[float, ...]
    levels: tuple[float, ...]
    grouped: bool
    taster_sd: float
    log_likelihood: float


def compare_ordinal(
    score: FloatArray,
    taster: IntArray,
    variant: IntArray,
    *,
    control: int,
    alpha: float,
) -> OrdinalFit | NoResult:
    """Compare every variant with the control by a cumulative logit mixed model.

    The scores that occur are the ordered levels; nothing is taken from the distances between
    them. Of each variant the model tells how much it raises the log odds of a higher score,
    for one and the same taster.

    Parameters
    ----------
    score : float array, shape (n,)
        One score a serving; NaN where none was given, such rows take no part.
    taster, variant : int array, shape (n,)
        Codes from 0; variants are positions in ``Trial.variants``. Rows with a negative code
        take no part.
    control : int
        The variant that the others are compared with.
    alpha : float
        Chance of a false difference over all variants; the intervals have level ``1 - alpha``,
        simultaneously.

    Returns
    -------
    OrdinalFit or NoResult
        A reason where nothing can be estimated.

    Notes
    -----
    A sensitivity analysis beside the mixed model; it never decides. The tests are Wald's, with
    normal tails. Of 2,000 simulated trials of 12 tasters, four variants and two sessions in
    which no variant differed, 5.3 % had an adjusted p below 0.05, and 13 % where tasters also
    differed in how they see each variant (by 0.7 of the spread of their answers), which the
    mixed model allows for and this one leaves out. Panels of 6 to 12 tasters without that gave
    5.2 to 6.8 %. A variant that no taster scored beside others is compared between tasters.

    P. McCullagh (1980), JRSS B 42, 109-142; D. Hedeker and R. D. Gibbons (1994), Biometrics
    50, 933-944; C. W. Dunnett (1955), JASA 50, 1096-1121. With more than 30 levels, or more
    than half as many levels as scores, neighbouring levels are put into at most 12 classes of
    about equal counts, of about three scores or more.

    Examples
    --------
    >>> score = np.array([3.0, 4, 5, 2, 3, 3, 4, 4, 3, 5, 5, 4])
    >>> taster = np.repeat([0, 1, 2, 3], 3)
    >>> fit = compare_ordinal(score, taster, np.tile([0, 1, 2], 4), control=0, alpha=0.05)
    >>> fit.levels
    (2.0, 3.0, 4.0, 5.0)
    >>> [contrast.variant for contrast in fit.contrasts]
    [1, 2]
    """
    kept = np.isfinite(score) & (taster >= 0) & (variant >= 0)
    score, taster, variant = score[kept], taster[kept], variant[kept]
    reason = _too_little(score, taster, variant, control)
    if not reason and np.unique(taster).size > MOST_TASTERS:
        reason = f"The model of ordered categories is skipped above {MOST_TASTERS:,} tasters."
    if reason:
        return NoResult(reason)
    levels, level, grouped = _levels(score)
    names = np.unique(variant)
    others = names[names != control]
    fit = fit_cumulative(level, taster, (variant[:, None] == others).astype(np.float64))
    if isinstance(fit, NoResult):
        return fit
    errors = np.sqrt(np.diag(fit.covariance))
    family = Dunnett(fit.covariance / np.outer(errors, errors))
    reach = family.critical_value(alpha, np.inf)
    rows = zip(others.tolist(), fit.effects.tolist(), errors.tolist(), strict=True)
    return OrdinalFit(
        contrasts=tuple(
            OrdinalContrast(
                variant=other,
                log_odds=log_odds,
                se=se,
                z=log_odds / se,
                p_value=2 * float(ndtr(-abs(log_odds / se))),
                p_adjusted=family.p_value(log_odds / se, np.inf),
                interval=Interval(log_odds - reach * se, log_odds + reach * se),
            )
            for other, log_odds, se in rows
        ),
        thresholds=tuple(fit.thresholds.tolist()),
        levels=tuple(levels.tolist()),
        grouped=grouped,
        taster_sd=fit.taster_sd,
        log_likelihood=fit.log_likelihood,
    )


def _too_little(score: FloatArray, taster: IntArray, variant: IntArray, control: int) -> str:
    """Say why these rows cannot be compared, or return an empty string."""
    at_control: NDArray[np.bool_] = variant == control
    if not at_control.any():
        return "Nobody scored the control."
    if at_control.all():
        return "Nobody scored any variant but the control."
    if (taster == taster[0]).all():
        return "Fewer than two tasters scored anything."
    if score.min() == score.max():
        return "All scores are the same, so there are no levels to tell apart."
    return ""


def _levels(score: FloatArray) -> tuple[FloatArray, IntArray, bool]:
    """Return the levels, each score's code, and whether neighbouring levels were grouped."""
    levels, code, count = np.unique(score, return_inverse=True, return_counts=True)
    if levels.size <= min(MOST_LEVELS, score.size / 2):
        return levels, code, False
    classes = int(np.clip(score.size // SCORES_A_CLASS, 2, MOST_CLASSES))
    middle = (np.cumsum(count) - count / 2) / score.size
    _, first, group = np.unique(np.floor(middle * classes), return_index=True, return_inverse=True)
    return levels[first], group[code], first.size < levels.size
