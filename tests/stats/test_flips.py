"""Sign flips of whole tasters, against printed tables, scipy and the definition."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import permutation_test

from blindspoon.stats.sign_flips import (
    SAMPLES,
    JointNormal,
    SignFlips,
    all_flips,
    null_distribution,
    sampled_flips,
    signed_ranks,
    single_step,
    statistics,
)

DATA = Path(__file__).parents[1] / "data"
LEVELS = {"two_sided_0.10": 0.1, "two_sided_0.05": 0.05, "two_sided_0.02": 0.02,
          "two_sided_0.01": 0.01}  # fmt: skip
# OEIS A226330, largest signed rank sum significant at 2.5 % one-sided, n = 6 to 25
A226330 = (0, 2, 3, 5, 8, 10, 13, 17, 21, 25, 29, 34, 40, 46, 52, 58, 65, 73, 81, 89)


def rng(seed=1):
    return np.random.default_rng(seed)


def untied(n):
    return 2 * np.arange(1.0, n + 1)[:, None]


def p_of_smaller_sum(null, n, smaller):
    length = np.sqrt(n * (n + 1) * (2 * n + 1) / 6)
    return null.tail(float(n * (n + 1) / 2 - 2 * smaller) / length, [0])


def printed_table():
    path = DATA / "wilcoxon_signed_rank_critical.csv"
    with path.open(encoding="utf-8") as rows:
        return {int(row["n"]): row for row in csv.DictReader(rows)}


@pytest.mark.parametrize("n", range(6, 19))
def test_all_flips_give_the_published_sequence(n):
    null, critical = null_distribution(untied(n), rng()), A226330[n - 6]
    assert p_of_smaller_sum(null, n, critical) <= 0.05 < p_of_smaller_sum(null, n, critical + 1)


@pytest.mark.parametrize("n", range(4, 19))
def test_all_flips_give_the_exact_critical_values(n):
    # exact two-sided critical values of Wilcoxon's signed rank sum, at four levels
    null = null_distribution(untied(n), rng())
    assert null.method == "exact"
    for column, alpha in LEVELS.items():
        printed = printed_table()[n][column]
        critical = int(printed) if printed else -1
        assert critical < 0 or p_of_smaller_sum(null, n, critical) <= alpha
        assert p_of_smaller_sum(null, n, critical + 1) > alpha


@pytest.mark.parametrize("n", [19, 25, 40, 60])
def test_sampled_flips_meet_the_exact_critical_values(n):
    null = null_distribution(untied(n), rng(n))
    assert null.method == "sampled"
    critical = int(printed_table()[n]["two_sided_0.05"])
    noise = 4 * np.sqrt(0.05 * 0.95 / SAMPLES)
    assert p_of_smaller_sum(null, n, critical) <= 0.05 + noise
    assert p_of_smaller_sum(null, n, critical + 1) > 0.05 - noise


def test_every_flip_is_made_once():
    scores = np.array([[2.0, 0.0], [4.0, -2.0], [-6.0, 4.0]])
    signs = [(1, a, b) for a in (1, -1) for b in (1, -1)]
    lengths = np.sqrt((scores**2).sum(axis=0))
    expected = sorted(tuple(np.abs(np.array(s) @ scores) / lengths) for s in signs)
    assert sorted(map(tuple, all_flips(scores))) == pytest.approx(np.array(expected))


def test_the_clearest_variant_agrees_with_scipys_sign_flips():
    differences = np.random.default_rng(8).integers(-3, 6, size=(10, 4)).astype(float)
    scores = signed_ranks(differences)
    lengths = np.sqrt((scores**2).sum(axis=0))
    expected = permutation_test(
        (np.ones(10),),
        lambda signs, axis: np.abs(np.moveaxis(signs, axis, -1) @ scores / lengths).max(axis=-1),
        permutation_type="samples",
        alternative="greater",
        vectorized=True,
        n_resamples=np.inf,
    )
    null = null_distribution(scores, rng())
    assert single_step(null, statistics(scores)).min() == pytest.approx(expected.pvalue, rel=1e-12)


def test_sampled_flips_agree_with_all_flips():
    scores = signed_ranks(np.random.default_rng(2).integers(-4, 6, size=(16, 4)).astype(float))
    exact = SignFlips("exact", all_flips(scores))
    sampled = SignFlips("sampled", sampled_flips(scores, rng()))
    for value in (1.0, 1.8, 2.2, 2.6):
        p = exact.tail(value, [0, 1, 2, 3])
        noise = 4 * np.sqrt(p * (1 - p) / SAMPLES)
        assert sampled.tail(value, [0, 1, 2, 3]) == pytest.approx(p, abs=noise)
    assert sampled.critical(0.05) == pytest.approx(exact.critical(0.05), rel=0.01)


def test_neither_order_nor_direction_of_the_tasters_moves_a_sample():
    scores = signed_ranks(np.random.default_rng(6).normal(size=(25, 3)))
    turned = (scores * np.random.default_rng(7).choice([-1, 1], size=(25, 1)))[::-1]
    np.testing.assert_array_equal(sampled_flips(scores, rng()), sampled_flips(turned, rng()))


def test_a_sample_never_gives_less_than_one_in_its_size():
    null = null_distribution(untied(200), rng())
    assert null.tail(1e9, [0]) == 1 / (SAMPLES + 1)
    assert np.isinf(null.critical(0.5 / (SAMPLES + 1)))


def test_the_normal_limit_agrees_with_sampled_flips_of_two_thousand_tasters():
    source = np.random.default_rng(5)
    taste = source.normal(size=(2000, 1)) + source.normal(size=(2000, 4))
    scores = signed_ranks(np.round(taste))
    limit = null_distribution(scores, rng())
    assert isinstance(limit, JointNormal)
    sampled = SignFlips("sampled", sampled_flips(scores, rng()))
    for value in (1.0, 2.0, 2.5, 3.0):
        p = limit.tail(value, [0, 1, 2, 3])
        noise = 4 * np.sqrt(p * (1 - p) / SAMPLES) + 2e-3 * p
        assert sampled.tail(value, [0, 1, 2, 3]) == pytest.approx(p, abs=noise)
    assert sampled.critical(0.05) == pytest.approx(limit.critical(0.05), abs=0.02)


def test_a_variant_that_few_tasted_is_held_against_its_own_flips_among_many():
    scores = np.zeros((3000, 2))
    scores[:, 0] = signed_ranks(np.random.default_rng(3).normal(size=(3000, 1)))[:, 0]
    scores[:6, 1] = untied(6)[:, 0]
    null = null_distribution(scores, rng())
    assert null.method == "sampled"
    p = null.tail(statistics(scores)[1], [1])  # a normal deviate of 2.2 would have 0.028
    assert p == pytest.approx(2 / 2**6, abs=0.002)


def test_nobody_who_differs_leaves_a_null_of_zeros():
    null = null_distribution(np.zeros((5, 3)), rng())
    assert null.tail(0.0, [0, 1, 2]) == 1.0


def test_adjusted_p_values_never_fall_along_the_way():
    scores = signed_ranks(np.random.default_rng(4).normal(1, 1, size=(11, 6)))
    observed = statistics(scores)
    adjusted = single_step(null_distribution(scores, rng()), observed)
    assert (np.diff(adjusted[np.argsort(-observed)]) >= 0).all()
