"""The model over kitchens, against published and independent results."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams
from statsmodels.stats.meta_analysis import combine_effects

from blindspoon.findings.pooling import pool_scores
from blindspoon.stats.reml import over_places
from blindspoon.stats.results import NoResult

DATA = Path(__file__).parents[2] / "data"


def draw(seed, kitchens, tasters, variants, *, repeats=1, spread=0.5, lost=0.0):
    """Scores with every variance in them, and codes; `lost` is the share of missing cups."""
    rng = np.random.default_rng(seed)
    shape = (kitchens, tasters, variants, repeats)
    kitchen, taster, variant, _ = (each.ravel() for each in np.indices(shape))
    score = rng.normal(size=shape) + 1.5 * rng.normal(size=(kitchens, tasters, 1, 1))
    score = score + spread * rng.normal(size=(kitchens, 1, variants, 1))
    score = (score + np.arange(kitchens).reshape(-1, 1, 1, 1)).ravel()
    kept = rng.random(score.size) >= lost
    return tuple(x[kept] for x in (score, kitchen * tasters + taster, kitchen, variant))


def pool(rows, control=0, alpha=0.05):
    return pool_scores(*rows, control=control, alpha=alpha)


# --- published values ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cake():
    """Three recipes of cake at six temperatures, 15 batches of each recipe.

    W. G. Cochran and G. M. Cox (1957), Experimental Designs, 2nd ed., p. 300. A recipe stands
    for a kitchen, a batch of it for a taster, a temperature for a variant.
    """
    table = pd.read_csv(DATA / "cake.csv")
    batch = pd.factorize(table["recipe"] + table["replicate"].astype(str))[0]
    kitchen = pd.factorize(table["recipe"])[0]
    variant = pd.factorize(table["temperature"])[0]
    return table["angle"].to_numpy(float), batch, kitchen, variant


def test_cakes_disagreement_is_the_split_plot_f(cake):
    # the split-plot analysis of the book, recipe by temperature on 10 and 210 degrees of freedom;
    # F = 1.00620 was computed from its data by sums of squares, and stands in no book we know
    test = pool(cake).disagreement
    assert (test.df_num, test.df_den) == pytest.approx((10, 210))
    assert test.f == pytest.approx(1.00620, abs=5e-6)
    assert test.p_value == pytest.approx(0.4393, abs=5e-5)


def test_cakes_variances_are_those_of_the_mean_squares(cake):
    # variances of the published fit: batches 41.83703718, residual 20.47089946
    fit, residual = pool(cake), 20.47089946
    assert fit.residual_sd**2 == pytest.approx(residual, rel=1e-8)
    assert fit.taster_sd**2 == pytest.approx(41.83703718, rel=1e-8)
    between = 1.0061979839751856 * residual  # mean square of recipe by temperature
    assert fit.kitchen_variant_sd**2 == pytest.approx((between - residual) / 15, rel=1e-6)
    # 45 cakes a temperature: by its own spread over recipes, at least the residual's part of it
    angle, _, recipe, temperature = cake
    means = np.array(
        [[angle[(recipe == r) & (temperature == t)].mean() for t in range(6)] for r in range(3)]
    )
    own = (means[:, 1:] - means[:, :1]).var(axis=0, ddof=1) / 3
    expected = np.sqrt(np.maximum(own, 2 * residual / 45))
    assert [each.se for each in fit.contrasts] == pytest.approx(expected)
    assert [each.df for each in fit.contrasts] == [2] * 5
    assert [each.se for each in fit.these] == pytest.approx([np.sqrt(2 * residual / 45)] * 5)
    assert [each.df for each in fit.these] == pytest.approx([210] * 5)


# --- reference libraries ---------------------------------------------------------------------


@pytest.mark.parametrize("kitchens", [2, 3, 5, 8])
def test_two_variants_balanced_are_pooled_as_in_two_stages(kitchens):
    # statsmodels' random-effects pooling with the interval of J. Hartung and G. Knapp (2001),
    # Statistics in Medicine 20, 3875-3889
    score, taster, kitchen, variant = draw(20 + kitchens, kitchens, 9, 2, spread=1.5)
    fit = pool((score, taster, kitchen, variant))
    assert fit.kitchen_variant_sd > 0
    own = (score[variant == 1] - score[variant == 0]).reshape(kitchens, 9)
    sampling = np.full(kitchens, own.var(axis=1, ddof=1).mean() / 9)
    theirs = combine_effects(own.mean(axis=1), sampling, method_re="iterated", use_t=True)
    (found,) = fit.contrasts
    assert found.difference == pytest.approx(theirs.mean_effect_re)
    assert found.df == pytest.approx(kitchens - 1)
    assert fit.kitchen_difference_sd == pytest.approx(np.sqrt(theirs.tau2), rel=1e-4)
    assert found.se == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-4)
    low, high = theirs.conf_int(use_t=True)[3]
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), rel=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_each_of_several_variants_is_pooled_as_in_two_stages(seed):
    # statsmodels' combine_effects as above, a variant at a time, and its plain floor
    rng = np.random.default_rng(seed)
    differences, variances = rng.normal(size=4), rng.uniform(0.05, 0.4, 4)
    theirs = combine_effects(differences, variances, method_re="iterated", use_t=True)
    centre, se = over_places(differences, variances)
    weights = 1 / (variances + theirs.tau2)
    sampling = np.sqrt(weights**2 @ variances) / weights.sum()
    assert centre == pytest.approx(theirs.mean_effect_re, rel=1e-4)
    assert se == pytest.approx(max(theirs.sd_eff_w_re_hksj, sampling), rel=1e-4)


def test_several_variants_are_adjusted_by_bonferroni_on_their_own_spread():
    rows = draw(31, 4, 9, 3, spread=1.0)
    score, _, kitchen, variant = rows
    fit = pool(rows)
    for place, found in enumerate(fit.contrasts, 1):
        own = [
            score[(kitchen == k) & (variant == place)] - score[(kitchen == k) & (variant == 0)]
            for k in range(4)
        ]
        by_kitchen = np.array([each.mean() for each in own])
        assert found.difference == pytest.approx(by_kitchen.mean())
        assert found.df == 3
        reach = stats.t(3).ppf(1 - 0.05 / 4) * found.se
        assert found.interval.high - found.difference == pytest.approx(reach)
        assert found.se >= by_kitchen.std(ddof=1) / 2 - 1e-9
        assert found.p_adjusted == pytest.approx(min(1, 2 * found.p_value))


@pytest.mark.parametrize(
    ("kitchens", "control", "rest"),
    [
        pytest.param(3, 1.0, 0.25, marks=pytest.mark.slow),
        pytest.param(4, 0.5, 0.5, marks=pytest.mark.slow),
        (8, 1.0, 0.25),
        pytest.param(8, 0.0, 0.0, marks=pytest.mark.slow),
    ],
)
def test_kitchens_that_disagree_unequally_keep_alpha(kitchens, control, rest):
    # four variants beside the control, 12 tasters a kitchen; one spread for all: .137 and .141,
    # which 600 trials tell from .05 as well; the bound is two standard errors of 1,500, and a
    # standard error that is a fifth too small exceeds it
    rng, trials, found = np.random.default_rng(7), 600, 0
    limit = stats.t(kitchens - 1).ppf(1 - 0.05 / 2 / 4)
    for _ in range(trials):
        made = rng.normal(size=(kitchens, 5)) * [control, *[rest] * 4]
        made += rng.normal(size=made.shape) / np.sqrt(12)
        ours = [over_places(d, np.full(kitchens, 2 / 12)) for d in (made[:, 1:] - made[:, :1]).T]
        found += any(abs(difference) > limit * se for difference, se in ours)
    assert found / trials <= 0.051 + 2 * np.sqrt(0.05 * 0.95 / 1500)


@pytest.mark.parametrize("seed", range(6))
def test_the_criterion_is_that_of_the_same_model_in_statsmodels(seed):
    score, taster, kitchen, variant = draw(
        seed, 3, 5, 3, repeats=1 + seed % 2, spread=1.0, lost=0.15
    )
    fit = pool((score, taster, kitchen, variant))
    sums = np.vstack([np.eye(2), [-1, -1]])[kitchen]
    exog = np.column_stack([variant[:, None] == np.arange(3), sums]).astype(float)
    terms = {"taster": "0 + C(t)", "kv": "0 + C(kv)"}
    sds = {"taster": fit.taster_sd, "kv": fit.kitchen_variant_sd}
    if fit.taster_variant_sd is not None:
        terms["cell"], sds["cell"] = "0 + C(tv)", fit.taster_variant_sd
    table = pd.DataFrame(
        {"y": score, "t": taster, "kv": kitchen * 3 + variant, "tv": taster * 3 + variant, "g": 1}
    )
    for at, column in enumerate(exog.T):
        table[f"x{at}"] = column
    model = MixedLM.from_formula(
        "y ~ 0 + x0 + x1 + x2 + x3 + x4", table, groups="g", re_formula="0", vc_formula=terms
    )
    model.reml, model.cov_pen, model.fe_pen, model._cov_sing = True, None, None, 0  # as fit() does
    shares = np.array([sds[name] ** 2 for name in model.exog_vc.names]) / fit.residual_sd**2
    shares = np.maximum(shares, 1e-10)  # it takes their logarithm
    there = MixedLMParams.from_components(np.zeros(5), cov_re=np.empty((0, 0)), vcomp=shares)
    assert -2 * model.loglike(there, profile_fe=True) == pytest.approx(fit.reml_criterion, abs=1e-6)


# --- properties ------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), kitchens=st.integers(2, 3), variants=st.integers(2, 3))
def test_the_order_of_kitchens_and_rows_changes_nothing(seed, kitchens, variants):
    rows = draw(seed, kitchens, 4, variants, lost=0.1)
    fit = pool(rows)
    order = np.random.default_rng(seed).permutation(rows[0].size)
    score, taster, kitchen, variant = (each[order] for each in rows)
    other = pool((score, taster, kitchens - 1 - kitchen, variant))
    assert isinstance(fit, NoResult) == isinstance(other, NoResult)
    if not isinstance(fit, NoResult):
        for one, two in zip(fit.contrasts + fit.these, other.contrasts + other.these, strict=True):
            assert two.difference == pytest.approx(one.difference, abs=1e-6)
            assert two.se == pytest.approx(one.se, rel=1e-5)
            assert two.df == pytest.approx(one.df, rel=1e-4)
        assert other.disagreement.f == pytest.approx(fit.disagreement.f, rel=1e-5)


def test_variant_and_control_swapped_turn_the_sign():
    rows = draw(3, 3, 6, 2, lost=0.1)
    (one,), (two,) = pool(rows).contrasts, pool(rows, control=1).contrasts
    assert two.difference == pytest.approx(-one.difference)
    assert (two.se, two.df) == pytest.approx((one.se, one.df))


def test_a_shift_of_one_kitchen_changes_no_difference():
    score, taster, kitchen, variant = draw(4, 3, 6, 3)
    fit, moved = (
        pool((score, taster, kitchen, variant)),
        pool((score + 3 * (kitchen == 1), taster, kitchen, variant)),
    )
    for one, two in zip(fit.contrasts + fit.these, moved.contrasts + moved.these, strict=True):
        assert two.difference == pytest.approx(one.difference)
        assert two.se == pytest.approx(one.se)


def test_kitchens_that_disagree_widen_the_claim_about_their_like_only():
    score, taster, kitchen, variant = draw(5, 4, 10, 2, spread=0.0)
    apart = score + np.array([-2.0, 2.0, -1.0, 1.0])[kitchen] * (variant == 1)
    fit, other = (pool((each, taster, kitchen, variant)) for each in (score, apart))
    assert other.contrasts[0].se > 2 * fit.contrasts[0].se
    assert other.these[0].se == pytest.approx(fit.these[0].se)
    assert other.disagreement.p_value < 1e-4 < fit.disagreement.p_value


def test_equal_weights_whatever_the_panels():
    score, taster, kitchen, variant = draw(6, 2, 12, 2)
    few = (kitchen == 0) | (taster % 12 < 3)
    rows = tuple(each[few] for each in (score, taster, kitchen, variant))
    means = [
        score[few & (kitchen == k) & (variant == 1)].mean()
        - score[few & (kitchen == k) & (variant == 0)].mean()
        for k in (0, 1)
    ]
    assert pool(rows).these[0].difference == pytest.approx(np.mean(means))


# --- what cannot be pooled -------------------------------------------------------------------


def test_scores_that_are_all_the_same():
    _, taster, kitchen, variant = draw(7, 2, 4, 2)
    found = pool((np.full(16, 5.0), taster, kitchen, variant))
    assert found == NoResult("All scores are the same, so there is no scatter.")


def test_one_taster_a_kitchen_leaves_no_scatter_between_tasters():
    found = pool(draw(8, 3, 1, 2))
    assert isinstance(found, NoResult)
    assert "how much the differences vary between tasters" in found.reason
