"""Dunnett's test: several variants against one control, errors held over all of them.

The distribution wanted is that of the largest of k correlated Student t statistics that share
their estimate of scatter.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import gammainc, gammaincinv, gammaln, ndtr, ndtri, stdtr, stdtrit

from blindspoon.arrays import FloatArray

Key = tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Dunnett:
    """The largest, by size or (one-sided) with its sign, of k correlated t statistics.

    C. W. Dunnett (1955), JASA 50, 1096-1121, and (1964), Biometrics 20, 482-491. Correlations
    ``b_i b_j``, as in any complete trial, leave two integrals, over the normal variate that the
    contrasts share and over the estimate of scatter, both done by the trapezoidal rule, which
    converges geometrically for such integrands. Other correlations, as with missing scores,
    are replaced by the nearest of that form, and what the replacement changes is added: it is
    the difference of two integrals over one and the same fixed set of lattice points (A. Genz
    1992, J. Comput. Graph. Stat. 1, 141-149), so that nearly all of the error of the points
    cancels. It is left out where Plackett's identity (1954, Biometrika 41, 351-360) bounds it
    below 1 % of the probability: the bound takes no account of signs, and the correction itself
    is then about a hundred times smaller. Nothing is drawn at random.

    Contrasts may have their own degrees of freedom: each probability and critical value is
    then computed with those of the contrast that it is for.

    Two treatments and a control, 20 degrees of freedom (Dunnett 1964: 2.38):

    >>> half = Dunnett(np.array([[1.0, 0.5], [0.5, 1.0]]))
    >>> round(half.critical_value(0.05, 20), 4)
    2.3787
    >>> round(half.p_value(2.3787, 20), 4)
    0.05
    """

    correlation: FloatArray
    two_sided: bool = True

    def p_value(self, t: float, df: float) -> float:
        """Return the chance that the largest statistic is at least `t` (its size if two-sided).

        `df` may be a fraction or infinite. A single contrast gives the ordinary t test.
        """
        key, t = self._key, abs(t) if self.two_sided else t
        tail = float(ndtr(-t)) if np.isinf(df) else float(stdtr(df, -t))
        single = 2 * tail if self.two_sided else tail
        if len(key) == 1:
            return single
        family = _family(key, self.two_sided)
        p = float(family.over_scatter(np.array([t]), df)[0])
        p += family.correction(t, df, p)
        return float(np.clip(p, single, min(1.0, len(key) * single)))

    def critical_value(self, alpha: float, df: float) -> float:
        """Return the value that the largest statistic passes with chance `alpha`."""
        return _critical_value(self._key, self.two_sided, float(alpha), float(f"{df:.10g}"))

    def alike_value(self, alpha: float, df: float) -> float:
        """Return the value for showing alike: no false one with more than the chance `alpha`.

        With some variants truly at plus the margin and the others at minus it, their errors
        towards zero have turned signs: the value is that of the largest one-sided statistic with
        the signs turned that leave the least correlation.

        >>> half = Dunnett(np.array([[1.0, 0.5], [0.5, 1.0]]))
        >>> round(half.alike_value(0.05, 21) / half.critical_value(0.1, 21), 3)
        1.029
        """
        return max(turned.critical_value(alpha, df) for turned in self._turned)

    @cached_property
    def _turned(self) -> list[Dunnett]:
        """Turn the signs so that correlations add up to least; two ways where they are uneven."""
        correlation = np.array(self._key)
        k, uneven = len(correlation), False
        ways = np.resize([1.0, -1.0], (1, k))
        if k <= MOST_TURNED:
            ways = 1.0 - 2.0 * (np.arange(2 ** (k - 1))[:, None] >> np.arange(k) & 1)
            uneven = k > 2 and np.ptp(correlation[np.triu_indices(k, 1)]) > UNEVEN
        added = np.einsum("wi,ij,wj->w", ways, correlation, ways).round(9)
        least = ways[np.argsort(added, kind="stable")[: 1 + uneven]]
        return [Dunnett(correlation * np.outer(way, way), two_sided=False) for way in least]

    @cached_property
    def _key(self) -> Key:
        """Round beyond what matters, so that like designs share their integrals.

        A contrast that is perfectly correlated with an earlier one is left out.
        """
        size = np.abs(self.correlation) if self.two_sided else self.correlation
        same = np.tril(size > 1 - 1e-9, -1).any(axis=1)
        distinct = self.correlation[np.ix_(~same, ~same)]
        return tuple(tuple(row) for row in np.round(distinct, 12).tolist())


@lru_cache(maxsize=1024)
def _critical_value(key: Key, two_sided: bool, alpha: float, df: float) -> float:
    low = _single_critical(alpha, df, two_sided)
    if len(key) == 1:
        return low
    high = _single_critical(alpha / len(key), df, two_sided)
    family = _family(key, two_sided)
    value, target = family.quantile(alpha, df, low, high), alpha
    for _ in range(5):
        before, target = target, alpha - family.correction(value, df, alpha)
        if abs(target - before) < 1e-3 * alpha**2:
            break
        value = family.quantile(target, df, low, high)
    return value


def _single_critical(alpha: float, df: float, two_sided: bool) -> float:
    """Return the value that one t statistic passes with chance `alpha`."""
    tail = alpha / 2 if two_sided else alpha
    return -float(ndtri(tail) if np.isinf(df) else stdtrit(df, tail))


_FAR = 9.0  # normal variates beyond this size have a chance below 1e-18
_NEAR = 1e-5  # below this size the tail of two or more variates is that at zero, to about 1e-10

_NODES = 128
"""Chebyshev nodes for the tail; with loadings up to 0.9 its relative error is below 1e-10."""

_ROUND = (1 - np.cos(np.linspace(0, np.pi, 7))) / 2
"""Places between two limits, as shares, from which a critical value is interpolated."""

_POINTS = 4096  # lattice points for the correction

MOST_TURNED = 12
"""Contrasts up to which every pattern of signs is tried; of more, every second is turned."""

UNEVEN = 0.2
"""Between the largest and the smallest correlation, from which a second pattern is tried."""

_LARGEST = 0.9995
"""Loadings closer to one would need too fine a grid; the correction makes up for it."""


@dataclass(frozen=True, slots=True)
class _Family:
    """Tails of the largest of k correlated variates.

    `loadings`, shape (k,), are the shared part of each contrast; `log_tail` the logarithm of the
    normal tail at the Chebyshev nodes.
    """

    loadings: FloatArray
    correlation: FloatArray
    two_sided: bool
    log_tail: FloatArray

    def over_scatter(self, t: FloatArray, df: float) -> FloatArray:
        """Average the tail at ``t s`` over s, the root of a chi-squared variate over its df."""
        if np.isinf(df):
            return self._tail(t)
        farthest, reach = float(np.abs(t).max()), np.sqrt(28 / df)
        peak = 0.5 * np.log(df / (df + farthest**2))
        left = max(peak - reach - 28 / df, np.log(_NEAR / max(farthest, _NEAR)))
        right = min(reach, 0.5 * np.log1p(60 / df) + 1)
        count = int((right - left) * 1.6 * np.sqrt(2 * df + 8)) + 2
        x, step = np.linspace(left, right, count, retstep=True)
        half = df / 2
        if half > 100:  # 2 (half / e)^half / Gamma(half), by Stirling's series
            factor = np.sqrt(df / np.pi) * np.exp(-1 / (12 * half) + 1 / (360 * half**3))
        else:
            factor = 2 * np.exp(half * (np.log(half) - 1) - gammaln(half))
        weight = np.exp(df * (x - np.expm1(2 * x) / 2)) * step * factor
        weight[0] /= 2
        weight[0] += gammainc(half, half * np.exp(2 * left))
        tails = self._tail((t[:, None] * np.exp(x)).ravel()).reshape(t.size, count)
        return tails @ weight

    def quantile(self, tail: float, df: float, low: float, high: float) -> float:
        """Return where `over_scatter` is `tail`, or the nearer of the limits on it.

        By inverse interpolation between logarithms, in rounds over an ever smaller stretch.
        """
        target, found, change = np.log(max(tail, 1e-300)), np.inf, np.inf
        low, high = np.log1p([low, high])
        while change > 1e-6 and high - low > 1e-12:
            at = low + (high - low) * _ROUND
            logs = np.log(np.maximum(self.over_scatter(np.expm1(at), df), 1e-300)) - target
            if logs[0] <= 0 or logs[-1] >= 0:
                return float(np.expm1(low if logs[0] <= 0 else high))
            if (logs == 0).any():
                return float(np.expm1(at[logs == 0][0]))
            weights = 1 / np.prod(np.subtract.outer(logs, logs) + np.eye(logs.size), axis=1)
            before, found = found, weights / logs @ at / (weights / logs).sum()
            change = abs(found - before)  # the next would be a millionth of it
            low, high = at[logs > 0][-1], at[logs < 0][0]
        return float(np.expm1(found))

    def _tail(self, u: FloatArray) -> FloatArray:
        """Interpolate the tail (barycentric formula); far out, add the single tails up."""
        nodes, weights = _nodes(self.two_sided)
        distance = np.clip(u, -_FAR, _FAR)[:, None] - nodes
        distance[distance == 0] = 1e-30
        share = weights / distance
        tail: FloatArray = np.exp(np.minimum((share @ self.log_tail) / share.sum(axis=1), 0.0))
        far = u > _FAR
        tail[far] = len(self.loadings) * (1 + self.two_sided) * ndtr(-u[far])
        return tail

    def correction(self, t: float, df: float, tail: float) -> float:
        """Return what the true correlations add to the tail at `t`, 0 where it is negligible."""
        fitted = np.outer(self.loadings, self.loadings)
        largest = np.maximum(np.abs(self.correlation), np.abs(fitted))
        largest = np.minimum(largest, 1 - 1e-9)
        bulge = 2 * t**2 / (1 + largest)
        fall = np.exp(-bulge / 2) if np.isinf(df) else (1 + bulge / df) ** (-df / 2)
        slope = fall / (np.pi * np.sqrt(1 - largest**2))  # Plackett's identity
        if float(np.triu(np.abs(self.correlation - fitted) * slope, 1).sum()) < 0.01 * tail:
            return 0.0
        np.fill_diagonal(fitted, 1.0)
        limits = t * _scatter_points(df)
        true = _inside(self.correlation, limits, two_sided=self.two_sided)
        near = _inside(fitted, limits, two_sided=self.two_sided)
        return float((near - true).mean())


@lru_cache(maxsize=256)
def _family(key: Key, two_sided: bool) -> _Family:
    correlation = np.array(key)
    signs = np.ones(len(key))
    if not two_sided:  # those of the shared parts, from the first eigenvector
        signs = np.where(np.linalg.eigh(correlation)[1][:, -1] < 0, -1.0, 1.0)
    loadings = signs * _loadings(correlation * np.outer(signs, signs))
    log_tail = np.log(_normal_tail(_nodes(two_sided)[0], loadings, two_sided=two_sided))
    return _Family(loadings, correlation, two_sided, log_tail)


def _nodes(two_sided: bool) -> tuple[FloatArray, FloatArray]:
    """Return Chebyshev nodes over the limits that matter, and their barycentric weights."""
    order = np.arange(_NODES)
    angle = np.pi * (order + 0.5) / _NODES
    low = 0.0 if two_sided else -_FAR
    weights: FloatArray = np.where(order % 2, -1.0, 1.0) * np.sin(angle)
    return low + (np.cos(angle) + 1) * (_FAR - low) / 2, weights


def _loadings(correlation: FloatArray) -> FloatArray:
    """Fit ``b_i b_j`` to the correlations by least squares (Gauss-Newton, steps never uphill)."""
    k = len(correlation)
    if k == 2:
        r = float(np.clip(correlation[0, 1], -(_LARGEST**2), _LARGEST**2))
        return np.array([np.sqrt(abs(r)), np.sign(r) * np.sqrt(abs(r))])
    i, j = np.triu_indices(k, 1)
    pair = np.arange(len(i))
    off = correlation[i, j]
    b: FloatArray = np.sqrt(np.clip((np.abs(correlation).sum(axis=1) - 1) / (k - 1), 0.01, 0.98))
    for _ in range(30):
        slopes = np.zeros((len(i), k))
        slopes[pair, i], slopes[pair, j] = b[j], b[i]
        miss = off - b[i] * b[j]
        step = np.linalg.lstsq(slopes, miss, rcond=None)[0]
        for _ in range(40):
            at = np.clip(b + step, -_LARGEST, _LARGEST)
            if np.square(off - at[i] * at[j]).sum() <= np.square(miss).sum():
                break
            step /= 2
        b = at
        if np.abs(step).max() < 1e-13:
            break
    return b


def _normal_tail(limits: FloatArray, loadings: FloatArray, *, two_sided: bool) -> FloatArray:
    """Return the chance that the largest of k normal variates passes each limit."""
    b, count = np.unique(np.round(loadings, 11), return_counts=True)
    own = np.sqrt(1 - b**2)
    z = np.arange(0.0 if two_sided else -_FAR, _FAR, 0.45 * own.min())
    weight = np.exp(-(z**2) / 2)
    weight[0] /= 2  # by symmetry half of the line is enough for two sides
    shift, spread = b[:, None] * z, own[:, None]
    limit = limits[:, None, None]
    beyond = ndtr((shift - limit) / spread)
    if two_sided:
        beyond += ndtr((-shift - limit) / spread)
    none = np.log1p(-np.minimum(beyond, 1 - 1e-16))
    return -np.expm1(np.einsum("j,ijk->ik", count, none)) @ (weight / weight.sum())


@lru_cache(maxsize=32)
def _lattice(dimensions: int) -> FloatArray:
    """Return points of a fixed lattice in the unit cube, folded, shape (dimensions, points).

    R. D. Richtmyer's: square roots of the primes are steps without a common measure.
    """
    primes = (n for n in itertools.count(2) if all(n % smaller for smaller in range(2, n)))
    roots = np.sqrt(np.array([*itertools.islice(primes, dimensions)]))
    return np.abs(2 * (np.outer(roots, np.arange(1, _POINTS + 1) - 0.5) % 1) - 1)


@lru_cache(maxsize=256)
def _scatter_points(df: float) -> FloatArray:
    """Return the scatter at the lattice points."""
    if np.isinf(df):
        return np.ones(_POINTS)
    return np.sqrt(2 * gammaincinv(df / 2, _lattice(1)[0]) / df)


def _inside(correlation: FloatArray, limits: FloatArray, *, two_sided: bool) -> FloatArray:
    """Chance, at each lattice point, that no variate passes its limit."""
    root = np.linalg.cholesky(correlation + 1e-9 * np.eye(len(correlation)))
    points = _lattice(len(root) + 1)[1:]
    variates = np.empty((len(root), _POINTS))
    chance = np.ones(_POINTS)
    for i, row in enumerate(root):
        mean = row[:i] @ variates[:i]
        low = ndtr((-limits - mean) / row[i]) if two_sided else np.zeros(_POINTS)
        width = ndtr((limits - mean) / row[i]) - low
        chance *= width
        variates[i] = ndtri(np.clip(low + points[i] * width, 1e-300, 1 - 1e-16))
    return chance
