"""How much farther differences reach in simulated trials where variants are several jars each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import stdtrit

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.simulate.at_once import DecisionRule
from blindspoon.simulate.size_results import Spread
from blindspoon.stats.dunnett import Dunnett

DFS = np.geomspace(0.3, 100.0, 24)  # at which critical values are computed


@dataclass(frozen=True)
class SeveralJars:
    """Which jar each of t tasters gets of each of k variants, 0 the control; `dealt` is (t, k).

    The mixed model has a variance of jars then. It is told from jars of one variant beside each
    other, with as few degrees of freedom as these give, and is zero or more: differences reach
    farther where jars are alike, too.
    """

    dealt: IntArray
    rule: DecisionRule
    spread: Spread

    def widen(self, scores: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give in m trials how many times as far differences reach, to be different and alike.

        Shapes (m, k - 1), from scores of shape (m, t, k, s). By moments, which is near enough for
        planning: the mean squares between and within jars give the variance of jars, and its own
        variance the degrees of freedom (F. E. Satterthwaite 1946, Biometrics Bull. 2, 110).
        """
        t, k = self.dealt.shape
        n = self.dealt.max(axis=0) + 1
        df_cells, df = (t - 1) * (k - 1), (n - 1).sum() * (1 - 1 / k)
        whole, between = self._squares(scores)
        apart = np.maximum(whole - between, 1e-12) / (df_cells - df)
        ratio = np.maximum(between / df / apart, 1.0)
        jars = (ratio - 1) * (n - 1).sum() / self._kept(scores.shape[3]) / ((n - 1) * t / n).sum()
        height = t / 2 * (1 / n[1:] + 1 / n[0])
        reach = 1 + jars[:, None] * height
        left = self.rule.design.lines[0][0] / df_cells  # by the serving positions
        dfs = (reach / ratio[:, None] * self._kept(scores.shape[3]) / height) ** 2
        dfs *= ((n - 1) * (t / n) ** 2).sum() * left
        pooled = np.where(ratio > 1, apart * df_cells / np.maximum(whole, 1e-12), 1.0)
        reach = np.sqrt(np.maximum(reach * pooled[:, None], 1.0))
        different, alike = (
            reach * np.maximum(value(dfs) / value(df_cells * left), 1.0) for value in self._critical
        )
        return different, alike

    def _squares(self, scores: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Sum the squares of the cells' deviations in each trial: all, and between jars."""
        cells = scores.mean(axis=3)
        cells = cells - cells.mean(axis=2, keepdims=True)
        cells -= cells.mean(axis=1, keepdims=True)
        between = np.zeros(len(cells))
        for v, column in enumerate(self.dealt.T):
            of_jar = column == np.arange(column.max() + 1)[:, None]
            between += ((cells[:, :, v] @ of_jar.T) ** 2 / of_jar.sum(axis=1)).sum(axis=1)
        return (cells**2).sum(axis=(1, 2)), between

    def _kept(self, sessions: int) -> float:
        """Tell what is left of a jar's share where a taster's cups are held against another."""
        taster = self.spread.taster_sd**2
        cell = self.spread.residual_sd**2 / sessions + self.spread.taster_variant_sd**2
        return 1 - taster / (cell + self.dealt.shape[1] * taster)

    @cached_property
    def _critical(self) -> tuple[Callable[[FloatArray | float], FloatArray], ...]:
        """By the degrees of freedom: beside Student's t all but straight in 1 / df."""
        others = self.dealt.shape[1] - 1
        family, level = Dunnett((np.eye(others) + 1) / 2), 1 - self.rule.alpha / 2 / others

        def curve(value: Callable[[float, float], float]) -> Callable[..., FloatArray]:
            exact = np.array([value(self.rule.alpha, df) for df in DFS.tolist()])
            beside = exact / stdtrit(DFS, level)
            return lambda dfs: (
                np.interp(-1 / dfs, -1 / DFS, beside)
                * stdtrit(np.clip(dfs, DFS[0], DFS[-1]), level)
            )

        return curve(family.critical_value), curve(family.alike_value)


def deal(jars: Sequence[int], tasters: int, rng: np.random.Generator) -> IntArray:
    """Deal the jars of each variant to the tasters as evenly as can be, a column a variant."""
    return np.stack([rng.permutation(np.arange(tasters) % count) for count in jars], axis=1)
