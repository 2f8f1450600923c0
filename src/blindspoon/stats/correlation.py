"""Correlation within tasters: whether two scores of a taster move together, at any level."""

from dataclasses import dataclass

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.stats.results import NoResult


@dataclass(frozen=True, slots=True, kw_only=True)
class WithinCorrelation:
    """A repeated-measures correlation, over tasters with two pairs or more.

    `slope` is in units of y a unit of x, the same for every taster. Two-sided; null: within tasters
    y does not go with x. The interval is the 95 % one by Fisher's transformation; None with one
    degree of freedom.
    """

    r: float
    slope: float
    df: int
    p_value: float
    interval: tuple[float, float] | None
    tasters: int
    pairs: int


def rm_correlation(x: FloatArray, y: FloatArray, taster: IntArray) -> WithinCorrelation | NoResult:
    """Correlate two measurements within tasters.

    A pair a row, shape (n,); those with NaN in either are left out. No result where no taster, or
    too few pairs, are left, or one of the two never varies within a taster.

    J. M. Bland and D. G. Altman 1995, BMJ 310:446: the part of y's variation within tasters that
    x explains in an analysis of covariance, with the sign of the slope. The interval is
    tanh(atanh r -+ 1.96 / sqrt(df - 1)), J. Z. Bakdash and L. R. Marusich 2017, Front. Psychol.
    8:456.

    >>> x = np.array([1.0, 2.0, 3.0, 1.0, 2.0, 3.0])
    >>> y = np.array([2.0, 3.0, 5.0, 7.0, 8.0, 9.0])
    >>> found = rm_correlation(x, y, np.array([0, 0, 0, 1, 1, 1]))
    >>> round(found.r, 3), found.df
    (0.968, 3)
    """
    x, y, taster = np.asarray(x, np.float64), np.asarray(y, np.float64), np.asarray(taster)
    both = np.isfinite(x) & np.isfinite(y)
    x, y = x[both], y[both]
    _, place, often = np.unique(taster[both], return_inverse=True, return_counts=True)
    counts = often[place] > 1
    x, y, place = x[counts], y[counts], place[counts]
    tasters = int(np.count_nonzero(often > 1))
    df = x.size - tasters - 1
    if df < 1:
        return NoResult("Too few tasters scored both more than once.")
    inner_x, inner_y = _within(x, place), _within(y, place)
    xx, yy, xy = float(inner_x @ inner_x), float(inner_y @ inner_y), float(inner_x @ inner_y)
    if any(own <= 1e-20 * max(float(every @ every), 1e-300) for own, every in ((xx, x), (yy, y))):
        return NoResult("One of the two is the same throughout for every taster.")
    from scipy import special  # noqa: PLC0415 - slow to import, and check does without

    r = float(np.clip(xy / np.sqrt(xx * yy), -1.0, 1.0))
    t = abs(r) * np.sqrt(df / max(1 - r * r, np.finfo(float).tiny))
    return WithinCorrelation(
        r=r,
        slope=xy / xx,
        df=int(df),
        p_value=float(2 * special.stdtr(df, -t)),
        interval=fisher_interval(r, df),
        tasters=tasters,
        pairs=int(x.size),
    )


def _within(values: FloatArray, place: IntArray) -> FloatArray:
    """Take every taster's own mean away."""
    counts = np.maximum(np.bincount(place), 1)
    return values - (np.bincount(place, weights=values) / counts)[place]


def fisher_interval(r: float, df: int, family: int = 1) -> tuple[float, float] | None:
    """Give the 95 % interval of a correlation, for all of a family of as many at once.

    tanh(atanh r -+ 1.96 / sqrt(df - 1)): R. A. Fisher 1921, Metron 1:3; df = n - 2 makes it
    the familiar n - 3. None below two degrees of freedom. Over a family by Bonferroni.

    >>> low, high = fisher_interval(0.5, 26)
    >>> round(low, 3), round(high, 3)
    (0.156, 0.736)
    """
    if df < 2:
        return None
    from statistics import NormalDist  # noqa: PLC0415 - takes a twentieth of a second

    reach = NormalDist().inv_cdf(1 - 0.025 / family) / np.sqrt(df - 1)
    centre = np.arctanh(np.clip(r, -1 + 1e-15, 1 - 1e-15))
    return float(np.tanh(centre - reach)), float(np.tanh(centre + reach))
