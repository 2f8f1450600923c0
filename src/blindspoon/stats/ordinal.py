"""Each variant against the control, scores taken as ordered categories: a cumulative logit.

Taster intercepts are normal; the likelihood is integrated over them, and maximised.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import expit, log_expit

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.results import NoResult
from blindspoon.stats.strata import slots


@dataclass(frozen=True, slots=True)
class Terms:
    """Logistic terms, laid out a taster a row and filled up where a taster has fewer.

    A term is ``log expit(sign * (design @ parameters + sd * u))``, where u is standard normal and
    shared by the terms of a taster. The design has shape (tasters, terms, parameters), the signs
    (tasters, terms): 1, -1, or 0 where there is no term.
    """

    design: FloatArray
    sign: FloatArray

    @property
    def there(self) -> FloatArray:
        """1 for a term, 0 where there is none."""
        return np.abs(self.sign)


@dataclass(frozen=True, slots=True)
class Point:
    """A log-likelihood with its gradient and Hessian at one place."""

    value: float
    gradient: FloatArray
    hessian: FloatArray


def integrate(terms: Terms, parameters: FloatArray, sd: float, nodes: int) -> Point:
    """Return the marginal log-likelihood by adaptive Gauss-Hermite quadrature.

    `sd` is the standard deviation of the tasters, in which the likelihood is even; derivatives are
    in the parameters, then in it. At most 320 nodes a taster; one is Laplace's method.

    J. C. Pinheiro and D. M. Bates (1995), J. Comput. Graph. Stat. 4, 12-35: nodes are centred
    at each taster's mode and scaled by the curvature there; then placed once more, by the mean and
    spread found (J. C. Naylor and A. F. M. Smith 1982, Appl. Stat. 31, 214-225), which leaves a
    fifth of the error where tasters lie far apart. The derivatives are those with the nodes held:
    R. A. Fisher's identity and T. A. Louis's (1982), JRSS B 44, 226-233.
    """
    fixed = terms.design @ parameters
    center, spread = _modes(terms, fixed, sd)
    if nodes > 1 and sd:
        u, _, share = _at_nodes(terms, fixed, sd, center, spread, nodes)
        center = (share * u).sum(axis=1)
        spread = np.sqrt((share * (u - center[:, None]) ** 2).sum(axis=1))
    u, own, share = _at_nodes(terms, fixed, sd, center, spread, nodes)
    left = expit(-terms.sign[:, :, None] * (fixed[:, :, None] + sd * u[:, None, :]))
    residual = terms.sign[:, :, None] * left
    in_parameters = residual.transpose(0, 2, 1) @ terms.design
    slopes = np.concatenate([in_parameters, (residual.sum(axis=1) * u)[:, :, None]], axis=2)
    mean = np.einsum("ik,ikp->ip", share, slopes)
    flat = slopes.reshape(-1, slopes.shape[2])
    scatter = flat.T @ (share.reshape(-1, 1) * flat) - mean.T @ mean
    curvature = terms.there[:, :, None] * left * (1 - left)  # the terms' expected, negative
    weights = np.stack([share, share * u, share * u**2], axis=2)
    plain, crossed, squared = (curvature @ weights).reshape(-1, 3).T
    design = terms.design.reshape(plain.size, -1)
    square, cross = design.T @ (plain[:, None] * design), design.T @ crossed
    information = np.block([[square, cross[:, None]], [cross, squared.sum()]])
    return Point(float(own.sum()), mean.sum(axis=0), scatter - information)


def _at_nodes(
    terms: Terms, fixed: FloatArray, sd: float, center: FloatArray, spread: FloatArray, nodes: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the nodes, each taster's log-likelihood and the nodes' shares in it."""
    z, log_rule = _rule(nodes)
    u = center[:, None] + spread[:, None] * z
    log_weight = log_rule + np.log(spread)[:, None] - u**2 / 2  # the normal density included
    at = terms.sign[:, :, None] * (fixed[:, :, None] + sd * u[:, None, :])
    log_joint = (terms.there[:, None, :] @ log_expit(at))[:, 0] + log_weight
    peak = log_joint.max(axis=1, keepdims=True)
    share = np.exp(log_joint - peak)
    total = share.sum(axis=1, keepdims=True)
    return u, (peak + np.log(total))[:, 0], share / total


