"""Variances by restricted maximum likelihood."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM

from blindspoon.stats.reml import Model, _descend, fit_reml
from blindspoon.stats.results import NoResult

DATA = Path(__file__).parents[1] / "data"
# Each example fits a model twice or more: half as many as for a property that costs nothing.
FEWER = settings(max_examples=settings.default.max_examples // 2)


# --- published values ------------------------------------------------------------------------


def test_ergonomic_stools(published):
    # Pinheiro and Bates 2000, chapter 1: 1.332465 and 1.100295; further digits from lme4
    stools = published("ergoStool", taster="Subject", variant="Type", score="effort")
    fit = fit_reml(stools.strata(), interaction=False)
    assert fit.sd("taster") == pytest.approx(1.332465006, rel=1e-6)
    assert fit.sd("residual") == pytest.approx(1.100294571, rel=1e-7)
    assert fit.sd("taster:variant") is None
    assert fit.at.value == pytest.approx(121.1307887, abs=1e-6)
    assert fit.at.coefficients[0] == pytest.approx(8.555556, abs=1e-6)
    assert np.sqrt(fit.at.covariance[0, 0]) == pytest.approx(0.5760122621, rel=1e-7)


def test_machines_with_and_without_the_interaction(published):
    # Pinheiro and Bates 2000, chapter 1; digits from lme4
    machines = published("Machines", taster="Worker", variant="Machine", score="score").strata()
    fit = fit_reml(machines, interaction=True)
    assert np.sqrt(fit.variances) == pytest.approx([4.78105058, 3.72953843, 0.96157664], rel=1e-7)
    assert fit.at.value == pytest.approx(215.687568, abs=1e-6)
    plain = fit_reml(machines, interaction=False)
    assert plain.variances == pytest.approx([26.486999097, 9.996014465], rel=1e-6)


def test_dyestuff(published):
    # Davies and Goldsmith 1972; digits from lme4
    fit = fit_reml(published("Dyestuff", taster="Batch", score="Yield").strata(), interaction=False)
    assert np.sqrt(fit.variances) == pytest.approx([42.00059531, 49.51009997], rel=1e-7)
    assert fit.at.value == pytest.approx(319.6542768, abs=1e-6)
    assert fit.at.coefficients[0] == pytest.approx(1527.5, abs=1e-9)
    assert np.sqrt(fit.at.covariance[0, 0]) == pytest.approx(19.38341218, rel=1e-7)


def test_made_up_dyestuff_has_a_variance_of_exactly_zero(published):
    # Box and Tiao 1973; digits from lme4
    fit = fit_reml(
        published("Dyestuff2", taster="Batch", score="Yield").strata(), interaction=False
    )
    assert fit.variances[0] == 0
    assert fit.sd("residual") == pytest.approx(3.715684274, rel=1e-8)
    assert fit.at.value == pytest.approx(161.8282778, abs=1e-6)
    assert np.sqrt(fit.at.covariance[0, 0]) == pytest.approx(0.678388, abs=1e-6)


def test_penicillin_samples_crossed_with_plates(published):
    # Davies and Goldsmith 1972; lme4 prints .8467 1.9316 .5499 and 330.8606
    plates = published("Penicillin", taster="plate", score="diameter")
    sample = pd.read_csv(DATA / "Penicillin.csv")["sample"].to_numpy()
    random = (sample[:, None] == np.unique(sample)).astype(float)
    fit = fit_reml(plates.strata(random=random), interaction=False)
    assert fit.sd("taster") == pytest.approx(0.8467025, rel=1e-4)
    assert fit.sd("batch") == pytest.approx(1.9316138, rel=1e-4)
    assert fit.sd("residual") == pytest.approx(0.5499227, rel=1e-4)
    assert fit.at.value == pytest.approx(330.860589, abs=1e-6)
    assert np.sqrt(fit.at.covariance[0, 0]) == pytest.approx(0.8085954, rel=1e-4)


def test_vascular_grafts(published):
    # Montgomery, Design and Analysis of Experiments: data from memory; digits from lme4
    grafts = published("montgomery_graft", taster="b", variant="p", score="y")
    fit = fit_reml(grafts.strata(), interaction=False)
    assert fit.variances == pytest.approx([7.781166686, 7.325749995], rel=1e-6)


def test_fish_interaction_below_zero_ends_at_zero(published):
    # ISO 8586-1:1993 annex B: the interaction's F is 0.837, so its variance is zero
    fish = published("iso8586_fish", taster="assessor", variant="sample", score="score")
    fit = fit_reml(fish.strata(), interaction=True)
    assert fit.variances[fit.names.index("taster:variant")] == 0
    pooled = (16.042 + 61.333) / (15 + 48)
    assert fit.sd("residual") ** 2 == pytest.approx(pooled, rel=1e-4)


NIST = pd.read_csv(DATA / "nist_strd_anova_certified.csv", index_col="dataset")
TOLERANCE = {"SiRstv": 1e-9, "AtmWtAg": 1e-8} | {
    f"SmLs0{i}": tolerance
    for i, tolerance in zip(range(1, 10), [1e-9] * 3 + [1e-8] * 3 + [1e-3] * 3, strict=True)
}


def nist_rows(name, rows):
    """SmLs are made by rule: level plus nothing, minus a tenth, plus a tenth, by turns."""
    if not name.startswith("SmLs"):
        table = pd.read_csv(DATA / "nist_strd_anova_data.csv").query("dataset == @name")
        group, value = table["group"].to_numpy() - 1, table["value"].to_numpy()
    else:
        at = int(name[-1]) - 1
        lead, size = ["1", "1000000", "1000000000000"][at // 3], [21, 201, 2001][at % 3]
        tenths = [
            level + change
            for level in (4, 3, 5, 3, 5, 3, 5, 3, 5)
            for change in [0, *itertools.islice(itertools.cycle([-1, 1]), size - 1)]
        ]
        value = np.array([float(f"{lead}.{digit}") for digit in tenths])
        group = np.repeat(np.arange(9), size)
    return rows(group, np.zeros_like(group), value)


@pytest.mark.parametrize("name", NIST.index)
def test_nist_one_way_layouts(name, rows):
    # NIST StRD, analysis of variance: MSW is the residual variance, (MSB - MSW)/n that of groups
    certified, tolerance = NIST.loc[name], TOLERANCE[name]
    fit = fit_reml(nist_rows(name, rows).strata(), interaction=False)
    assert fit.variances[1] == pytest.approx(certified.MSW, rel=tolerance)
    assert fit.variances[0] == pytest.approx(certified.implied_sigma2_between_REML, rel=tolerance)
    se = np.sqrt(certified.MSB / certified.n_total)
    assert np.sqrt(fit.at.covariance[0, 0]) == pytest.approx(se, rel=tolerance)


# --- other programs, other ways --------------------------------------------------------------


def unbalanced(rows, seed, tasters=9, variants=4, sessions=2, missing=0.2, sds=(1.0, 0.7, 1.0)):
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(range(tasters), range(sessions), range(variants), indexing="ij")
    t, _, v = (each.ravel() for each in grid)
    score = 5 + 0.4 * v + sds[0] * rng.normal(size=tasters)[t] + sds[2] * rng.normal(size=t.size)
    score += sds[1] * rng.normal(size=(tasters, variants))[t, v]
    kept = rng.random(t.size) >= missing
    return rows(t[kept], v[kept], score[kept])


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.filterwarnings("ignore::FutureWarning")  # from inside statsmodels
def test_criterion_agrees_with_statsmodels(rows, seed):
    # its log-likelihood leaves no constant out, so minus twice it is our criterion
    trial = unbalanced(rows, seed, tasters=25)
    fit = fit_reml(trial.strata(), interaction=True)
    table = pd.DataFrame({"t": trial.taster, "v": trial.variant, "y": trial.score})
    model = MixedLM.from_formula(
        "y ~ 0 + C(v)", table, groups="t", re_formula="1", vc_formula={"cell": "0 + C(v)"}
    )
    theirs = model.fit(reml=True)
    found = [theirs.cov_re.iloc[0, 0], theirs.vcomp[0], theirs.scale]
    assert fit.variances == pytest.approx(found, rel=0.02, abs=0.01)
    assert fit.at.coefficients == pytest.approx(theirs.fe_params.to_numpy(), abs=1e-3)
    assert fit.at.value == pytest.approx(-2 * theirs.llf, abs=1e-3)
    assert fit.at.value <= -2 * theirs.llf + 1e-8


def random_trial(rows, seed):
    """A small trial with anything in it: gaps, repeats, positions, batches, zero variances."""
    rng = np.random.default_rng(seed)
    sds = (rng.choice([0, 0.5, 2]), rng.choice([0, 0.5, 2]), 1.0)
    trial = unbalanced(
        rows,
        seed,
        int(rng.integers(4, 9)),
        int(rng.integers(2, 5)),
        2,
        rng.choice([0, 0.15, 0.3]),
        sds,
    )
    place = rng.integers(0, 3, trial.score.size)
    fixed = (place[:, None] == [1, 2]).astype(float) if rng.random() < 0.5 else None
    random = None
    if rng.random() < 0.5:
        batch = trial.variant * 3 + rng.integers(0, 3, trial.score.size)
        random = (batch[:, None] == np.unique(batch)).astype(float)
        shifts = rng.choice([0, 1]) * rng.normal(size=random.shape[1])
        trial = rows(trial.taster, trial.variant, trial.score + random @ shifts)
    return trial, fixed, random


@pytest.mark.parametrize("seed", range(8))
def test_optimum_is_that_of_the_dense_likelihood(rows, dense, seed):
    trial, fixed, random = random_trial(rows, seed)
    fit = fit_reml(trial.strata(fixed, random), interaction=True)
    model = dense(trial, interaction=True, fixed=fixed, random=random)
    assert fit.converged
    assert fit.at.value == pytest.approx(model.criterion(fit.variances), abs=1e-9)
    for start in ((0.3, 1.5), (1.5, 0.3)):
        sds = np.append([*start, 1.0], [0.5] * (len(model.z) - 3))
        ended = minimize(lambda at: model.criterion(at**2), sds, method="L-BFGS-B")
        assert fit.at.value <= ended.fun + 1e-6


@pytest.mark.parametrize("seed", range(8))
def test_derivatives_are_those_of_the_criterion(rows, seed):
    trial, fixed, random = random_trial(rows, seed)
    model = Model.of(trial.strata(fixed, random), 1.3, interaction=True)
    at, h = np.random.default_rng(seed).uniform(0.2, 2, len(model.names)), 1e-5
    steps = h * np.eye(at.size)
    slopes = [(model(at + step).value - model(at - step).value) / (2 * h) for step in steps]
    bends = [(model(at + step).gradient - model(at - step).gradient) / (2 * h) for step in steps]
    assert model(at).gradient == pytest.approx(np.array(slopes), rel=1e-5, abs=1e-5)
    assert model(at).hessian == pytest.approx(np.array(bends), rel=1e-5, abs=1e-5)


@FEWER
@given(seed=st.integers(100, 10**6))
def test_ends_where_no_variance_wants_to_move(rows, seed):
    trial, fixed, random = random_trial(rows, seed)
    fit = fit_reml(trial.strata(fixed, random), interaction=True)
    if isinstance(fit, NoResult):
        return
    zero = fit.variances == 0
    unit = fit.sd("residual") ** 2
    assert fit.converged
    assert np.abs((fit.at.gradient * fit.variances)[~zero]).max() < 1e-4
    assert ((fit.at.gradient * unit)[zero] > -1e-4).all()


def test_finds_the_deeper_of_two_optima(rows, dense):
    taster, variant = np.array([0, 1, 2, 2, 2, 3, 3]), np.array([1, 0, 0, 1, 1, 0, 1])
    trial = rows(taster, variant, np.array([-6.8, 20.9, 6.9, 8.4, 8.7, 17.8, 13.4]))
    fit, model = fit_reml(trial.strata(), interaction=True), dense(trial, interaction=True)
    alone = _descend(Model.of(trial.strata(), 1.0, interaction=True), np.ones(3))
    assert alone.converged
    assert alone.at.value > fit.at.value + 0.3
    starts = itertools.product([0.5, 50.0], repeat=3)
    ends = [
        minimize(lambda at: model.criterion(at**2), start, method="L-BFGS-B") for start in starts
    ]
    assert fit.at.value <= min(end.fun for end in ends) + 1e-6


# --- what cannot be fitted -------------------------------------------------------------------


def test_batches_that_are_the_variants_cannot_be_told_from_them(rows):
    trial = unbalanced(rows, 1)
    random = (trial.variant[:, None] == np.arange(4)).astype(float)
    assert fit_reml(trial.strata(random=random), interaction=True) == NoResult(
        "The scores cannot tell the variances of the model apart."
    )


def test_positions_that_are_the_variants_cannot_be_told_from_them(rows):
    trial = unbalanced(rows, 1)
    fixed = (trial.variant[:, None] == np.arange(1, 4)).astype(float)
    assert fit_reml(trial.strata(fixed), interaction=True) == NoResult(
        "Serving position and variant cannot be told apart in this design."
    )


def test_scores_without_scatter_have_no_variances(rows):
    trial = rows(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]), np.array([1.0, 2, 4, 5]))
    assert "no scatter" in fit_reml(trial.strata(), interaction=False).reason
    lone = rows(np.array([0, 1]), np.array([0, 1]), np.array([1.0, 2]))
    assert "too few" in fit_reml(lone.strata(), interaction=False).reason
