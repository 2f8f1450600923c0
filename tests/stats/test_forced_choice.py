"""Exact tails, limits, d' and the sequential rule, against published tables and other libraries."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.differentiate import derivative
from statsmodels.stats.proportion import proportion_confint

from blindspoon.stats import forced_choice as fc

DATA = Path(__file__).parents[1] / "data"


def table(name):
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def against(name, levels, guess):
    """Entries of a printed table: n, level, printed, ours."""
    for row in table(name):
        for column, alpha in levels.items():
            ours = int(fc.needed(int(row["n"]), guess, alpha))
            ours = "-" if ours > int(row["n"]) else str(ours)
            yield int(row["n"]), alpha, row[column], ours


def test_triangles_need_what_the_table_of_the_fao_says():
    levels = {"a10": 0.1, "a5": 0.05, "a1": 0.01, "a0.1": 0.001}
    entries = list(against("fao_triangle_table.csv", levels, 1 / 3))
    assert len(entries) == 176
    assert [entry for entry in entries if entry[2] != entry[3]] == []


LEVELS = {"a.20": 0.2, "a.10": 0.1, "a.05": 0.05, "a.01": 0.01, "a.001": 0.001}


def test_duo_trios_need_what_iso_10399_says_but_for_three_misprints():
    entries = list(against("iso10399_table_a1.csv", LEVELS, 1 / 2))
    assert len(entries) == 200
    unlike = [entry for entry in entries if entry[2] != entry[3]]
    # The row of 22 prints the numbers of 21 at three levels; ISO 5495 prints 14, 15 and 16.
    assert unlike == [(22, 0.2, "13", "14"), (22, 0.1, "14", "15"), (22, 0.05, "15", "16")]


def test_pairs_need_what_iso_5495_says():
    entries = list(against("iso5495_table_a1.csv", LEVELS, 1 / 2))
    assert len(entries) == 120
    assert [entry for entry in entries if entry[2] != entry[3]] == []


def test_most_right_for_alike_is_that_of_iso_4120_from_memory():
    rows = table("iso4120_table_a2_from_memory.csv")
    ours = [
        fc.most_alike(int(row["n"]), 1 / 3, float(row["pd"]), float(row["beta"])) for row in rows
    ]
    assert ours == [int(row["from_memory"]) for row in rows]


@pytest.mark.parametrize(
    ("right", "tests", "chance", "p"),
    [
        (8, 12, 1 / 3, 0.018758),  # FAO V7180, annex B, after ISO 4120:1983
        (25, 50, 1 / 3, 0.010827),  # Byer and Abrams 1953, in Hollander and Wolfe, example 2.2
        (29, 108, 1 / 3, 0.939306),  # stats.stackexchange.com/questions/86605: fewer than guessing
        (13, 24, 1 / 3, 0.028441),  # a web page (topekabrewers.com, 2019) prints .038: wrong
    ],
)
def test_worked_examples(right, tests, chance, p):
    assert float(fc.upper_tail(right, tests, chance)) == pytest.approx(p, abs=1e-6)
    assert fc.upper_tail(right, tests, chance) == pytest.approx(
        stats.binomtest(right, tests, chance, alternative="greater").pvalue, rel=1e-12
    )


def test_fewer_right_than_guessing_brings_is_nobody():
    low, high = fc.limits(29, 108, 0.05)
    assert fc.share_who_can_tell(29 / 108, 1 / 3) == fc.share_who_can_tell(low, 1 / 3) == 0
    assert 0 < fc.share_who_can_tell(high, 1 / 3) < 0.03


@pytest.mark.parametrize(("right", "tests"), [(0, 7), (7, 7), (13, 24), (1, 3), (29, 108)])
def test_limits_are_those_of_statsmodels_and_scipy(right, tests):
    ours = fc.limits(right, tests, 0.05)
    theirs = proportion_confint(right, tests, alpha=0.1, method="beta")
    exact = stats.binomtest(right, tests).proportion_ci(0.9, method="exact")
    assert ours == pytest.approx(theirs, abs=1e-12)
    assert ours == pytest.approx((exact.low, exact.high), abs=1e-12)


def test_needed_and_most_alike_turn_where_the_exact_tail_does():
    tests = np.array([3, 7, 8, 24, 100, 1000])
    for guess in (1 / 10, 1 / 3, 1 / 2):
        k = fc.needed(tests, guess, 0.05)
        assert (stats.binom.sf(k - 1, tests, guess) <= 0.05).all()
        assert (stats.binom.sf(k - 2, tests, guess) > 0.05).all()
        most, p = fc.most_alike(tests, guess, 0.3, 0.05), guess + 0.3 * (1 - guess)
        assert (stats.binom.cdf(most, tests, p) <= 0.05).all()
        assert (stats.binom.cdf(most + 1, tests, p) > 0.05).all()


def test_distances_are_those_of_the_published_functions():
    columns = {
        "triangle": "triangle",
        "duo_trio": "duo-trio",
        "2AFC": "paired",
        "3AFC": "three-afc",
        "tetrad": "tetrad",
    }
    for row in table("dprime_to_pc.csv"):
        d = float(row["dprime"])
        for column, method in columns.items():
            assert float(fc.chance_right(method, d)) == pytest.approx(float(row[column]), abs=1e-6)
            if 0.3 < d < 5:
                assert fc.distance(method, float(row[column])) == pytest.approx(d, abs=1e-3)


@pytest.mark.parametrize(
    ("method", "p"),  # d' = 1 in the tables of Ennis 1993 and ASTM E2262, from memory
    [("triangle", 0.42), ("duo-trio", 0.58), ("paired", 0.76), ("three-afc", 0.63)],
)
def test_recalled_entries_of_printed_tables(method, p):
    assert round(float(fc.chance_right(method, 1.0)), 2) == p


def test_the_error_of_a_distance_is_that_of_its_slope():
    # 2-AFC: var(d') = 2 p (1 - p) / (n phi(z)^2), Bi, Ennis and O'Mahony 1997
    z = stats.norm.ppf(0.8)
    expected = math.sqrt(2 * 0.8 * 0.2 / 40) / stats.norm.pdf(z)
    d = float(fc.distance("paired", 0.8))
    assert fc.distance_error("paired", d, 0.8, 40) == pytest.approx(expected, rel=1e-6)


def test_a_or_not_a_is_fisher_and_two_normal_deviates():
    # 60 of 100 and 35 of 100: a textbook example from memory
    answers = fc.Answers(60, 100, 35, 100)
    p = fc.fisher(answers)
    theirs = stats.fisher_exact([[60, 40], [35, 65]], alternative="greater").pvalue
    assert p == pytest.approx(theirs, rel=1e-9) == pytest.approx(0.00032039602, abs=1e-10)
    assert fc.yes_no_distance(answers) == pytest.approx((0.63867, 0.18072), abs=1e-5)


def test_fishers_tail_is_that_of_the_hypergeometric_distribution():
    for answers in (fc.Answers(9, 12, 4, 10), fc.Answers(0, 5, 0, 5), fc.Answers(5, 5, 5, 5)):
        said, every = answers.same + answers.other, answers.of_same + answers.of_other
        tail = stats.hypergeom.sf(answers.same - 1, every, answers.of_same, said)
        assert fc.fisher(answers) == pytest.approx(tail, rel=1e-9)


def test_same_or_different_is_the_differencing_model():
    for row in table("same_different_dprime.csv")[::7]:
        same, other = (float(row[f"p_says_same_when_{kind}"]) for kind in ("same", "different"))
        answers = fc.Answers(round(1000 * same), 1000, round(1000 * other), 1000)
        found, error = fc.same_different_distance(answers)
        assert found == pytest.approx(float(row["d_prime"]), abs=5e-5)
        assert error == pytest.approx(delta_method(found, same, other, 1000), rel=1e-8)


def delta_method(d, same, other, n):
    """Error of d' where half the square of a difference is noncentral chi-square, by scipy."""

    def limit(share):
        return stats.chi2.ppf(share, 1)

    by_d = derivative(lambda at: stats.ncx2.cdf(limit(same), 1, at**2 / 2), d).df
    by_same = derivative(lambda at: stats.ncx2.cdf(limit(at), 1, d**2 / 2), same, initial_step=1e-3)
    parts = (by_same.df**2 * same * (1 - same), other * (1 - other))
    return math.sqrt(sum(parts) / n) / abs(by_d)


