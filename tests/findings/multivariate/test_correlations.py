"""Correlations between attributes, against published data and analyses of covariance."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from blindspoon.findings.further import (
    Correlation,
    OverallComparison,
    correlate_attributes,
    within_variants,
)
from blindspoon.stats.results import NoResult, as_record
from blindspoon.stats.two_way import fisher_interval, fit_additive

DATA = Path(__file__).parents[2] / "data" / "bland_altman_1995_pH_PaCO2.csv"


def patients():
    """Readings of pH and PaCO2, a row a patient; J. M. Bland and D. G. Altman 1995, BMJ 310:446."""
    rows = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()))
    wide = np.full((2, 8, 10), np.nan)
    seen = [0] * 8
    for row in rows:
        who = int(row["Subject"]) - 1
        wide[:, who, seen[who]] = float(row["pH"]), float(row["PaCO2"])
        seen[who] += 1
    return wide


def test_bland_and_altman():
    """Their analysis has patients alone: the n-th readings have no effect of their own.

    Values: J. Z. Bakdash and L. R. Marusich 2017, Front. Psychol. 8:456, on the same data.
    """
    alone = []
    for readings in patients():
        fit, own = fit_additive(readings), np.nanmean(readings, axis=1, keepdims=True)
        left = (readings - own)[np.isfinite(readings)]
        alone.append(replace(fit, residuals=left, rss=left @ left, rank=0, df=fit.df + fit.rank))
    found = within_variants(*alone)
    assert (found.df, found.pairs) == (38, 47)
    assert found.r == pytest.approx(-0.5067697, abs=5e-8)
    assert found.interval == pytest.approx((-0.7067146, -0.2318631), abs=5e-7)


def test_it_is_the_analysis_of_covariance(draw):
    scores = draw(8, 9, np.eye(4)[:, :2], correlation=0.5, lost=0.15)
    (pair,) = correlate_attributes(["a", "b"], [scores[:, :, 0], scores[:, :, 1]])
    frame = pd.DataFrame(scores.reshape(-1, 2), columns=["x", "y"])
    frame["taster"], frame["variant"] = (each.ravel() for each in np.indices(scores.shape[:2]))
    fit = smf.ols("y ~ C(taster) + C(variant) + x", frame.dropna()).fit()
    t = fit.tvalues["x"]
    assert pair.within.r == pytest.approx(t / np.sqrt(t**2 + fit.df_resid), rel=1e-9)
    assert pair.within.df == fit.df_resid
    assert pair.within.pairs == len(frame.dropna())


def test_what_the_variants_differ_in_has_no_part_in_it(draw):
    profile = np.outer([-2, -1, 0, 1, 2], [1, -1])
    scores = draw(10, 60, profile, correlation=0.6)
    (pair,) = correlate_attributes(["a", "b"], [scores[:, :, 0], scores[:, :, 1]])
    assert pair.within.r == pytest.approx(0.6, abs=0.12)
    assert pair.within.excludes_zero()


def test_fishers_interval_is_scipys():
    x, y = np.random.default_rng(2).normal(size=(2, 30))
    found = stats.pearsonr(x, y)
    expected = tuple(found.confidence_interval(0.95))
    assert fisher_interval(float(found.statistic), 28) == pytest.approx(expected, abs=1e-9)
    assert fisher_interval(0.5, 1) is None
    expected = tuple(found.confidence_interval(1 - 0.05 / 6))
    assert fisher_interval(float(found.statistic), 28, 6) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("scores", "reason"),
    [
        (np.ones((1, 4, 2)), "Too few tasters"),
        (np.ones((5, 4, 2)), "account for every score"),
        (np.full((3, 3, 2), np.nan), "Too few tasters"),
    ],
)
def test_no_correlation_says_why(scores, reason):
    (pair,) = correlate_attributes(["a", "b"], [scores[:, :, 0], scores[:, :, 1]])
    assert isinstance(pair.within, NoResult)
    assert reason in pair.within.reason


def test_one_attribute_goes_with_nothing():
    found = correlate_attributes(["a"], [np.ones((3, 3))])
    assert isinstance(found, NoResult)
    assert "one attribute" in found.reason


@given(seed=st.integers(0, 10**6))
def test_labels_and_levels_do_not_matter(seed):
    rng = np.random.default_rng(seed)
    means = [rng.normal(size=(6, 4)), rng.normal(size=(6, 4))]
    means[0][rng.random((6, 4)) < 0.1] = np.nan
    rows, columns = rng.permutation(6), rng.permutation(4)
    (pair,) = correlate_attributes(["a", "b"], means)
    level = rng.normal(size=(6, 1))
    moved = [(2 * each + level)[rows][:, columns] for each in means]
    (again,) = correlate_attributes(["a", "b"], moved)
    assert again.within.r == pytest.approx(pair.within.r, abs=1e-9)


def test_no_pair_of_four_unrelated_attributes_stands_out_oftener_than_alpha(draw):
    # by itself each pair may; of 6 some would in a quarter of the trials
    shown, trials = 0, 150
    for seed in range(trials):
        parts = [draw(2 * seed + at, 8, np.zeros((4, 2))) for at in range(2)]
        means = [part[:, :, side] for part in parts for side in (0, 1)]
        pairs = correlate_attributes("abcd", means)
        shown += any(pair.within.excludes_zero() for pair in pairs)
    assert shown / trials <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / trials)


@pytest.mark.slow
@pytest.mark.parametrize("correlation", [0.0, 0.7])
def test_its_intervals_cover(draw, correlation):
    missed = 0
    for seed in range(2000):
        scores = draw(seed, 8, np.zeros((4, 2)), correlation=correlation)
        (pair,) = correlate_attributes(["a", "b"], [scores[:, :, 0], scores[:, :, 1]])
        missed += not pair.within.interval[0] <= correlation <= pair.within.interval[1]
    assert 0.035 <= missed / 2000 <= 0.065


def test_beside_what_could_not_be_computed_the_record_has_the_reason():
    alone = as_record(Correlation(r=-0.2, interval=None, pairs=6, df=1))
    assert alone["interval"] is None
    assert alone["interval_reason"] == "too few degrees of freedom for an interval"
    half = as_record(OverallComparison("texture", "leaf", None, None, 0.03, "open"))
    assert half["mixed_p_reason"] == "this procedure gave no result here"
    assert "ranks_p_reason" not in half
