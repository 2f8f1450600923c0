"""Ordered categories: the cumulative logit mixed model beside the mixed model."""

from __future__ import annotations

import time
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import expit, ndtr
from statsmodels.miscmodels.ordinal_model import OrderedModel

from blindspoon.stats import ordinal
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.ordinal import (
    MOST_TASTERS,
    RUNS_OFF,
    TASTERS_RUN_OFF,
    UNSETTLED,
    CumulativeModel,
    Terms,
    _levels,
    compare_ordinal,
    fit_cumulative,
    integrate,
    maximise,
)
from blindspoon.stats.results import NoResult

DATA = Path(__file__).parents[1] / "data"
# Each example fits a model twice or more: half as many as for a property that costs nothing.
FEWER = settings(max_examples=settings.default.max_examples // 2)


@pytest.fixture(scope="module")
def wine():
    """Level, judge, and design (warm, contact) of Randall's wines."""
    table = pd.read_csv(DATA / "randall_1989_wine.csv")
    design = np.column_stack([table["temp"] == "warm", table["contact"] == "yes"]).astype(float)
    return table["rating"].to_numpy() - 1, table["judge"].to_numpy(), design


def draw(rng, *, tasters=8, variants=3, sessions=2, sd=1.0, effect=0.0, interaction=0.0):
    """Draw scores in whole points from 0 to 10; `effect` raises the last variant."""
    grid = np.meshgrid(range(tasters), range(sessions), range(variants), indexing="ij")
    taster, _, variant = (each.ravel() for each in grid)
    score = 5 + sd * rng.normal(size=tasters)[taster] + rng.normal(size=taster.size)
    score += effect * (variant == variants - 1)
    score += interaction * rng.normal(size=(tasters, variants))[taster, variant]
    return np.clip(np.round(score), 0, 10), taster, variant


def compare(score, taster, variant, control=0):
    arrays = np.asarray(score, dtype=float), np.asarray(taster), np.asarray(variant)
    return compare_ordinal(*arrays, control=control)


def fitted(score, taster, variant):
    """The whole model beside the contrasts, without what the scores were grouped by."""
    return fit_cumulative(np.unique(score, return_inverse=True)[1], taster, indicators(variant))


def indicators(variant):
    return (variant[:, None] == np.arange(1, variant.max() + 1)).astype(float)


def model(score, taster, variant, nodes):
    level = np.unique(score, return_inverse=True)[1]
    return level, CumulativeModel.of(level, taster, indicators(variant), nodes)


def log_odds(fit):
    return [each.log_odds for each in fit]


# --- published values ------------------------------------------------------------------------


def test_bitter_wines_without_judges(wine):
    # Randall 1989, Biometrical Journal 31, 781-793 (data); the estimates of the proportional
    # odds model as the literature on cumulative link models prints them, from memory
    level, _, design = wine
    fit = fit_cumulative(level, None, design)
    assert fit.effects == pytest.approx([2.503, 1.528], abs=6e-4)
    assert fit.thresholds == pytest.approx([-1.344, 1.251, 3.467, 5.006], abs=6e-4)
    assert fit.log_likelihood == pytest.approx(-86.49, abs=0.006)
    assert fit.taster_sd == 0


def test_bitter_wines_with_judges(wine):
    # as above; the published estimates are Laplace's, hence the wider tolerance, and the
    # log-likelihood is that by ten adaptive nodes
    level, judge, design = wine
    fit = fit_cumulative(level, judge, design, 10)
    assert fit.effects == pytest.approx([3.063, 1.835], abs=0.003)
    assert fit.thresholds == pytest.approx([-1.624, 1.513, 4.229, 6.089], abs=0.004)
    assert fit.taster_sd**2 == pytest.approx(1.279, abs=0.01)
    assert fit.log_likelihood == pytest.approx(-81.53, abs=0.006)


def test_one_node_is_the_published_laplace_likelihood(wine):
    # at the published Laplace estimates, -81.57 (source as above)
    level, judge, design = wine
    laplace = CumulativeModel.of(level, judge, design, 1)
    at = np.array([-1.624, 1.513, 4.229, 6.089, 3.063, 1.835, np.sqrt(1.279)])
    assert laplace(at).value == pytest.approx(-81.57, abs=0.006)


# --- another program and plain integration -----------------------------------------------------


def agrees_with_statsmodels(level, design):
    fit = fit_cumulative(level, None, design)
    other = OrderedModel(level, design, distr="logit").fit(
        method="newton", disp=False, tol=1e-8, maxiter=100
    )
    columns = design.shape[1]
    thresholds = other.model.transform_threshold_params(np.asarray(other.params))[1:-1]
    assert fit.log_likelihood == pytest.approx(other.llf, abs=1e-8)
    assert fit.effects == pytest.approx(other.params[:columns], abs=1e-5)
    assert fit.thresholds == pytest.approx(thresholds, abs=1e-5)
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx(other.bse[:columns], rel=1e-4)


def test_wines_without_judges_agree_with_statsmodels(wine):
    level, _, design = wine
    agrees_with_statsmodels(level, design)


@pytest.mark.parametrize("seed", range(2))
def test_random_scores_agree_with_statsmodels(seed):
    score, _, variant = draw(np.random.default_rng(seed), sd=0.0, effect=1.0, variants=4)
    agrees_with_statsmodels(np.unique(score, return_inverse=True)[1], indicators(variant))


def test_a_spread_of_zero_is_the_fixed_model():
    rng = np.random.default_rng(6)
    score, taster, variant = draw(rng, tasters=12, sd=0.0, effect=1.0)
    fit = compare(score, taster, variant)
    level = np.unique(score, return_inverse=True)[1]
    other = OrderedModel(level, indicators(variant), distr="logit").fit(
        method="newton", disp=False, tol=1e-8, maxiter=100
    )
    assert fitted(score, taster, variant).taster_sd == 0
    assert log_odds(fit) == pytest.approx(other.params[:2], abs=1e-5)
    assert [each.se for each in fit] == pytest.approx(other.bse[:2], rel=1e-4)


def by_integration(level, taster, variant, at):
    """The marginal likelihood as its definition says, one taster after the other."""
    top = level.max()
    bounds = np.concatenate([[-np.inf], at[:top], [np.inf]])
    effects = np.append(0.0, at[top:-1])

    def joint(u, rows):
        middle = effects[variant[rows]] + at[-1] * u
        above, below = bounds[level[rows] + 1] - middle, bounds[level[rows]] - middle
        chance = np.prod(expit(above) - expit(below))
        return chance * np.exp(-(u**2) / 2) / np.sqrt(2 * np.pi)

    total = 0.0
    for each in np.unique(taster):
        rows = np.flatnonzero(taster == each)
        points = np.linspace(-9, 9, 37)
        parts = [
            quad(joint, low, high, args=(rows,), epsabs=1e-15, epsrel=1e-12)[0]
            for low, high in pairwise(points)
        ]
        total += np.log(sum(parts))
    return total


@pytest.mark.parametrize("sd", [0.0, 0.8, 2.0])
def test_likelihood_is_the_integral(sd):
    score, taster, variant = draw(np.random.default_rng(2), tasters=4, sessions=1)
    level, ten = model(score, taster, variant, 10)
    at = np.concatenate([np.linspace(-2, 2, level.max()), [0.5, -0.7, sd]])
    true = by_integration(level, taster, variant, at)
    assert ten(at).value == pytest.approx(true, abs=1e-4)
    assert replace(ten, nodes=40)(at).value == pytest.approx(true, abs=1e-8)


def test_likelihood_far_out_is_the_integral():
    # spread so large that ten nodes are not enough
    score, taster, variant = draw(np.random.default_rng(3), tasters=4, sessions=1)
    level, many = model(score, taster, variant, 160)
    at = np.concatenate([np.linspace(-15, 15, level.max()), [0.5, -0.7, 12.0]])
    true = by_integration(level, taster, variant, at)
    assert many(at).value == pytest.approx(true, abs=1e-5)
    assert abs(replace(many, nodes=10)(at).value - true) > 1e-4


@pytest.mark.parametrize("sd", [0.0, 1.3, -1.3])
def test_derivatives_are_those_of_the_likelihood(sd):
    score, taster, variant = draw(np.random.default_rng(4))
    level, forty = model(score, taster, variant, 40)
    at = np.concatenate([np.linspace(-2, 2, level.max()), [0.5, -0.7, sd]])
    point = forty(at)
    for i, step in enumerate(1e-5 * np.eye(at.size)):
        up, down = forty(at + step), forty(at - step)
        slope = (up.value - down.value) / 2e-5
        bend = (up.gradient - down.gradient) / 2e-5
        assert point.gradient[i] == pytest.approx(slope, abs=1e-6)
        assert point.hessian[i] == pytest.approx(bend, abs=1e-5)


def test_an_extreme_intercept_is_found():
    # thirty answers at the same end by a taster of a very wide spread
    terms = Terms(np.zeros((1, 30, 1)), np.ones((1, 30)))
    found = integrate(terms, np.zeros(1), 12.0, 320).value
    area = quad(
        lambda u: expit(12 * u) ** 30 * np.exp(-(u**2) / 2) / np.sqrt(2 * np.pi), -9, 9, limit=500
    )[0]
    assert found == pytest.approx(np.log(area), abs=1e-4)


# --- what must not matter ----------------------------------------------------------------------


@st.composite
def trials(draw_):
    rng = np.random.default_rng(draw_(st.integers(0, 2**32 - 1)))
    sd = draw_(st.sampled_from([0.0, 0.5, 1.5]))
    variants = draw_(st.integers(2, 4))
    score, taster, variant = draw(
        rng, tasters=draw_(st.integers(4, 10)), variants=variants, sd=sd, effect=0.7
    )
    score[rng.random(score.size) < draw_(st.sampled_from([0.0, 0.15]))] = np.nan
    return rng, score, taster, variant


def same(found, expected, sign=1.0):
    assert type(found) is type(expected)
    if isinstance(found, NoResult):
        return
    for one, other in zip(found, expected, strict=True):
        assert one.variant == other.variant
        assert one.log_odds == pytest.approx(sign * other.log_odds, abs=1e-4)
        assert one.se == pytest.approx(other.se, rel=1e-3)
        assert one.p_adjusted == pytest.approx(other.p_adjusted, abs=1e-4)


@FEWER
@given(trials())
def test_names_and_order_do_not_matter(trial):
    rng, score, taster, variant = trial
    order = rng.permutation(score.size)
    names = rng.permutation(taster.max() + 5)
    same(
        compare(score[order], names[taster][order], variant[order]), compare(score, taster, variant)
    )


@FEWER
@given(trials())
def test_a_reversed_scale_turns_the_signs(trial):
    _, score, taster, variant = trial
    found, expected = compare(10 - score, taster, variant), compare(score, taster, variant)
    given = score[np.isfinite(score)]
    if _levels(given).max() + 1 == np.unique(given).size:  # classes lean to one side
        same(found, expected, sign=-1.0)


@FEWER
@given(trials())
def test_only_the_order_of_the_scores_matters(trial):
    _, score, taster, variant = trial
    same(compare(np.exp(score), taster, variant), compare(score, taster, variant))


@FEWER
@given(trials())
def test_variant_and_control_change_places(trial):
    _, score, taster, variant = trial
    two = variant < 2
    rows = score[two], taster[two], variant[two]
    forth, back = compare(*rows), compare(*rows, control=1)
    assert type(forth) is type(back)
    if isinstance(forth, tuple):
        assert log_odds(forth) == pytest.approx([-log_odds(back)[0]], abs=1e-4)


@FEWER
@given(trials())
def test_ten_nodes_and_twenty_agree(trial):
    _, score, taster, variant = trial
    fits = []

    def fit(*rows, nodes):
        fits.append(fit_cumulative(*rows, nodes=nodes))
        return fits[-1]

    with pytest.MonkeyPatch.context() as patch:
        for nodes in (10, 20):
            patch.setattr(ordinal, "fit_cumulative", partial(fit, nodes=nodes))
            told = compare(score, taster, variant)
    ten, twenty = fits or (told, told)  # where there is nothing to fit
    assert type(ten) is type(twenty)
    if not isinstance(ten, NoResult):
        assert ten.log_likelihood == pytest.approx(twenty.log_likelihood, abs=3e-4)
        assert ten.effects == pytest.approx(twenty.effects, abs=5e-3)


def test_no_other_place_is_higher():
    score, taster, variant = draw(np.random.default_rng(8))
    fit = fitted(score, taster, variant)
    ten = model(score, taster, variant, 10)[1]
    at = np.concatenate([fit.thresholds, fit.effects, [fit.taster_sd]])
    assert ten(at).value == pytest.approx(fit.log_likelihood, abs=1e-9)
    assert np.abs(ten(at).gradient).max() < 1e-3
    for sd in (0.05, 0.3, 3.0):
        start = np.append(at[:-1], sd)
        assert maximise(ten, start, at.size).point.value < fit.log_likelihood + 1e-6


# --- the result --------------------------------------------------------------------------------


def test_contrasts_are_adjusted_together():
    score, taster, variant = draw(np.random.default_rng(9), variants=4, effect=1.0)
    last = compare(score, taster, variant)[-1]
    inner = fitted(score, taster, variant)
    errors = np.sqrt(np.diag(inner.covariance))
    family = Dunnett(inner.covariance / np.outer(errors, errors))
    assert last.variant == 3
    assert last.log_odds > 0
    assert last.p_adjusted == pytest.approx(family.p_value(last.log_odds / last.se, np.inf))
    single = 2 * ndtr(-last.log_odds / last.se)
    assert single < last.p_adjusted < 3 * single


def test_a_taster_spread_is_recovered():
    rng = np.random.default_rng(10)
    tasters, repeats = 300, 6
    taster = np.repeat(np.arange(tasters), 2 * repeats)
    variant = np.tile([0, 1], tasters * repeats)
    latent = variant + 1.5 * rng.normal(size=tasters)[taster] + rng.logistic(size=taster.size)
    fit = fitted(np.digitize(latent, [-1.0, 0.0, 2.0]), taster, variant)
    assert fit.effects == pytest.approx([1.0], abs=0.15)
    assert fit.taster_sd == pytest.approx(1.5, abs=0.2)
    assert fit.thresholds == pytest.approx([-1.0, 0.0, 2.0], abs=0.3)


def test_missing_scores_take_no_part():
    score, taster, variant = draw(np.random.default_rng(11))
    fit = compare(score, taster, variant)
    more = np.append(score, np.nan), np.append(taster, 0), np.append(variant, 1)
    assert compare(*more) == fit


def test_a_variant_that_nobody_scored_has_no_contrast():
    score, taster, variant = draw(np.random.default_rng(12))
    fit = compare(score, taster, 2 * variant, control=2)
    assert [each.variant for each in fit] == [0, 4]


# --- what cannot be compared -------------------------------------------------------------------


def refused(fit):
    assert isinstance(fit, NoResult)
    assert fit.reason.endswith(".")
    return fit.reason


def test_too_little_to_compare():
    score, taster, variant = draw(np.random.default_rng(13))
    assert "two tasters" in refused(compare(score, 0 * taster, variant))
    assert "two tasters" in refused(compare(np.nan * score, taster, variant))
    assert "All scores are the same" in refused(compare(0 * score, taster, variant))


def test_a_variant_above_all_others_is_refused():
    score, taster, variant = draw(np.random.default_rng(14))
    score[variant == 2] = 20.0
    assert refused(compare(score, taster, variant)) == RUNS_OFF


def test_a_variant_almost_above_all_others_is_not_refused():
    score, taster, variant = draw(np.random.default_rng(14), sessions=4)
    score[variant == 2] = 20.0
    score[np.flatnonzero(variant == 2)[0]] = 5.0
    fit = compare(score, taster, variant)
    assert isinstance(fit, tuple)
    assert log_odds(fit)[1] > 4


def test_a_variant_at_an_end_that_others_reach_is_refused():
    # no overlap is needed for an estimate to run off: all its scores in the highest level do
    score, taster, variant = draw(np.random.default_rng(15))
    score[variant == 1] = score.max()
    assert refused(compare(score, taster, variant)) == RUNS_OFF


def test_a_variant_all_in_a_middle_level_is_not_refused():
    score, taster, variant = draw(np.random.default_rng(15), tasters=12)
    score[variant == 1] = 5.0
    assert isinstance(compare(score, taster, variant), tuple)


def test_tasters_with_a_level_each_are_refused():
    taster, variant = np.repeat(np.arange(6), 4), np.tile([0, 1], 12)
    assert refused(compare(taster, taster, variant)) == TASTERS_RUN_OFF


def test_tasters_who_all_rise_or_stay_are_refused():
    # no score lies apart, but the effect and the spread grow together without end
    score = [0, 1] * 3 + [0, 0] * 4 + [1, 1] * 4
    fit = compare(score, np.repeat(np.arange(11), 2), np.tile([0, 1], 11))
    assert refused(fit) in (TASTERS_RUN_OFF, UNSETTLED)


def test_a_fit_above_the_limit_is_skipped(monkeypatch):
    score, taster, variant = draw(np.random.default_rng(16), tasters=9)
    monkeypatch.setattr(ordinal, "MOST_TASTERS", 8)
    assert "above 8 tasters" in refused(compare(score, taster, variant))
    monkeypatch.setattr(ordinal, "MOST_TASTERS", 9)
    assert isinstance(compare(score, taster, variant), tuple)


def test_points_of_the_scale_that_nobody_gave_are_no_levels():
    score, taster, variant = draw(np.random.default_rng(17), tasters=12)
    assert _levels(score).tolist() == np.unique(score, return_inverse=True)[1].tolist()
    fit = compare(score, taster, variant)
    same(compare(np.where(score > 5, score + 3, score), taster, variant), fit)


def test_many_levels_are_grouped():
    rng = np.random.default_rng(18)
    score = np.round(
        50 + 12 * rng.normal(size=12)[np.arange(96) % 12] + 12 * rng.normal(size=96), 1
    )
    sizes = np.bincount(level := _levels(score))
    assert sizes.size == 12
    assert (np.diff(level[np.argsort(score)]) >= 0).all()
    assert 6 <= sizes.min() <= sizes.max() <= 10


def test_few_scores_give_few_classes():
    assert _levels(np.array([1.0, 2, 3, 4, 5, 6, 7, 3, 4, 2, 8, 5])).max() == 3


# --- how often it errs, and how long it takes --------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("interaction", "least", "most"), [(0.0, 0.038, 0.068), (0.7, 0.1, 0.16)])
def test_false_alarms_are_as_often_as_the_docstring_says(interaction, least, most):
    rng = np.random.default_rng(20260905)
    found = []
    for _ in range(2000):
        fit = compare(*draw(rng, tasters=12, variants=4, interaction=interaction))
        if isinstance(fit, tuple):
            found.append(min(each.p_adjusted for each in fit) < 0.05)
    print(f"\ninteraction {interaction}: {np.mean(found):.4f} of {len(found)}")  # noqa: T201
    assert least < np.mean(found) < most
    assert len(found) > 1990


@pytest.mark.bench
@pytest.mark.parametrize(
    ("tasters", "limit"), [(12, 0.03), (30, 0.06), (MOST_TASTERS, 1.0)], ids=str
)
def test_a_fit_is_quick(tasters, limit):
    rows = draw(np.random.default_rng(19), tasters=tasters, variants=5)
    assert isinstance(compare(*rows), tuple)
    taken = []
    for _ in range(5):
        start = time.perf_counter()
        compare(*rows)
        taken.append(time.perf_counter() - start)
    print(f"\n{tasters} tasters: {1000 * min(taken):.1f} ms")  # noqa: T201
    assert min(taken) < limit
