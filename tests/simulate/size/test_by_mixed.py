"""Many trials at once give what `compare_mixed` gives one by one."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest

from blindspoon.simulate.by_mixed import mixed_rule
from blindspoon.simulate.size_results import Spread
from blindspoon.simulate.trials import PanelSize, serving_positions
from blindspoon.stats.assumptions import compare_sittings, steady
from blindspoon.stats.results import NoResult
from blindspoon.trial import Scale
from tests.simulate.size.drawing import as_listed, complete_cups, draw_scores

TRUE = (
    Spread(residual_sd=1.2, taster_sd=1.2, taster_variant_sd=0.6),
    Spread(residual_sd=1.2, taster_sd=0.0, taster_variant_sd=0.0),
    Spread(residual_sd=0.3, taster_sd=0.5, taster_variant_sd=1.5),
)
DESIGNS = list(itertools.product((4, 7), (2, 5), (1, 3), (True, False)))
APPROXIMATE = [design for design in DESIGNS if design[2:] == (3, True)]
"""Places that lie partly in the cells and partly in the cups: differences are weighted by the
variances, which a rule takes from the spread that it is made for."""

AS_FITTED, INTERPOLATED = 1e-6, 5e-4
"""Relative tolerances of what is fitted and of critical values."""

SHARED = 1e-3
"""Relative tolerance of errors where `APPROXIMATE`, at the estimates of `compare_mixed`."""


def simulated(tasters, variants, sessions, *, position, step, trials=4):
    """Scores under several true spreads, and the positions that the model knows of."""
    panel = PanelSize(tasters=tasters, sessions=sessions, variants=variants)
    rng = np.random.default_rng([tasters, variants, sessions, position])
    positions = serving_positions(panel, rng)
    scale = Scale(low=0, high=10, step=step)
    scores = [draw_scores(panel, true, scale, 1.5, trials=trials, rng=rng) for true in TRUE]
    return np.concatenate(scores), positions if position else None


def rule_for(scores, positions, spread=TRUE[0]):
    return mixed_rule(complete_cups(scores.shape[1:], positions), spread, 0.05)


def spread_of(fit):
    return Spread(
        residual_sd=fit.residual_sd,
        taster_sd=fit.taster_sd,
        taster_variant_sd=fit.taster_variant_sd or 0.0,
    )


@pytest.fixture(scope="module")
def fitted(one_by_one):
    """Scores of a design, its positions, and the fits of its trials, one by one."""

    @cache
    def fit(tasters, variants, sessions, position, step=0.0):
        trials = 2 if step else 4  # of each spread
        shape = tasters, variants, sessions
        scores, positions = simulated(*shape, position=position, step=step, trials=trials)
        return scores, positions, one_by_one(scores, positions)

    return fit


@pytest.mark.parametrize("asked", DESIGNS)
def test_estimates_agree_with_compare_mixed(fitted, asked):
    """One rule for all trials; where `APPROXIMATE` one made for the spread of each."""
    scores, positions, fits = fitted(*asked)
    rule = rule_for(scores, positions)
    for row, fit in zip(as_listed(scores), fits, strict=True):
        rtol = AS_FITTED
        if asked in APPROXIMATE:
            rule, rtol = rule_for(scores, positions, spread_of(fit)), SHARED
        se, df = rule.errors(rule.variances(row[None]))
        each = np.array([[c.difference, c.se, c.df] for c in fit.contrasts]).T
        np.testing.assert_allclose(rule.weights @ row, each[0], rtol=0, atol=1e-8)
        np.testing.assert_allclose([se[0], df[0]], each[1:], rtol=rtol)


@pytest.mark.parametrize("step", [0.0, 2.0])
@pytest.mark.parametrize("asked", DESIGNS)
def test_verdicts_agree_with_compare_mixed(fitted, asked, step, kinds, kinds_of_fits):
    scores, positions, fits = fitted(*asked, step)
    rule, found = rule_for(scores, positions), []
    for row, fit in zip(as_listed(scores), fits, strict=True):
        if asked in APPROXIMATE and not isinstance(fit, NoResult):
            rule = rule_for(scores, positions, spread_of(fit))
        found += kinds(*rule.decide(row[None], 2.0)).tolist()
    assert found == kinds_of_fits(fits, asked[1], 2.0)


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
    different, inside = rule_for(scores, None).decide(as_listed(scores), 5.0)
    assert not different.any()
    assert not inside.any()


@pytest.mark.parametrize("asked", [(7, 5, 3, False), (7, 5, 1, True), (4, 2, 3, False)])
def test_interpolated_critical_values_are_those_of_the_degrees_of_freedom(fitted, asked):
    """The half-widths are those of `compare_mixed`."""
    scores, positions, fits = fitted(*asked)
    different, alike = rule_for(scores, positions).reaches(as_listed(scores))
    for row, fit in enumerate(fits):
        for at, each in enumerate(fit.contrasts):
            half = (each.interval.high - each.interval.low) / 2
            wide = (each.equivalence_interval.high - each.equivalence_interval.low) / 2
            assert different[row, at] == pytest.approx(half, rel=INTERPOLATED)
            assert alike[row, at] == pytest.approx(wide, rel=INTERPOLATED)


def test_position_costs_its_degrees_of_freedom_in_one_session():
    panel = PanelSize(tasters=10, sessions=1, variants=5)
    positions = serving_positions(panel, np.random.default_rng(1))
    scores = np.empty((1, *panel))
    assert rule_for(scores, positions).lines.df[0] == 9 * 4 - 4
    assert rule_for(scores, None).lines.df[0] == 9 * 4


def test_whole_williams_squares_make_position_orthogonal_to_the_variants():
    """Then a difference is that of the means."""
    for tasters, orthogonal in ((10, True), (7, False)):
        panel = PanelSize(tasters=tasters, sessions=2, variants=5)
        positions = serving_positions(panel, np.random.default_rng(1))
        scores = np.empty((1, tasters, 5, 2))
        apart = rule_for(scores, positions).weights - rule_for(scores, None).weights
        assert (np.abs(apart).max() < 1e-12) == orthogonal
