"""Variances of a mixed model by restricted maximum likelihood (REML), and what rests on them.

The criterion, its gradient and its Hessian are exact and taken in the variances, not in the
standard deviations, whose gradient is zero wherever a standard deviation is zero. Kenward and
Roger's covariance and degrees of freedom, and Hartung and Knapp's error over places, are for
small samples.
"""

from __future__ import annotations

import itertools
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc

from blindspoon.arrays import FloatArray
from blindspoon.stats.results import NoResult
from blindspoon.stats.strata import Strata


@dataclass(frozen=True, slots=True)
class Products:
    """Log determinant of the covariance V and ``C' V^-1 C`` of the columns (fixed, batches, score).

    With derivatives in the m variances: shapes (m,) and (m, m); (q, q), (m, q, q), (m, m, q, q).
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

    - `gradient`, `hessian`, shapes (m,) and (m, m)
    - `expected`, shape (m, m): of the Hessian; the information is half of it
    - `coefficients`, `covariance`, shapes (p,) and (p, p): generalised least squares at these
      variances
    - `d_fixed`, `d2_fixed`, shapes (m, p, p) and (m, m, p, p): derivatives of ``X' V^-1 X``
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
    """The criterion as a function of the m variances named, the batches' last.

    The basis, shape (m or m - 1, s, r, r), is that of the strata for these, except the batches';
    the moments, shape (s * r * r, q * q), are for scores in other units.
    """

    names: tuple[str, ...]
    basis: FloatArray
    moments: FloatArray
    strata: Strata

    @classmethod
    def of(cls, strata: Strata, unit: float, *, interaction: bool) -> Model:
        """Make the criterion for scores measured in `unit` points."""
        names = strata.names
        keep = [at for at, name in enumerate(names) if interaction or name != "taster:variant"]
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
        # through the block-diagonal covariance of tasters, cells and residual
        strata, m, q = self.strata, len(self.basis), self.strata.n_columns
        omega = np.tensordot(variances[:m], self.basis, 1) + strata.padding
        inverse = np.linalg.inv(omega)
        relative = inverse @ self.basis
        pairs = relative[:, None] @ relative[None, :]
        second = pairs @ inverse
        stack = np.concatenate(
            [
                inverse.reshape(1, -1),
                -(relative @ inverse).reshape(m, -1),
                (second + second.swapaxes(-1, -2)).reshape(m * m, -1),
            ]
        )
        forms = (stack @ self.moments).reshape(-1, q, q)
        products = Products(
            log_det=float(strata.copies @ np.linalg.slogdet(omega)[1]) + strata.log_scale,
            d_log=np.trace(relative, axis1=-2, axis2=-1) @ strata.copies,
            d2_log=-np.trace(pairs, axis1=-2, axis2=-1) @ strata.copies,
            forms=forms[0],
            d_forms=forms[1 : m + 1],
            d2_forms=forms[m + 1 :].reshape(m, m, q, q),
        )
        if strata.n_random:
            batches = slice(strata.n_fixed, strata.n_fixed + strata.n_random)
            products = _with_batches(products, float(variances[-1]), batches)
        return _criterion(products, strata.n_scores, strata.n_fixed)


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
    factor = np.linalg.cholesky(products.forms[fixed, fixed])
    half = np.linalg.inv(factor)
    phi = half.T @ half
    beta = phi @ score
    residual = np.zeros(products.forms.shape[0])
    residual[:p], residual[-1] = -beta, 1.0
    d_fixed, d2_fixed = products.d_forms[:, fixed, fixed], products.d2_forms[:, :, fixed, fixed]
    scaled = phi @ d_fixed
    pull = products.d_forms @ residual
    curvature = np.einsum("ij,klji->kl", phi, d2_fixed) - np.einsum("kij,lji->kl", scaled, scaled)
    expected = -(products.d2_log + curvature)
    log_fixed = 2 * np.log(np.diag(factor)).sum()
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


MAX_STEPS = 100
FEW = 34  # residual df; below, the criterion of an unbalanced trial may have two optima
NEAR = 0.1  # predicted fall of the criterion, a log-likelihood, at which Newton's method begins
SURE = 1e-6  # ... at which a step is taken without asking the criterion
TOLERANCE = 1e-13  # ... at which a fit has ended, as a share of the criterion, which has rounding
VANISHED = 1e-5  # residual variance, in its units, below which a way leads to none at all
SMALLEST = 1e-12  # residual sum of squares, as a share of the whole, that counts as none


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlFit:
    """A mixed model fitted by REML: m variances in squared points, and the criterion there."""

    names: tuple[str, ...]
    variances: FloatArray
    at: Criterion
    converged: bool

    def sd(self, name: str) -> float | None:
        """Return a standard deviation in points, None where the model has no such term."""
        if name not in self.names:
            return None
        return float(np.sqrt(self.variances[self.names.index(name)]))


def fit_reml(strata: Strata, *, interaction: bool) -> RemlFit | NoResult:
    """Fit ``score ~ fixed + (1 | taster) [+ (1 | taster:variant)] [+ (1 | batch)]``.

    The interaction is taster:variant; it needs repeats.

    H. D. Patterson and R. Thompson (1971), Biometrika 58, 545-554. Each step solves the
    quadratic model of the criterion exactly under non-negative variances: with the expected
    Hessian (Fisher scoring) far from the end, with the exact one (Newton) near it.
    """
    weights = np.linalg.inv(strata.basis[strata.names.index("residual")] + strata.padding)
    gram = (weights.ravel() @ strata.moments).reshape((strata.n_columns,) * 2)
    if not _well_posed(gram[: strata.n_fixed, : strata.n_fixed]):
        return NoResult("Serving position and variant cannot be told apart in this design.")
    ss, df = residual_line(strata, repeats=True)
    if not interaction:
        ss, df = np.add((ss, df), residual_line(strata, repeats=False))
    if df < 1 and "taster:session" in strata.names:  # gaps in every line: any scatter gives a unit
        ss, used = _leftover(gram)
        df = strata.n_scores - used
    if df < 1:
        return NoResult("There are too few scores to estimate their scatter.")
    if ss == 0:
        return NoResult("The scores show no scatter beyond the effects in the model.")
    unit = float(np.sqrt(ss / df))
    model = Model.of(strata, unit, interaction=interaction)
    starts = _starts(strata, len(model.names))
    if not _well_posed(model(starts[0]).expected):
        return NoResult("The scores cannot tell the variances of the model apart.")
    best, residual = _descend(model, starts[0]), model.names.index("residual")
    for start in starts[1:]:
        ends = best, _descend(model, start)
        # a way to a residual of zero is no optimum, however deep it leads
        best = min(
            ends,
            key=lambda fit: (not fit.converged or fit.variances[residual] < VANISHED, fit.at.value),
        )
    variances = best.variances * unit**2
    if variances[residual] * strata.n_scores <= strata.rounding:
        return NoResult("The scores show no scatter beyond the effects in the model.")
    at = Model.of(strata, 1.0, interaction=interaction)(variances)
    at.coefficients[: strata.n_variants] += strata.centre
    return replace(best, variances=variances, at=at)


def _well_posed(matrix: FloatArray) -> bool:
    """Whether a symmetric matrix is positive definite beyond rounding, whatever the units."""
    own = np.diag(matrix)
    if own.min() < 1e-8:
        return False
    scale = np.sqrt(own)
    return bool(np.linalg.eigvalsh(matrix / np.outer(scale, scale))[0] > 1e-9)


def residual_line(strata: Strata, *, repeats: bool) -> tuple[float, int]:
    """Return a residual sum of squares and its df with all effects fixed.

    With `repeats` it is what repeats of one variant by one taster scatter, else what the means
    of variants scatter within tasters. One that is only rounding error is returned as zero.
    """
    weights = strata.repeats if repeats else strata.between
    gram = (weights.ravel() @ strata.moments).reshape((strata.n_columns,) * 2)
    dimensions = strata.copies @ np.trace(weights, axis1=1, axis2=2)
    ss, used = _leftover(gram)
    return (ss if ss > strata.rounding else 0.0), round(dimensions) - used


def _leftover(gram: FloatArray) -> tuple[float, int]:
    """Return the sum of squares of the last column after all others, and their rank."""
    values, vectors = np.linalg.eigh(gram[:-1, :-1])
    used = values > 1e-9 * max(values[-1], 1e-300)
    along = vectors[:, used].T @ gram[:-1, -1]
    total = gram[-1, -1]
    ss = float(total - (along**2 / values[used]).sum())
    return (ss if ss > SMALLEST * total else 0.0), int(used.sum())


def _starts(strata: Strata, m: int) -> list[FloatArray]:
    """Return where to start; the unit of the scores is about the residual SD.

    A balanced trial has one optimum. Of 4,573 random designs of 6 to 18 scores, 40 % of the
    cells empty, 75 had two, none of them with more than 17 scores; from equal variances alone
    5 ended at the wrong one, with these further starts none. Of 618 with 36 to 59 scores, over
    several sittings and with batches and positions too, none had two.
    """
    starts = [np.ones(m)]
    balanced = strata.n_columns == strata.n_variants + 1 and (strata.basis[0] > 0).sum() == 1
    if strata.n_scores - strata.n_fixed < FEW and not balanced:
        starts += [np.where(np.arange(m) == lead, 10.0, 0.1) for lead in range(m)]
    return starts


def _descend(model: Model, start: FloatArray) -> RemlFit:
    """Walk down the criterion, in the model's units."""
    residual = model.names.index("residual")
    variances, at = start, model(start)
    for _ in range(MAX_STEPS):
        floor = np.zeros_like(variances)
        floor[residual] = variances[residual] / 10
        try:
            towards, fall = _model_step(at, variances, floor)
        except np.linalg.LinAlgError:
            break  # the information drowned in rounding
        if fall < TOLERANCE * max(abs(at.value), 1.0):
            end = variances + towards
            with suppress(np.linalg.LinAlgError):  # a residual that vanishes leaves no criterion
                return RemlFit(names=model.names, variances=end, at=model(end), converged=True)
            break
        before, slope, share = at, float(at.gradient @ towards), 1.0
        while at is before:  # the step is halved as often as the criterion needs to fall
            with suppress(np.linalg.LinAlgError):
                new = model(variances + share * towards)
                sure = fall < SURE or share < 1e-6
                if sure or new.value <= before.value + 1e-4 * share * slope:
                    variances, at = variances + share * towards, new
            share /= 2
    return RemlFit(names=model.names, variances=variances, at=at, converged=False)


