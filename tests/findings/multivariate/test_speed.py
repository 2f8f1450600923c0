"""How long it takes (python -m pytest tests/findings/multivariate -m bench -s)."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.findings.further import study_joint

PROFILE = np.outer(np.linspace(-1, 1, 5), [1.0, -0.7, 0.4, 0.1])


@pytest.mark.bench
@pytest.mark.parametrize(("tasters", "most"), [(12, 0.1), (1000, 2.0), (100_000, 2.0)])
@pytest.mark.parametrize("lost", [0.0, 0.05])
def test_it_is_quick(draw, trial_of, tasters, most, lost):
    trial, table, results = trial_of(draw(1, 12, PROFILE))
    scores = draw(2, tasters, PROFILE, lost=lost)
    taster, variant = (each.ravel() for each in np.indices(scores.shape[:2]))
    many = replace(
        table,
        tasters=tuple(f"T{at}" for at in range(tasters)),
        taster=taster,
        variant=variant,
        scores=scores.reshape(-1, 4),
    )
    took = []
    for _ in range(3):
        start = time.process_time()
        study_joint(trial, many, results)
        took.append(time.process_time() - start)
    print(f"\n{tasters:,} tasters, {lost:.0%} missing: {min(took):.3f} s of processor time")  # noqa: T201
    assert min(took) < most