@lru_cache(maxsize=8)
def _rule(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Hermite nodes and the logs of their weights over the normal density."""
    z, weight = np.polynomial.hermite_e.hermegauss(nodes)
    return z, np.log(weight / np.sqrt(2 * np.pi)) + z**2 / 2


def _modes(terms: Terms, fixed: FloatArray, sd: float) -> tuple[FloatArray, FloatArray]:
    """Return where each taster's integrand is largest and its spread there, by guarded Newton."""
    there = terms.there
    high = abs(sd) * there.sum(axis=1)
    low, u, last = -high, np.zeros_like(high), 2 * high
    for _ in range(100):
        left = expit(-terms.sign * (fixed + sd * u[:, None]))
        slope = sd * (terms.sign * left).sum(axis=1) - u
        curvature = 1 + sd**2 * (there * left * (1 - left)).sum(axis=1)
        low, high = np.where(slope > 0, u, low), np.where(slope < 0, u, high)
        step = slope / curvature
        long = (np.abs(step) > np.maximum(last / 2, 1e-9)) | (u + step < low) | (u + step > high)
        step = np.where(long, (low + high) / 2 - u, step)
        u, last = u + step, np.abs(step)
        if last.max(initial=0.0) < 1e-7:
            break
    return u, 1 / np.sqrt(curvature)


MOST_STEPS = 40
LONGEST_STEP = 4.0
FARTHEST_SD = 20.0
"""Spread of the tasters, in log odds, beyond which it is taken to run off. It is eleven times
the spread of one taster's answers (a logistic variate's), and leaves the levels no overlap."""

Model = Callable[[FloatArray], Point | None]


@dataclass(frozen=True, slots=True)
class Optimum:
    """Where a search ended, of which the first `free` parameters were free to move.

    It converged if steps and gain became negligible where the surface curves down; it `runs_off` if
    steps stay long while the gain vanishes, or the spread passes all bounds.
    """

    at: FloatArray
    point: Point
    free: int
    converged: bool
    runs_off: bool


def maximise(model: Model, start: FloatArray, free: int) -> Optimum:
    """Search for a maximum from `start` on, in the first `free` parameters.

    The model gives None where parameters are not allowed. Newton's step shrinks quadratically near
    a maximum; towards a limit at infinity the likelihood rises as ``1 - exp(-distance)`` and the
    step stays near one, which tells the two apart. A step against the curvature is turned uphill by
    taking eigenvalues of the Hessian by size.
    """
    at, point = start, model(start)
    if point is None:
        raise ValueError("The start is not an allowed place.")
    for _ in range(MOST_STEPS):
        step = np.zeros_like(at)
        values, vectors = np.linalg.eigh(point.hessian[:free, :free])
        size = np.maximum(np.abs(values), 1e-14 * np.abs(values).max())
        uphill, curved = vectors @ (vectors.T @ point.gradient[:free] / size), values[-1] < 0
        step[:free] = uphill * min(1.0, LONGEST_STEP / np.abs(uphill).max(initial=1e-300))
        gain, length = float(point.gradient @ step), float(np.abs(step).max())
        if gain < 1e-10 and length < 1e-6 and curved:
            return Optimum(at, point, free, converged=True, runs_off=False)
        if (gain < 1e-8 and length > 0.1) or abs(at[-1]) > FARTHEST_SD:
            return Optimum(at, point, free, converged=False, runs_off=True)
        # Where tasters lie far apart, slope and value differ by the error of the nodes: patience is
        # of no use there, more nodes are.
        for share in 0.5 ** np.arange(12 if gain > 0.1 or abs(at[-1]) < 2 else 4):
            there = model(at + share * step)
            if there is not None and there.value >= point.value + 0.01 * share * gain - 1e-8:
                at, point = at + share * step, there
                break
        else:
            break
    return Optimum(at, point, free, converged=False, runs_off=False)


ERROR_PER_TASTER = 1e-5  # error of the log-likelihood, a taster, above which more nodes are taken
MOST_NODES = 160  # twice as many are the most that can be computed with care
WIDEST_SE = 15.0  # standard error of a log odds above which the likelihood is taken to be flat
LEAST_SD = 1e-3  # spread of the tasters that is taken for zero

RUNS_OFF = (
    "The scores of some variants are never below those of others, so their log odds have no limit."
)
TASTERS_RUN_OFF = (
    "The tasters keep so closely to levels of their own that the spread between them has no limit."
)
UNSETTLED = "The scores say too little to settle the levels and the spread between tasters."


@dataclass(frozen=True, slots=True, kw_only=True)
class CumulativeFit:
    """A fitted model ``logit P(level <= j) = threshold_j - design @ effects - intercept``.

    - `thresholds`, shape (levels - 1,): rising, in log odds
    - `effects`, shape (columns,): log odds of a higher level, one a column of the design
    - `covariance`: of the effects, from the observed information
    - `taster_sd`: standard deviation of the tasters' intercepts, in log odds; may be zero
    """

    thresholds: FloatArray
    effects: FloatArray
    covariance: FloatArray
    taster_sd: float
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class CumulativeModel:
    """The likelihood of the levels: logistic terms, and one term for each inner level.

    The terms are the bounds of the scores' levels; `inner`, shape (levels - 2,), counts the scores
    at each level but the lowest and the highest.

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
        """Set it up as `fit_cumulative` has it; either bound of a level is a term of its taster."""
        top = int(level.max())
        upper, lower = np.flatnonzero(level < top), np.flatnonzero(level > 0)
        row = np.concatenate([upper, lower])
        bound = np.concatenate([level[upper], level[lower] - 1])
        columns = np.hstack([np.eye(top)[bound], -design[row]])
        _, who, sizes = np.unique(taster[row], return_inverse=True, return_counts=True)
        place, shape = slots(who), (sizes.size, int(sizes.max()))
        filled = Terms(np.zeros((*shape, columns.shape[1])), np.zeros(shape))
        filled.design[who, place] = columns
        filled.sign[who, place] = np.repeat([1.0, -1.0], [upper.size, lower.size])
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

    Levels, shape (n,), are codes from 0, at least two, each of which occurs; without tasters, their
    intercepts are left out. The design, shape (n, columns), has independent columns without a
    constant. Four and sixteen times as many nodes (160 at most) are taken where twice as many would
    change the log-likelihood by more than 1e-5 a taster. It is even in the SD, so that zero is
    always a stationary place: it is the answer where no SD gives a higher likelihood.

    P. McCullagh (1980), JRSS B 42, 109-142; D. Hedeker and R. D. Gibbons (1994), Biometrics
    50, 933-944. Two cups, one scored high by three in four and the other by one in four, differ by
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
    enough = ERROR_PER_TASTER * len(model.terms.sign)
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
    """One variant against the control: log odds of a higher score, variant minus control.

    The p value is two-sided normal, adjusted by Dunnett's method over the variants.
    """

    variant: int
    log_odds: float
    se: float
    p_adjusted: float


def compare_ordinal(
    score: FloatArray, taster: IntArray, variant: IntArray, *, control: int
) -> tuple[OrdinalContrast, ...] | NoResult:
    """Compare every variant with the control by a cumulative logit mixed model.

    The scores that occur are the ordered levels; control and another variant are among the scored.
    A sensitivity analysis beside the mixed model; it never decides. The tests are Wald's, with
    normal tails. Of 2,000 simulated trials of 12 tasters, four variants and two sessions in
    which no variant differed, 5.3 % had an adjusted p below 0.05, and 13 % where tasters also
    differed in how they see each variant (by 0.7 of the spread of their answers), which the
    mixed model allows for and this one leaves out. A variant that no taster scored beside others
    is compared between tasters.

    With more than 30 levels, or more than half as many levels as scores, neighbouring levels are
    put into at most 12 classes of about equal counts, of about three scores or more.
    """
    kept = np.isfinite(score)
    score, taster, variant = score[kept], taster[kept], variant[kept]
    tasters = np.unique(taster).size
    if tasters < 2:
        return NoResult("Fewer than two tasters scored anything.")
    if tasters > MOST_TASTERS:
        return NoResult(f"Ordered categories are skipped above {MOST_TASTERS:,} tasters.")
    if score.min() == score.max():
        return NoResult("All scores are the same, so there are no levels to tell apart.")
    names = np.unique(variant)
    others = names[names != control]
    fit = fit_cumulative(_levels(score), taster, (variant[:, None] == others).astype(np.float64))
    if isinstance(fit, NoResult):
        return fit
    errors = np.sqrt(np.diag(fit.covariance))
    family = Dunnett(fit.covariance / np.outer(errors, errors))
    rows = zip(others.tolist(), fit.effects.tolist(), errors.tolist(), strict=True)
    return tuple(
        OrdinalContrast(
            variant=other, log_odds=odds, se=se, p_adjusted=family.p_value(odds / se, np.inf)
        )
        for other, odds, se in rows
    )


def _levels(score: FloatArray) -> IntArray:
    """Return the level of each score, from 0; where they are many, neighbours share one."""
    levels, code, count = np.unique(score, return_inverse=True, return_counts=True)
    if levels.size <= min(MOST_LEVELS, score.size / 2):
        return code
    classes = int(np.clip(score.size // SCORES_A_CLASS, 2, MOST_CLASSES))
    middle = (np.cumsum(count) - count / 2) / score.size
    return np.unique(np.floor(middle * classes), return_inverse=True)[1][code]
