"""How long a course over days takes (python -m pytest tests/bench -m bench -s)."""

from __future__ import annotations

from time import process_time

import numpy as np
import pytest

from blindspoon.stats.scores_over_days import (
    crossing_of_lines,
    scores_by_day,
    trend_from_control,
    trend_without_control,
)
from blindspoon.stats.shares_over_days import day_of_share, shares_by_day, turning_days
from blindspoon.stats.signed_ranks import page_trend

DAYS = 3.0 + 7 * np.arange(8)


def follow(n, attributes, seed=1):
    """Every procedure on every attribute, and acceptance once; in seconds of the processor."""
    rng = np.random.default_rng(seed)
    tables = np.round(rng.normal(-4, 1.3, (attributes, n, 8)) + 0.08 * DAYS)
    refused = np.exp(rng.normal(3.3, 0.4, (n, 1))) <= DAYS
    start = process_time()
    for values in tables:
        trend_from_control(DAYS, values, alpha=0.05, step=1.0, rng=rng)
        trend_without_control(DAYS, values, alpha=0.05)
        scores_by_day(DAYS, values, alpha=0.05, step=1.0, margin=1.0)
        crossing_of_lines(DAYS, values, level=-1.0, alpha=0.05)
        page_trend(values)
    shares_by_day(DAYS, refused.astype(float), alpha=0.05)
    own = turning_days(DAYS, refused.astype(float))
    day_of_share(own.after, own.by, alpha=0.05)
    return process_time() - start


@pytest.mark.bench
def test_a_household_panel_does_not_wait():
    taken = min(follow(20, 5, seed) for seed in range(1, 6))
    print(f"\n5 attributes x 8 days x 20 tasters: {taken:.3f} s")  # noqa: T201
    assert taken < 0.2


@pytest.mark.bench
def test_tasters_are_not_gone_through_one_by_one():
    follow(1000, 1)
    few, many = follow(1000, 1), follow(100_000, 1)
    print(f"\n1,000 tasters {few:.2f} s, 100,000 tasters {many:.2f} s")  # noqa: T201
    assert many < 10
