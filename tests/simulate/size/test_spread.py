from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blindspoon.errors import DesignError
from blindspoon.simulate.size_results import common_practice, spread_from
from blindspoon.simulate.trials import PanelSize
from blindspoon.stats.mixed import compare_mixed
from blindspoon.stats.results import NoResult
from blindspoon.trial import Scale
from tests.simulate.size.drawing import draw_scores


def earlier(sessions, spread):
    """A large earlier trial, compared."""
    panel = PanelSize(tasters=400, sessions=sessions, variants=4)
    scale = Scale(low=-1000, high=1000)
    scores = draw_scores(panel, spread, scale, 0.0, trials=1, rng=np.random.default_rng(1))[0]
    taster, variant, _ = (each.ravel() for each in np.indices(scores.shape))
    return compare_mixed(scores.ravel(), taster, variant, control=0, alpha=0.05)


def test_common_practice_goes_with_the_length_of_the_scale():
    short, long = common_practice(Scale(low=1, high=9)), common_practice(Scale(low=0, high=80))
    assert long.residual_sd == pytest.approx(10 * short.residual_sd)
    assert "no source" in short.source


def test_two_sessions_give_the_spread_back(usual):
    found = spread_from(earlier(2, usual), "Crisp cucumbers")
    parts = found.residual_sd, found.taster_sd, found.taster_variant_sd
    assert parts == pytest.approx((1.2, 1.2, 0.6), rel=0.2)
    assert found.source == "as in the trial “Crisp cucumbers”"


def test_one_session_gives_the_sum_split_as_is_common_practice(usual):
    fit = earlier(1, usual)
    found = spread_from(fit, "Crisp cucumbers")
    assert np.hypot(found.residual_sd, found.taster_variant_sd) == pytest.approx(fit.residual_sd)
    assert found.residual_sd == pytest.approx(2 * found.taster_variant_sd)
    assert "split as is common practice" in found.source


def test_a_trial_without_a_fit_gives_no_spread():
    with pytest.raises(DesignError, match="gives no spread: Nobody scored the control; an earlier"):
        spread_from(NoResult("Nobody scored the control."), "Crisp cucumbers")
    fit = earlier(2, common_practice(Scale(low=0, high=10)))
    with pytest.raises(DesignError, match="gives no spread: all cups repeat one another"):
        spread_from(replace(fit, residual_sd=0.0), "Crisp cucumbers")