def _model_step(
    at: Criterion, variances: FloatArray, floor: FloatArray
) -> tuple[FloatArray, float]:
    """Minimise the quadratic model above `floor`; return the step and the fall it predicts."""
    step, fall = _constrained(at.expected, at.gradient, variances, floor)
    if fall < NEAR:
        held = (variances == 0) & (at.gradient > 0)  # those that stay where they are
        free = np.outer(~held, ~held)
        hessian = np.where(free, at.hessian, np.diag(np.diag(at.expected)))
        with suppress(np.linalg.LinAlgError):  # not convex here: scoring goes on
            step, fall = _constrained(hessian, at.gradient, variances, floor)
    return step, fall


def _constrained(
    hessian: FloatArray, gradient: FloatArray, start: FloatArray, floor: FloatArray
) -> tuple[FloatArray, float]:
    """Minimise ``g's + s'Hs/2`` with ``start + s >= floor``.

    Where the free minimum is not allowed, the few faces are tried, the likeliest first: scipy's
    nnls finds the same, but importing scipy.optimize takes a third of a second.
    """
    if np.diag(hessian).min() <= 0:
        raise np.linalg.LinAlgError
    scale = 1 / np.sqrt(np.diag(hessian))
    matrix, room = hessian * np.outer(scale, scale), (start - floor) / scale
    np.linalg.cholesky(matrix)  # raises where it is not convex
    moved = room - np.linalg.solve(matrix, scale * gradient)
    if (moved < 0).any():
        right = matrix @ room - scale * gradient
        least = right - 1e-10 * np.abs(right).max()
        faces = sorted(itertools.product((False, True), repeat=moved.size), key=sum)
        for face in ((moved > 0).tolist(), *faces[-2::-1]):
            free, moved = np.flatnonzero(face), np.zeros_like(room)
            moved[free] = np.linalg.solve(matrix[np.ix_(free, free)], right[free])
            if (moved >= 0).all() and (matrix @ moved >= least).all():
                break
    step = np.where(moved > 0, (moved - room) * scale, floor - start)
    return step, float(-(gradient @ step) - step @ hessian @ step / 2)


