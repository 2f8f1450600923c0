"""How long the mixed model takes (python -m pytest tests/bench -m bench -s)."""

from __future__ import annotations

import statistics
import time

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from blindspoon.stats.dunnett import _critical_value, _family
from blindspoon.stats.mixed import compare_mixed


def panel(tasters, sessions, *, missing=0.0, seed=1):
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(range(tasters), range(sessions), range(5), indexing="ij")
    t, _, v = (each.ravel() for each in grid)
    score = 5 + 0.3 * v + rng.normal(size=tasters)[t] + rng.normal(size=t.size)
    score += 0.7 * rng.normal(size=(tasters, 5))[t, v]
    score[rng.random(t.size) < missing] = np.nan
    place = rng.permuted(np.tile(np.arange(5), (tasters * sessions, 1)), axis=1).ravel()
    return {"score": score, "taster": t, "variant": v}, place


def seconds(work, times=5):
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def ours(rows, position=None):
    """Compare without what earlier comparisons left in the caches."""

    def work():
        _critical_value.cache_clear()
        _family.cache_clear()
        compare_mixed(**rows, control=0, alpha=0.05, position=position)

    return work


def theirs(rows):
    table = pd.DataFrame(rows)
    return lambda: MixedLM.from_formula(
        "score ~ C(variant)",
        table,
        groups="taster",
        re_formula="1",
        vc_formula={"cell": "0 + C(variant)"},
    ).fit(reml=True)


@pytest.mark.bench
@pytest.mark.filterwarnings("ignore")  # statsmodels says what it thinks of its convergence
def test_a_hundred_times_faster_than_statsmodels():
    rows, _ = panel(1000, 2)
    fast, slow = seconds(ours(rows)), seconds(theirs(rows), times=3)
    print(f"\n1,000 tasters x 5 variants x 2: {fast * 1e3:.1f} ms; MixedLM {slow:.2f} s")  # noqa: T201
    assert slow > 100 * fast


CASES = {
    # tasters, sessions, missing, positions, seconds allowed
    "12 x 5 x 1": (12, 1, 0.0, False, 0.02),
    "12 x 5 x 2": (12, 2, 0.0, False, 0.02),
    "12 x 5 x 2, 10 % missing": (12, 2, 0.1, False, 0.04),
    "12 x 5 x 2, positions": (12, 2, 0.0, True, 0.04),
    "1,000 x 5 x 2, positions": (1000, 2, 0.0, True, 0.1),
    "100,000 x 5 x 1": (100_000, 1, 0.0, False, 0.3),
    "100,000 x 5 x 2": (100_000, 2, 0.0, False, 0.6),
    "100,000 x 5 x 2, 10 % missing, positions": (100_000, 2, 0.1, True, 3.0),
}


@pytest.mark.bench
@pytest.mark.parametrize("case", CASES)
def test_takes_no_longer_than_this(case):
    tasters, sessions, missing, positions, allowed = CASES[case]
    rows, place = panel(tasters, sessions, missing=missing)
    taken = seconds(ours(rows, place if positions else None))
    print(f"\n{case}: {taken * 1e3:.1f} ms")  # noqa: T201
    assert taken < allowed
