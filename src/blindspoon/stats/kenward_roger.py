"""Kenward and Roger's small-sample covariance and degrees of freedom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.stats.reml import Criterion

LEAST_DF = 0.5  # degrees of freedom below which an interval would be wider than any scale


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastTest:
    """Estimates of k contrasts and what their errors are.

    Parameters
    ----------
    estimates : float array, shape (k,)
    covariance : float array, shape (k, k)
        Adjusted for the variances being estimates.
    df : float array, shape (k,)
        Degrees of freedom of each contrast by itself.
    f, df_num, df_den : float
        The scaled F statistic that all contrasts are zero and its degrees of freedom.
    """

    estimates: FloatArray
    covariance: FloatArray
    df: FloatArray
    f: float
    df_num: float
    df_den: float

    @property
    def usable(self) -> bool:
        """Whether the scores say enough of the variances for an interval."""
        return bool(np.linalg.eigvalsh(self.covariance)[0] > 0 and self.df.min() >= LEAST_DF)


def against(control: int, variants: int, columns: int) -> FloatArray:
    """Return the contrasts of all variants but the control with it, shape (k - 1, columns)."""
    others = np.delete(np.arange(variants), control)
    contrasts = np.zeros((others.size, columns))
    contrasts[np.arange(others.size), others] = 1.0
    contrasts[:, control] = -1.0
    return contrasts


def kenward_roger(at: Criterion, contrasts: FloatArray) -> ContrastTest:
    """Test linear contrasts of the fixed effects in a REML fit.

    Parameters
    ----------
    at : Criterion
        The criterion at the REML estimates.
    contrasts : float array, shape (k, p)
        One contrast a row, linearly independent.

    Notes
    -----
    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997, with the covariance of the
    variances from their expected information. Variances estimated as zero stay in it, so that
    the degrees of freedom do not jump when an estimate reaches zero. With one contrast the
    degrees of freedom of the paper reduce to ``2 / A2`` and its scale to one. The F of k
    contrasts takes the same two values, ``2 k / A2`` and one, where ``2 k / A2`` is 2.5 or
    less: the paper matches the mean of an F distribution, which does not exist from two
    degrees of freedom on and is ill-determined before. For balanced trials both are exact.
    """
    spread = 2 * np.linalg.inv(at.expected).astype(np.float64, copy=False)
    # their equation 5; the weight matrices Q of the paper are, summed over i and j, half the
    # second derivatives of ``X' V^-1 X``, since the covariance is linear in the variances
    crossed = at.d_fixed[:, None] @ at.covariance @ at.d_fixed[None, :]
    inner = np.einsum("ij,ijab->ab", spread, at.d2_fixed / 2 - crossed)
    adjusted = at.covariance + 2 * at.covariance @ inner @ at.covariance
    estimates = contrasts @ at.coefficients
    own = contrasts @ at.covariance @ contrasts.T
    slopes = contrasts @ at.covariance @ at.d_fixed @ at.covariance @ contrasts.T
    single = np.diagonal(slopes, axis1=1, axis2=2) / np.diag(own)
    df = 2 / np.einsum("ik,ij,jk->k", single, spread, single)
    covariance = contrasts @ adjusted @ contrasts.T
    scale, df_den = _f_scale(own, slopes, spread)
    wald = float(estimates @ np.linalg.solve(covariance, estimates))
    return ContrastTest(
        estimates=estimates,
        covariance=covariance,
        df=df,
        f=scale * wald / len(contrasts),
        df_num=float(len(contrasts)),
        df_den=df_den,
    )


def _f_scale(own: FloatArray, slopes: FloatArray, spread: FloatArray) -> tuple[float, float]:
    """Return the scale and the denominator df of the F statistic (their section 3.2)."""
    k = len(own)
    relative = np.linalg.solve(own, slopes)
    traces = np.trace(relative, axis1=1, axis2=2)
    a1 = float(traces @ spread @ traces)
    a2 = float(np.einsum("ij,iab,jba->", spread, relative, relative))
    b = (a1 + 6 * a2) / (2 * k)
    g = ((k + 1) * a1 - (k + 4) * a2) / ((k + 2) * a2)
    d = 3 * k + 2 * (1 - g)
    mean, top = 1 - a2 / k, 1 + g / d * b
    low, lowest = 1 - (k - g) / d * b, 1 - (k + 2 - g) / d * b
    excess = top * mean**2 - low**2 * lowest
    if k > 1 and mean > 0.2 and excess > 0:
        df = 4 + (k + 2) * low**2 * lowest / excess
        return df * mean / (df - 2), df
    return 1.0, 2 * k / a2
