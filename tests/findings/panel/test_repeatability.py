"""Repeatability and discrimination: the fish of ISO 8586, published wines, reference libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.anova import anova_lm

from blindspoon.findings.panel import discrimination, own_repeatability
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import gather

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def fish():
    """Six batches of iced fish, four assessors, three scores each: ISO 8586-1:1993 annex B."""
    return pd.read_csv(DATA / "iso8586_fish.csv")


@pytest.fixture(scope="module")
def panel(fish, study):
    return study(
        fish.assessor.to_numpy() - 1,
        fish["sample"].to_numpy() - 1,
        fish.score.to_numpy(),
        session=fish.rep.to_numpy() - 1,
    )


def test_fish_assessors_by_the_standard(panel):
    # ISO 8586 prints F 13.36, 2.66 and 2.40 for assessors 1 to 3, and means 5.89 4.83 4.67 6.00.
    found = [each.discrimination.f for each in panel.tasters]
    assert found[:3] == pytest.approx([13.36, 2.66, 2.40], abs=0.005)
    means = [each.scale_use.mean for each in panel.tasters]
    assert means == pytest.approx([5.89, 4.83, 4.67, 6.00], abs=0.005)


def test_fish_assessors_repeat_themselves(panel):
    # Roots of the residual mean squares of the same table: 0.556, 2.944, 1.167, 0.444.
    found = [each.repeatability_sd**2 for each in panel.tasters]
    assert found == pytest.approx([0.556, 2.944, 1.167, 0.444], abs=0.0005)


def test_fish_panel(panel):
    # The pooled analysis of the same data: residual 61.333 on 48, interaction F .837 on 15.
    assert panel.repeatability.sd**2 == pytest.approx(61.3333 / 48, abs=1e-4)
    assert panel.repeatability.df == 48
    assert panel.interaction.f == pytest.approx(0.837, abs=0.0005)
    assert (panel.interaction.df_num, panel.interaction.df_den) == (15, 48)


def test_an_assessor_is_a_one_way_analysis(fish, panel):
    for number, review in enumerate(panel.tasters, 1):
        own = fish[fish.assessor == number]
        groups = [each.score for _, each in own.groupby("sample")]
        reference = stats.f_oneway(*groups)
        assert review.discrimination.f == pytest.approx(reference.statistic)
        assert review.discrimination.p_value == pytest.approx(reference.pvalue)


def test_interaction_with_gaps_is_that_of_statsmodels(fish, study):
    kept = fish.drop(fish.index[[0, 7, 8, 30, 31, 55]])
    found = study(
        kept.assessor.to_numpy() - 1, kept["sample"].to_numpy() - 1, kept.score.to_numpy()
    )
    small, whole = (
        smf.ols(f"score ~ {terms}", kept).fit()
        for terms in ("C(assessor) + C(sample)", "C(assessor) * C(sample)")
    )
    reference = anova_lm(small, whole).iloc[1]
    assert found.interaction.f == pytest.approx(reference["F"])
    assert found.interaction.p_value == pytest.approx(reference["Pr(>F)"])


def test_wine_bottles_count_as_different_batches(study):
    # J. H. Randall 1989, Biom. J. 31:781: nine judges, four wines, two bottles of each.
    wine = pd.read_csv(DATA / "randall_1989_wine.csv")
    variant = wine.groupby(["temp", "contact"]).ngroup().to_numpy()
    found = study(
        wine.judge.to_numpy() - 1,
        variant,
        wine.response.to_numpy() / 10,
        batch=variant * 2 + wine.bottle.to_numpy() - 1,
    )
    squares = wine.groupby(["judge", "temp", "contact"]).response.var().to_numpy()
    assert found.repeatability.sd == pytest.approx(np.sqrt(squares.mean()) / 10)
    assert (found.repeatability.df, found.repeatability.tasters) == (36, 9)
    assert found.repeatability.across_batches
    assert not found.repeatability.across_sessions


def test_the_interval_is_that_of_a_variance(panel):
    interval, df = panel.repeatability.interval, panel.repeatability.df
    squares = panel.repeatability.sd**2 * df
    assert interval.low == pytest.approx(np.sqrt(squares / stats.chi2.ppf(0.975, df)))
    assert interval.high == pytest.approx(np.sqrt(squares / stats.chi2.ppf(0.025, df)))


def test_two_control_cups_of_one_session(study):
    # Three tasters, the control twice each; T01 in two sessions.
    found = study(
        [0, 0, 0, 0, 1, 1, 2, 2, 2],
        [0, 0, 0, 0, 0, 0, 0, 0, 1],
        [5, 6, 4, 7, 3, 3, 8, 6, 9],
        session=[0, 0, 1, 1, 0, 0, 0, 0, 0],
        position=[1, 3, 2, 1, 1, 2, 3, 1, 2],
    ).controls
    own = [(1 - 3) / 2, 0, 2]
    reference = stats.ttest_1samp(own, 0).confidence_interval(0.95)
    assert found.difference == pytest.approx(np.mean(own))
    assert (found.interval.low, found.interval.high) == pytest.approx(tuple(reference))
    assert (found.mean_absolute, found.tasters, found.pairs) == (1.5, 3, 4)


def test_why_there_is_no_pair_of_controls(study):
    cups = ([0, 0, 1, 1], [0, 0, 0, 0], [5, 6, 5, 5])
    assert "which of two" in study(*cups).controls.reason
    assert "two cups" in study(*cups, session=[0, 1, 0, 1], position=[1, 1, 1, 1]).controls.reason
    assert "one taster" in study([0, 0], [0, 0], [5, 6], position=[1, 2]).controls.reason


def test_why_nothing_is_known_without_replicates(of_means):
    found = of_means([[1, 2, 4], [2, 5, 4]])
    assert "twice" in found.repeatability.reason
    assert "twice" in found.interaction.reason
    assert all("twice" in each.discrimination.reason for each in found.tasters)
    assert all("twice" in each.repeatability_sd.reason for each in found.tasters)


def test_scores_that_repeat_exactly_give_no_ratio(study):
    found = study([0] * 4, [0, 0, 1, 1], [2, 2, 5, 5])
    assert "exactly" in found.tasters[0].discrimination.reason
    assert found.repeatability.sd == 0


@given(st.lists(st.integers(0, 10), min_size=12, max_size=12), st.integers(-5, 5))
def test_a_level_changes_no_repeatability_and_no_discrimination(scores, level):
    taster, variant = np.repeat([0, 1], 6), np.tile(np.repeat([0, 1, 2], 2), 2)
    score = np.array(scores, np.float64)
    made = [gather(each, taster, variant, 2, 3) for each in (score, score + level * taster)]
    before, after = (own_repeatability(cells, 1) for cells in made)
    assert before == pytest.approx(after, abs=1e-9)
    before, after = (discrimination(cells, 1) for cells in made)
    assert isinstance(before, NoResult) == isinstance(after, NoResult)
    if not isinstance(before, NoResult):
        assert before.f == pytest.approx(after.f, abs=1e-9)


def test_use_of_the_scale(study):
    found = study([0, 0, 0, 1], [0, 1, 2, 0], [0, 10, 5, 10])
    own, other = (each.scale_use for each in found.tasters)
    assert (own.lowest, own.highest, own.mean) == (0, 10, 5)
    assert (own.at_low, own.at_high) == pytest.approx((1 / 3, 1 / 3))
    assert own.sd == pytest.approx(5.0)
    assert "one score" in other.sd.reason
    assert found.scale_use.at_high == 0.5
