"""Fit a cumulative logit model of ordered levels, with a normal taster intercept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.compare.climb import Summit, climb
from blindspoon.compare.quadrature import Point, Terms, integrate
from blindspoon.compare.results import NoResult
from blindspoon.scores import FloatArray, IntArray

ERROR_PER_TASTER = 1e-5
"""Error of the log-likelihood, a taster, above which more nodes are taken."""

MOST_NODES = 160
"""Twice as many are the most that can be computed with care."""

WIDEST_SE = 15.0
"""Standard error of a log odds above which the likelihood is taken to be flat."""

LEAST_SD = 1e-3
"""Spread of the tasters that is taken for zero."""

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
    log_likelihood : float
    nodes : int
        Quadrature nodes a taster that were needed.
    iterations : int
        Newton steps, without and with tasters.
    """

    thresholds: FloatArray
    effects: FloatArray
    covariance: FloatArray
    taster_sd: float
    log_likelihood: float
    nodes: int
    iterations: int


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
        """Set the model up; arguments as in `fit_cumulative`."""
        inner = np.bincount(level)[1:-1].astype(np.float64)
        return cls(_terms(level, taster, design), inner, nodes)

    def with_nodes(self, nodes: int) -> CumulativeModel:
        """Return the model with another number of nodes."""
        return CumulativeModel(self.terms, self.inner, nodes)

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
    still = np.append(_start(level), np.zeros(design.shape[1] + 1))
    alone = climb(model.with_nodes(1), still, still.size - 1)
    if alone.runs_off:
        return NoResult(RUNS_OFF)
    best = alone
    if taster is not None:
        spread, nodes = _with_tasters(model, alone.at)
        if spread.point.value > alone.point.value and abs(spread.at[-1]) > LEAST_SD:
            best = spread
    if best.runs_off:
        return NoResult(TASTERS_RUN_OFF)
    steps = alone.steps + (0 if best is alone else best.steps)
    return _result(best, model.inner.size + 1, nodes, steps)


def _with_tasters(model: CumulativeModel, at: FloatArray) -> tuple[Summit, int]:
    """Climb with a spread of the tasters, with more nodes until they are enough."""
    enough = ERROR_PER_TASTER * len(model.terms.count)
    start = np.append(at[:-1] * 1.2, 1.0)
    for growth in (1, 4, 16):
        nodes = min(growth * model.nodes, MOST_NODES)
        end = climb(model.with_nodes(nodes), start, start.size)
        finer = model.with_nodes(2 * nodes)(end.at)
        close = finer is not None and abs(finer.value - end.point.value) < enough
        if end.runs_off or (end.converged and close):
            break
        start = end.at
    return end, nodes


def _terms(level: IntArray, taster: IntArray, design: FloatArray) -> Terms:
    """Write each level's upper and lower bound as a logistic term of its taster."""
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
    return filled


def _start(level: IntArray) -> FloatArray:
    """Return the thresholds of the levels' shares alone."""
    below = np.cumsum(np.bincount(level))[:-1] / level.size
    start: FloatArray = np.log(below / (1 - below))
    return start


def _result(end: Summit, bounds: int, nodes: int, steps: int) -> CumulativeFit | NoResult:
    information = -end.point.hessian[: end.free, : end.free]
    if not end.converged or np.linalg.eigvalsh(information)[0] <= 0:
        return NoResult(UNSETTLED)
    effects = slice(bounds, end.at.size - 1)
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)[effects, effects]
    if np.diag(covariance).max(initial=0.0) > WIDEST_SE**2:
        return NoResult(UNSETTLED)
    return CumulativeFit(
        thresholds=end.at[:bounds],
        effects=end.at[effects],
        covariance=covariance,
        taster_sd=abs(float(end.at[-1])),
        log_likelihood=end.point.value,
        nodes=nodes,
        iterations=steps,
    )
