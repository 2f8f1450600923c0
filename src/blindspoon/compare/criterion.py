"""The restricted likelihood of a mixed model as a function of its variances.

The criterion, its gradient and its Hessian are exact and taken in the variances, not in the
standard deviations, whose gradient is zero wherever a standard deviation is zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from blindspoon.compare.strata import Strata
from blindspoon.scores import FloatArray


@dataclass(frozen=True, slots=True)
class Products:
    """Products of the columns C (fixed, batches, score) through the inverse covariance V.

    Parameters
    ----------
    log_det : float
        Log determinant of V.
    d_log, d2_log : float array, shapes (m,) and (m, m)
        Its derivatives in the m variances.
    forms : float array, shape (q, q)
        ``C' V^-1 C``.
    d_forms, d2_forms : float array, shapes (m, q, q) and (m, m, q, q)
        Their derivatives.
    """

    log_det: float
    d_log: FloatArray
    d2_log: FloatArray
    forms: FloatArray
    d_forms: FloatArray
    d2_forms: FloatArray


@dataclass(frozen=True, slots=True)
class Criterion:
    """Minus twice the restricted log-likelihood at one point.

    Parameters
    ----------
    value : float
    gradient, hessian : float array, shapes (m,) and (m, m)
    expected : float array, shape (m, m)
        Expectation of the Hessian; the information is half of it.
    coefficients, covariance : float array, shapes (p,) and (p, p)
        Generalised least squares at these variances.
    d_fixed, d2_fixed : float array, shapes (m, p, p) and (m, m, p, p)
        Derivatives of ``X' V^-1 X``.
    """

    value: float
    gradient: FloatArray
    hessian: FloatArray
    expected: FloatArray
    coefficients: FloatArray
    covariance: FloatArray
    d_fixed: FloatArray
    d2_fixed: FloatArray


@dataclass(frozen=True, slots=True)
class Model:
    """The criterion as a function of the variances.

    Parameters
    ----------
    names : tuple of str
        The m variances: "taster", perhaps "taster:variant", "residual", perhaps "batch".
    basis : float array, shape (m or m - 1, s, r, r)
        That of the strata, for the variances in the model except the batches'.
    moments : float array, shape (s * r * r, q * q)
        Those of the strata, for scores in other units.
    strata : Strata
    """

    names: tuple[str, ...]
    basis: FloatArray
    moments: FloatArray
    strata: Strata

    @classmethod
    def of(cls, strata: Strata, unit: float, *, interaction: bool) -> Model:
        """Make the criterion for scores measured in `unit` points."""
        names = ("taster", "taster:variant", "residual")
        keep = [0, 1, 2] if interaction else [0, 2]
        column = np.ones(strata.n_columns)
        column[-1] = 1 / unit
        return cls(
            names=tuple(names[at] for at in keep) + ("batch",) * bool(strata.n_random),
            basis=strata.basis[keep],
            moments=strata.moments * np.outer(column, column).ravel(),
            strata=strata,
        )

    def __call__(self, variances: FloatArray) -> Criterion:
        """Evaluate it; raises LinAlgError where the covariance is singular."""
        strata = self.strata
        products = _taster_products(self, variances[: len(self.basis)])
        if strata.n_random:
            batches = slice(strata.n_fixed, strata.n_fixed + strata.n_random)
            products = _with_batches(products, float(variances[-1]), batches)
        return _criterion(products, strata.n_scores, strata.n_fixed)


def _taster_products(model: Model, variances: FloatArray) -> Products:
    """Products through the block-diagonal covariance of tasters, cells and residual."""
    strata, m, q = model.strata, len(model.basis), model.strata.n_columns
    omega = np.tensordot(variances, model.basis, 1) + strata.padding
    inverse = np.linalg.inv(omega)
    relative = inverse @ model.basis
    pairs = relative[:, None] @ relative[None, :]
    second = pairs @ inverse
    stack = np.concatenate(
        [
            inverse.reshape(1, -1),
            -(relative @ inverse).reshape(m, -1),
            (second + second.swapaxes(-1, -2)).reshape(m * m, -1),
        ]
    )
    forms = (stack @ model.moments).reshape(-1, q, q)
    return Products(
        log_det=float(strata.copies @ np.linalg.slogdet(omega)[1]) + strata.log_scale,
        d_log=np.trace(relative, axis1=-2, axis2=-1) @ strata.copies,
        d2_log=-np.trace(pairs, axis1=-2, axis2=-1) @ strata.copies,
        forms=forms[0],
        d_forms=forms[1 : m + 1],
        d2_forms=forms[m + 1 :].reshape(m, m, q, q),
    )


def _with_batches(base: Products, variance: float, z: slice) -> Products:
    """Add a random effect of the columns `z`, crossed with the tasters, as a low-rank term."""
    m, q = base.d_log.size, base.forms.shape[0]
    size = np.eye(z.stop - z.start) + variance * base.forms[z, z]
    gain = variance * np.linalg.inv(size)
    left = np.eye(q)
    left[z] -= gain @ base.forms[z]
    forms = base.forms @ left
    first = left.T @ base.d_forms @ left
    to_z = base.d_forms[:, :, z] @ gain
    cross = to_z[:, None] @ base.d_forms[None, :, z, :]
    d_forms = np.concatenate([first, -(forms[:, z] @ forms[z])[None]])
    d2_forms = np.empty((m + 1, m + 1, q, q))
    d2_forms[:m, :m] = left.T @ (base.d2_forms - cross - cross.swapaxes(-1, -2)) @ left
    mixed = first[:, :, z] @ forms[z]
    d2_forms[m, :m] = d2_forms[:m, m] = -(mixed + mixed.swapaxes(-1, -2))
    d2_forms[m, m] = 2 * forms[:, z] @ forms[z, z] @ forms[z]
    inner = gain @ base.d_forms[:, z, z]
    d2_log = np.empty((m + 1, m + 1))
    d2_log[:m, :m] = base.d2_log + np.einsum("ij,klji->kl", gain, base.d2_forms[:, :, z, z])
    d2_log[:m, :m] -= np.einsum("kij,lji->kl", inner, inner)
    d2_log[m, :m] = d2_log[:m, m] = np.trace(first[:, z, z], axis1=1, axis2=2)
    d2_log[m, m] = -np.trace(forms[z, z] @ forms[z, z])
    d_log = base.d_log + np.trace(inner, axis1=1, axis2=2)
    return Products(
        log_det=base.log_det + float(np.linalg.slogdet(size)[1]),
        d_log=np.append(d_log, np.trace(forms[z, z])),
        d2_log=d2_log,
        forms=forms,
        d_forms=d_forms,
        d2_forms=d2_forms,
    )


def _criterion(products: Products, n: int, p: int) -> Criterion:
    """Compute the REML criterion and its derivatives, with the fixed effects profiled out."""
    fixed, score = slice(0, p), products.forms[:p, -1]
    factor = cho_factor(products.forms[fixed, fixed], check_finite=False)
    phi = cho_solve(factor, np.eye(p), check_finite=False)
    beta = phi @ score
    residual = np.zeros(products.forms.shape[0])
    residual[:p], residual[-1] = -beta, 1.0
    d_fixed, d2_fixed = products.d_forms[:, fixed, fixed], products.d2_forms[:, :, fixed, fixed]
    scaled = phi @ d_fixed
    pull = products.d_forms @ residual
    curvature = np.einsum("ij,klji->kl", phi, d2_fixed) - np.einsum("kij,lji->kl", scaled, scaled)
    expected = -(products.d2_log + curvature)
    log_fixed = 2 * np.log(np.diag(factor[0])).sum()
    fit = products.forms[-1] @ residual
    hessian = products.d2_forms @ residual @ residual
    return Criterion(
        value=float((n - p) * np.log(2 * np.pi) + products.log_det + log_fixed + fit),
        gradient=products.d_log + np.trace(scaled, axis1=1, axis2=2) + pull @ residual,
        hessian=hessian - 2 * pull[:, fixed] @ phi @ pull[:, fixed].T - expected,
        expected=expected,
        coefficients=beta,
        covariance=phi,
        d_fixed=d_fixed,
        d2_fixed=d2_fixed,
    )
