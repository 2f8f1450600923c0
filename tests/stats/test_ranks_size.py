"""False alarms and coverage of the rank comparisons in simulated panels."""

from __future__ import annotations

import numpy as np
import pytest

from blindspoon.stats.signed_ranks import compare_ranks, friedman

TRIALS = 2000
ALPHA = 0.05
NOISE = 3 * np.sqrt(ALPHA * (1 - ALPHA) / TRIALS)


def panel(rng, n, shifts, *, step=1.0, missing=0.0, control_spread=1.0, tails="normal"):
    """Scores of n tasters who differ in level, on a scale from 0 to 10."""
    shape = (n, len(shifts))
    noise = rng.standard_t(3, size=shape) if tails == "heavy" else rng.normal(size=shape)
    noise[:, 0] *= control_spread
    means = 5 + rng.normal(size=(n, 1)) + 1.5 * noise + shifts
    if step:
        means = np.clip(np.round(means / step) * step, 0, 10)
    means[rng.random(shape) < missing] = np.nan
    return means


def simulate(n, shifts, trials=TRIALS, **options):
    rng = np.random.default_rng(20)
    for _ in range(trials):
        yield compare_ranks(panel(rng, n, shifts, **options), control=0, alpha=ALPHA, rng=rng)


@pytest.mark.slow
@pytest.mark.parametrize("n", [8, 12])
@pytest.mark.parametrize(
    ("shifts", "options"),
    [
        ((0, 0, 0, 0), {}),
        ((0, 0, 0, 0), {"step": 0}),
        ((0, 0, 0, 0), {"missing": 0.15}),
        ((0, 0, 0, 0), {"control_spread": 3.0}),
        ((0, 0, 0, 2), {}),
        ((0, 0, 0, 2, 4), {"step": 0}),
        ((0, 0, 0, 2), {"tails": "heavy", "missing": 0.1}),
        ((0, 0, 0, 2), {"control_spread": 2.0}),
    ],
)
def test_false_alarms_stay_at_alpha(n, shifts, options):
    alike = [v for v, shift in enumerate(shifts) if v and not shift]
    alarms = sum(
        any(found[v - 1].p_adjusted <= ALPHA for v in alike if hasattr(found[v - 1], "p_adjusted"))
        for found in simulate(n, np.array(shifts), **options)
    )
    assert alarms / TRIALS <= ALPHA + NOISE


@pytest.mark.slow
@pytest.mark.parametrize("n", [8, 12])
@pytest.mark.parametrize("step", [0, 1.0])
@pytest.mark.parametrize("shifts", [(0, 0, 0, 0), (0, 0, 1, 2), (0, 2, 2, 0, 1)])
def test_intervals_hold_all_shifts_at_once(n, step, shifts):
    true = np.array(shifts)
    held = sum(
        all(
            each.interval.low - 1e-9 <= shift <= each.interval.high + 1e-9
            for each, shift in zip(found, true[1:], strict=True)
        )
        for found in simulate(n, true, step=step)
    )
    assert 0.95 - NOISE <= held / TRIALS <= 0.997


@pytest.mark.slow
@pytest.mark.parametrize("n", [30])
def test_sampled_flips_keep_alpha_and_coverage(n):
    true, trials = np.array([0, 0, 0, 1.5]), 400
    noise = 3 * np.sqrt(ALPHA * (1 - ALPHA) / trials)
    alarms = held = 0
    for found in simulate(n, true, trials, step=0):
        alarms += any(each.p_adjusted <= ALPHA for each in found[:2])
        held += all(e.interval.low <= s <= e.interval.high
                    for e, s in zip(found, true[1:], strict=True))  # fmt: skip
    assert alarms / trials <= ALPHA + noise
    assert held / trials >= 1 - ALPHA - noise


@pytest.mark.slow
@pytest.mark.parametrize("n", [8, 12, 24])
@pytest.mark.parametrize("missing", [0.0, 0.15])
def test_friedman_keeps_alpha(n, missing):
    rng = np.random.default_rng(20)
    p_values = [
        friedman(panel(rng, n, np.zeros(5), missing=missing)).p_value for _ in range(TRIALS)
    ]
    assert 0.02 <= np.mean(np.array(p_values) <= ALPHA) <= ALPHA + NOISE
