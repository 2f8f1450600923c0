"""A map of the variants: the flat picture that keeps most of what separates their profiles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from blindspoon.compare.results import NoResult
from blindspoon.joint.ellipses import are_apart, components, ellipse_shapes
from blindspoon.joint.profiles import make_profiles, profiles_alike
from blindspoon.scores import FloatArray
from blindspoon.tables import BoolArray

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
