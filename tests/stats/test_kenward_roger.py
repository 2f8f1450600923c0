"""Small-sample covariance and degrees of freedom."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blindspoon.stats.reml import fit_reml, kenward_roger

DATA = Path(__file__).parents[1] / "data"


def against_first(variants, further=0):
    contrasts = np.hstack([-np.ones((variants - 1, 1)), np.eye(variants - 1)])
    return np.hstack([contrasts, np.zeros((variants - 1, further))])


def against_the_first(strata, *, interaction):
    fit = fit_reml(strata, interaction=interaction)
    further = strata.n_fixed - strata.n_variants
    return kenward_roger(fit.at, against_first(strata.n_variants, further))


def errors(test):
    return np.sqrt(np.diag(test.covariance))


@pytest.fixture
def shoes(rows):
    table = pd.read_csv(DATA / "shoes_BHH.csv")
    score = table[["A", "B"]].to_numpy(float).ravel()
    return rows(np.repeat(np.arange(10), 2), np.tile([0, 1], 10), score)


# --- published values ------------------------------------------------------------------------


def test_shoes(shoes):
    # Box, Hunter and Hunter 1978: paired t, F = 11.215 on 1 and 9
    test = against_the_first(shoes.strata(), interaction=False)
    assert test.f == pytest.approx(3.3488765**2, rel=1e-7)
    assert test.df_den == pytest.approx(9, rel=1e-9)


def test_shoes_with_two_cells_dropped(shoes):
    # the vignette of pbkrtest: F 5.9893 on 1 and 7.0219 (lmerTest: 7.021904)
    test = against_the_first(shoes.without([0, 3]).strata(), interaction=False)
    assert test.f == pytest.approx(5.9893, abs=5e-5)
    assert test.df_den == pytest.approx(7.021904, abs=1e-6)
    assert test.df[0] == pytest.approx(test.df_den, rel=1e-9)
    assert test.estimates[0] == pytest.approx(0.3460466657, rel=1e-7)


def test_machines(published):
    # Pinheiro and Bates 2000; F(2, 10) = 20.576 and SE 2.177 from lme4 and pbkrtest
    machines = published("Machines", taster="Worker", variant="Machine", score="score").strata()
    test = against_the_first(machines, interaction=True)
    assert test.f == pytest.approx(20.576078, rel=1e-6)
    assert test.df == pytest.approx([10, 10], rel=1e-9)
    assert test.df_den == pytest.approx(10, rel=1e-9)
    assert errors(test) == pytest.approx([2.176975481] * 2, rel=1e-8)


def test_repeats_taken_for_tasters_make_a_difference_look_sure(published):
    machines = published("Machines", taster="Worker", variant="Machine", score="score").strata()
    test = against_the_first(machines, interaction=False)
    assert errors(test) == pytest.approx([1.053882] * 2, rel=1e-5)
    assert test.f == pytest.approx(87.798, abs=5e-4)
    assert test.df_den == pytest.approx(46, rel=1e-9)


def test_machines_with_ten_scores_dropped(published):
    # Pinheiro and Bates 2000, section 1.3.1; lme4 and pbkrtest, which stop at the 4th digit
    machines = published("Machines", taster="Worker", variant="Machine", score="score")
    dropped = np.array([2, 3, 6, 8, 9, 12, 19, 20, 27, 33]) - 1
    test = against_the_first(machines.without(dropped).strata(), interaction=True)
    assert test.estimates == pytest.approx([7.9624, 13.9182], abs=1e-3)
    assert errors(test) == pytest.approx([2.2148, 2.2095], abs=1e-3)
    assert test.f == pytest.approx(19.96214, rel=1e-3)
    assert test.df_den == pytest.approx(9.99817, abs=1e-3)


def test_ergonomic_stools(published):
    stools = published("ergoStool", taster="Subject", variant="Type", score="effort").strata()
    test = against_the_first(stools, interaction=False)
    assert test.f == pytest.approx(22.355637, rel=1e-6)
    assert test.df_den == pytest.approx(24, rel=1e-9)
    assert errors(test) == pytest.approx([0.518683835] * 3, rel=1e-7)


def test_penicillin_plates(published):
    # Davies and Goldsmith 1972: samples fixed, F(5, 115) = 297.09
    plates = published("Penicillin", taster="plate", variant="sample", score="diameter").strata()
    test = against_the_first(plates, interaction=False)
    assert test.f == pytest.approx(297.0895, abs=1e-4)
    assert test.df_den == pytest.approx(115, rel=1e-9)


def test_cake_temperatures_within_batches(published, rows):
    # Cochran and Cox 1957, p. 300: 45 batches baked at 6 temperatures; the F is that of the
    # randomised blocks, from their sums of squares
    table = pd.read_csv(DATA / "cake.csv")
    cakes = published("cake", taster="replicate", variant="temperature", score="angle")
    batch = pd.factorize(table["recipe"] + table["replicate"].astype(str))[0]
    angle = (
        table.assign(batch=batch).pivot(index="batch", columns="temp", values="angle").to_numpy()
    )
    left = angle - angle.mean(axis=1, keepdims=True)
    between = 45 * (left.mean(axis=0) ** 2).sum() / 5
    within = ((left - left.mean(axis=0)) ** 2).sum() / 220
    test = against_the_first(rows(batch, cakes.variant, cakes.score).strata(), interaction=False)
    assert test.f == pytest.approx(between / within, rel=1e-8)
    assert test.df_den == pytest.approx(220, rel=1e-9)


def test_a_variance_at_zero_keeps_its_place(published):
    # ISO 8586-1 fish: pbkrtest gives F 17.08271 on 5 and 15 with the term, 63 without it
    fish = published("iso8586_fish", taster="assessor", variant="sample", score="score").strata()
    test = against_the_first(fish, interaction=True)
    assert test.f == pytest.approx(17.08271, abs=5e-6)
    assert test.df_den == pytest.approx(15, rel=1e-9)
    assert against_the_first(fish, interaction=False).df_den == pytest.approx(63, rel=1e-9)


# --- the paper, written out ------------------------------------------------------------------


def trial(rows, seed, *, tasters=7, variants=3, batches=3):
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(range(tasters), range(2), range(variants), indexing="ij")
    t, _, v = (each.ravel() for each in grid)
    batch = v * batches + rng.integers(0, batches, t.size)
    score = rng.normal(size=tasters)[t] + rng.normal(size=t.size) + (seed % 2) * batch % 3
    score += 0.6 * rng.normal(size=(tasters, variants))[t, v]
    kept = rng.random(t.size) > 0.15
    place = rng.integers(0, 3, t.size)[kept]
    random = (batch[kept][:, None] == np.unique(batch[kept])).astype(float)
    return rows(t[kept], v[kept], score[kept]), (place[:, None] == [1, 2]).astype(float), random


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("kind", ["plain", "position", "batch", "both"])
def test_agrees_with_the_paper_written_out(rows, dense, seed, kind):
    scores, place, batch = trial(rows, seed)
    fixed = place if kind in ("position", "both") else None
    random = batch if kind in ("batch", "both") else None
    fit = fit_reml(scores.strata(fixed, random), interaction=True)
    contrasts = against_first(3, 0 if fixed is None else 2)
    found = kenward_roger(fit.at, contrasts)
    model = dense(scores, interaction=True, fixed=fixed, random=random)
    covariance, f, df = model.kenward_roger(fit.variances, contrasts)
    assert found.covariance == pytest.approx(covariance, rel=1e-8)
    assert (found.f, found.df_den) == pytest.approx((f, df), rel=1e-8)
    alone = [model.kenward_roger(fit.variances, row[None])[2] for row in contrasts]
    assert found.df == pytest.approx(alone, rel=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_balanced_trials_give_the_classical_f(rows, seed):
    # where both variances are above zero: MS(variants) / MS(tasters x variants)
    rng = np.random.default_rng(seed)
    cells = 4 * rng.normal(size=(8, 1, 1)) + 2 * rng.normal(size=(8, 4, 1))
    scores = cells + 0.3 * rng.normal(size=(8, 4, 2))
    means = scores.mean(axis=2)
    rest = means - means.mean(axis=1, keepdims=True) - means.mean(axis=0) + means.mean()
    between = 8 * ((means.mean(axis=0) - means.mean()) ** 2).sum() / 3
    t, v, _ = (each.ravel() for each in np.meshgrid(range(8), range(4), range(2), indexing="ij"))
    test = against_the_first(rows(t, v, scores.ravel()).strata(), interaction=True)
    assert test.f == pytest.approx(between / ((rest**2).sum() / 21), rel=1e-8)
    assert test.df_den == pytest.approx(21, rel=1e-8)
    assert test.df == pytest.approx([21] * 3, rel=1e-8)


def test_df_of_two_or_fewer_stay_exact_when_balanced(rows):
    # three tasters, two variants: two df, where the F distribution has no mean
    score = np.array([5.0, 6.5, 3.0, 3.5, 7.0, 9.0, 4.0, 7.0, 2.0, 4.0])
    for tasters in (2, 3, 4, 5):
        t, v = np.repeat(np.arange(tasters), 2), np.tile([0, 1], tasters)
        test = against_the_first(rows(t, v, score[: t.size]).strata(), interaction=False)
        assert test.df_den == pytest.approx(tasters - 1, rel=1e-8)
    t, v = np.repeat([0, 1], 3), np.tile([0, 1, 2], 2)
    three = against_the_first(
        rows(t, v, np.array([5.0, 6.5, 3.0, 3.5, 7.0, 4.0])).strata(), interaction=False
    )
    assert three.df_den == pytest.approx(2, rel=1e-8)
    assert three.df == pytest.approx([2, 2], rel=1e-8)
