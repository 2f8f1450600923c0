"""How long the rank comparisons take (python -m pytest tests/bench -m bench -s)."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.stats import permutation_test

from blindspoon.stats.sign_flips import signed_ranks, statistics
from blindspoon.stats.signed_ranks import compare_ranks, friedman
from blindspoon.stats.two_way import gather


def panel(n, k, step):
    rng = np.random.default_rng(1)
    means = 5 + rng.normal(size=(n, 1)) + 2 * rng.normal(size=(n, k)) + np.linspace(0, 1, k)
    return np.clip(np.round(means / step) * step, 0, 10) if step else means


def seconds(work, times=3):
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def compare(means):
    return compare_ranks(means, control=0, alpha=0.05, rng=np.random.default_rng(1))


@pytest.mark.bench
def test_faster_than_scipys_flips_for_a_household_panel():
    means = panel(12, 5, 1)
    scores = signed_ranks(means[:, 1:] - means[:, :1])
    lengths = np.sqrt((scores**2).sum(axis=0))

    def by_scipy():
        return permutation_test(
            (np.ones(12),),
            lambda signs, axis: np.abs(np.moveaxis(signs, axis, -1) @ scores / lengths).max(-1),
            permutation_type="samples",
            alternative="greater",
            vectorized=True,
            n_resamples=np.inf,
        ).pvalue

    clearest = int(statistics(scores).argmax())
    assert compare(means)[clearest].p_adjusted == pytest.approx(by_scipy(), rel=1e-12)
    ours, scipys = seconds(lambda: compare(means), 9), seconds(by_scipy, 9)
    print(f"\n12 x 5: all tests and intervals {ours:.4f} s; scipy, one p value {scipys:.4f} s")  # noqa: T201
    assert ours < scipys


@pytest.mark.bench
@pytest.mark.parametrize(
    ("n", "k", "step", "limit"),
    [
        (12, 5, 1, 0.02),
        (18, 12, 1, 0.6),
        (1000, 5, 1, 0.6),
        (100_000, 4, 1, 0.3),
        (100_000, 4, 0, 4.0),
        (100_000, 12, 1, 1.5),
    ],
)
def test_compare_ranks(n, k, step, limit):
    means = panel(n, k, step)
    taken = seconds(lambda: compare(means))
    print(f"\ncompare_ranks, {n} tasters x {k} variants, step {step}: {taken:.3f} s")  # noqa: T201
    assert taken < limit


@pytest.mark.bench
def test_friedman_and_means_of_half_a_million_rows():
    rng = np.random.default_rng(1)
    taster, variant = np.repeat(np.arange(100_000), 5), np.tile(np.arange(5), 100_000)
    score = rng.integers(0, 11, size=500_000).astype(float)
    averaging = seconds(
        lambda: gather(score, taster, variant, n_tasters=100_000, n_variants=5).mean
    )
    means = gather(score, taster, variant, n_tasters=100_000, n_variants=5).mean
    testing = seconds(lambda: friedman(means))
    print(f"\n500,000 rows: means {averaging:.3f} s, Friedman {testing:.3f} s")  # noqa: T201
    assert averaging < 0.2
    assert testing < 0.3
