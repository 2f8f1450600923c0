"""Whether the differences of many simulated trials are the same at every sitting."""

import numpy as np
from scipy.special import fdtri

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.assumptions import SPAN, WHATEVER, at_one_sitting, movement


def steady(scores: FloatArray, alpha: float, margin: float) -> BoolArray:
    """Tell of many trials, shape (m, t, k, s), what `HeldSittings.steady` says of one.

    A cup is NaN in all or none. Where tasters miss cups, no movement is shown.
    """
    m, _, k, s = scores.shape
    if s == 1 or not m:
        return np.ones((m, k - 1), dtype=bool)
    span = np.full(m, margin * SPAN)
    if np.isfinite(scores[0]).all():
        between, left, df = movement(scores.swapaxes(2, 3))
        moved = between >= np.maximum(left * fdtri(*df, 1 - alpha), 1e-12)
        span[moved] = margin * WHATEVER
    farthest = np.zeros((m, k))  # where a sitting tells nothing
    for place in range(s):
        found = at_one_sitting(scores[..., place], 0, alpha)
        if found is not None:
            farthest = np.fmax(farthest, np.abs(found[0]) + found[1])
    return np.asarray(farthest[:, 1:] < span[:, None])
