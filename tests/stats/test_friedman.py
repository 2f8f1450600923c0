"""The test that all variants are alike, against published examples and exact enumeration."""

from __future__ import annotations

import csv
import itertools
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import friedmanchisquare

from blindspoon.stats.results import Friedman, NoResult
from blindspoon.stats.signed_ranks import friedman, midranks

DATA = Path(__file__).parents[1] / "data"
EXAMPLES = json.loads((DATA / "worked_examples.json").read_text(encoding="utf-8"))


def table(key):
    return np.array(EXAMPLES[key]["data"], dtype=float)


@pytest.mark.parametrize(
    ("key", "statistic", "df", "p_value", "form"),
    [
        # M. Hollander and D. A. Wolfe 1973, Nonparametric Statistical Methods, p. 140: rounding
        # first base, 22 players, ties
        ("HW_rounding_first_base", 11.142857, 2, 0.0038050, "Friedman"),
        # W. J. Conover 1999, Practical Nonparametric Statistics, p. 371: grasses, ties (data
        # recomputed; the printed T1, 8.097, from memory)
        ("Conover_grass", 8.0973451, 3, 0.0440421, "Friedman"),
        # Conover 1999, p. 375: hand lotions, ties
        ("Conover_hand_lotion_Quade", 8.3283582, 4, 0.0802641, "Friedman"),
        # L. Sachs 1997, Angewandte Statistik: nine reviewers; p. 675: six diuretics
        ("Sachs_reviewers", 10.2, 3, 0.0169404, "Friedman"),
        ("Sachs_diuretics", 23.333333, 5, 0.00029146, "Friedman"),
        # Hollander and Wolfe, example 7.6 (Moore and Bliss 1942): chemical toxicity
        ("HW_durbin_chemical_toxicity", 7.714286, 6, 0.2597916, "Durbin"),
        # Conover 1999, p. 391: seven varieties of ice cream, three a person
        ("Conover_ice_cream_durbin", 12.0, 6, 0.0619688, "Durbin"),
        # Hollander and Wolfe, example 7.8 (Brady 1969): rhythmicity, one missing cell
        ("HW_rhythmicity_skillings_mack", 13.280952, 2, 0.0013064, "Skillings-Mack"),
        # J. H. Skillings and G. A. Mack 1981, Technometrics 23:171: assembly times (data and
        # the published 15.493 from memory; the data give it)
        ("SkillingsMack1981_assembly", 15.493049, 3, 0.0014403, "Skillings-Mack"),
    ],
)
def test_published_examples(key, statistic, df, p_value, form):
    found = friedman(table(key))
    assert found.statistic == pytest.approx(statistic, abs=5e-7)
    assert found.df == df
    assert found.p_value == pytest.approx(p_value, rel=2e-5)
    assert found.form == form
    assert found.tasters == len(table(key))


def test_kendalls_coefficient_with_ties():
    # 20 subjects rated for anxiety by 3 raters: W = .540, chi-squared (19) = 30.76 (open data
    # "anxiety"); the statistic is W times raters times (subjects - 1)
    raters = np.array(EXAMPLES["KendallW_anxiety_ties"]["raters"], dtype=float)
    found = friedman(raters)
    assert found.statistic / (3 * 19) == pytest.approx(0.539657, abs=1e-6)
    assert found.statistic == pytest.approx(30.760, abs=1e-3)


def exact_rows(k, n):
    with (DATA / "friedman_exact_critical.csv").open(encoding="utf-8") as rows:
        for row in csv.DictReader(rows):
            if (int(row["k"]), int(row["n_blocks"])) == (k, n) and row["crit_chi2r"]:
                yield float(row["crit_chi2r"]), float(row["exact_tail_prob"])


@pytest.mark.parametrize(("k", "n"), [(3, 3), (3, 4), (3, 5), (4, 2), (4, 3), (5, 2)])
def test_exact_critical_values(k, n):
    # the tabled exact distribution (tests/data/friedman_exact_critical.csv), every ranking of
    # every taster but the first counted; who ranked so does not matter, so it is tried once
    orders = np.array(list(itertools.permutations(range(k))), dtype=float)
    every = itertools.product(range(len(orders)), repeat=n - 1)
    ways = Counter(tuple(sorted(rest)) for rest in every)
    found = {rest: friedman(orders[[0, *rest]]).statistic for rest in ways}
    for critical, tail in exact_rows(k, n):
        reached = sum(ways[rest] for rest in ways if found[rest] >= critical - 1e-9)
        assert reached / ways.total() == pytest.approx(tail, abs=5e-7)


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_scipy_on_complete_ties(seed):
    scores = np.random.default_rng(seed).integers(0, 4, size=(9, 4)).astype(float)
    expected = friedmanchisquare(*scores.T)
    found = friedman(scores)
    assert found.statistic == pytest.approx(expected.statistic, rel=1e-12)
    assert found.p_value == pytest.approx(expected.pvalue, rel=1e-10)


