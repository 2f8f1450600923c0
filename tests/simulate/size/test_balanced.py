"""Many trials at once give what `compare_mixed` gives one by one."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest

from blindspoon.simulate.balanced import (
    balanced_design,
    decide,
    estimate,
    kenward_roger,
    make_rule,
    steady,
)
from blindspoon.simulate.size_results import Spread
from blindspoon.simulate.trials import PanelSize, serving_positions
from blindspoon.stats.assumptions import compare_sittings
from blindspoon.stats.results import NoResult
from blindspoon.trial import Scale
from tests.simulate.size.drawing import draw_scores

TRUE = (
    Spread(residual_sd=1.2, taster_sd=1.2, taster_variant_sd=0.6),
    Spread(residual_sd=1.2, taster_sd=0.0, taster_variant_sd=0.0),
    Spread(residual_sd=0.3, taster_sd=0.5, taster_variant_sd=1.5),
)
DESIGNS = list(itertools.product((4, 7), (2, 5), (1, 3), (True, False)))


def simulated(tasters, variants, sessions, *, position, step, trials=4):
    """Scores under several true spreads, and the positions that the model knows of."""
    panel = PanelSize(tasters=tasters, sessions=sessions, variants=variants)
    rng = np.random.default_rng([tasters, variants, sessions, position])
    positions = serving_positions(panel, rng)
    scale = Scale(low=0, high=10, step=step)
    scores = [draw_scores(panel, true, scale, 1.5, trials=trials, rng=rng) for true in TRUE]
    return np.concatenate(scores), positions if position else None


def rule_for(scores, positions):
    return make_rule(np.empty((*scores.shape[1:], 0)) if positions is None else positions, 0.05)


@pytest.fixture(scope="module")
def fitted(one_by_one):
    """Scores of a design, its rule, and the fits of its trials, one by one."""

    @cache
    def fit(tasters, variants, sessions, position, step=0.0):
        trials = 2 if step else 4  # of each spread
        shape = tasters, variants, sessions
        scores, positions = simulated(*shape, position=position, step=step, trials=trials)
        return scores, rule_for(scores, positions), one_by_one(scores, positions)

    return fit


@pytest.mark.parametrize("asked", DESIGNS)
def test_estimates_agree_with_compare_mixed(fitted, asked):
    scores, rule, fits = fitted(*asked)
    found = estimate(rule.design, scores)
    covariance, df = kenward_roger(rule.design, found.ratio)
    se = np.sqrt(found.variance[:, None] * np.diagonal(covariance, axis1=1, axis2=2))
    for row, fit in enumerate(fits):
        each = np.array([[c.difference, c.se, c.df] for c in fit.contrasts]).T
        np.testing.assert_allclose(found.difference[row], each[0], rtol=0, atol=1e-8)
        np.testing.assert_allclose([se[row], df[row]], each[1:], rtol=1e-8)


@pytest.mark.parametrize("step", [0.0, 2.0])
@pytest.mark.parametrize("asked", DESIGNS)
def test_verdicts_agree_with_compare_mixed(fitted, asked, step, kinds, kinds_of_fits):
    scores, rule, fits = fitted(*asked, step)
    found = kinds(*decide(rule, scores, 2.0))
    assert found.tolist() == kinds_of_fits(fits, asked[1], 2.0)


@pytest.mark.parametrize(("tasters", "variants", "sessions"), [(4, 2, 2), (7, 5, 3), (10, 5, 2)])
def test_sittings_are_held_as_in_a_real_trial(tasters, variants, sessions):
    scores, _ = simulated(tasters, variants, sessions, position=False, step=0.5, trials=20)
    scores[::2, :, 1] += np.linspace(-2, 2, sessions)
    t, v, s = (each.ravel() for each in np.indices(scores.shape[1:]))
    for margin in (1.5, 3.0):
        found = steady(scores, 0.05, margin).tolist()
        for row, each in enumerate(scores):
            held = compare_sittings(
                each.ravel(), t, s, v, control=0, n_variants=variants, alpha=0.05
            )
            assert found[row] == [held.steady(place, margin) for place in range(1, variants)]


def test_the_simulated_trials_reach_every_boundary(fitted):
    """The agreement above covers fits with no, one and several variances at zero."""
    ends = {(asked[2], fit.note.at_zero) for asked in DESIGNS for fit in fitted(*asked)[2]}
    names = ("taster", "taster:variant", "taster:session")
    zeros = [each for count in range(4) for each in itertools.combinations(names, count)]
    assert ends == {(1, ()), (1, ("taster",)), *((3, each) for each in zeros)}


def test_trials_without_scatter_show_nothing(one_by_one):
    scores = np.full((1, 4, 2, 1), 5.0)
    scores[:, :, 1] = 8.0
    assert isinstance(one_by_one(scores)[0], NoResult)
    different, inside = decide(rule_for(scores, None), scores, 5.0)
    assert not different.any()
    assert not inside.any()


def test_interpolated_critical_values_are_those_of_the_ratio_between(fitted):
    """At ratios between the nodes the half-widths are those of `compare_mixed`."""
    scores, rule, fits = fitted(7, 5, 3, position=True)
    found = estimate(rule.design, scores)
    for row, fit in enumerate(fits):
        for at, each in enumerate(fit.contrasts):
            half = (each.interval.high - each.interval.low) / 2
            wide = (each.equivalence_interval.high - each.equivalence_interval.low) / 2
            curves = rule.different, rule.equivalent
            reach = [rule.reach(found, curve)[row, at] for curve in curves]
            assert reach[0] == pytest.approx(half, rel=1e-7)
            assert reach[1] == pytest.approx(wide, rel=1e-5)  # integrated more coarsely


def test_position_costs_its_degrees_of_freedom_in_one_session():
    panel = PanelSize(tasters=10, sessions=1, variants=5)
    positions = serving_positions(panel, np.random.default_rng(1))
    assert balanced_design(positions).lines[0][0] == 9 * 4 - 4
    assert balanced_design(positions[..., :0]).lines[0][0] == 9 * 4


def test_whole_williams_squares_make_position_orthogonal_to_the_variants():
    panel = PanelSize(tasters=10, sessions=2, variants=5)
    design = balanced_design(serving_positions(panel, np.random.default_rng(1)))
    assert np.abs(design.pull).max() < 1e-12
    odd = PanelSize(tasters=7, sessions=2, variants=5)
    assert np.abs(balanced_design(serving_positions(odd, np.random.default_rng(1))).pull).max() > 0
