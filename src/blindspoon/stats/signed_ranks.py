"""Each variant against the control by the tasters' signed ranks."""

from __future__ import annotations

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.stats.hodges_lehmann import agreeing, shifts_with_intervals
from blindspoon.stats.results import NoResult, RankContrast
from blindspoon.stats.sign_flips import (
    SAMPLES,
    null_distribution,
    one_by_one,
    settle_ties,
    signed_ranks,
    single_step,
    statistics,
)
from blindspoon.stats.two_way import gather


def taster_means(
    score: FloatArray,
    taster: IntArray,
    variant: IntArray,
    *,
    n_tasters: int,
    n_variants: int,
) -> FloatArray:
    """Average each taster's replicates of each variant.

    Parameters
    ----------
    score : array, shape (n_servings,)
        In points; NaN where the ballot was left blank.
    taster, variant : array of int, shape (n_servings,)
        Who scored which variant, counted from 0.

    Returns
    -------
    array, shape (n_tasters, n_variants)
        Means in points, rounded to 1e-9 so that equal means are equal numbers; NaN where not
        scored.

    Examples
    --------
    >>> taster_means(
    ...     np.array([0.1, 0.2, 0.4, 5.0]), np.array([0, 0, 0, 1]), np.array([0, 0, 1, 1]),
    ...     n_tasters=2, n_variants=2,
    ... )
    array([[0.15, 0.4 ],
           [ nan, 5.  ]])
    """
    scored = ~np.isnan(score)
    return gather(score[scored], taster[scored], variant[scored], n_tasters, n_variants).mean


def compare_ranks(
    means: FloatArray,
    *,
    control: int,
    alpha: float,
    rng: np.random.Generator,
    samples: int = SAMPLES,
) -> tuple[RankContrast | NoResult, ...]:
    """Compare each variant with the control by signed ranks, jointly over the variants.

    Parameters
    ----------
    means : array, shape (n_tasters, n_variants)
        Each taster's mean score of each variant, in points (`taster_means`); NaN where not
        scored.
    control : int
        The control's column.
    alpha : float
        Familywise error rate of all variants together, between 0 and 1.
    rng : numpy.random.Generator
        Draws flips where not all are made. The tasters are put in a fixed order first, so the
        same scores under other labels draw the same.
    samples : int
        Flips to sample where not all are made; fewer than usual for a quick look.

    Returns
    -------
    tuple of RankContrast or NoResult
        One for each variant other than the control, in their order; no result, with the
        reason, for a variant that no taster scored beside the control.

    Notes
    -----
    *Test.* A taster's differences from the control are turned all at once. A variant's
    statistic is the absolute sum of its signed ranks (F. Wilcoxon 1945, Biometrics Bull. 1:80)
    over the root of their sum of squares; ties are averaged, and a zero or a missing difference
    counts 0. ``p_value`` refers it to the flips alone, ``p_adjusted`` to the flips of the
    largest over the variants (single-step max-T: P. H. Westfall and S. S. Young 1993). All
    flips are made up to 18 tasters who differ in anything, 99,999 sampled up to 1,000 with the
    data counted as one more; above, the flips' joint normal limit is taken. The null hypothesis
    is that each taster's differences could as well have come turned; it holds, and the p values
    with it, however unequal the tasters' spreads and wherever scores are missing.

    *Estimate.* ``shift`` is the median of the pairwise means of the differences, each paired
    with itself too (J. L. Hodges and E. L. Lehmann 1963, Ann. Math. Stat. 34:598); zeros stay
    in. The interval is what the test of ``p_adjusted`` does not reject
    (`shifts_with_intervals`), so it leaves zero out where that is at most alpha; above 18 tasters,
    where it is found another way, it is ended at zero so that it does, unless the estimate is zero
    itself. It holds for all variants at once, needs at least six tasters at the usual 0.05, more
    with several variants, and is None below.

    *Least p.* No ``p_adjusted`` with the same zeros, ties and gaps could have been below
    ``smallest_p``. For a variant on which m tasters differ it is 2 / 2^m, or that of a
    variant whose largest possible statistic is as large, if larger: it is among those to be
    beaten.
    Sampled flips and the normal limit give it as they give any p value. A p value
    below the smallest normal float, 2.2e-308, is given as that.

    Examples
    --------
    >>> means = np.array([[5, 7, 5], [4, 7, 4], [6, 7, 7], [3, 5, 2], [5, 6, 5], [4, 8, 5.0]])
    >>> first, second = compare_ranks(means, control=0, alpha=0.1, rng=np.random.default_rng(1))
    >>> first.shift, first.p_value, first.p_adjusted, first.interval
    (2.0, 0.03125, 0.03125, Interval(low=1.0, high=3.0, low_open=False, high_open=False))
    >>> second.p_adjusted, second.zero_differences, second.smallest_p
    (1.0, 3, 0.25)
    """
    others = [v for v in range(means.shape[1]) if v != control]
    differences = settle_ties(means[:, others] - means[:, [control]])
    compared = np.flatnonzero(~np.isnan(differences).all(axis=0)).tolist()
    alone = "Nobody scored the control."
    reason = "No taster scored both this variant and the control."
    missing = NoResult(alone if np.isnan(means[:, control]).all() else reason)
    results: list[RankContrast | NoResult] = [missing] * len(others)
    if compared:
        family = _in_fixed_order(differences[:, compared])
        contrasts = _compare(family, [others[c] for c in compared], alpha, rng, samples)
        for c, contrast in zip(compared, contrasts, strict=True):
            results[c] = contrast
    return tuple(results)


def _compare(
    differences: FloatArray,
    variants: list[int],
    alpha: float,
    rng: np.random.Generator,
    samples: int,
) -> list[RankContrast]:
    """Test and estimate; every column of the differences has a taster."""
    scores = signed_ranks(differences)
    null = null_distribution(scores, rng, samples)
    observed = statistics(scores)
    alone, adjusted = one_by_one(null, observed), single_step(null, observed)
    largest = statistics(np.abs(scores))
    reach, least = null.comparable(largest), np.array(one_by_one(null, largest))
    estimates = shifts_with_intervals(differences, alpha, rng, samples)
    return [
        RankContrast(
            variant=variant,
            tasters=int((~np.isnan(differences[:, v])).sum()),
            zero_differences=int((differences[:, v] == 0).sum()),
            shift=estimates[v][0],
            interval=agreeing(estimates[v][1], estimates[v][0], differs=bool(adjusted[v] <= alpha)),
            equivalence_interval=estimates[v][2],
            p_value=alone[v],
            p_adjusted=float(adjusted[v]),
            smallest_p=float(least[reach >= reach[v]].max()),
            method=null.method,
        )
        for v, variant in enumerate(variants)
    ]


def _in_fixed_order(differences: FloatArray) -> FloatArray:
    """Sort the tasters by what they found, so that their labels cannot move a random draw."""
    sizes = np.abs(np.nan_to_num(differences))
    keys = (*np.nan_to_num(differences, nan=np.inf).T, sizes.sum(axis=1))
    return differences[np.lexsort(keys)]
