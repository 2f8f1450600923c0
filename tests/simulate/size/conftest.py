"""Simulated trials that go through `compare` one by one and through sizing all at once."""

from __future__ import annotations

import numpy as np
import pytest

from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.rule import kind_of
from blindspoon.simulate.size_results import Spread
from blindspoon.stats.mixed import compare_mixed
from blindspoon.stats.results import NoResult

TRIAL = """
seed = 7
[trial]
title = "What keeps half-sour cucumbers crisp?"
control = "plain"
[decision]
declared = 2026-09-04
primary = ["texture"]
margin = {margin}
by = "{by}"
[scale]
low = 0
high = 10
step = 0.5
[[attribute]]
name = "saltiness"
[[attribute]]
name = "texture"
[[variant]]
name = "plain"
[[variant]]
name = "oak-leaf"
[[variant]]
name = "cool-cellar"
""".replace("seed = 7\n[trial]", "[trial]\nseed = 7")


@pytest.fixture(scope="session")
def make_trial():
    """A trial of two variants and a control, scored from 0 to 10 in halves."""

    def make(margin=1.0, by="mixed", more=""):
        text = TRIAL.format(margin=margin, by=by)
        return parse_trial(text + more)

    return make


@pytest.fixture(scope="session")
def usual():
    return Spread(residual_sd=1.2, taster_sd=1.2, taster_variant_sd=0.6)


@pytest.fixture(scope="session")
def kinds():
    """Name the verdicts from what sizing decides."""

    def name(different, inside):
        inner = np.where(inside, "slight", "different"), np.where(inside, "alike", "open")
        return np.where(different, *inner)

    return name


@pytest.fixture(scope="session")
def one_by_one():
    """Fit each trial of shape (t, k, s) by `compare_mixed`; positions of shape (t, k, s, k - 1)."""

    def fit(scores, positions=None, alpha=0.05):
        taster, variant, session = (each.ravel() for each in np.indices(scores.shape[1:]))
        place = None
        if positions is not None:
            place = (positions @ np.arange(1, scores.shape[2])).ravel().astype(np.int64)
        return [
            compare_mixed(
                each.ravel(),
                taster,
                variant,
                control=0,
                alpha=alpha,
                position=place,
                session=session,
            )
            for each in scores
        ]

    return fit


@pytest.fixture(scope="session")
def kinds_of_fits():
    """Judge contrasts one by one; a fit without a result shows nothing."""

    def judge(fits, variants, margin, alpha=0.05):
        return [
            ["open"] * (variants - 1)
            if isinstance(fit, NoResult)
            else [kind_of(each, margin=margin, alpha=alpha) for each in fit.contrasts]
            for fit in fits
        ]

    return judge
