"""One difference found in several places, each with its own error -> places like these."""

from __future__ import annotations

import numpy as np

from blindspoon.arrays import FloatArray


def over_places(differences: FloatArray, variances: FloatArray) -> tuple[float, float]:
    """Pool the differences of K places, with the standard error that their own spread gives.

    Parameters
    ----------
    differences, variances : float array, shape (K,)
        In points, K >= 2, and the sampling variance of each.

    Returns
    -------
    difference, se : float
        To be referred to t with K - 1 degrees of freedom.

    Notes
    -----
    The variance between places by R. C. Paule and J. Mandel (1982, J. Res. Natl. Bur. Stand.
    87:377), the weights from it, and the standard error by J. Hartung and G. Knapp (2001,
    Statistics in Medicine 20:3875), at least what sampling alone gives.

    Examples
    --------
    >>> pooled = over_places(np.array([1.0, 2.0, 3.0]), np.full(3, 0.1))
    >>> tuple(round(value, 4) for value in pooled)
    (2.0, 0.5774)
    """
    from scipy.optimize import brentq  # noqa: PLC0415 - slow to import

    beyond = len(differences) - 1

    def weighted(between: float) -> tuple[FloatArray, float, float]:
        weights = 1 / (variances + between)
        centre = float(weights @ differences / weights.sum())
        return weights, centre, float(weights @ (differences - centre) ** 2)

    between = 0.0
    if weighted(0.0)[2] > beyond:
        largest = float(((differences - differences.mean()) ** 2).sum())
        between = float(brentq(lambda value: weighted(value)[2] - beyond, 0.0, largest))
    weights, centre, squares = weighted(between)
    own = squares / beyond / weights.sum()
    sampling = float(weights**2 @ variances) / weights.sum() ** 2
    return centre, float(np.sqrt(max(own, sampling)))
