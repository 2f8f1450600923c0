"""Variants whose scores spread wider than the others', or stand at an end of the scale."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray

WIDER = 1.5  # times the others' spread from which a spread is flagged

AT_THE_END = 0.25
"""Share of the scores at one end of the scale that is flagged; common practice, no source."""

FEWEST = 6
"""Tasters, and scores, below which nothing is flagged.

With four tasters and five variants of equal spread some ratio reaches 1.5 in 79 of 100 trials,
with 12 in 30, with 24 in 8 (simulated, 1,000 trials each); and below six the rank comparison,
which a flag speaks for, cannot call anything different.
"""

FINEST = 0.01  # a spread below this share of the scale counts as this share

FlagKind = Literal["spread", "low_end", "high_end"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """Something about a variant's scores, perhaps the control's, that the comparisons lean on.

    Whether they spread wider than the others' within tasters, so many times, at least 1.5; or stand
    at the lowest or highest number that could be given, a share between 0.25 and 1. Tasters, or
    rounds of the only one, are those whose scores tell it: with a score of the variant, and of
    another one as well where spreads are held against one another.
    """

    kind: FlagKind
    variant: str
    value: float
    tasters: int


def find_flags(
    means: FloatArray,
    score: FloatArray,
    variant: IntArray,
    *,
    names: Sequence[str],
    low: float,
    high: float,
) -> tuple[Flag, ...]:
    """Flag the variants of one attribute whose scores spread wide or stand at an end of the scale.

    Spreads come first, then ends, each in the order of the variants.

    >>> rng = np.random.default_rng(1)
    >>> score = 5 + rng.normal(0, [[3.0, 1.0, 1.0, 1.0]], (12, 4)).clip(-5, 5)
    >>> flags = find_flags(score, score.ravel(), np.tile(np.arange(4), 12),
    ...                    names=("plain", "oak", "vine", "clay"), low=0, high=10)
    >>> [(flag.kind, flag.variant, flag.value > 1.5) for flag in flags]
    [('spread', 'plain', True)]
    """
    ratios = spread_ratios(means, finest=FINEST * (high - low))
    scored = np.isfinite(means)
    paired = scored[scored.sum(axis=1) > 1].sum(axis=0).tolist()
    found = [
        Flag(kind="spread", variant=name, value=ratio, tasters=tasters)
        for name, ratio, tasters in zip(names, ratios.tolist(), paired, strict=True)
        if ratio >= WIDER
    ]
    hair, tasters = 1e-9 * (high - low), scored.sum(axis=0)
    given = _count(variant[np.isfinite(score)], names)
    ends: tuple[tuple[FlagKind, BoolArray], ...] = (
        ("low_end", score <= low + hair),
        ("high_end", score >= high - hair),
    )
    for kind, there in ends:
        shares = _count(variant[there], names) / np.maximum(given, 1)
        found += [
            Flag(kind=kind, variant=names[v], value=float(shares[v]), tasters=int(tasters[v]))
            for v in np.flatnonzero((given >= FEWEST) & (shares >= AT_THE_END)).tolist()
        ]
    return tuple(found)


def spread_ratios(means: FloatArray, *, finest: float = 0.0) -> FloatArray:
    """Compare the spread of each variant's scores within tasters with that of the others.

    Averaging first keeps a second cup of the same taster from counting as a second taster. A
    smaller spread than the `finest` counts as that. Gives a variant's standard deviation over the
    root mean square of the others'; NaN where it cannot be told, as with fewer than three variants
    or six tasters.

    The model is ``score = taster + variant + error`` with an error variance a variant. What two
    variants differ by within tasters does not depend on the taster and has the sum of both
    variances; the variances are fitted to all pairs by least squares, weighted by degrees of
    freedom and not below zero. Without gaps that is F. E. Grubbs (1948), J. Am. Stat. Assoc.
    43:243-264, who told the precision of several instruments that measure the same items apart.
    With two variants there is only one sum; the paired comparison then leans on nothing else.

    >>> means = np.array([[9.0, 5, 5], [1, 5, 5], [5, 6, 4], [5, 4, 6], [8, 5, 5], [2, 5, 5.0]])
    >>> spread_ratios(means, finest=0.1).round(2)
    array([3.46, 0.39, 0.39])
    """
    ratios = np.full(means.shape[1], np.nan)
    sums, weights = _pairs(means)
    told = np.flatnonzero(weights.max(axis=1) >= FEWEST - 1)
    first, second = (told[place] for place in np.triu_indices(told.size, 1))
    root = np.sqrt(weights[first, second])
    design = (np.equal.outer(first, told) | np.equal.outer(second, told)) * root[:, None]
    if told.size < 3 or np.linalg.matrix_rank(design) < told.size:
        return ratios
    variances = np.linalg.lstsq(design, sums[first, second] * root, rcond=None)[0]
    if variances.min() < 0:
        from scipy.optimize import nnls  # noqa: PLC0415 - slow to import

        variances = nnls(design, sums[first, second] * root)[0]
    variances = np.maximum(variances, finest**2)
    others = (variances.sum() - variances) / (told.size - 1)
    sure = others > 0
    ratios[told[sure]] = np.sqrt(variances[sure] / others[sure])
    return ratios


def _pairs(means: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the variance of each pair's differences over tasters, and its degrees of freedom."""
    scored = np.isfinite(means)
    there = scored.astype(np.float64)
    centred = np.where(scored, means, 0.0)
    centred = (centred - centred.sum(axis=0) / np.maximum(there.sum(axis=0), 1)) * there
    common, totals, squares = there.T @ there, centred.T @ there, (centred**2).T @ there
    within = squares + squares.T - 2 * centred.T @ centred
    within -= (totals - totals.T) ** 2 / np.maximum(common, 1)
    df = np.maximum(common - 1, 0.0)
    np.fill_diagonal(df, 0.0)
    return np.maximum(within, 0.0) / np.maximum(df, 1), df


def _count(variant: IntArray, names: Sequence[str]) -> FloatArray:
    return np.bincount(variant, minlength=len(names)).astype(np.float64)
