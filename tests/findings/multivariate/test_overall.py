"""Errors over all attributes: against every flip written out, and in simulated trials."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.findings.multivariate import adjust_together, study_joint
from blindspoon.stats import sign_flips
from blindspoon.stats.results import NoResult
from blindspoon.stats.signed_ranks import compare_ranks


def signed(column):
    """Signed ranks of one comparison, by the definition: ties averaged, zeros left at zero."""
    sizes = np.abs(column[column != 0])
    ranks = [(sizes < size).sum() + ((sizes == size).sum() + 1) / 2 for size in sizes]
    found = np.zeros(column.size)
    found[column != 0] = np.sign(column[column != 0]) * ranks
    return found


def brute_force(differences):
    """Single-step max-T over all 2 ** n flips of whole tasters."""
    ranks = np.column_stack([signed(np.nan_to_num(column)) for column in differences.T])
    length = np.sqrt((ranks**2).sum(axis=0))
    flips = np.array(list(product((1, -1), repeat=len(ranks))))
    largest = (np.abs(flips @ ranks) / length).max(axis=1)
    observed = np.abs(ranks.sum(axis=0)) / length
    return np.array([np.mean(largest >= value - 1e-9) for value in observed])


@pytest.mark.parametrize("seed", range(8))
def test_six_tasters_are_every_flip(seed):
    rng = np.random.default_rng(seed)
    differences = np.round(rng.normal(1, 2, (6, 9)))
    differences[rng.random(differences.shape) < 0.1] = np.nan
    adjusted, method = adjust_together(differences, rng)
    assert method == "exact"
    assert adjusted == pytest.approx(brute_force(differences))


def test_one_attribute_is_the_comparison_by_ranks(draw):
    means = draw(3, 9, np.arange(4)[:, None])[:, :, 0]
    contrasts = compare_ranks(means, control=0, alpha=0.05, rng=np.random.default_rng(1))
    adjusted, _ = adjust_together(means[:, 1:] - means[:, :1], np.random.default_rng(1))
    assert adjusted == pytest.approx([each.p_adjusted for each in contrasts])


def test_the_mixed_model_is_multiplied_by_the_attributes(draw, trial_of):
    trial, table, results = trial_of(draw(5, 10, [[0, 0, 0], [2, 1, 0], [0.5, 0, 0]]))
    overall = study_joint(trial, table, results).overall
    compared = [each for result in results for each in result.comparisons]
    assert overall.attributes == 3
    for each, alone in zip(overall.comparisons, compared, strict=True):
        assert (each.attribute, each.variant) == (alone.attribute.name, alone.variant.name)
        assert each.mixed_p == min(1.0, 3 * alone.mixed.p_adjusted)
        assert each.ranks_p >= alone.ranks.p_adjusted


def test_a_verdict_falls_when_its_p_does(draw, trial_of):
    trial, table, results = trial_of(draw(6, 12, [[0, 0, 0], [1.3, 4, 0]]))
    overall = study_joint(trial, table, results).overall
    assert overall.alpha == 0.05
    for each in overall.comparisons:
        for p, verdict in ((each.mixed_p, each.mixed_verdict), (each.ranks_p, each.ranks_verdict)):
            assert (verdict in ("different", "slight")) == (p <= 0.05)
    assert {each.mixed_verdict for each in overall.comparisons} >= {"different"}


@pytest.mark.parametrize(
    ("profile", "decision", "reason"),
    [
        ([[0, 0], [1, 1]], 'decision = { primary = ["a0"] }\n', "share alpha already"),
        ([[0], [1]], "", "Fewer than two attributes"),
    ],
)
def test_there_is_nothing_to_hold_together(draw, trial_of, profile, decision, reason):
    trial, table, results = trial_of(draw(7, 8, profile), decision)
    overall = study_joint(trial, table, results).overall
    assert isinstance(overall, NoResult)
    assert reason in overall.reason


def test_a_taster_alone_pays_by_the_number_of_attributes(draw, trial_of):
    """Rounds of one taster are not tasters to be turned: Bonferroni."""
    scores = draw(10, 8, [[0, 0], [3, 0], [1, 0]], noise=0.5)
    trial, table, _ = trial_of(scores)
    sessions = tuple(str(at) for at in range(8))
    alone = replace(
        table,
        tasters=("T0",),
        sessions=sessions,
        taster=np.zeros_like(table.taster),
        session=table.taster,
        position=np.random.default_rng(2).permuted(table.variant.reshape(8, 3), axis=1).ravel() + 1,
    )
    results = compare_trial(trial, alone)
    overall = study_joint(trial, alone, results).overall
    compared = [each for result in results for each in result.comparisons]
    assert (overall.by, overall.method, len(compared)) == ("ranks", None, 4)
    for each, before in zip(overall.comparisons, compared, strict=True):
        assert each.ranks_p == min(1.0, 2 * before.ranks.p_adjusted)
        assert each.mixed_p is None


@pytest.mark.parametrize("tasters", [12, 60, 1500])
def test_order_and_direction_do_not_matter(draw, tasters):
    scores = draw(8, tasters, np.zeros((4, 3)), lost=0.1)
    differences = (scores[:, 1:] - scores[:, :1]).reshape(tasters, -1)
    rng = np.random.default_rng(3)
    adjusted, _ = adjust_together(differences, np.random.default_rng(1))
    again, _ = adjust_together(differences[rng.permutation(tasters)], np.random.default_rng(1))
    turned, _ = adjust_together(-differences, np.random.default_rng(1))
    assert again == pytest.approx(adjusted, abs=1e-9)
    assert turned == pytest.approx(adjusted, abs=1e-9)


@pytest.mark.parametrize("columns", [12, pytest.param(24, marks=pytest.mark.slow)])
def test_many_tasters_and_many_comparisons_agree_with_sampled_flips(draw, monkeypatch, columns):
    """Above 1,000 tasters: the joint limit of many comparisons, and their sampled flips."""
    scores = draw(9, 1200, 0.07 * np.random.default_rng(1).normal(size=(13, 2)), correlation=0.3)
    differences = (scores[:, 1:] - scores[:, :1]).reshape(1200, -1)[:, :columns]
    adjusted, method = adjust_together(differences, np.random.default_rng(1))
    monkeypatch.setattr(sign_flips, "SAMPLED_UP_TO", 1200)
    sampled, other = adjust_together(differences, np.random.default_rng(1))
    assert (method, other) == ("normal", "sampled")
    errors = np.sqrt(sampled * (1 - sampled) / sign_flips.SAMPLES)
    # correlations over attributes are no product of loadings: the nearest errs on the safe side
    assert (adjusted >= sampled - 4 * errors - 1e-5).all()
    assert (adjusted <= 1.15 * sampled + 4 * errors + 1e-4).all()
    assert ((sampled > 0.01) & (sampled < 0.1)).any()


@pytest.mark.slow
@pytest.mark.parametrize("correlation", [0.0, 0.8])
@pytest.mark.parametrize("tasters", [8, 14])
def test_its_size(draw, trial_of, correlation, tasters):
    """Three attributes and three variants without any difference: one false alarm in twenty."""
    ranks = mixed = 0
    for seed in range(1000):
        scores = draw(seed, tasters, np.zeros((3, 3)), correlation=correlation)
        overall = study_joint(*trial_of(np.round(scores))).overall
        ranks += min(each.ranks_p for each in overall.comparisons) <= 0.05
        mixed += min(each.mixed_p for each in overall.comparisons) <= 0.05
    assert ranks / 1000 <= 0.065
    assert mixed / 1000 <= 0.065
    assert ranks / 1000 >= 0.02
