"""The rank test that all variants are alike, for complete and incomplete tastings."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from blindspoon.arrays import FloatArray
from blindspoon.stats.results import Friedman, NoResult
from blindspoon.stats.sign_flips import SMALLEST, settle_ties


def friedman(means: FloatArray) -> Friedman | NoResult:
    """Test by ranks within tasters whether all variants are alike.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)
        Each taster's mean score of each variant, in points; NaN where not scored.

    Returns
    -------
    Friedman or NoResult
        No result where no taster scored two variants, or none told any two apart.

    Notes
    -----
    Midranks within each taster, centred and weighted by sqrt(12 / (k + 1)) for a taster who
    scored k variants, are summed over the tasters. The sums' covariance is that of the midranks
    permuted within each taster, so it holds with ties; the statistic is the quadratic form with
    its generalised inverse, on as many degrees of freedom as its rank. That is

    * Friedman's statistic with the correction for ties, where every taster scored every
      variant: M. Friedman 1937, J. Am. Stat. Assoc. 32:675;
    * Durbin's in balanced incomplete blocks without ties: J. Durbin 1951, Br. J. Psychol. 4:85;
    * that of J. H. Skillings and G. A. Mack 1981, Technometrics 23:171, otherwise. They rank
      ties as here but leave the covariance uncorrected, which is conservative.

    A variant that nobody tasted and tasters with one score play no part. A p value below the
    smallest normal float, 2.2e-308, is given as that.

    Examples
    --------
    >>> means = np.array([[6.0, 7.0, 9.0], [5.0, 6.0, 7.0], [7.0, 8.0, 8.0], [4.0, 5.0, 7.0]])
    >>> result = friedman(means)
    >>> round(result.statistic, 4), result.df, round(result.p_value, 4), result.form
    (7.6, 2, 0.0224, 'Friedman')
    """
    scored = ~np.isnan(means)
    means = means[scored.sum(axis=1) >= 2]
    means = means[:, ~np.isnan(means).all(axis=0)]
    if means.size == 0:
        return NoResult("No taster scored two variants or more.")
    ranks, scored = midranks(settle_ties(means)), ~np.isnan(means)
    cells = scored.sum(axis=1)
    centred = np.where(scored, ranks - (cells[:, None] + 1) / 2, 0.0)
    weight = 12 / (cells + 1)
    spread = weight * (centred**2).sum(axis=1) / (cells - 1)
    shared = scored.T @ (scored * (spread / cells)[:, None])
    sums, covariance = np.sqrt(weight) @ centred, np.diag(spread @ scored) - shared
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-9 * max(values.max(), 1e-9)
    df, lengths = int(kept.sum()), sums @ vectors[:, kept]
    statistic = float((lengths**2 / values[kept]).sum())
    if df == 0:
        return NoResult("Every taster scored all variants alike.")
    return Friedman(
        statistic=statistic,
        df=df,
        p_value=max(float(chdtrc(df, statistic)), SMALLEST),
        tasters=len(means),
        form=_form(scored),
    )


def midranks(means: FloatArray) -> FloatArray:
    """Rank each row from low to high, ties averaged and NaN left in place.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)

    Returns
    -------
    array of the same shape
        From 1 to the number of scores in the row.

    Examples
    --------
    >>> midranks(np.array([[5.0, np.nan, 3.0, 5.0]]))
    array([[2.5, nan, 1. , 2.5]])
    """
    ranks = np.full_like(means, 0.5)
    for column in means.T:
        ranks += (column[:, None] < means) + 0.5 * (column[:, None] == means)
    return np.where(np.isnan(means), np.nan, ranks)


def _form(scored: NDArray[np.bool_]) -> Literal["Friedman", "Durbin", "Skillings-Mack"]:
    """Name what the statistic reduces to on this pattern of cells."""
    if scored.all():
        return "Friedman"
    together = scored.T.astype(np.int64) @ scored
    pairs = together[~np.eye(len(together), dtype=bool)]
    balanced = (
        np.ptp(scored.sum(axis=1)) == 0 and np.ptp(np.diag(together)) == 0 and np.ptp(pairs) == 0
    )
    return "Durbin" if balanced else "Skillings-Mack"
