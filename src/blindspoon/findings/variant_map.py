"""A map of the variants: the flat picture that keeps most of what separates their profiles.

Whole profiles: how the variants lie on all attributes at once, and whether they differ.

How sure the places on a map are: tasters resampled, and each map turned onto the first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import fit_additive

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


RESAMPLES, LEVEL = 1_000, 0.95


def components(profile: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Find the principal components of centred profiles, signs settled.

    Parameters
    ----------
    profile : array, shape (n_variants, n_attributes)
        Columns with mean zero.

    Returns
    -------
    coordinates : array, shape (n_variants, n_components)
    shares : array, shape (n_components,)
        Of the sum of squares; all 0 where nothing varies.
    loadings : array, shape (n_components, n_attributes)
        Each with a positive largest entry, the first of those that tie.

    Examples
    --------
    >>> places, shares, loadings = components(np.array([[-1.0, 2.0], [0.0, 0.0], [1.0, -2.0]]))
    >>> shares.round(3).tolist(), loadings[0].round(3).tolist()
    ([1.0, 0.0], [-0.447, 0.894])
    """
    left, sizes, right = np.linalg.svd(profile, full_matrices=False)
    largest = (np.abs(right).round(9)).argmax(axis=1)
    signs = np.where(right[np.arange(len(right)), largest] < 0, -1.0, 1.0)
    total = (sizes**2).sum()
    shares = sizes**2 / total if total > 0 else np.zeros_like(sizes)
    return left * sizes * signs, shares, right * signs[:, None]


def turned_onto(target: FloatArray, others: FloatArray) -> FloatArray:
    """Turn and mirror configurations so that they lie as near to a target as they can.

    Parameters
    ----------
    target : array, shape (n_points, 2)
    others : array, shape (n_configurations, n_points, 2)

    Returns
    -------
    array, shape (n_configurations, n_points, 2)

    Notes
    -----
    Orthogonal Procrustes: P. H. Schönemann 1966, Psychometrika 31:1. Neither moved nor
    stretched.
    """
    left, _, right = np.linalg.svd(others.transpose(0, 2, 1) @ target)
    turned: FloatArray = others @ (left @ right)
    return turned


def ellipse_shapes(profiles: Profiles, rng: np.random.Generator) -> FloatArray:
    """Give each variant's 95 % ellipse on the map of the first two components.

    Parameters
    ----------
    profiles : Profiles
        Of three tasters or more.
    rng : numpy.random.Generator

    Returns
    -------
    array, shape (n_variants, 2, 2)
        The resamples' covariance times the squared radius.

    Notes
    -----
    Tasters are weighted at random (D. B. Rubin 1981, Ann. Stat. 9:130); 1,000 times, above
    1,000 tasters by the weights' normal limit. The covariance of n such tasters is made
    unbiased by (n + 1) / (n - 1). The squared radius is that of Hotelling's T squared in two
    dimensions, 2 (n - 1) / (n - 2) times the quantile of F(2, n - 2), which is
    (n - 1) (0.05 ** (-2 / (n - 2)) - 1).
    """
    tasters = len(profiles.scored)
    target = components(profiles.mean)[0][:, :2]
    resampled = profiles.mean + _shifts(profiles.influence, rng)
    left, sizes, _ = np.linalg.svd(resampled, full_matrices=False)
    turned = turned_onto(target, left[:, :, :2] * sizes[:, None, :2])
    centred = turned - turned.mean(axis=0)
    covariance = np.einsum("bvi,bvj->vij", centred, centred) / (len(centred) - 1)
    radius = (tasters - 1) * ((1 - LEVEL) ** (-2 / (tasters - 2)) - 1)
    shapes: FloatArray = covariance * radius * (tasters + 1) / (tasters - 1)
    return shapes


