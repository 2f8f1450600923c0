"""Refusals by day and days known between two days only, against published fits and scipy."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from blindspoon.stats.results import NoResult
from blindspoon.stats.shares_over_days import day_of_share, shares_by_day, turning_days

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


def lasting(liked, n):
    """Answers of n tasters of whom so many would have it on each day."""
    return (np.arange(n)[:, None] < np.array(liked)).astype(float)


def test_a_share_that_is_passed_and_lost_again_is_judged_from_both_sides():
    """0 or 10 of 10 are 1 in 1,024 by chance: below 0.05 / 3, and as one of five days of Holm's."""
    found = shares_by_day(DAYS, lasting([0, 10, 10, 5, 0], 10), alpha=0.05, both=True)
    assert (found.passed.after, found.passed.by) == (7, 14)
    assert (found.lost.after, found.lost.by) == (21, 42)
    eight = shares_by_day(DAYS, lasting([0, 8, 4, 4, 0], 8), alpha=0.05, both=True)
    assert (eight.passed.after, eight.passed.by) == (7, None)  # 5 / 2^8 is above 0.05 / 3
    alone = shares_by_day(DAYS, lasting([0, 10, 10, 5, 0], 10), alpha=0.05)
    assert (alone.passed.by, alone.lost) == (None, None)


def test_five_tasters_settle_neither_side():
    """1 in 32 by chance is more than a third of 0.05; 1 in 64 is less."""
    losts = [
        shares_by_day(DAYS, lasting([n, n, n, 0, 0], n), alpha=0.05, both=True).lost.by
        for n in (5, 6)
    ]
    assert losts == [None, 28]
    # 2 of 12 or fewer: 0.019 by chance, more than a third of 0.05 and less than a half
    two, one = (shares_by_day(DAYS, lasting([n, 12, 12, 12, 12], 12), alpha=0.05, both=True)
                for n in (2, 1))  # fmt: skip
    assert (two.passed.after, one.passed.after) == (None, 7)


@pytest.mark.slow
@pytest.mark.parametrize("shares", [(0.5,) * 5, (0.02, 0.5, 0.5, 0.5, 0.02), (0.5, 0.98, 0.5)])
@pytest.mark.parametrize("n", [6, 17, 30])
def test_what_is_said_of_both_sides_is_seldom_false(shares, n):
    """Of a share of exactly a half nothing may be said; at most 5 % of 4,000 courses, by design."""
    rng, days = np.random.default_rng(n), np.arange(1.0, len(shares) + 1)
    exactly, wrong = days[np.array(shares) == 0.5], 0
    for _ in range(4000):
        answers = (rng.random((n, len(shares))) < shares).astype(float)
        found = shares_by_day(days, answers, alpha=0.05, both=True)
        wrong += bool(
            (found.passed.after or 0) >= exactly[0]
            or (found.lost.by or np.inf) <= exactly[-1]
            or found.passed.by in exactly
            or found.lost.after in exactly
        )
    assert wrong / 4000 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)


def test_somebody_who_turns_back_counts_by_day_and_has_no_day():
    answers = turning([*SPREAD, 14])
    answers[12] = [0, 1, 0, 1, 1]
    found = turning_days(DAYS, answers)
    assert found.turned_back.tolist() == [False] * 12 + [True]
    silent = turning_days(DAYS, np.full((1, 5), np.nan))
    assert np.isnan([silent.after[0], silent.by[0]]).all()
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
    found = turning_days(DAYS, turning(first_yes))
    fit = day_of_share(found.after, found.by, alpha=0.05)
    assert isinstance(fit, NoResult)
    assert any(part in fit.reason for part in reason.split("|"))


def test_answers_of_yes_on_day_nought_have_no_log():
    found = turning_days(np.array([0.0, 7, 14]), np.array([[1.0, 1, 1], [0, 0, 1], [0, 1, 1]] * 4))
    assert "day 0" in day_of_share(found.after, found.by, alpha=0.05).reason
