"""The critical value of "alike", with variants at plus and at minus the margin."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy import stats

from blindspoon.findings.compare import compare_trial
from blindspoon.stats.dunnett import Dunnett
from tests.calibration.calibrate import answers, rate, replies
from tests.calibration.situations import HUNDRED, SITUATIONS, Truths, make_trial, simulate


def chance(correlation, signs, value, df):
    """That the largest one-sided statistic with these signs passes a value, by scipy."""
    turned = correlation * np.outer(signs, signs)
    zero, limit = np.zeros(len(turned)), np.full(len(turned), value)
    return 1 - stats.multivariate_t(zero, turned, df=df, seed=1).cdf(limit, maxpts=20_000)


@pytest.mark.parametrize("k", [2, 3, 5])
@pytest.mark.parametrize("df", [7, 21, 200])
def test_half_at_either_margin_come_out_falsely_alike_at_alpha(k, df):
    # scipy.stats.multivariate_t, its own quasi-Monte Carlo: errors below 1e-4
    correlation = 0.5 + 0.5 * np.eye(k)
    value = Dunnett(correlation).alike_value(0.05, df)
    assert chance(correlation, np.resize([1, -1], k), value, df) == pytest.approx(0.05, abs=4e-4)


@pytest.mark.parametrize("seed", range(2))
def test_no_pattern_of_signs_passes_alpha(seed):
    rng = np.random.default_rng(seed)
    correlation = np.corrcoef(rng.normal(size=(4, 9)) + rng.normal(size=9))
    assert worst_of(correlation) == pytest.approx(0.05, abs=6e-4)


@pytest.mark.parametrize("seed", [1, 13, 17])  # the second pattern of signs counts in two
def test_no_pattern_of_signs_passes_alpha_in_incomplete_blocks(seed):
    # ten tasters with three of five variants each: no product of loadings fits exactly
    rng = np.random.default_rng(seed)
    scored = rng.permuted(np.tile([1.0, 1, 1, 0, 0], (10, 1)), axis=1)
    information = np.diag(scored.sum(axis=0)) - scored.T @ scored / 3
    against = np.hstack([-np.ones((4, 1)), np.eye(4)])
    covariance = against @ np.linalg.pinv(information) @ against.T
    correlation = covariance / np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    assert worst_of(correlation) == pytest.approx(0.05, abs=4e-4)


def worst_of(correlation):
    """Give the largest chance of a false "alike" over all patterns of signs of four contrasts."""
    value = Dunnett(correlation).alike_value(0.05, 15)
    return max(chance(correlation, [1, *signs], value, 15) for signs in product([1, -1], repeat=3))


def test_one_variant_has_the_ordinary_test():
    # two one-sided tests: D. J. Schuirmann 1987
    assert Dunnett(np.eye(1)).alike_value(0.05, 11) == pytest.approx(stats.t(11).ppf(0.95))


def test_simulated_verdicts_keep_alpha():
    # 12 tasters, five variants at plus and minus the margin; 20,000 trials, error .0015
    rng = np.random.default_rng(1)
    truth = np.array([1.0, -1.0, 1.0, -1.0, 1.0])
    means = rng.normal(size=(20_000, 6)) / np.sqrt(12)
    found = means[:, 1:] - means[:, :1]
    scatter = np.sqrt(2 / 12 * rng.chisquare(55, 20_000) / 55)
    reach = Dunnett(0.5 + 0.5 * np.eye(5)).alike_value(0.05, 55) * scatter
    size = np.sqrt(2 / 12) * 20 * truth  # far from the other margin
    false = (np.abs(found + size) + reach[:, None] < np.abs(size)).any(axis=1).mean()
    assert false == pytest.approx(0.05, abs=0.0035)


@pytest.mark.slow
@pytest.mark.parametrize(("variants", "tasters"), list(product((3, 6), (8, 12, 16))))
def test_ranks_call_about_alpha_falsely_alike_at_both_margins(variants, tasters):
    """Their interval is not made wider; what docs/explanation/verdicts.md says of it."""
    situation = replace(SITUATIONS[0], scale=HUNDRED, margin=2.0)
    off = tuple(2.0 * (1 - place % 2 * 2) for place in range(variants - 1))
    true = Truths(
        levels=(50.0, *(50 + each for each in off)),
        differs=(True,) * len(off),
        means=off,
        pseudomedians=off,
    )
    rng = np.random.default_rng([7, variants, tasters, 1])
    tables = simulate(make_trial(situation, variants, tasters), situation, true, 400, rng)
    found = [result for trial, table in tables for result in compare_trial(trial, table)]
    told = [replies(answers(result, "ranks"), true, "ranks") for result in found]
    false_alike = rate(sum(bool(one["false_alike"]) for one in told), len(told))
    print(f"{variants - 1} beside the control, {tasters} tasters: {false_alike}")  # noqa: T201
    assert false_alike.value < 0.05 + 3 * 0.011
