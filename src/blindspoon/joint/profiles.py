"""Whole profiles: how the variants lie on all attributes at once, and whether they differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from blindspoon.joint.additive import fit_additive
from blindspoon.scores import FloatArray
from blindspoon.tables import BoolArray, IntArray

PERMUTED_UP_TO, RESAMPLED_UP_TO = 100, 1_000
"""Tasters whose cups are shuffled, and who are resampled; for more, the normal limits serve."""
PERMUTATIONS, LIMIT_DRAWS = 4_999, 9_999


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """The variants' mean profile, and each taster's part in it.

    Parameters
    ----------
    mean : array, shape (n_variants, n_attributes)
        Less the mean of all variants; tasters' levels are taken out.
    influence : array, shape (n_variants, n_attributes, n_tasters)
        How far each taster pulls the mean (`AdditiveFit.influence`); those alone who scored
        two variants or more on something. Tasters stand last because sums run over them.
    deviations : array of the same shape
        Each taster's scores less that taster's mean; 0 where not scored.
    scored : bool array, shape (n_tasters, n_variants)
        Whether the taster scored the variant on anything.
    linked : bool
        Whether every two variants can be compared on every attribute.
    """

    mean: FloatArray
    influence: FloatArray
    deviations: FloatArray
    scored: BoolArray
    linked: bool


def make_profiles(scores: FloatArray) -> Profiles:
    """Split scores into the variants' profile and the tasters' parts in it.

    Parameters
    ----------
    scores : array, shape (n_tasters, n_variants, n_attributes)
        In one unit; NaN where not scored.

    Returns
    -------
    Profiles
        Where single tasters enter a random draw, they stand in an order of their own, so that
        their labels cannot move it.
    """
    scored = np.isfinite(scores).any(axis=2)
    scores = scores[scored.sum(axis=1) > 1]
    if len(scores) <= RESAMPLED_UP_TO:
        scores = scores[_fixed_order(scores)]
    fits = [fit_additive(scores[:, :, attribute]) for attribute in range(scores.shape[2])]
    return Profiles(
        mean=np.stack([fit.effects for fit in fits], axis=1),
        influence=np.stack([fit.influence.T for fit in fits], axis=1),
        deviations=np.stack([fit.deviations.T for fit in fits], axis=1),
        scored=np.asarray(np.isfinite(scores).any(axis=2)),
        linked=all(fit.linked for fit in fits),
    )


def _fixed_order(scores: FloatArray) -> IntArray:
    """Sort tasters by their scores in order of size, then as they come by variant."""
    flat = np.nan_to_num(scores, nan=np.inf)
    rows = flat.reshape(len(scores), -1)
    sizes = np.sort(flat, axis=1).reshape(len(scores), -1)
    return np.lexsort((*rows.T, *sizes.T))


def profiles_alike(profiles: Profiles, rng: np.random.Generator) -> float:
    """Test whether every taster's profiles could as well have come under other variants' names.

    Parameters
    ----------
    profiles : Profiles
    rng : numpy.random.Generator

    Returns
    -------
    float
        p value: how often the variants' totals would lie as far from each other if each
        taster's cups were shuffled.

    Notes
    -----
    The statistic is the sum of squares of the variants' mean deviations over all attributes.
    A taster's cups are shuffled whole among the variants that the taster scored, so the
    dependence between attributes stays: E. J. G. Pitman 1938, Biometrika 29:322 (the analysis
    of variance by permutation within blocks), here with several attributes; the statistic for
    several is that of M. J. Anderson 2001, Austral Ecol. 26:32, for Euclidean distance. 4,999
    shuffles, the data counted as one more; above 100 tasters 9,999 draws from their normal
    limit.
    """
    tasters = np.maximum(profiles.scored.sum(axis=0), 1)
    sums = profiles.deviations.sum(axis=2) / tasters[:, None]
    observed = float((sums**2).sum())
    draw = _shuffled if len(profiles.scored) <= PERMUTED_UP_TO else _limit
    null = draw(profiles, tasters, rng)
    reached = int(np.count_nonzero(null >= observed * (1 - 1e-10)))
    return (reached + 1) / (len(null) + 1)


def _shuffled(profiles: Profiles, tasters: IntArray, rng: np.random.Generator) -> FloatArray:
    totals = np.zeros((PERMUTATIONS, *profiles.mean.shape))
    for own, scored in zip(np.moveaxis(profiles.deviations, 2, 0), profiles.scored, strict=True):
        places = np.flatnonzero(scored)
        shuffles = rng.permuted(np.tile(places, (PERMUTATIONS, 1)), axis=1)
        totals[:, places] += own[shuffles]
    statistics: FloatArray = ((totals / tasters[:, None]) ** 2).sum(axis=(1, 2))
    return statistics


def _limit(profiles: Profiles, tasters: IntArray, rng: np.random.Generator) -> FloatArray:
    """Draw squared lengths of normal totals with the covariance that shuffles have.

    A taster's totals over c cups vary as (I - 1/c) over variants times the taster's cross
    products over attributes, over c - 1; tasters with the same cups are summed first.
    """
    variants, attributes = profiles.mean.shape
    covariance = np.zeros((variants, attributes, variants, attributes))
    for scored, own in _by_cups(profiles):
        products = sum(each @ each.T for each in own)
        count = int(scored.sum())
        shares = np.diag(scored.astype(float)) - np.outer(scored, scored) / count
        shares /= np.outer(tasters, tasters) * (count - 1)
        covariance += np.einsum("vw,jl->vjwl", shares, products)
    flat = covariance.reshape(variants * attributes, -1)
    spread = np.maximum(np.linalg.eigvalsh(flat), 0.0)
    lengths: FloatArray = rng.chisquare(1, (LIMIT_DRAWS, spread.size)) @ spread
    return lengths


def _by_cups(profiles: Profiles) -> Iterator[tuple[BoolArray, FloatArray]]:
    """Give the deviations of tasters who scored the same variants, with those variants."""
    codes = profiles.scored @ (1 << np.arange(profiles.scored.shape[1]))
    order = np.argsort(codes, kind="stable")
    _, firsts = np.unique(codes[order], return_index=True)
    for group in np.split(order, firsts[1:]):
        yield profiles.scored[group[0]], profiles.deviations[:, :, group]
