"""Errors over all attributes: Bonferroni's method, and what it comes to in simulated trials."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.findings.further import study_joint
from blindspoon.stats.results import NoResult


def test_p_values_are_multiplied_by_the_attributes(draw, trial_of):
    trial, table, results = trial_of(draw(5, 10, [[0, 0, 0], [2, 1, 0], [0.5, 0, 0]]))
    overall = study_joint(trial, table, results).overall
    compared = [each for result in results for each in result.comparisons]
    assert overall.attributes == 3
    for each, alone in zip(overall.comparisons, compared, strict=True):
        assert (each.attribute, each.variant) == (alone.attribute.name, alone.variant.name)
        assert each.mixed_p == min(1.0, 3 * alone.mixed.p_adjusted)
        assert each.ranks_p == min(1.0, 3 * alone.ranks.p_adjusted)


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
    assert (overall.by, len(compared)) == ("ranks", 4)
    for each, before in zip(overall.comparisons, compared, strict=True):
        assert each.ranks_p == min(1.0, 2 * before.ranks.p_adjusted)
        assert each.mixed_p is None


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
    assert 0.02 <= mixed / 1000 <= 0.065
