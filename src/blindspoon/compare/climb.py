"""Climb a log-likelihood by Newton steps, and notice when an estimate runs off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blindspoon.compare.quadrature import Point
from blindspoon.scores import FloatArray

MOST_STEPS = 40
LONGEST_STEP = 4.0
FARTHEST_SD = 20.0
"""Spread of the tasters, in log odds, beyond which it is taken to run off. It is eleven times
the spread of one taster's answers (a logistic variate's), and leaves the levels no overlap."""

Model = Callable[[FloatArray], Point | None]


@dataclass(frozen=True, slots=True)
class Summit:
    """Where a climb ended.

    Parameters
    ----------
    at : float array
        Parameters; the last is the standard deviation of the tasters.
    point : Point
        The log-likelihood there.
    free : int
        How many of the parameters, from the first on, were free to move.
    steps : int
    converged : bool
        Whether steps and gain became negligible where the surface curves down.
    runs_off : bool
        Whether steps stay long while the gain vanishes, or the spread passes all bounds.
    """

    at: FloatArray
    point: Point
    free: int
    steps: int
    converged: bool
    runs_off: bool


def climb(model: Model, start: FloatArray, free: int) -> Summit:
    """Climb from `start` in the first `free` parameters.

    Parameters
    ----------
    model : callable
        Parameters to Point, or None where they are not allowed.
    start : float array
        An allowed place; the last parameter is the standard deviation of the tasters.
    free : int

    Returns
    -------
    Summit

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
    >>> climb(parabola, np.array([1.0, 2.0]), 2).at
    array([0., 0.])
    """
    at, point = start, model(start)
    if point is None:
        raise ValueError("The start is not an allowed place.")
    for steps in range(MOST_STEPS):
        step = np.zeros_like(at)
        step[:free], curved = _newton_step(point.gradient[:free], point.hessian[:free, :free])
        gain, length = float(point.gradient @ step), float(np.abs(step).max())
        if gain < 1e-10 and length < 1e-6 and curved:
            return Summit(at, point, free, steps, converged=True, runs_off=False)
        if (gain < 1e-8 and length > 0.1) or abs(at[-1]) > FARTHEST_SD:
            return Summit(at, point, free, steps, converged=False, runs_off=True)
        walked = _walk(model, at, point, step)
        if walked is None:
            break
        at, point = walked
    return Summit(at, point, free, steps, converged=False, runs_off=False)


def _newton_step(gradient: FloatArray, hessian: FloatArray) -> tuple[FloatArray, bool]:
    """Return an uphill step, and whether the surface curves down in every direction."""
    values, vectors = np.linalg.eigh(hessian)
    size = np.maximum(np.abs(values), 1e-14 * np.abs(values).max())
    step = vectors @ (vectors.T @ gradient / size)
    return step * min(1.0, LONGEST_STEP / np.abs(step).max(initial=1e-300)), bool(values[-1] < 0)


def _walk(
    model: Model, at: FloatArray, point: Point, step: FloatArray
) -> tuple[FloatArray, Point] | None:
    """Take the step, halved until it leads up as it should; None where it never does.

    Where tasters lie far apart, slope and value differ by the error of the nodes: patience is
    of no use there, more nodes are.
    """
    gain = float(point.gradient @ step)
    patience = 12 if gain > 0.1 or abs(at[-1]) < 2 else 4
    for share in 0.5 ** np.arange(patience):
        there = model(at + share * step)
        if there is not None and there.value >= point.value + 0.01 * share * gain - 1e-8:
            return at + share * step, there
    return None
