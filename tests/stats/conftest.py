"""Published data sets as arrays, and the mixed model written out with dense matrices."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import LinAlgError, cholesky, solve_triangular

from blindspoon.stats.strata import Layout, Strata, make_grid, make_strata

DATA = Path(__file__).parents[1] / "data"


@dataclass(frozen=True)
class Rows:
    """Codes of tasters and variants, in order of first appearance, and scores."""

    taster: np.ndarray
    variant: np.ndarray
    score: np.ndarray

    def without(self, rows) -> Rows:
        kept = np.delete(np.arange(self.score.size), rows)
        return Rows(self.taster[kept], self.variant[kept], self.score[kept])

    def strata(self, fixed=None, random=None) -> Strata:
        none = np.empty((self.score.size, 0))
        return make_strata(
            make_grid(
                Layout(
                    taster=self.taster,
                    variant=self.variant,
                    fixed=none if fixed is None else fixed,
                    random=none if random is None else random,
                    score=self.score,
                )
            )
        )


@pytest.fixture(scope="session")
def published() -> Callable[..., Rows]:
    """Read a published data set; without a variant column it is a one-way layout."""

    def read(name, *, taster, score, variant=None) -> Rows:
        table = pd.read_csv(DATA / f"{name}.csv")
        codes = pd.factorize(table[variant])[0] if variant else np.zeros(len(table), dtype=int)
        return Rows(pd.factorize(table[taster])[0], codes, table[score].to_numpy(float))

    return read


@pytest.fixture(scope="session")
def rows() -> type[Rows]:
    return Rows


@dataclass(frozen=True)
class Dense:
    """The mixed model as its textbook says it: V = sum of variance * Z Z'."""

    x: np.ndarray
    y: np.ndarray
    z: list[np.ndarray]

    @cached_property
    def parts(self) -> np.ndarray:
        """Z Z' of each variance."""
        return np.array([z @ z.T for z in self.z])

    def criterion(self, variances) -> float:
        """Minus twice the restricted log-likelihood (Harville 1977, JASA 72, 320-338)."""
        v = np.tensordot(variances, self.parts, 1)
        try:
            root = cholesky(v, lower=True)
        except LinAlgError:
            return np.inf
        x, y = (solve_triangular(root, side, lower=True) for side in (self.x, self.y))
        fixed = x.T @ x
        residual = y - x @ np.linalg.solve(fixed, x.T @ y)
        n, p = self.x.shape
        logs = 2 * np.log(np.diag(root)).sum() + np.linalg.slogdet(fixed)[1]
        return (n - p) * np.log(2 * np.pi) + logs + residual @ residual

    def kenward_roger(self, variances, contrasts):
        """Adjusted covariance of the contrasts, F and its denominator df.

        Kenward and Roger 1997, Biometrics 53, 983-997, sections 2 and 3, as printed there.
        """
        parts = self.parts
        inverse = np.linalg.inv(np.tensordot(variances, parts, 1))
        phi = np.linalg.inv(self.x.T @ inverse @ self.x)
        beta = phi @ self.x.T @ inverse @ self.y
        p = [-self.x.T @ inverse @ part @ inverse @ self.x for part in parts]
        q = [
            [self.x.T @ inverse @ a @ inverse @ b @ inverse @ self.x for b in parts] for a in parts
        ]
        m = range(len(parts))
        traces = [[np.trace(inverse @ a @ inverse @ b) for b in parts] for a in parts]
        information = np.array(
            [
                [
                    traces[i][j] - 2 * np.trace(phi @ q[i][j]) + np.trace(phi @ p[i] @ phi @ p[j])
                    for j in m
                ]
                for i in m
            ]
        )
        w = np.linalg.inv(information / 2)
        lacking = sum(w[i, j] * (q[i][j] - p[i] @ phi @ p[j]) for i in m for j in m)
        adjusted = contrasts @ (phi + 2 * phi @ lacking @ phi) @ contrasts.T
        k = len(contrasts)
        theta = contrasts.T @ np.linalg.inv(contrasts @ phi @ contrasts.T) @ contrasts
        r = [theta @ phi @ each @ phi for each in p]
        a1 = sum(w[i, j] * np.trace(r[i]) * np.trace(r[j]) for i in m for j in m)
        a2 = sum(w[i, j] * np.trace(r[i] @ r[j]) for i in m for j in m)
        b = (a1 + 6 * a2) / (2 * k)
        g = ((k + 1) * a1 - (k + 4) * a2) / ((k + 2) * a2)
        d = 3 * k + 2 * (1 - g)
        mean = 1 / (1 - a2 / k)
        variance = 2 / k * (1 + g / d * b)
        variance /= (1 - (k - g) / d * b) ** 2 * (1 - (k + 2 - g) / d * b)
        df = 4 + (k + 2) / (k * variance / (2 * mean**2) - 1)
        scale = df / (mean * (df - 2))
        estimates = contrasts @ beta
        f = scale * estimates @ np.linalg.solve(adjusted, estimates) / k
        return adjusted, f, df


@pytest.fixture(scope="session")
def dense() -> Callable[..., Dense]:
    """Write a trial out: tasters, perhaps taster:variant, residual, perhaps batches."""

    def write(rows, *, interaction, fixed=None, random=None) -> Dense:
        def indicators(codes):
            return (codes[:, None] == np.unique(codes)).astype(float)

        x = [indicators(rows.variant)] + ([] if fixed is None else [fixed])
        cell = rows.taster * (rows.variant.max() + 1) + rows.variant
        z = [indicators(rows.taster)] + ([indicators(cell)] if interaction else [])
        z += [np.eye(rows.score.size)] + ([] if random is None else [random])
        return Dense(np.hstack(x), rows.score, z)

    return write
