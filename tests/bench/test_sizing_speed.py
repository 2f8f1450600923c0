"""How long sizing takes (python -m pytest tests/bench -m bench -s)."""

from __future__ import annotations

import os
import time

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from blindspoon.files.trial_toml import parse_trial
from blindspoon.simulate.by_mixed import mixed_rule
from blindspoon.simulate.by_ranks import make_flips, rank_differences, tell_apart, within
from blindspoon.simulate.size import size
from blindspoon.simulate.size_results import common_practice
from blindspoon.simulate.trials import PanelSize, serving_positions
from blindspoon.stats.sign_flips import signed_ranks
from blindspoon.trial import Scale
from tests.simulate.size.drawing import as_listed, complete_cups, draw_scores

SCALE = Scale(low=0, high=10, step=0.5)
TRIAL = """
trial = { title = "Crisp cucumbers", control = "plain" }
decision = { margin = 1 }
scale = { low = 0, high = 10, step = 0.5 }
attribute = [{ name = "texture" }]
variant = [{ name = "plain" }, { name = "a" }, { name = "b" }, { name = "c" }, { name = "d" }]
"""


@pytest.mark.bench
def test_the_default_sweep_takes_less_than_20_seconds_on_two_cores():
    start = time.perf_counter()
    found = size(parse_trial(TRIAL), common_practice(SCALE), n_jobs=min(2, os.cpu_count() or 1))
    taken = time.perf_counter() - start
    errors = [cell.chance_margin.se for cell in found.cells]
    print(f"\n{taken:.1f} s for {len(found.cells)} cells of {found.trials} trials a chance")  # noqa: T201
    assert len(found.cells) == 66
    assert max(errors) <= 0.016
    assert taken < 20


@pytest.mark.bench
@pytest.mark.filterwarnings("ignore")  # statsmodels says what it thinks of its convergence
@pytest.mark.parametrize(("tasters", "sessions"), [(8, 1), (12, 2), (40, 3)])
def test_200_times_the_trials_of_a_loop_of_mixedlm(tasters, sessions):
    panel = PanelSize(tasters=tasters, sessions=sessions, variants=5)
    ours = trials_per_second(panel)
    theirs = mixedlm_per_second(panel)
    print(f"\n{tasters} x {sessions}: {ours:.0f} trials a second, MixedLM {theirs:.1f}")  # noqa: T201
    assert ours > 200 * theirs


def simulated(panel, trials):
    rng = np.random.default_rng(1)
    return draw_scores(panel, common_practice(SCALE), SCALE, 1.0, trials=trials, rng=rng)


def trials_per_second(panel, trials=500, times=5):
    """Draw the scores, prepare both procedures and decide by both, intervals included."""
    start = time.perf_counter()
    rng = np.random.default_rng(1)
    cups = complete_cups(panel, serving_positions(panel, rng))
    rule = mixed_rule(cups, common_practice(SCALE), 0.05)
    for _ in range(times):
        scores = simulated(panel, trials)
        rule.decide(as_listed(scores), 1.0)
        differences = rank_differences(scores)
        flips = make_flips(panel.tasters, rng)
        tell_apart(signed_ranks(differences), flips, 0.05)
        within(differences, flips, 0.05, 1.0)
    return trials * times / (time.perf_counter() - start)


def mixedlm_per_second(panel, trials=8):
    """Fit the same scores by the same model, without position, ranks or intervals."""
    scores = simulated(panel, trials)
    taster, variant, _ = (each.ravel() for each in np.indices(scores.shape[1:]))
    table = pd.DataFrame({"taster": taster, "variant": variant})
    cells = {"cell": "0 + C(variant)"} if panel.sessions > 1 else None
    start = time.perf_counter()
    for each in scores:
        table["score"] = each.ravel()
        MixedLM.from_formula(
            "score ~ C(variant)", table, groups="taster", re_formula="1", vc_formula=cells
        ).fit(reml=True)
    return trials / (time.perf_counter() - start)
