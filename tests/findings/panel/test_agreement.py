"""Agreement against published tables, scipy and what must hold whatever was scored."""

from __future__ import annotations

import json
from dataclasses import astuple
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import concordance, correlations, gather

DATA = Path(__file__).parents[2] / "data"
EXAMPLES = json.loads((DATA / "worked_examples.json").read_text(encoding="utf-8"))
SCORES = arrays(np.float64, (5, 4), elements=st.integers(0, 10).map(float))


def cells_of(means):
    taster, variant = np.nonzero(np.isfinite(means))
    return gather(means[taster, variant], taster, variant, *means.shape)


def test_kendalls_w_with_ties():
    # Twenty subjects, three raters; W = .540, chi-squared(19) = 30.8, p = .043.
    example = EXAMPLES["KendallW_anxiety_ties"]
    found = concordance(np.array(example["raters"], np.float64))
    assert found.w == pytest.approx(example["W_ties"], abs=1e-12)
    assert (found.df, found.p_value) == (19, pytest.approx(example["p"], abs=1e-12))


def test_kendalls_w_of_hollander_and_wolfe():
    # M. Hollander and D. A. Wolfe 1973, rounding first base: Friedman's statistic is 11.142857.
    data = np.array(EXAMPLES["HW_rounding_first_base"]["data"])
    found = concordance(data)
    assert found.w == pytest.approx(0.253246753246753, abs=1e-12)
    assert found.statistic == pytest.approx(11.142857142857132, abs=1e-9)


@given(SCORES)
def test_w_is_friedmans_statistic_over_its_largest_value(means):
    found = concordance(means)
    if isinstance(found, NoResult):
        assert (np.ptp(means, axis=1) == 0).all()
        return
    reference = stats.friedmanchisquare(*means.T)
    assert found.w == pytest.approx(reference.statistic / (5 * 3), abs=1e-9)
    assert found.p_value == pytest.approx(reference.pvalue, abs=1e-9)
    assert 0 <= found.w <= 1


def ranked(tasters, variants, statistic):
    """Rankings, drawn until they have this statistic of Friedman's."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        drawn = rng.permuted(np.tile(np.arange(variants), (500, tasters, 1)), axis=2)
        spread = ((drawn.sum(axis=1) - tasters * (variants - 1) / 2) ** 2).sum(axis=1)
        close = np.abs(12 * spread / (tasters * variants * (variants + 1)) - statistic) < 6e-5
        if close.any():
            return drawn[close][0].astype(float)
    raise AssertionError("no such rankings")


def test_chi_squared_is_close_to_the_exact_tail():
    # Exact tails of Friedman's statistic at its 5 % critical values; see the file's head.
    rows = np.genfromtxt(
        DATA / "friedman_exact_critical.csv",
        delimiter=",",
        names=True,
        dtype=None,
        encoding="utf-8",
    )
    chosen = [row for row in rows if row["alpha"] == 0.05 and row["n_blocks"] >= 5]
    assert len(chosen) > 20
    for row in chosen:
        found = concordance(ranked(row["n_blocks"], row["k"], row["crit_chi2r"]))
        assert found.statistic == pytest.approx(row["crit_chi2r"], abs=6e-5)
        assert abs(found.p_value - row["exact_tail_prob"]) < 0.02


@given(SCORES, st.permutations(range(5)), st.permutations(range(4)))
def test_labels_do_not_matter(means, tasters, variants):
    moved = means[list(tasters)][:, list(variants)]
    before, after = concordance(means), concordance(moved)
    assert isinstance(before, NoResult) == isinstance(after, NoResult)
    if not isinstance(before, NoResult):
        assert astuple(before) == pytest.approx(astuple(after))


@given(SCORES, arrays(np.float64, (5, 1), elements=st.integers(-20, 20).map(float)))
def test_a_tasters_own_level_changes_no_order_and_no_correlation(means, levels):
    before, after = concordance(means), concordance(means + levels)
    assert before == after
    assert as_numbers(correlations(cells_of(means))) == pytest.approx(
        as_numbers(correlations(cells_of(means + levels)))
    )


def as_numbers(found):
    return [9.0 if isinstance(each, NoResult) else each for each in found]


def test_a_taster_is_correlated_with_the_mean_of_the_others():
    means = np.random.default_rng(4).normal(5, 2, (7, 5))
    found = correlations(cells_of(means))
    for taster, value in enumerate(found):
        others = np.delete(means, taster, axis=0).mean(axis=0)
        assert value == pytest.approx(np.corrcoef(means[taster], others)[0, 1])


def test_gaps_of_the_others_do_not_count_for_differences():
    # Tasters see the same distances at levels far apart; each of them misses one variant.
    truth, levels = np.array([1.0, 2.0, 4.0, 3.0]), np.array([0.0, 50.0, 100.0, 7.0, 20.0])
    means = truth + levels[:, None]
    means[[0, 1, 2, 3], [3, 2, 1, 0]] = np.nan
    assert correlations(cells_of(means)) == pytest.approx([1.0] * 5)


@pytest.mark.parametrize(
    ("means", "words"),
    [
        ([[5, 5, 5], [4, 6, 7]], "gave every variant the same"),
        ([[4, 6, 7], [5, 5, 5]], "put all variants level"),
        ([[4, 6], [5, 7]], "from three variants on"),
        ([[4, 6, 7]], "No other taster"),
    ],
)
def test_why_a_taster_has_no_correlation(means, words):
    assert words in correlations(cells_of(np.array(means, np.float64)))[0].reason


def test_why_a_panel_has_no_agreement(of_means):
    alone = of_means([[4, 6, 7]])
    assert "Fewer than two tasters" in alone.concordance.reason
    assert "apart" in of_means([[5, 5, 5], [4, 4, 4]]).concordance.reason
    assert "two variants" in of_means([[5], [6]]).concordance.reason


def test_tasters_with_gaps_are_left_out_of_w(of_means):
    means = [[1, 2, 3], [2, 3, 9], [np.nan, 1, 2]]
    found = of_means(means).concordance
    assert (found.w, found.tasters, found.variants) == (pytest.approx(1), 2, 3)
