"""The control twice, or fewer cups than variants: what is promised is what `compare` shows."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.simulate.by_mixed import mixed_rule
from blindspoon.simulate.size import question_of, size_panel
from blindspoon.simulate.size_results import Spread, common_practice
from blindspoon.simulate.trials import CupList, PanelSize, PanelTrials
from blindspoon.stats.mixed import compare_mixed
from blindspoon.trial import Scale
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


def test_a_second_cup_of_the_control_takes_the_place_of_a_variant():
    _, trial = planned(5, 12, 1, 4, 2)
    assert question_of(trial, common_practice(Scale(low=0, high=10, step=1))).places == 2


@UNEVEN
def test_errors_are_those_of_compare_mixed_at_its_estimates(
    variants, tasters, sessions, servings, controls
):
    """Of the first trials in which tasters do not differ by session, as sizing has it."""
    situation, trial = planned(variants, tasters, sessions, servings, controls)
    question = question_of(trial, common_practice(situation.scale), 200)
    panel = PanelTrials(question, PanelSize(tasters, variants, sessions))
    cups, compared = panel.cups(), 0
    place = (cups.places @ np.arange(1, cups.places.shape[1] + 1)).astype(int)
    for scores in panel.of_cups(panel.scores(0.0, 0, 20)):
        fit = compare_mixed(
            scores,
            cups.taster,
            cups.variant,
            control=0,
            alpha=0.05,
            position=place if question.complete else None,
            session=cups.session,
        )
        if fit.taster_session_sd:
            continue
        own = fit.taster_variant_sd
        spread = Spread(
            residual_sd=fit.residual_sd, taster_sd=fit.taster_sd, taster_variant_sd=own or 0.0
        )
        rule = mixed_rule(cups, spread, 0.05)
        variances = [[fit.residual_sd**2], *([[own**2]] if own is not None else [])]
        se, df = rule.errors(np.array(variances))
        found = [(one.difference, one.se, one.df) for one in fit.contrasts]
        expected = np.column_stack([rule.weights @ scores, se[0], df[0]])
        np.testing.assert_allclose(expected, found, rtol=1e-5, atol=1e-7)
        compared += 1
    assert compared > 3


@pytest.mark.parametrize(
    ("cups_each", "worth", "correlation"), [(3, 20 / 27, 4 / (8 + 4)), (2, 1 / 3, 0.0)]
)
def test_fewer_cups_tell_as_much_as_in_balanced_designs(cups_each, worth, correlation):
    """R. E. Bechhofer, A. C. Tamhane 1981: ``k (l0 + l1) / (l0 (l0 + p l1))``, ``l1 / (l0 + l1)``.

    Of what all variants tell, where tasters' levels are so far apart that they say nothing.
    """
    sets = [(0, *some) for some in itertools.combinations((1, 2, 3), cups_each - 1)] * 4
    taster, variant = np.nonzero([[item in own for item in range(4)] for own in sets])
    apart = Spread(residual_sd=1.0, taster_sd=1e4, taster_variant_sd=0.0)
    cups = CupList(taster, variant, 0 * taster, variant, np.empty((taster.size, 0)))
    rule = mixed_rule(cups, apart, 0.05)
    np.testing.assert_allclose((rule.weights**2).sum(axis=1), 2 / 12 / worth, rtol=1e-6)
    assert rule.correlation == round(correlation, 2)
    alone = Spread(residual_sd=1.0, taster_sd=2.0, taster_variant_sd=0.5)
    scatter = Spread(residual_sd=1.25**0.5, taster_sd=2.0, taster_variant_sd=0.0)
    one, two = (mixed_rule(cups, spread, 0.05).weights for spread in (alone, scatter))
    np.testing.assert_allclose(one, two)  # with a cup of each an opinion is scatter
