"""Repeated-measures correlation against published data and a reference library."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from blindspoon.stats.correlation import rm_correlation
from blindspoon.stats.results import NoResult

DATA = Path(__file__).parents[1] / "data" / "bland_altman_1995_pH_PaCO2.csv"


@pytest.fixture
def stomach():
    """Intramural pH and PaCO2 of eight patients; J. M. Bland and D. G. Altman 1995, BMJ 310:446."""
    rows = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()))
    names = {name.lower(): name for name in rows[0]}
    columns = [np.array([float(row[names[name]]) for row in rows]) for name in ("paco2", "ph")]
    return (*columns, np.array([int(row[names["subject"]]) for row in rows]))


# Values: J. Z. Bakdash and L. R. Marusich 2017, Front. Psychol. 8:456, on the same data.
def test_bland_and_altman(stomach):
    found = rm_correlation(*stomach)
    assert (found.df, found.tasters, found.pairs) == (38, 8, 47)
    assert found.r == pytest.approx(-0.5067697, abs=5e-8)
    assert found.p_value == pytest.approx(0.0008471081, abs=5e-11)
    assert found.interval == pytest.approx((-0.7067146, -0.2318631), abs=5e-7)
    assert found.slope == pytest.approx(-0.108323, abs=5e-7)


def test_it_is_the_analysis_of_covariance(stomach):
    linear = pytest.importorskip("statsmodels.formula.api")
    pandas = pytest.importorskip("pandas")
    x, y, who = stomach
    fit = linear.ols("y ~ C(who) + x", pandas.DataFrame({"x": x, "y": y, "who": who})).fit()
    found = rm_correlation(x, y, who)
    assert found.slope == pytest.approx(fit.params["x"], rel=1e-9)
    assert found.p_value == pytest.approx(fit.pvalues["x"], rel=1e-9)
    assert found.df == fit.df_resid


def test_levels_of_tasters_do_not_matter(stomach):
    x, y, who = stomach
    moved = rm_correlation(x + 3.0 * who, 10 * y - who, who)
    assert moved.r == pytest.approx(rm_correlation(x, y, who).r, abs=1e-12)
    swapped = rm_correlation(y, x, who)
    assert swapped.r == pytest.approx(moved.r, abs=1e-12)
    assert rm_correlation(-x, y, who).r == pytest.approx(-moved.r, abs=1e-12)


def test_missing_pairs_and_lone_pairs_are_left_out(stomach):
    x, y, who = stomach
    more = rm_correlation(
        np.append(x, [np.nan, 4.0]), np.append(y, [7.0, 7.0]), np.append(who, [1, 99])
    )
    assert more == rm_correlation(x, y, who)


@pytest.mark.parametrize(
    ("x", "y", "who", "reason"),
    [
        ([], [], [], "Too few"),
        ([1.0, 2.0], [1.0, 2.0], [0, 0], "Too few"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [0, 1, 2], "Too few"),
        ([5.1, 5.1, 5.1, 5.1], [1.0, 2.0, 3.0, 2.0], [0, 0, 0, 0], "the same throughout"),
    ],
)
def test_no_correlation_says_why(x, y, who, reason):
    found = rm_correlation(np.array(x), np.array(y), np.array(who, dtype=np.int64))
    assert isinstance(found, NoResult)
    assert reason in found.reason


def test_a_straight_line_is_one():
    x = np.arange(6.0)
    found = rm_correlation(x, 2 * x, np.array([0, 0, 0, 1, 1, 1]))
    assert found.r == pytest.approx(1.0)
    assert 0 <= found.p_value < 1e-12
    assert found.interval[1] <= 1.0


def test_its_size_is_five_in_a_hundred():
    rng = np.random.default_rng(19950213)
    who = np.repeat(np.arange(8), 5)
    pairs = rng.normal(size=(2, 2000, 40)) + rng.normal(size=(2, 2000, 8))[:, :, who]
    small = sum(rm_correlation(x, y, who).p_value <= 0.05 for x, y in zip(*pairs, strict=True))
    assert 0.037 <= small / 2000 <= 0.065
