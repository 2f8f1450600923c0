"""Refusals by day and days known between two days only, against published fits and scipy."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from blindspoon.stats.over_days import changes, day_of_share, shares_by_day
from blindspoon.stats.results import NoResult

DATA = Path(__file__).parents[1] / "data"
DAYS = np.array([7.0, 14, 21, 28, 42])


def table(name):
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


PUBLISHED = {row["treatment"]: row for row in table("breast_cosmesis_expected.csv")}
GROUPS = list(PUBLISHED)


def months(group):
    """D. M. Finkelstein and R. A. Wolfe 1985, Biometrics 41:933."""
    rows = [row for row in table("breast_cosmesis_1985.csv") if row["treatment"] == group]
    pairs = [(float(row["left_months"]), float(row["right_months"] or "inf")) for row in rows]
    after, by = np.array(pairs).T
    return after, by


@pytest.mark.parametrize("group", GROUPS)
@pytest.mark.parametrize(("share", "column"), [(0.5, "median"), (0.25, "quarter")])
def test_a_weibull_fit_is_that_of_r(group, share, column):
    """R's survreg with interval-censored times."""
    row = PUBLISHED[group]
    found = day_of_share(*months(group), alpha=0.05, share=share, family="weibull")
    assert 1 / found.scale == pytest.approx(float(row["weibull_shape"]), rel=1e-5)
    assert found.log_likelihood == pytest.approx(float(row["weibull_loglik"]), abs=1e-7)
    assert found.day == pytest.approx(float(row[column]), rel=1e-5)


@pytest.mark.parametrize("group", GROUPS)
def test_a_wald_interval_in_r_is_near_the_profile(group):
    """Near the top the profile is a parabola: with alpha 0.6 both ends lie within 5 % of R's."""
    row = PUBLISHED[group]
    found = day_of_share(*months(group), alpha=0.6, family="weibull")
    half = float(row["median_se"]) * stats.norm.ppf(0.7)
    width = found.interval.high - found.interval.low
    assert width / 2 == pytest.approx(half, rel=0.05)


def censored(after, by):
    return stats.CensoredData(
        interval=np.column_stack([after, by])[np.isfinite(by)], right=after[np.isinf(by)]
    )


@pytest.mark.parametrize("group", GROUPS)
def test_a_lognormal_fit_is_that_of_scipy(group):
    after, by = months(group)
    found = day_of_share(after, by, alpha=0.05)
    scale, _, median = stats.lognorm.fit(censored(after, by), floc=0)
    assert found.scale == pytest.approx(scale, rel=1e-3)
    assert found.day == pytest.approx(median, rel=1e-3)


@pytest.mark.parametrize("share", [0.25, 0.5])
def test_the_ends_are_where_the_likelihood_falls_by_half_of_t_squared(share):
    after, by = months(GROUPS[1])
    found = day_of_share(after, by, alpha=0.05, share=share)

    def off(scale, day):
        own = stats.lognorm(scale, scale=day * np.exp(-scale * stats.norm.ppf(share)))
        return -np.log(own.cdf(by) - own.cdf(after)).sum()

    for end in (found.interval.low, found.interval.high):
        least = optimize.minimize_scalar(off, bounds=(0.05, 5), args=(end,), method="bounded").fun
        drop = 2 * (found.log_likelihood + least)
        assert drop == pytest.approx(stats.t.ppf(0.975, 47) ** 2, abs=1e-3)


def turning(first_yes):
    """Answers of tasters who say yes from a day on, or never (infinite)."""
    return (np.array(first_yes, float)[:, None] <= DAYS).astype(float)


SPREAD = [7, 14, 14, 21, 21, 21, 28, 28, 28, 42, 42, np.inf]


def test_each_day_is_an_exact_binomial_test():
    answers = turning(SPREAD)
    answers[0, 2] = np.nan
    for day in shares_by_day(DAYS, answers, alpha=0.05).days:
        test = stats.binomtest(day.yes, day.asked, 0.5, alternative="greater")
        assert day.p_more == pytest.approx(test.pvalue, rel=1e-9)
        less = stats.binomtest(day.yes, day.asked, 0.5, alternative="less").pvalue
        assert day.p_fewer == pytest.approx(less, rel=1e-9)
        both = stats.binomtest(day.yes, day.asked).proportion_ci(method="exact")
        assert [day.interval.low, day.interval.high] == pytest.approx([both.low, both.high])


def test_twelve_who_all_accept_do_not_show_that_fewer_than_a_quarter_refuse():
    """0.75^12 is 0.032, above the 0.025 of either end; 13 do."""

    def until(n):
        return shares_by_day(DAYS, np.zeros((n, 5)), alpha=0.05, share=0.25).passed.after

    assert until(12) is None
    assert until(13) == 42


def test_somebody_who_turns_back_counts_by_day_and_has_no_day():
    answers = turning([*SPREAD, 14])
    answers[12] = [0, 1, 0, 1, 1]
    found = changes(DAYS, answers)
    assert found.turned_back.tolist() == [False] * 12 + [True]
    assert shares_by_day(DAYS, answers, alpha=0.05).days[1].yes == 4
    without = day_of_share(found.after[:12], found.by[:12], alpha=0.05)
    assert day_of_share(found.after, found.by, alpha=0.05) == without


def test_a_day_without_answers_is_told_and_passed_over():
    answers = turning([21] * 10)
    answers[:, 4] = np.nan
    found = shares_by_day(DAYS, answers, alpha=0.05)
    assert found.days[4] == NoResult("Nobody answered.")
    assert (found.passed.after, found.passed.by) == (14, 21)


@pytest.mark.parametrize(
    ("first_yes", "reason"),
    [
        (SPREAD[:11], "from 12 tasters"),
        ([21] * 12, "no spread"),
        ([14] * 6 + [21] * 6, "no spread"),
        ([7] * 12, "before the first day or after the last"),
        ([np.inf] * 12, "before the first day or after the last"),
        ([7] * 6 + [np.inf] * 6, "too widely|not bounded"),
    ],
)
def test_days_that_no_distribution_fits_are_told(first_yes, reason):
    found = changes(DAYS, turning(first_yes))
    fit = day_of_share(found.after, found.by, alpha=0.05)
    assert isinstance(fit, NoResult)
    assert any(part in fit.reason for part in reason.split("|"))


def test_answers_of_yes_on_day_nought_have_no_log():
    found = changes(np.array([0.0, 7, 14]), np.array([[1.0, 1, 1], [0, 0, 1], [0, 1, 1]] * 4))
    assert "day 0" in day_of_share(found.after, found.by, alpha=0.05).reason