def permuted_form(means):
    """The quadratic form by its definition: every row permuted in every way."""
    k = means.shape[1]
    total, covariance = np.zeros(k), np.zeros((k, k))
    for row in means:
        cells = np.flatnonzero(~np.isnan(row))
        if len(cells) < 2:
            continue
        ranks = np.array([(row[cells] < x).sum() + ((row[cells] == x).sum() + 1) / 2
                          for x in row[cells]])  # fmt: skip
        scores = np.sqrt(12 / (len(cells) + 1)) * (ranks - ranks.mean())
        total[cells] += scores
        ways = np.zeros((len(list(itertools.permutations(cells))), k))
        ways[:, cells] = list(itertools.permutations(scores))
        covariance += ways.T @ ways / len(ways)
    return total @ np.linalg.pinv(covariance, rcond=1e-9) @ total, np.linalg.matrix_rank(covariance)


cell = st.one_of(st.just(float("nan")), st.integers(0, 3).map(float))
tables = st.integers(2, 4).flatmap(
    lambda k: st.lists(st.lists(cell, min_size=k, max_size=k), min_size=1, max_size=7)
).map(np.array)  # fmt: skip


@given(tables)
def test_ties_and_gaps_follow_the_permutation_covariance(means):
    statistic, df = permuted_form(means)
    found = friedman(means)
    if df == 0:
        assert isinstance(found, NoResult)
    else:
        assert found.statistic == pytest.approx(statistic, abs=1e-8)
        assert found.df == df
        assert 0 < found.p_value <= 1


@given(tables, st.randoms(use_true_random=False))
def test_labels_do_not_matter(means, random):
    tasters, variants = list(range(means.shape[0])), list(range(means.shape[1]))
    random.shuffle(tasters)
    random.shuffle(variants)
    first, second = friedman(means), friedman(means[tasters][:, variants])
    assert type(first) is type(second)
    if isinstance(first, Friedman):
        assert first.statistic == pytest.approx(second.statistic, abs=1e-9)
        assert (first.df, first.tasters, first.form) == (second.df, second.tasters, second.form)


def test_tasters_with_one_score_and_untasted_variants_play_no_part():
    full = table("Sachs_reviewers")
    padded = np.full((len(full) + 1, 5), np.nan)
    padded[:-1, [0, 1, 3, 4]] = full
    padded[-1, 0] = 4.0
    assert friedman(padded) == friedman(full)


def test_unconnected_variants_lose_a_degree_of_freedom():
    means = np.array([[1, 2, np.nan, np.nan], [np.nan, np.nan, 1, 2.0]] * 3)
    found = friedman(means)
    assert (found.df, found.form) == (2, "Skillings-Mack")


def test_a_single_taster_can_link_a_variant():
    means = np.full((5001, 3), np.nan)
    means[:-1, :2] = [1, 2]
    means[-1, 1:] = [5, 4]
    found = friedman(means)
    assert (found.df, found.tasters) == (2, 5001)


def test_floating_point_makes_no_difference_of_a_tie():
    assert isinstance(friedman(np.array([[0.1 + 0.2, 0.3], [0.7, 0.1 * 7]])), NoResult)


@pytest.mark.parametrize(
    ("means", "reason"),
    [
        (np.empty((0, 3)), "No taster scored two"),
        (np.full((4, 3), np.nan), "No taster scored two"),
        (np.array([[1, np.nan], [np.nan, 2.0]]), "No taster scored two"),
        (np.array([[3.0], [4.0]]), "No taster scored two"),
        (np.full((4, 3), 6.0), "scored all variants alike"),
        (np.array([[1, 1, np.nan], [np.nan, 5, 5.0]]), "scored all variants alike"),
    ],
)
def test_no_result_says_why(means, reason):
    found = friedman(means)
    assert isinstance(found, NoResult)
    assert reason in found.reason


def test_a_hundred_thousand_who_agree_give_a_positive_p_value():
    found = friedman(np.tile([1.0, 2.0, 3.0], (100_000, 1)))
    assert found.statistic == pytest.approx(200_000)
    assert 0 < found.p_value < 1e-300


def test_midranks_average_ties():
    expected = [[1.5, 3.0, 1.5], [1.0, np.nan, 2.0]]
    np.testing.assert_array_equal(midranks(np.array([[2, 5, 2], [0, np.nan, 9.0]])), expected)
