"""Whether the differences of many simulated trials are the same at every sitting."""

import numpy as np
from scipy.special import fdtri

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.assumptions import SPAN, WHATEVER, movement
from blindspoon.stats.dunnett import Dunnett


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
    farthest = np.stack([_farthest(scores[..., place], alpha) for place in range(s)], axis=2)
    return np.asarray((farthest < span[:, None, None]).all(axis=2))


def _farthest(cells: FloatArray, alpha: float) -> FloatArray:
    """Give how far from zero one sitting's intervals reach, (m, k - 1), of cells (m, t, k).

    By its own scatter, as `compare_sittings` does; 0 where it tells nothing.
    """
    t, farthest = cells.shape[1], np.zeros((len(cells), cells.shape[2] - 1))
    taster, variant = np.nonzero(np.isfinite(cells[0]))
    others = np.unique(variant)[1:]
    df = taster.size - t - others.size
    if df < 1:
        return farthest
    level = np.eye(t)[taster]
    swept = np.eye(taster.size) - level @ (level / level.sum(axis=0)).T
    design = swept @ (variant[:, None] == others)
    unscaled = np.linalg.inv(design.T @ design)
    scores = cells[:, taster, variant]
    estimates = scores @ design @ unscaled
    left = ((scores @ swept - estimates @ design.T) ** 2).sum(axis=1)
    spread = np.sqrt(np.diag(unscaled))
    reach = Dunnett(unscaled / np.outer(spread, spread)).critical_value(2 * alpha, df) * spread
    farthest[:, others - 1] = np.abs(estimates) + reach * np.sqrt(left / df)[:, None]
    return farthest
