"""The map: components, turning, ellipses and the gates before them."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg, spatial, stats
from statsmodels.multivariate.pca import PCA

from blindspoon.findings.variant_map import (
    Map,
    are_apart,
    components,
    ellipse_shapes,
    make_profiles,
    map_variants,
    profiles_alike,
    turned_onto,
)
from blindspoon.stats.results import NoResult

PROFILE = np.array([[0, 0, 0, 0], [3, 1, 0, -1], [-2, 0, 1, 1], [0, 2, -2, 0], [1, -2, 0, 2.0]])


def mapped(scores, spans=None, seed=1, alpha=0.05):
    variants, attributes = scores.shape[1:]
    return map_variants(
        [f"v{at}" for at in range(variants)],
        [f"a{at}" for at in range(attributes)],
        scores,
        spans or [10.0] * attributes,
        alpha=alpha,
        rng=np.random.default_rng(seed),
    )


def coordinates(drawn):
    return np.array([place.centre for place in drawn.places])


def test_components_are_those_of_statsmodels():
    profile = PROFILE - PROFILE.mean(axis=0)
    places, shares, loadings = components(profile)
    other = PCA(profile, standardize=False, demean=True, normalize=False)
    assert np.abs(places[:, :3]) == pytest.approx(np.abs(other.factors[:, :3]), abs=1e-9)
    assert np.abs(loadings[:3]) == pytest.approx(np.abs(other.loadings.T[:3]), abs=1e-9)
    assert shares == pytest.approx(other.eigenvals[: len(shares)] / other.eigenvals.sum())


def test_components_rebuild_the_profile_and_signs_are_settled():
    profile = PROFILE - PROFILE.mean(axis=0)
    places, _, loadings = components(profile)
    assert places @ loadings == pytest.approx(profile)
    mirrored, _, same = components(-profile)
    assert same == pytest.approx(loadings)
    assert mirrored == pytest.approx(-places)
    assert all(row[np.abs(row).argmax()] > 0 for row in loadings)


def test_turning_is_scipys():
    rng = np.random.default_rng(5)
    target, others = rng.normal(size=(6, 2)), rng.normal(size=(4, 6, 2))
    for one, turned in zip(others, turned_onto(target, others), strict=True):
        rotation, _ = linalg.orthogonal_procrustes(one, target)
        assert turned == pytest.approx(one @ rotation)


def test_a_turned_and_mirrored_map_is_turned_back():
    rng = np.random.default_rng(6)
    target = rng.normal(size=(6, 2))
    target -= target.mean(axis=0)
    turned = target @ np.array([[0.6, 0.8], [0.8, -0.6]])
    assert turned_onto(target, turned[None])[0] == pytest.approx(target)
    _, _, disparity = spatial.procrustes(target, turned)
    assert disparity == pytest.approx(0, abs=1e-12)


def test_the_shuffles_are_all_shuffles():
    """Four tasters, three variants: the 6 ** 4 arrangements written out."""
    scores = np.random.default_rng(7).normal(size=(4, 3, 2)) + np.array([[0, 0], [1, 0], [0, 1]])
    centred = scores - scores.mean(axis=1, keepdims=True)
    observed = (centred.mean(axis=0) ** 2).sum()
    orders = list(permutations(range(3)))
    reached = sum(
        (sum(each[list(order)] for each, order in zip(centred, way, strict=True)) / 4) ** 2
        @ np.ones(2)
        @ np.ones(3)
        >= observed - 1e-12
        for way in product(orders, repeat=4)
    )
    found = profiles_alike(make_profiles(scores), np.random.default_rng(1))
    exact = reached / 6**4
    assert found == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 4999))


def test_the_limit_of_the_shuffles_is_theirs(draw, monkeypatch):
    profiles = make_profiles(draw(8, 100, 0.07 * PROFILE, noise=2.0, lost=0.1))
    shuffled = profiles_alike(profiles, np.random.default_rng(1))
    monkeypatch.setattr("blindspoon.findings.variant_map.PERMUTED_UP_TO", 10)
    assert 0.02 < shuffled < 0.98
    assert profiles_alike(profiles, np.random.default_rng(2)) == pytest.approx(shuffled, abs=0.03)


def test_an_ellipse_is_hotellings_for_two_attributes(draw):
    """With two attributes the map is the profile turned, and an ellipse has a textbook form.

    Turning takes one of 22 degrees of freedom from twelve variants.
    """
    scores = draw(9, 14, np.random.default_rng(3).normal(0, 4, (12, 2)), noise=0.7)
    profiles = make_profiles(scores)
    shapes = ellipse_shapes(profiles, np.random.default_rng(1))
    centred = scores - scores.mean(axis=1, keepdims=True)
    centred -= centred.mean(axis=0)
    squares = np.einsum("tvi,tvi->v", centred, centred) / 13 / 14
    factor = 2 * 13 / 12 * stats.f.ppf(0.95, 2, 12)
    found = np.trace(shapes, axis1=1, axis2=2)
    assert found / (squares * factor) == pytest.approx(np.ones(12), abs=0.25)
    assert (found / (squares * factor)).mean() == pytest.approx(21 / 22, abs=0.04)


def test_circles_touch_where_they_touch():
    for distance, radii in ((2.9, (1, 2)), (3.1, (1, 2)), (0.9, (0.5, 0.5)), (1.1, (0.5, 0.5))):
        one, two = (np.eye(2) * radius**2 for radius in radii)
        found = are_apart(np.array([distance * 0.6, distance * 0.8]), one, two)
        assert found == (distance > sum(radii))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_ellipses_are_apart_where_a_line_parts_them(seed):
    """Two ellipses are apart where the support of one, seen from the other, leaves a gap."""
    rng = np.random.default_rng(seed)
    one, two = (m @ m.T + 0.01 * np.eye(2) for m in rng.normal(size=(2, 2, 2)))
    between = rng.normal(size=2) * 3
    angle = np.linspace(0, 2 * np.pi, 20001)
    way = np.array([np.cos(angle), np.sin(angle)])
    reach = sum(np.sqrt(np.einsum("ia,ij,ja->a", way, shape, way)) for shape in (one, two))
    gap = (between @ way - reach).max()
    if abs(gap) > 0.01:
        assert are_apart(between, one, two) == (gap > 0)


def test_a_clear_profile_is_mapped(draw):
    drawn = mapped(draw(10, 12, PROFILE))
    assert isinstance(drawn, Map)
    assert [place.variant for place in drawn.places] == ["v0", "v1", "v2", "v3", "v4"]
    assert drawn.in_points
    assert drawn.tasters == 12
    assert drawn.p_value == pytest.approx(1 / 5000)
    assert coordinates(drawn).mean(axis=0) == pytest.approx([0, 0], abs=1e-9)
    assert drawn.across.share + drawn.up.share >= 0.7
    assert sum(loading**2 for loading in drawn.up.loadings.values()) == pytest.approx(1)


@pytest.mark.parametrize(
    ("tasters", "profile", "reason"),
    [
        (12, np.zeros((4, 3)), "Shuffled cups"),
        (12, PROFILE[:, :2], "three attributes"),
        (12, PROFILE[:2], "three variants"),
        (5, PROFILE, "six tasters"),
        (1, PROFILE, "six tasters"),
        (40, 4 * np.eye(6), "Two directions"),
    ],
)
def test_a_map_that_says_nothing_is_not_drawn(draw, tasters, profile, reason):
    found = mapped(draw(11, tasters, profile))
    assert isinstance(found, NoResult)
    assert reason in found.reason


def test_ellipses_that_all_overlap_make_no_map(draw):
    found = mapped(draw(12, 12, 0.15 * PROFILE[:, :3]), alpha=1.0)
    assert isinstance(found, NoResult)
    assert "ellipses of all variants overlap" in found.reason


def test_variants_and_attributes_that_were_not_scored_are_left_out(draw):
    scores = draw(13, 14, np.hstack([PROFILE, PROFILE[:, :1]]), lost=0.05)
    scores[:, 2, 1] = np.nan
    scores[:, :, 4] = np.nan
    drawn = mapped(scores)
    assert [place.variant for place in drawn.places] == ["v0", "v1", "v3", "v4"]
    assert list(drawn.across.loadings) == ["a0", "a1", "a2", "a3"]


def test_tasters_who_link_nothing_make_no_map(draw):
    scores = draw(14, 12, PROFILE)
    scores[:6, :2] = np.nan
    scores[6:, 2:] = np.nan
    assert "do not link" in mapped(scores).reason


def test_scales_of_different_length_count_by_their_length(draw):
    scores = draw(15, 12, PROFILE)
    stretched = scores * [1, 1, 1, 10]
    one, two = mapped(scores), mapped(stretched, [10.0, 10.0, 10.0, 100.0])
    assert not two.in_points
    assert coordinates(two) == pytest.approx(10 * coordinates(one))


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_labels_do_not_matter(seed):
    rng = np.random.default_rng(seed)
    scores = 5 + PROFILE + rng.normal(size=(9, 1, 4)) + rng.normal(size=(9, 5, 4))
    drawn, tasters, variants = mapped(scores), rng.permutation(9), rng.permutation(5)
    again = mapped(scores[tasters])
    other = mapped(scores[:, variants])
    if isinstance(drawn, NoResult):
        assert again == drawn
        return
    assert coordinates(again) == pytest.approx(coordinates(drawn), abs=1e-9)
    shapes = [np.array([place.shape for place in each.places]) for each in (drawn, again)]
    assert shapes[1] == pytest.approx(shapes[0], rel=1e-6)
    assert isinstance(other, Map)
    assert coordinates(other) == pytest.approx(coordinates(drawn)[variants], abs=1e-9)


def test_many_tasters_take_the_normal_limit_and_agree(draw):
    scores = draw(16, 1001, 0.2 * PROFILE)
    many, few = mapped(scores), mapped(scores[:1000])
    for one, two in zip(many.places, few.places, strict=True):
        assert np.linalg.norm(one.shape - two.shape) < 0.25 * np.linalg.norm(two.shape)


@pytest.mark.slow
@pytest.mark.parametrize("tasters", [6, 12, 40])
def test_ellipses_cover(tasters):
    """The true places, turned onto the map as the resamples are, lie in 95 % of the ellipses."""
    inside, truth = 0, PROFILE[:, :3] - PROFILE[:, :3].mean(axis=0)
    true_places = components(truth)[0][:, :2]
    for seed in range(600):
        rng = np.random.default_rng(seed)
        scores = truth + rng.normal(size=(tasters, 1, 3)) + rng.normal(size=(tasters, 5, 3))
        profiles = make_profiles(scores)
        places = components(profiles.mean)[0][:, :2]
        shapes = ellipse_shapes(profiles, rng)
        away = turned_onto(places, true_places[None])[0] - places
        inside += sum(
            each @ np.linalg.solve(shape, each) <= 1
            for each, shape in zip(away, shapes, strict=True)
        )
    assert 0.93 <= inside / 3000 <= 0.99


@pytest.mark.slow
def test_the_gate_opens_on_noise_in_one_trial_of_twenty_at_most(draw):
    opened = sum(
        isinstance(mapped(draw(seed, 8, np.zeros((4, 3)), correlation=0.5), seed=seed), Map)
        for seed in range(1000)
    )
    assert opened / 1000 <= 0.06


@pytest.mark.slow
@pytest.mark.parametrize("tasters", [8, 120])
def test_the_size_of_the_shuffles(draw, tasters):
    small = sum(
        profiles_alike(
            make_profiles(draw(seed, tasters, np.zeros((4, 3)), correlation=0.5, lost=0.1)),
            np.random.default_rng(seed),
        )
        <= 0.05
        for seed in range(1000)
    )
    assert 0.033 <= small / 1000 <= 0.068
