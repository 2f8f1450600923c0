"""The log-likelihood of a logistic model with normal taster intercepts, maximised."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import expit, log_expit

from blindspoon.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Terms:
    """Logistic terms, laid out a taster a row and filled up with terms of count zero.

    A term is ``count * log expit(sign * (design @ parameters + sd * u))``, where u is standard
    normal and shared by the terms of a taster.

    Parameters
    ----------
    design : float array, shape (tasters, terms, parameters)
    sign, count : float array, shape (tasters, terms)
    """

    design: FloatArray
    sign: FloatArray
    count: FloatArray


@dataclass(frozen=True, slots=True)
class Point:
    """A log-likelihood with its gradient and Hessian at one place."""

    value: float
    gradient: FloatArray
    hessian: FloatArray


def integrate(terms: Terms, parameters: FloatArray, sd: float, nodes: int) -> Point:
    """Return the marginal log-likelihood by adaptive Gauss-Hermite quadrature.

    Parameters
    ----------
    parameters : float array, shape (parameters,)
    sd : float
        Standard deviation of the tasters; the likelihood is even in it.
    nodes : int
        Nodes a taster, at most 320; one is Laplace's method.

    Returns
    -------
    Point
        Derivatives are in the parameters, then in `sd`.

    Notes
    -----
    J. C. Pinheiro and D. M. Bates (1995), J. Comput. Graph. Stat. 4, 12-35: nodes are centred
    at each taster's mode and scaled by the curvature there. Then they are placed once more, by
    the mean and spread found (J. C. Naylor and A. F. M. Smith 1982, Appl. Stat. 31, 214-225),
    which leaves a fifth of the error or less where tasters lie far apart. The derivatives are
    those with the nodes held where they are, by the identities of R. A. Fisher and of T. A.
    Louis (1982), JRSS B 44, 226-233, and so as exact as the integral.

    Examples
    --------
    Half of the tasters would say yes, whatever their spread, where the average one is undecided:

    >>> one = Terms(np.zeros((1, 1, 1)), np.ones((1, 1)), np.ones((1, 1)))
    >>> round(float(np.exp(integrate(one, np.zeros(1), 0.5, 10).value)), 9)
    0.5
    """
    fixed = terms.design @ parameters
    center, spread = _modes(terms, fixed, sd)
    if nodes > 1 and sd:
        u, _, share = _at_nodes(terms, fixed, sd, center, spread, nodes)
        center = (share * u).sum(axis=1)
        spread = np.sqrt((share * (u - center[:, None]) ** 2).sum(axis=1))
    u, own, share = _at_nodes(terms, fixed, sd, center, spread, nodes)
    left = expit(-terms.sign[:, :, None] * (fixed[:, :, None] + sd * u[:, None, :]))
    residual = (terms.count * terms.sign)[:, :, None] * left
    in_parameters = residual.transpose(0, 2, 1) @ terms.design
    slopes = np.concatenate([in_parameters, (residual.sum(axis=1) * u)[:, :, None]], axis=2)
    mean = np.einsum("ik,ikp->ip", share, slopes)
    flat = slopes.reshape(-1, slopes.shape[2])
    scatter = flat.T @ (share.reshape(-1, 1) * flat) - mean.T @ mean
    curvature = terms.count[:, :, None] * left * (1 - left)  # the terms' expected, negative
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
    log_joint = (terms.count[:, None, :] @ log_expit(at))[:, 0] + log_weight
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
    """Return where each taster's integrand is largest and its spread there.

    By Newton steps; by halving the bracket where they leave it or do not shrink.
    """
    high = abs(sd) * terms.count.sum(axis=1)
    low, u, last = -high, np.zeros_like(high), 2 * high
    for _ in range(100):
        left = expit(-terms.sign * (fixed + sd * u[:, None]))
        slope = sd * (terms.count * terms.sign * left).sum(axis=1) - u
        curvature = 1 + sd**2 * (terms.count * left * (1 - left)).sum(axis=1)
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
    """Where a search ended.

    Parameters
    ----------
    at : float array
        Parameters; the last is the standard deviation of the tasters.
    point : Point
        The log-likelihood there.
    free : int
        How many of the parameters, from the first on, were free to move.
    converged : bool
        Whether steps and gain became negligible where the surface curves down.
    runs_off : bool
        Whether steps stay long while the gain vanishes, or the spread passes all bounds.
    """

    at: FloatArray
    point: Point
    free: int
    converged: bool
    runs_off: bool


def maximise(model: Model, start: FloatArray, free: int) -> Optimum:
    """Search for a maximum from `start` on, in the first `free` parameters.

    Parameters
    ----------
    model : callable
        Parameters to Point, or None where they are not allowed.
    start : float array
        An allowed place; the last parameter is the standard deviation of the tasters.

    Notes
    -----
    Newton's step shrinks quadratically near a maximum. Towards a limit at infinity the
    likelihood rises as ``1 - exp(-distance)`` and the step stays near one, which tells the two
    apart long before any number overflows. A step against the curvature is turned uphill by
    taking eigenvalues of the Hessian by size.

    Examples
    --------
    >>> def parabola(at):
    ...     return Point(-float(at @ at), -2 * at, -2 * np.eye(2))
    >>> maximise(parabola, np.array([1.0, 2.0]), 2).at
    array([0., 0.])
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
