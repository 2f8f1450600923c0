"""Page's test, exact with ties and gaps, against books and an exact table."""

from __future__ import annotations

import csv
import itertools
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from blindspoon.stats.results import NoResult
from blindspoon.stats.signed_ranks import page_trend

DATA = Path(__file__).parents[1] / "data"
EXAMPLES = json.loads((DATA / "page_examples.json").read_text(encoding="utf-8"))


def scores(name):
    return np.array(EXAMPLES[name]["data"], float)


@pytest.mark.parametrize(
    ("name", "ties"),
    [
        ("Siegel_Castellan_Craig", False),  # S. Siegel and N. J. Castellan 1988, page 186
        ("HW_cotton", False),  # M. Hollander and D. A. Wolfe, example 7.2
        ("Sachs_reviewers", False),  # L. Sachs 1997, Angewandte Statistik
        ("statext_tutors", True),  # the example of scipy's own documentation
    ],
)
def test_l_and_p_are_those_of_the_books_and_scipy_ignores_ties(name, ties):
    found, by_scipy = page_trend(scores(name)), stats.page_trend_test(scores(name), method="exact")
    assert found.statistic == EXAMPLES[name]["L"] == by_scipy.statistic
    assert found.p_rising == pytest.approx(EXAMPLES[name]["p_exact_with_ties"], rel=1e-9)
    ratio = by_scipy.pvalue / found.p_rising
    assert ratio == pytest.approx(4.73 if ties else 1, abs=0.005)


def enumerated(values, reached):
    """How often L is reached over all orders of everybody's own ranks."""
    rows = []
    for row in values:
        there = np.flatnonzero(np.isfinite(row))
        ranks = stats.rankdata(row[there])
        rows.append([order @ (there + 1) for order in map(np.array, itertools.permutations(ranks))])
    totals = [sum(own) for own in itertools.product(*rows)]
    return np.mean([reached(total) for total in totals])


def test_ties_and_gaps_are_counted_as_all_orders_would_be():
    values = scores("missing_cells_own")
    found = page_trend(values)
    assert found.statistic == 59.5
    assert found.p_rising == pytest.approx(enumerated(values, lambda total: total >= 59.5))
    assert found.p_falling == pytest.approx(enumerated(values, lambda total: total <= 59.5))
    assert found.p_value == 2 * found.p_rising


@cache
def orders_by_l(k):
    orders = np.array(list(itertools.permutations(range(1, k + 1))))
    return dict(zip((orders @ range(1, k + 1)).tolist(), orders, strict=True))


def rows_with(total, n, k):
    """Rankings of n tasters whose L is a given total."""
    ways = orders_by_l(k)
    rows = []
    for left in range(n, 0, -1):
        value = max(own for own in ways if own * left <= total)
        rows.append(ways[value])
        total -= value
    assert total == 0
    return np.array(rows, float)


@pytest.mark.parametrize("k", range(3, 8))
def test_critical_values_are_those_of_the_exact_table(k):
    with (DATA / "page_L_exact_critical.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if int(row["k"]) == k]
    for row in rows:
        n = int(row["n"])
        for alpha in (0.05, 0.01, 0.001):
            if critical := row[f"L_{alpha:g}"]:
                assert page_trend(rows_with(int(critical), n, k)).p_rising <= alpha
                assert page_trend(rows_with(int(critical) - 1, n, k)).p_rising > alpha


def test_a_printed_critical_value_is_kept():
    """L. Cohen and M. Holliday 1983, after unistat.com: six times four, 172 at 0.001."""
    assert (
        page_trend(rows_with(172, 6, 4)).p_rising
        <= 0.001
        < page_trend(rows_with(171, 6, 4)).p_rising
    )


def test_orders_of_so_many_are_not_counted():
    values = np.round(np.random.default_rng(3).normal(np.arange(9) * 0.1, 1, (61, 9)))
    assert page_trend(values[:60, :8]).p_rising < 0.05
    for many in (values[:, :8], values[:60]):
        assert "8 ages and 60 tasters" in page_trend(many).reason


def test_all_alike_and_too_little_say_nothing():
    assert page_trend(np.ones((4, 4))).p_rising == 1
    assert isinstance(page_trend(np.ones((4, 2))), NoResult)
    assert isinstance(page_trend(np.array([[1.0, np.nan, np.nan], [np.nan, 1, 2]])), NoResult)