SEQUENCES = {  # ISO 16820, table A.1, meat patties stored 1, 3 and 5 days; P is right, N wrong
    "NNNPNPNPNPN": (11, "alike"),
    "NPNPNPNPPPPNPPPPNNPPNNNPNPPPPP": (30, "open"),
    "PPPPNPPPNPPP": (12, "different"),
}


@pytest.mark.parametrize(("letters", "stop"), SEQUENCES.items())
def test_the_sequential_example_of_iso_16820(letters, stop):
    line = fc.boundary(1 / 2, 0.4, 0.1, 0.1)
    assert line.stops(np.array([letter == "P" for letter in letters])) == stop


def test_a_line_is_met_where_the_likelihood_ratio_is_walds():
    # A. Wald 1947, Sequential Analysis: (1 - beta) / alpha above, beta / (1 - alpha) below
    guess, able = 1 / 3, 1 / 3 + 0.3 * 2 / 3
    line = fc.boundary(guess, 0.3, 0.05, 0.2)
    for height, ratio in ((line.different, 0.8 / 0.05), (line.alike, 0.2 / 0.95)):
        right = line.slope * 20 + height  # of 20 sets
        log = right * np.log(able / guess) + (20 - right) * np.log((1 - able) / (1 - guess))
        assert log == pytest.approx(np.log(ratio))


def test_the_sequential_rule_keeps_its_promises():
    rng = np.random.default_rng(16820)
    line = fc.boundary(1 / 3, 0.3, 0.05, 0.05)
    luck = [line.stops(rng.random(400) < 1 / 3)[1] for _ in range(1000)]
    able = [line.stops(rng.random(400) < 1 / 3 + 0.3 * 2 / 3)[1] for _ in range(1000)]
    assert luck.count("different") / 1000 < 0.05 + 2 * 0.007
    assert able.count("alike") / 1000 < 0.05 + 2 * 0.007
