"""Scores of one attribute split into tasters, variants and what is left, gaps allowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.scores import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class AdditiveFit:
    """The least-squares fit ``score ~ taster + variant``.

    Parameters
    ----------
    effects : array, shape (n_variants,)
        The variants' means less the mean of all variants, taster against taster, in points.
    deviations, residuals : array, shape (n_tasters, n_variants)
        What is left without the taster's mean, and without the variants' effects too, in
        points; 0 where not scored.
    inverse : array, shape (n_variants, n_variants)
        Of the variants' equations: effects from sums of deviations.
    rank : int
        Differences between variants that the tasters can tell; one less than the variants
        where all are linked.
    cells : int
        Scores that were given.
    df : int
        Scores less tasters less `rank`.
    """

    effects: FloatArray
    deviations: FloatArray
    residuals: FloatArray
    inverse: FloatArray
    rank: int
    cells: int
    df: int

    @property
    def influence(self) -> FloatArray:
        """How far each taster pulls the effects, shape (n_tasters, n_variants).

        Where tasters are weighted otherwise, the effects move by the weighted column sums.
        """
        pulls: FloatArray = self.residuals @ self.inverse
        return pulls

    @property
    def linked(self) -> bool:
        """Whether every two variants can be compared within tasters, if only by a chain."""
        return self.rank == len(self.effects) - 1


def fit_additive(means: FloatArray) -> AdditiveFit:
    """Take tasters and variants out of a table of scores.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)
        In points; NaN where not scored.

    Returns
    -------
    AdditiveFit

    Notes
    -----
    Tasters are swept out first, so that the equations are those of the variants alone
    (F. Yates 1934, J. Am. Stat. Assoc. 29:51). Complete tables give plain means. The
    influence is that of the estimating equations at the fit; without gaps, weighting tasters
    moves the means by exactly this.

    Examples
    --------
    >>> fit = fit_additive(np.array([[1.0, 3.0], [5.0, 9.0], [2.0, np.nan]]))
    >>> fit.effects.round(9).tolist(), fit.df
    ([-1.5, 1.5], 1)
    """
    table = np.ascontiguousarray(means.T)  # variants down: sums over them are whole-row sums
    scored = np.isfinite(table)
    seen = scored.astype(float)
    given = seen.sum(axis=0)
    count = np.maximum(given, 1.0)
    centred = _centred(np.where(scored, table, 0.0), seen, count)
    equations = np.diag(seen.sum(axis=1)) - (seen / count) @ seen.T
    inverse = np.linalg.pinv(equations, rcond=1e-10, hermitian=True)
    effects = inverse @ centred.sum(axis=1)
    rank = int(np.linalg.matrix_rank(equations, tol=1e-10 * len(means), hermitian=True))
    cells, tasters = int(given.sum()), int(np.count_nonzero(given))
    return AdditiveFit(
        effects=effects,
        deviations=centred.T,
        residuals=(centred - _centred(effects[:, None], seen, count)).T,
        inverse=inverse,
        rank=rank,
        cells=cells,
        df=cells - tasters - rank,
    )


def _centred(values: FloatArray, seen: FloatArray, count: FloatArray) -> FloatArray:
    """Take tasters' means over what they scored away, 0 elsewhere; variants down."""
    kept = values * seen
    kept -= kept.sum(axis=0) / count
    kept *= seen
    return kept
