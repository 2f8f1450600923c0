"""The control twice, or fewer cups than variants: what is promised is what `compare` shows."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.simulate.size import Simulated, question_of, size_panel
from blindspoon.simulate.size_results import Spread, common_practice
from blindspoon.simulate.trials import PanelSize
from blindspoon.simulate.uneven import uneven_rule
from blindspoon.stats.mixed import compare_mixed
from tests.calibration import situations
from tests.calibration.situations import Situation, truths

DESIGNS = [(4, 12, 1, 3, 1), (4, 12, 2, 2, 1), (3, 8, 1, None, 2)]
UNEVEN = pytest.mark.parametrize(
    ("variants", "tasters", "sessions", "servings", "controls"), DESIGNS
)


def planned(variants, tasters, sessions, servings, controls):
    situation = Situation(name="uneven", says="", opinion_sd=0.6, margin=1.0, sessions=sessions)
    trial = situations.make_trial(situation, variants, tasters)
    tasting = dataclasses.replace(trial.tasting, servings=servings, controls=controls)
    return situation, dataclasses.replace(trial, tasting=tasting, seed=1)


@UNEVEN
def test_uneven_cups_are_promised_what_they_show(variants, tasters, sessions, servings, controls):
    """The last variant differs by two points; the others equal the control."""
    situation, trial = planned(variants, tasters, sessions, servings, controls)
    levels = (4.0,) * (variants - 1) + (6.0,)
    true = dataclasses.replace(truths(situation, "none", variants), levels=levels)
    tables = situations.simulate(trial, situation, true, 150, np.random.default_rng(1))
    judged = [compare_trial(*each)[0].comparisons[-1] for each in tables]
    question = question_of(trial, common_practice(situation.scale), 1000)
    mixed, ranks = size_panel(question, tasters, sessions)
    shown = np.mean([each.verdict in ("different", "slight") for each in judged])
    by_ranks = np.mean([each.verdict_by_other in ("different", "slight") for each in judged])
    assert mixed.chance_twice.value == pytest.approx(shown, abs=0.11)
    assert ranks.chance_twice.value == pytest.approx(by_ranks, abs=0.11)


@UNEVEN
def test_reaches_are_those_of_compare_mixed_at_its_estimates(
    variants, tasters, sessions, servings, controls
):
    """Of the first trials in which tasters do not differ by session, as sizing has it."""
    situation, trial = planned(variants, tasters, sessions, servings, controls)
    question = question_of(trial, common_practice(situation.scale), 200)
    simulated = Simulated(question, PanelSize(tasters, variants, sessions))
    served, kinds = simulated.served, simulated.kinds
    taster, column, session = np.nonzero(served)
    places = (simulated.positions @ np.arange(1, simulated.positions.shape[3] + 1)).astype(int)
    compared = 0
    for scores in simulated.scores(0.0, 0, 20):
        fit = compare_mixed(
            scores[served],
            taster,
            kinds[column],
            control=0,
            alpha=0.05,
            position=places[served] if question.complete else None,
            session=session,
        )
        if fit.taster_session_sd:
            continue
        spread = Spread(
            residual_sd=fit.residual_sd,
            taster_sd=fit.taster_sd,
            taster_variant_sd=fit.taster_variant_sd or 0.0,
        )
        rule = uneven_rule(served, kinds, simulated.positions, spread, 0.05)
        found = [(one.difference, one.interval.high - one.difference) for one in fit.contrasts]
        reach = np.column_stack([rule.weights @ scores[served], rule.different])
        np.testing.assert_allclose(reach, found, rtol=1e-5, atol=1e-7)
        compared += 1
    assert compared > 3


@pytest.mark.parametrize(("cups", "worth"), [(3, 20 / 27), (2, 1 / 3)])
def test_fewer_cups_tell_as_much_as_in_balanced_designs(cups, worth):
    """``k (l0 + l1) / (l0 (l0 + p l1))``: R. E. Bechhofer and A. C. Tamhane 1981.

    Of what all variants tell, where tasters' levels are so far apart that they say nothing.
    """
    sets = [(0, *some) for some in itertools.combinations((1, 2, 3), cups - 1)] * 4
    served = np.array([[item in own for item in range(4)] for own in sets])[..., None]
    apart = Spread(residual_sd=1.0, taster_sd=1e4, taster_variant_sd=0.0)
    rule = uneven_rule(served, np.arange(4), np.empty((12, 4, 1, 0)), apart, 0.05)
    np.testing.assert_allclose((rule.weights**2).sum(axis=1), 2 / 12 / worth, rtol=1e-6)