LEAST_DF = 0.5  # degrees of freedom below which an interval would be wider than any scale


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastTest:
    """Estimates of k contrasts and what their errors are.

    The covariance, shape (k, k), is adjusted for the variances being estimates; `df`, shape (k,),
    are of each contrast by itself. The scaled F is that all contrasts are zero.
    """

    estimates: FloatArray
    covariance: FloatArray
    df: FloatArray
    f: float
    df_num: float
    df_den: float

    @property
    def p_value(self) -> float:
        """That of the scaled F."""
        return float(fdtrc(self.df_num, self.df_den, self.f))

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
    """Test linear contrasts, shape (k, p), linearly independent, at the estimates of a REML fit.

    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997, with the covariance of the
    variances from their expected information. Variances estimated as zero stay in it, so that
    the degrees of freedom do not jump. The F of k contrasts has ``2 k / A2`` degrees of freedom
    and a scale of one, as a single one, where ``2 k / A2`` is 2.5 or less: the paper matches the
    mean of an F distribution, which does not exist from two degrees of freedom on. For balanced
    trials both are exact.
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


def over_places(differences: FloatArray, variances: FloatArray) -> tuple[float, float]:
    """Pool the differences of K places, with the standard error that their own spread gives.

    In points, shape (K,), with the sampling variance of each; for t with K - 1 degrees of freedom.
    The variance between places by R. C. Paule and J. Mandel (1982, J. Res. Natl. Bur. Stand.
    87:377), the weights from it, and the standard error by J. Hartung and G. Knapp (2001,
    Statistics in Medicine 20:3875), at least what sampling alone gives.

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