def _shifts(influence: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw how the mean profile moves when tasters are resampled."""
    *shape, tasters = influence.shape
    pulls = influence.reshape(-1, tasters)
    if tasters <= RESAMPLED_UP_TO:
        weights = rng.standard_exponential((RESAMPLES, tasters))
        weights /= weights.mean(axis=1, keepdims=True)
        resampled: FloatArray = (weights @ pulls.T).reshape(-1, *shape)
        return resampled
    sizes, directions = np.linalg.eigh(pulls @ pulls.T)
    root = (directions * np.sqrt(np.maximum(sizes, 0.0))) @ directions.T
    drawn: FloatArray = (rng.standard_normal((RESAMPLES, len(root))) @ root).reshape(-1, *shape)
    return drawn


def are_apart(between: FloatArray, one: FloatArray, two: FloatArray) -> bool:
    """Tell whether two ellipses have no point in common.

    Parameters
    ----------
    between : array, shape (2,)
        From centre to centre.
    one, two : array, shape (2, 2)
        The ellipses are all z with z' shape^-1 z <= 1 about their centres; may be flat.

    Notes
    -----
    They are apart where t (1 - t) d' (t one + (1 - t) two)^-1 d exceeds 1 for some t between 0
    and 1: J. W. Perram and M. S. Wertheim 1985, J. Comput. Phys. 58:409. 199 values of t are
    tried, so ellipses that all but touch may count as touching.

    Examples
    --------
    >>> unit = np.eye(2)
    >>> are_apart(np.array([2.1, 0.0]), unit, unit), are_apart(np.array([1.9, 0.0]), unit, unit)
    (True, False)
    """
    share = np.linspace(0, 1, 201)[1:-1, None, None]
    mixed = share * one + (1 - share) * two
    size = float(np.trace(mixed.sum(axis=0))) + float(between @ between)
    mixed = mixed + 1e-12 * size * np.eye(2)
    nearness = np.linalg.solve(mixed, np.broadcast_to(between[:, None], (len(mixed), 2, 1)))
    contact = (share * (1 - share))[:, 0, 0] * (nearness[:, :, 0] @ between)
    return bool(contact.max() > 1)


FEWEST_ATTRIBUTES, FEWEST_VARIANTS, FEWEST_TASTERS = 3, 3, 6
"""Two attributes are a picture without a map; the smallest p by ranks needs six tasters too."""
ENOUGH = 0.7
"""Share that two directions have to carry; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a variant lies, and its 95 % ellipse.

    Parameters
    ----------
    variant : str
    x, y : float
        In the unit of the map; 0, 0 is the mean of all variants.
    shape : array, shape (2, 2)
        The ellipse is all z with (z - place)' shape^-1 (z - place) <= 1.
    """

    variant: str
    x: float
    y: float
    shape: FloatArray

    @property
    def centre(self) -> FloatArray:
        """Both coordinates, shape (2,)."""
        return np.array([self.x, self.y])

    def ellipse(self) -> tuple[float, float, float]:
        """Give the long and the short half axis, and how far the long one is turned, in degrees.

        Counted from the axis across towards the axis up, 0 to 180.
        """
        sizes, directions = np.linalg.eigh(self.shape)
        short, long = np.sqrt(np.maximum(sizes, 0.0)).tolist()
        turned = math.degrees(math.atan2(directions[1, 1], directions[0, 1]))
        return long, short, turned % 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """One axis of the map.

    Parameters
    ----------
    share : float
        Of the variance between the variants' means, 0 to 1.
    loadings : dict of str to float
        By attribute; their squares sum to 1.
    """

    share: float
    loadings: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Map:
    """The variants on their first two principal components.

    Parameters
    ----------
    places : tuple of Place
        Of the variants that were scored on every attribute, in the order of the trial.
    across, up : Direction
    in_points : bool
        Whether distances are points of the scale; otherwise the attributes' scales differ in
        length and distances are hundredths of a scale.
    tasters : int
        Those who scored two variants or more.
    p_value : float
        Null: every taster's profiles could as well have come under other variants' names.
    """

    places: tuple[Place, ...]
    across: Direction
    up: Direction
    in_points: bool
    tasters: int
    p_value: float

    @property
    def unit(self) -> str:
        """What distances are counted in: "points" or "hundredths of the scale"."""
        return "points" if self.in_points else "hundredths of the scale"

    def pairs_apart(self) -> tuple[tuple[Place, Place], ...]:
        """List the pairs of variants whose ellipses have no point in common."""
        return tuple(
            (one, two)
            for one, two in combinations(self.places, 2)
            if are_apart(two.centre - one.centre, one.shape, two.shape)
        )


def map_variants(
    variants: Sequence[str],
    attributes: Sequence[str],
    scores: FloatArray,
    spans: Sequence[float],
    *,
    alpha: float,
    rng: np.random.Generator,
) -> Map | NoResult:
    """Map the variants, if the map says something.

    Parameters
    ----------
    variants, attributes : sequence of str
        Names.
    scores : array, shape (n_tasters, n_variants, n_attributes)
        Each taster's mean scores, in points; NaN where not scored.
    spans : sequence of float
        Lengths of the attributes' scales, in points.
    alpha : float
        Level of the test that the profiles differ at all.
    rng : numpy.random.Generator
        Draws the shuffles and the resamples.

    Returns
    -------
    Map or NoResult
        No result with fewer than three attributes, three variants or six tasters; where
        shuffled cups would lie as far apart as the real ones; where two directions carry less
        than 70 %; and where every two ellipses overlap.

    Notes
    -----
    *Map.* Principal components of the covariance, not the correlation, of the mean profile
    (I. T. Jolliffe 2002, Principal Component Analysis, 2nd ed., section 2.3): attributes share
    a scale, and one that hardly varies should not count as much as one that does. Scales of
    different lengths are made comparable by their lengths, not by the scores.

    *Ellipses.* Whole tasters are resampled (for sensory profiles: F. Husson, S. Lê and J. Pagès
    2005, Food Qual. Prefer. 16:245), 1,000 times, by the random weights of D. B. Rubin 1981,
    Ann. Stat. 9:130; above 1,000 tasters from the weights' normal limit. Each resample's own
    components are turned and mirrored onto the map (orthogonal Procrustes, P. H. Schönemann
    1966, Psychometrika 31:1; for bootstrapped components L. Milan and J. Whittaker 1995, Appl.
    Stat. 44:31), so the axes' own uncertainty is inside. An ellipse is the resamples'
    covariance at the radius of Hotelling's T squared for this many tasters. Each is for one
    variant by itself.

    *Signs.* The largest loading of a component is positive.
    """
    kept, used = _scored_on(scores)
    scores, length = scores[:, kept][:, :, used], np.asarray(spans, float)[used]
    lacking = _lacking(scores)
    if lacking:
        return NoResult(lacking)
    in_points = bool(np.ptp(length) <= 1e-9 * length.max())
    profiles = make_profiles(scores if in_points else 100 * scores / length)
    if not profiles.linked:
        return NoResult("The tasters do not link all variants, so their places cannot be compared.")
    p_value = profiles_alike(profiles, rng)
    if p_value > alpha:
        return NoResult("Shuffled cups would lie as far apart: a map would show noise.")
    coordinates, shares, loadings = components(profiles.mean)
    if shares[:2].sum() < ENOUGH:
        return NoResult(
            "Two directions carry too little of what separates the variants: "
            "a flat map would mislead."
        )
    names = [attributes[place] for place in np.flatnonzero(used).tolist()]
    across, up = (
        Direction(share=float(share), loadings=dict(zip(names, each.tolist(), strict=True)))
        for share, each in zip(shares[:2], loadings[:2], strict=True)
    )
    drawn = Map(
        places=tuple(
            Place(variant=variants[v], x=float(at[0]), y=float(at[1]), shape=shape)
            for v, at, shape in zip(
                np.flatnonzero(kept).tolist(),
                coordinates,
                ellipse_shapes(profiles, rng),
                strict=True,
            )
        ),
        across=across,
        up=up,
        in_points=in_points,
        tasters=len(profiles.scored),
        p_value=p_value,
    )
    if not drawn.pairs_apart():
        return NoResult("The ellipses of all variants overlap: a map would show noise.")
    return drawn


def _scored_on(scores: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Keep attributes that anybody scored, and variants that were scored on all of those."""
    cells = np.asarray(np.isfinite(scores).any(axis=0))
    used = np.asarray(cells.any(axis=0))
    everywhere: BoolArray = np.asarray(cells[:, used].all(axis=1))
    return everywhere & bool(used.any()), used


def _lacking(scores: FloatArray) -> str:
    """Say what a map would need more of; empty where it has enough."""
    _, variants, attributes = scores.shape
    if attributes < FEWEST_ATTRIBUTES:
        return "A map needs three attributes; fewer can be seen side by side."
    if variants < FEWEST_VARIANTS:
        return "A map needs three variants that were scored on every attribute."
    cups = np.isfinite(scores).any(axis=2).sum(axis=1)
    if np.count_nonzero(cups > 1) < FEWEST_TASTERS:
        return "A map needs six tasters; fewer do not show how sure a place is."
    return ""
