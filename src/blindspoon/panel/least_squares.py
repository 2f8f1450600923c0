"""Least squares with a level of its own for every block, at a cost linear in the scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtrit

from blindspoon.compare.joint_normal import SMALLEST
from blindspoon.compare.results import Interval, NoResult
from blindspoon.panel.cells import ZERO
from blindspoon.panel.results import LEVEL, FTest
from blindspoon.scores import FloatArray, IntArray
from blindspoon.tables import BoolArray

EXACT = NoResult("Nothing is left over to compare with: the scores repeat themselves exactly.")
TOO_FEW = NoResult("There are too few scores for so many levels.")


@dataclass(frozen=True, slots=True)
class Factor:
    """Levels of the scores, counted from 0; -1 for a score without one."""

    code: IntArray
    levels: int


def occurring(values: IntArray) -> tuple[IntArray, IntArray]:
    """List the whole numbers from 0 that occur, and where each value stands among them.

    Examples
    --------
    >>> occurring(np.array([4, 1, 4]))
    (array([1, 4]), array([1, 0, 1]))
    """
    seen = np.flatnonzero(np.bincount(values))
    place = np.zeros(int(values.max(initial=0)) + 1, np.int64)
    place[seen] = np.arange(seen.size)
    return seen, place[values]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A fit of ``score ~ block + factors``, made by `Equations.solve`.

    Parameters
    ----------
    estimates : float array, shape (p,)
        One a level of every factor, in points, of least length among all that fit best.
    unscaled : float array, shape (p, p)
        Their covariance over the residual variance.
    rss : float
        Residual sum of squares.
    rank : int
        Degrees of freedom of the factors beside the blocks.
    df : int
        Residual degrees of freedom; may be 0.
    """

    estimates: FloatArray
    unscaled: FloatArray
    rss: float
    rank: int
    df: int

    @property
    def variance(self) -> float:
        """The residual variance; only with degrees of freedom."""
        return self.rss / self.df

    def contrast(self, weights: FloatArray) -> tuple[float, Interval]:
        """Estimate a sum of effects, with its interval by Student's t.

        Parameters
        ----------
        weights : float array, shape (p,)
            Of a contrast that can be estimated.
        """
        estimate = float(weights @ self.estimates)
        error = float(np.sqrt(self.variance * (weights @ self.unscaled @ weights)))
        reach = float(stdtrit(self.df, (1 + LEVEL) / 2)) * error
        return estimate, Interval(estimate - reach, estimate + reach)


@dataclass(frozen=True, slots=True, kw_only=True)
class Equations:
    """Normal equations of some factors, blocks swept out.

    Parameters
    ----------
    matrix : float array, shape (p, p)
    right : float array, shape (p,)
    total : float
        Sum of squares within the blocks.
    df : int
        Its degrees of freedom.
    """

    matrix: FloatArray
    right: FloatArray
    total: float
    df: int

    def solve(self, levels: int | None = None) -> Fit:
        """Fit the first levels, or all.

        Parameters
        ----------
        levels : int, optional
            How many, to leave the last factor out.
        """
        matrix, right = self.matrix[:levels, :levels], self.right[:levels]
        values, vectors = np.linalg.eigh(matrix)
        kept = values > 1e-9 * max(float(values.max()), 1.0)
        vectors, values = vectors[:, kept], values[kept]
        unscaled = (vectors / values) @ vectors.T
        estimates = unscaled @ right
        rss = self.total - float(estimates @ right)
        rank = int(kept.sum())
        return Fit(
            estimates=estimates,
            unscaled=unscaled,
            rss=0.0 if rss < 1e-12 * self.total else rss,
            rank=rank,
            df=self.df - rank,
        )


def equations(score: FloatArray, block: IntArray, *factors: Factor) -> Equations:
    """Set up the fit of a level for every block and effects for every factor.

    Parameters
    ----------
    score : float array, shape (n,)
        In points, finite.
    block : int array, shape (n,)
        Counted from 0.
    *factors : Factor
        Of n codes each.

    Notes
    -----
    The blocks are swept out first, so that the equations have the size of the factors only.

    Examples
    --------
    >>> factor = Factor(np.array([0, 1, 0, 1]), 2)
    >>> fit = equations(np.array([1.0, 3.0, 5.0, 8.0]), np.array([0, 0, 1, 1]), factor).solve()
    >>> fit.estimates.round(6).tolist(), round(fit.rss, 6), fit.rank, fit.df
    ([-1.25, 1.25], 0.25, 1, 1)
    """
    sizes = np.bincount(block)
    weights = 1 / np.maximum(sizes, 1)
    centred = score - (np.bincount(block, score) * weights)[block]
    design, pattern = _patterns(factors)
    counts = np.concatenate([_per_block(block, sizes.size, each) for each in factors], axis=1)
    often = np.bincount(pattern, minlength=len(design))
    return Equations(
        matrix=(design.T * often) @ design - counts.T @ (counts * weights[:, None]),
        right=np.bincount(pattern, centred, len(design)) @ design,
        total=float(centred @ centred),
        df=score.size - int((sizes > 0).sum()),
    )


def _patterns(factors: tuple[Factor, ...]) -> tuple[FloatArray, IntArray]:
    """List the combinations of levels that occur, one-hot, and which each score has."""
    joint = np.zeros_like(factors[0].code)
    for factor in factors:
        joint = joint * (factor.levels + 1) + factor.code + 1
    seen, pattern = occurring(joint)
    columns: list[BoolArray] = []
    left = seen
    for factor in reversed(factors):
        left, code = np.divmod(left, factor.levels + 1)
        columns.insert(0, code[:, None] == np.arange(1, factor.levels + 1))
    return np.concatenate(columns, axis=1).astype(np.float64), pattern


def _per_block(block: IntArray, blocks: int, factor: Factor) -> FloatArray:
    """Count the levels in every block."""
    wide = factor.levels + 1
    counts = np.bincount(block * wide + factor.code + 1, minlength=blocks * wide)
    return counts.reshape(blocks, wide)[:, 1:].astype(np.float64)


def f_test(added: float, df_added: int, rss: float, df: int) -> FTest | NoResult:
    """Compare a sum of squares with the residual one.

    Parameters
    ----------
    added, rss : float
        Sums of squares.
    df_added, df : int
        Their degrees of freedom, the first 1 or more.

    Examples
    --------
    >>> f_test(6.0, 2, 9.0, 9).f
    3.0
    """
    if df < 1:
        return TOO_FEW
    if rss <= df * ZERO**2:
        return EXACT
    f = max(added, 0.0) / df_added / (rss / df)
    return FTest(
        f=f,
        df_num=float(df_added),
        df_den=float(df),
        p_value=max(float(fdtrc(df_added, df, f)), SMALLEST),
        residual_sd=float(np.sqrt(rss / df)),
    )
