"""How sure the places on a map are: tasters resampled, and each map turned onto the first."""

from __future__ import annotations

import numpy as np

from blindspoon.joint.profiles import RESAMPLED_UP_TO, Profiles
from blindspoon.scores import FloatArray

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
