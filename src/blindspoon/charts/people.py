"""Tasters as marks that do not hide one another; where they are too many, as a hill."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindspoon.charts.layout import INSET, WIDE
from blindspoon.charts.scene import Point
from blindspoon.scores import FloatArray

MOST_MARKS = WIDE.style.marks
"""Tasters that are told apart; more are drawn as a hill."""
DIAMETERS, TALLEST = WIDE.style.diameters, WIDE.style.tallest
"""Of marks, and what a stack should not exceed while it can be split or they made smaller."""
ABREAST = 0.7
"""Share of the way to the next place that marks side by side may fill."""
BINS = 200


Places = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Size:
    """How large marks are, and how many of one place stand side by side."""

    diameter: float
    abreast: int


def dodge(places: Places, size: Size) -> tuple[Point, ...]:
    """Put marks where none hides another: in stacks that are some marks wide.

    Parameters
    ----------
    places : float array, shape (n,)
        Along the axis, in pixels.
    size : Size

    Returns
    -------
    tuple of (float, float)
        Centre of each mark: along the axis, and above the base line, in pixels.

    Examples
    --------
    >>> dodge(np.array([10.0, 10.0, 13.0]), Size(8.0, 1))
    ((10.0, 4.0), (10.0, 12.0), (13.0, 20.0))
    >>> dodge(np.array([10.0, 10.0, 10.0]), Size(8.0, 2))
    ((6.0, 4.0), (14.0, 4.0), (10.0, 12.0))
    """
    shifted = places + size.diameter * _aside(places, size.abreast)
    levels = _levels(shifted, size.diameter)
    return tuple(
        (float(x), size.diameter * (level + 0.5)) for x, level in zip(shifted, levels, strict=True)
    )


def _aside(places: Places, abreast: int) -> Places:
    """Shift marks of one place aside, in diameters: each level is centred on the place."""
    shifts = np.zeros(places.size)
    for place in np.unique(places.round(3)):
        tied = np.flatnonzero(places.round(3) == place)
        order = np.arange(tied.size)
        in_level = np.minimum(abreast, tied.size - order // abreast * abreast)
        shifts[tied] = order % abreast - (in_level - 1) / 2
    return shifts


def _levels(places: Places, diameter: float) -> list[int]:
    """Give each mark the lowest level where it touches no other."""
    levels, ends = [0] * places.size, list[float]()
    for mark in np.argsort(places, kind="stable"):
        place = float(places[mark])
        free = (level for level, end in enumerate(ends) if end <= place - diameter + 1e-6)
        level = next(free, len(ends))
        ends[level : level + 1] = [place]
        levels[mark] = level
    return levels


def height(places: Places, size: Size) -> float:
    """How high the marks of a row reach above its base line, in pixels."""
    return max((above for _, above in dodge(places, size)), default=0.0) + size.diameter / 2


def size_for(
    rows: list[Places], diameters: tuple[float, ...] = DIAMETERS, tallest: float = TALLEST
) -> Size:
    """Choose the largest marks with which no row is too tall, the smallest if none will do.

    Parameters
    ----------
    rows : list of float array
        Places along the axis, in pixels.
    diameters : tuple of float
        Largest first.
    tallest : float
        Pixels that no row should exceed.
    """
    distinct = [np.unique(row.round(3), return_counts=True) for row in rows if row.size]
    gaps = [float(np.diff(places).min()) for places, _ in distinct if places.size > 1]
    room = min(ABREAST * min(gaps, default=math.inf), 2 * INSET)
    most = max((int(counts.max()) for _, counts in distinct), default=0)
    sizes = [
        Size(diameter, max(1, min(int(room / diameter), math.ceil(most * diameter / tallest))))
        for diameter in diameters
    ]
    fits = (size for size in sizes if max(height(row, size) for row in rows) <= tallest)
    return next(fits, sizes[-1])


def hill(values: FloatArray, low: float, high: float, step: float) -> FloatArray:
    """Estimate how densely values lie along an axis.

    Parameters
    ----------
    values : float array, shape (n,)
    low, high : float
        Ends of the axis.
    step : float
        Step of the scale, 0 if it has none: ties are smoothed over half of it.

    Returns
    -------
    float array, shape (BINS,)
        Share of the values in each of equal parts of the axis, smoothed.

    Notes
    -----
    A Gaussian kernel with the bandwidth of D. W. Scott 1992, *Multivariate Density Estimation*:
    1.06 sd n**(-1/5), and not less than half a step.

    Examples
    --------
    >>> density = hill(np.array([4.0, 5.0, 6.0]), 0.0, 10.0, 1.0)
    >>> int(density.argmax()), round(float(density.sum()), 2)
    (100, 1.0)
    """
    counts, edges = np.histogram(values, BINS, (low, high))
    scott = 1.06 * float(values.std()) * values.size**-0.2
    width = max(scott, step / 2, (high - low) / 100)
    offsets = np.arange(-BINS, BINS + 1) * (edges[1] - edges[0])
    kernel = np.exp(-0.5 * (offsets / width) ** 2)
    smooth = np.convolve(counts, kernel / kernel.sum(), mode="full")[BINS : 2 * BINS]
    return np.asarray(smooth / values.size, dtype=np.float64)


def outline(
    density: FloatArray, left: float, right: float, base: float, tall: float
) -> tuple[Point, ...]:
    """Corners of a hill that stands on a base line; a density of 1 is `tall` pixels high."""
    xs = np.linspace(left, right, density.size)
    seen = density * tall > 0.2
    first, last = int(seen.argmax()), density.size - int(seen[::-1].argmax())
    top = [(float(x), base - float(y)) for x, y in zip(xs, density * tall, strict=True)][first:last]
    return ((top[0][0], base), *top, (top[-1][0], base))
