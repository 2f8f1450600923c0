"""The scores of one attribute as cells: each taster's cups of each variant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.compare.ties import settle_ties
from blindspoon.scores import FloatArray, IntArray

ZERO = 1e-9
"""Points below which a spread is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Scores gathered by taster and variant.

    Parameters
    ----------
    count : int array, shape (n_tasters, n_variants)
    mean : float array of the same shape
        In points, rounded to a billionth; NaN where nothing was scored.
    within : float array of the same shape
        Sum of squares around the mean; 0 where there are fewer than two scores.
    """

    count: IntArray
    mean: FloatArray
    within: FloatArray

    @property
    def df(self) -> IntArray:
        """Degrees of freedom of each taster's repeatability, shape (n_tasters,)."""
        spare: IntArray = np.maximum(self.count - 1, 0).sum(axis=1)
        return spare

    @property
    def complete(self) -> FloatArray:
        """Means of the tasters who scored every variant that anybody scored."""
        tasted = self.mean[:, self.count.any(axis=0)]
        full: FloatArray = tasted[~np.isnan(tasted).any(axis=1)]
        return full


def gather(
    score: FloatArray, taster: IntArray, variant: IntArray, n_tasters: int, n_variants: int
) -> Cells:
    """Gather scores into cells.

    Parameters
    ----------
    score : float array, shape (n,)
        In points, finite.
    taster, variant : int array, shape (n,)
        Counted from 0.

    Examples
    --------
    >>> cells = gather(np.array([5.0, 7.0, 4.0]), np.zeros(3, int), np.array([0, 0, 1]), 1, 2)
    >>> cells.mean.tolist(), cells.within.tolist(), cells.df.tolist()
    ([[6.0, 4.0]], [[2.0, 0.0]], [1])
    """
    cell, size = taster * n_variants + variant, n_tasters * n_variants
    count = np.bincount(cell, minlength=size)
    mean = np.full(size, np.nan)
    np.divide(np.bincount(cell, score, size), count, out=mean, where=count > 0)
    within: FloatArray = np.bincount(cell, (score - mean[cell]) ** 2, size).astype(np.float64)
    shape = (n_tasters, n_variants)
    return Cells(
        count=count.reshape(shape),
        mean=settle_ties(mean).reshape(shape),
        within=within.reshape(shape),
    )
