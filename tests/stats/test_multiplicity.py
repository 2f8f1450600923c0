"""Several variants against one control: Dunnett's distribution."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr
from scipy.stats import dunnett, multivariate_t, norm
from scipy.stats import t as student

from blindspoon.stats.dunnett import Dunnett

DATA = Path(__file__).parents[1] / "data"
TABLE = pd.read_csv(DATA / "dunnett_quadrature.csv")
EXAMPLES = json.loads((DATA / "worked_examples.json").read_text(encoding="utf-8"))


def equal(k, r=0.5):
    return np.where(np.eye(k, dtype=bool), 1.0, r)


def unequal(control, *others):
    """Correlations of the differences of means of so many scores each."""
    b = np.sqrt(np.array(others) / (np.array(others) + control))
    return np.where(np.eye(len(others), dtype=bool), 1.0, np.outer(b, b))


def anything(k, seed):
    """Correlations without the product structure, like those of a trial with gaps."""
    rng = np.random.default_rng(seed)
    shared = rng.normal(size=(k + 1, 3))
    means = np.diag(rng.uniform(0.2, 2, k + 1)) + 0.1 * shared @ shared.T
    contrasts = np.hstack([-np.ones((k, 1)), np.eye(k)])
    covariance = contrasts @ means @ contrasts.T
    errors = np.sqrt(np.diag(covariance))
    return covariance / np.outer(errors, errors)


# --- another computation ---------------------------------------------------------------------


@pytest.mark.parametrize("sides", ["one_sided", "two_sided"])
def test_critical_values_by_another_quadrature(sides):
    # not a printed table: computed by a quadrature of our own over control and scale
    for row in TABLE.itertuples():
        family = Dunnett(equal(row.p_treatments), two_sided=sides == "two_sided")
        wanted = TABLE.loc[row.Index, f"{sides}_0.05"]
        assert family.critical_value(0.05, row.df) == pytest.approx(wanted, abs=5.1e-5)


@pytest.mark.parametrize("sides", ["one_sided", "two_sided"])
def test_chances_by_another_quadrature(sides):
    # the same table: one in a hundred passes a value as near as that
    for row in TABLE.itertuples():
        family = Dunnett(equal(row.p_treatments), two_sided=sides == "two_sided")
        wanted = TABLE.loc[row.Index, f"{sides}_0.01"]
        below, above = (family.p_value(wanted + step, row.df) for step in (-5.1e-5, 5.1e-5))
        assert above <= 0.01 <= below


# --- published values ------------------------------------------------------------------------

# C. W. Dunnett 1955, table 1a: one-sided .05, two to five treatments; df: values
DUNNETT_1955 = {
    10: (2.15, 2.34, 2.47, 2.56),
    20: (2.03, 2.19, 2.30, 2.39),
    30: (1.99, 2.15, 2.25, None),  # 2.33 is printed, 2.3352 is right
    60: (1.95, 2.10, 2.21, 2.28),
    np.inf: (1.92, 2.06, 2.16, 2.23),
}


@pytest.mark.parametrize("df", DUNNETT_1955)
def test_one_sided_table_of_1955(df):
    for k, printed in enumerate(DUNNETT_1955[df], 2):
        if printed:
            found = Dunnett(equal(k), two_sided=False).critical_value(0.05, df)
            assert found == pytest.approx(printed, abs=0.005 + 1e-9)


def test_two_sided_table_of_1964():
    # C. W. Dunnett 1964, Biometrics 20, 482-491, at 20 df; from memory
    found = [Dunnett(equal(k)).critical_value(0.05, 20) for k in (2, 3, 4)]
    assert found == pytest.approx([2.38, 2.54, 2.65], abs=0.005)


def test_blood_counts():
    # Dunnett 1955, as in the tests of scipy.stats.dunnett, whose p come from multcomp
    data = EXAMPLES["Dunnett1955_blood_counts"]
    family = unequal(len(data["control"]), len(data["A"]), len(data["B"]))
    both = [Dunnett(family).p_value(t, data["df"]) for t in data["t"]]
    greater = [Dunnett(family, two_sided=False).p_value(t, data["df"]) for t in data["t"]]
    assert both == pytest.approx(data["p_two_sided"], abs=1e-5)
    assert greater == pytest.approx(data["p_greater"], abs=1e-5)


def test_intervals_of_the_blood_counts():
    data = EXAMPLES["Dunnett1955_blood_counts"]
    sizes = [len(data[name]) for name in ("control", "A", "B")]
    critical = Dunnett(unequal(*sizes)).critical_value(0.05, data["df"])
    for name, t, (low, high) in zip("AB", data["t"], data["ci_two_sided"], strict=True):
        se = np.sqrt(data["pooled_var"] * (1 / sizes[0] + 1 / len(data[name])))
        assert (t - critical) * se == pytest.approx(low, abs=2e-4)
        assert (t + critical) * se == pytest.approx(high, abs=2e-4)


# --- other programs, other ways --------------------------------------------------------------


def test_agrees_with_scipys_dunnett():
    # the three treatments in the tests of scipy.stats.dunnett, which go by simulation
    groups, control = ([55, 64, 64], [55, 49, 52], [50, 44, 41]), [55, 47, 48]
    family = Dunnett(equal(3))
    theirs = dunnett(*groups, control=control, rng=np.random.default_rng(1))
    ours = [family.p_value(t, 8) for t in theirs.statistic]
    assert ours == pytest.approx([0.036407, 0.896539, 0.409295], abs=3e-4)
    assert ours == pytest.approx(theirs.pvalue.tolist(), abs=2e-3)


@pytest.mark.parametrize(("k", "df", "t"), [(2, 3.7, 2.4), (3, 11.2, 1.3), (5, 44.0, 3.1)])
def test_agrees_with_scipys_multivariate_t(k, df, t):
    family = unequal(5, *range(4, 4 + k))
    rng = np.random.default_rng(3)
    inside = multivariate_t.cdf(
        np.full(k, t), shape=family, df=df, lower_limit=np.full(k, -t), random_state=rng
    )
    assert Dunnett(family).p_value(t, df) == pytest.approx(1 - inside, abs=2e-4)


@pytest.mark.parametrize("r", [-0.035, -0.2, -0.4])
def test_contrasts_that_go_against_each_other_agree_with_scipys_multivariate_t(r):
    # as where each taster gets two cups of four: no loadings give three negative correlations
    rng = np.random.default_rng(3)
    inside = multivariate_t.cdf(
        np.full(3, 2.1), shape=equal(3, r), df=4, lower_limit=np.full(3, -2.1), random_state=rng
    )
    assert Dunnett(equal(3, r)).p_value(2.1, 4) == pytest.approx(1 - inside, abs=3e-4)
    critical = Dunnett(equal(3, r)).critical_value(0.05, 4)
    assert Dunnett(equal(3, r)).p_value(critical, 4) == pytest.approx(0.05, rel=0.02)


@pytest.mark.parametrize("df", [0.6, 1.0, 2.5, 17.3, 4e5, np.inf])
def test_one_contrast_is_the_t_test(df):
    assert Dunnett(equal(1)).p_value(-2.2, df) == pytest.approx(2 * student.sf(2.2, df), rel=1e-9)
    assert Dunnett(equal(1)).critical_value(0.05, df) == pytest.approx(student.isf(0.025, df))


def test_uncorrelated_contrasts_multiply_at_infinite_df():
    expected = 1 - (1 - 2 * norm.sf(2.3)) ** 4
    assert Dunnett(equal(4, 0.0)).p_value(2.3, np.inf) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("two_sided", [True, False])
@pytest.mark.parametrize("df", [1.0, 2.3, 12.0, 3000.0, np.inf])
def test_quadrature_is_as_good_as_a_much_finer_one(two_sided, df):
    loadings = np.array([0.2, 0.55, 0.7, 0.85])
    family = np.where(np.eye(4, dtype=bool), 1.0, np.outer(loadings, loadings))
    for t in (0.7, 2.5, 6.0):
        expected = fine_quadrature(loadings, t, df, two_sided=two_sided)
        found = Dunnett(family, two_sided=two_sided).p_value(t, df)
        assert found == pytest.approx(expected, rel=1e-6 if df == 1 else 1e-9)


def fine_quadrature(loadings, t, df, *, two_sided):
    """Sum over 301 values of the scatter and 121 of what the contrasts share."""
    z = np.linspace(-9, 9, 121)
    density = norm.pdf(z) * (z[1] - z[0])
    spread = np.sqrt(1 - loadings[:, None] ** 2)
    x = (
        np.linspace(-40 / min(df, 1e5) - 6 / np.sqrt(df), 8 / np.sqrt(df), 301)
        if df < np.inf
        else [0]
    )
    weight = np.exp(df * (x - np.expm1(2 * np.array(x)) / 2)) if df < np.inf else np.ones(1)
    tails = []
    for s in np.exp(x):
        below = ndtr((s * t - loadings[:, None] * z) / spread)
        if two_sided:
            below -= ndtr((-s * t - loadings[:, None] * z) / spread)
        tails.append((1 - below.prod(axis=0)) @ density)
    return np.array(tails) @ weight / weight.sum()


@pytest.mark.parametrize("seed", range(3))
def test_gaps_change_the_chance_as_scipys_multivariate_t_says(seed):
    # no product of loadings fits these: what is left of the nearest is .0003
    family, df, t = anything(5, seed), 12.0, np.full(5, 2.6)
    rng = np.random.default_rng(seed)
    inside = multivariate_t.cdf(t, shape=family, df=df, lower_limit=-t, random_state=rng)
    assert Dunnett(family).p_value(2.6, df) == pytest.approx(1 - inside, abs=4e-4)


# --- properties ------------------------------------------------------------------------------


@given(
    k=st.integers(1, 6),
    seed=st.integers(0, 1000),
    df=st.floats(1, 500),
    alpha=st.sampled_from([0.01, 0.05, 0.1, 0.3]),
)
def test_critical_value_and_p_value_are_inverse(k, seed, df, alpha):
    family = Dunnett(anything(k, seed))
    assert family.p_value(family.critical_value(alpha, df), df) == pytest.approx(alpha, rel=2e-3)


@given(k=st.integers(2, 6), seed=st.integers(0, 1000), df=st.floats(0.5, 1e6), t=st.floats(0, 60))
def test_lies_between_one_test_and_bonferroni(k, seed, df, t):
    found = Dunnett(anything(k, seed)).p_value(t, df)
    single = 2 * student.sf(t, df)
    assert single * (1 - 1e-9) <= found <= min(1, k * single) * (1 + 1e-9)
    assert Dunnett(anything(k, seed)).p_value(-t, df) == found


def test_perfectly_correlated_contrasts_count_once():
    twins = np.ones((3, 3))
    twins[2, :2] = twins[:2, 2] = 0.5
    assert Dunnett(np.ones((3, 3))).p_value(2.0, 9) == pytest.approx(2 * student.sf(2.0, 9))
    assert Dunnett(twins).p_value(2.0, 9) == Dunnett(equal(2)).p_value(2.0, 9)


@pytest.mark.parametrize("r", [0.9, 0.99, 0.9999])
def test_nearly_perfect_correlation_comes_near_one_test(r):
    single, far = 2 * student.sf(2.5, 15), Dunnett(equal(4, 0.9)).p_value(2.5, 15)
    assert single < Dunnett(equal(4, r)).p_value(2.5, 15) <= far * (1 + 1e-9)


def test_order_of_contrasts_does_not_matter():
    family, order = anything(4, 2), [2, 0, 3, 1]
    found = Dunnett(family[np.ix_(order, order)]).p_value(2.4, 9.5)
    assert found == pytest.approx(Dunnett(family).p_value(2.4, 9.5), rel=2e-3)


def test_the_same_every_time():
    first, second = (Dunnett(anything(5, 9)) for _ in range(2))
    assert first.p_value(2.4, 9.5) == second.p_value(2.4, 9.5)
    assert first.critical_value(0.05, 9.5) == second.critical_value(0.05, 9.5)
