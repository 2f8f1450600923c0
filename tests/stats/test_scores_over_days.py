"""Trends, fixed sequences and Fieller's interval, against published values and other libraries."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from blindspoon.stats.results import NoResult
from blindspoon.stats.scores_over_days import (
    crossing_of_lines,
    fieller,
    scores_by_day,
    trend_from_control,
    trend_without_control,
)
from blindspoon.stats.several_tests import (
    Bracket,
    coming_and_going,
    shown_from,
    shown_until,
    turning,
)

DATA = Path(__file__).parents[1] / "data"
DAYS = np.array([3.0, 7, 10, 14, 21, 28])


@pytest.fixture(scope="module")
def sleepstudy():
    """Reaction times of 18 people on ten days, shape (18, 10)."""
    with (DATA / "sleepstudy.csv").open(encoding="utf-8") as file:
        values = [float(row["Reaction"]) for row in csv.DictReader(file)]
    return np.reshape(values, (18, 10))


def drawn(n=9, seed=4, days=DAYS, rise=0.15):
    rng = np.random.default_rng(seed)
    own = rng.normal(rise, 0.03, (n, 1)) * (days - days[0]) - 4
    return np.round(own + rng.normal(0, 1.3, (n, days.size)))


def slopes_of(values, **asked):
    return trend_from_control(
        DAYS, values, alpha=0.05, step=1.0, rng=np.random.default_rng(1), **asked
    )


def test_the_trend_of_the_sleep_study_is_the_published_one(sleepstudy):
    """Bates et al. 2015, J. Stat. Softw. 67(1), 4.2: slope 10.467, error 1.546; lmerTest: 17 df."""
    days = np.arange(10.0)
    found = trend_from_control(days, sleepstudy, alpha=0.05, step=0.0, rng=np.random.default_rng(1))
    half = (found.interval.high - found.interval.low) / 2
    assert found.slope == pytest.approx(10.467, abs=5e-4)
    assert half / stats.t.ppf(0.975, 17) == pytest.approx(1.546, abs=5e-4)
    assert (found.df, found.tasters) == (17, 18)
    assert found.p_value == pytest.approx(3.26e-6, rel=2e-3)  # lmerTest, from memory


def test_gaps_leave_each_taster_the_line_that_numpy_fits():
    values = drawn()
    values[0, 2] = values[3, [0, 5]] = np.nan
    values[8, 1:] = np.nan  # one day: left out
    there = [np.isfinite(row) for row in values[:8]]
    slopes = [np.polyfit(DAYS[at], row[at], 1)[0] for row, at in zip(values, there, strict=False)]
    found, by_scipy = slopes_of(values), stats.ttest_1samp(slopes, 0)
    assert found.tasters == 8
    assert found.p_value == pytest.approx(by_scipy.pvalue, rel=1e-6)
    assert found.interval.low == pytest.approx(by_scipy.confidence_interval()[0], rel=1e-6)


def test_signs_of_slopes_are_flipped_from_six_tasters_on():
    found = slopes_of(drawn(8))
    flips = stats.wilcoxon(np.polyfit(DAYS, drawn(8).T, 1)[0], method="exact")
    assert found.p_signs == pytest.approx(flips.pvalue, rel=1e-12)
    assert (slopes_of(drawn(5)).p_signs, slopes_of(drawn(6)).p_signs is None) == (None, False)


def test_tasters_who_agree_exactly_are_no_proof_by_three():
    same = np.tile(DAYS, (3, 1))
    found = slopes_of(same)
    assert (found.slope, found.p_value) == (1.0, 0.25)
    spread = ((DAYS - DAYS.mean()) ** 2).sum()  # a difference of rounded scores varies by 1 / 6
    half = stats.t.ppf(0.975, 2) * (1 / 6 / spread / 3) ** 0.5
    assert found.interval.high == pytest.approx(1 + half)


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        (drawn()[:, :2], "three days"),
        (drawn()[:1], "two tasters"),
        (np.full((4, 6), np.nan), "three days"),
    ],
)
def test_too_little_for_a_trend_is_said(values, reason):
    days = DAYS[: values.shape[1]]
    for found in (
        trend_from_control(days, values, alpha=0.05, step=1.0, rng=np.random.default_rng(1)),
        trend_without_control(days, values, alpha=0.05),
    ):
        assert isinstance(found, NoResult)
        assert reason in found.reason


def test_without_a_control_the_days_count_as_a_sample():
    """By hand: Satterthwaite's sum of the tasters' part and the days' part; no source printed."""
    values = drawn() + np.random.default_rng(2).normal(0, 1, 6)
    slopes, levels = np.polyfit(DAYS, values.T, 1)
    off = (values - np.outer(slopes, DAYS) - levels[:, None]).mean(axis=0)
    parts = np.array(
        [slopes.var(ddof=1) / 9, (off**2).sum() / 4 / ((DAYS - DAYS.mean()) ** 2).sum()]
    )
    found = trend_without_control(DAYS, values, alpha=0.05)
    df = parts.sum() ** 2 / (parts**2 / [8, 4]).sum()
    assert found.df == pytest.approx(df, rel=1e-6)
    assert found.slope == pytest.approx(slopes.mean(), rel=1e-6)
    p = 2 * stats.t.sf(abs(slopes.mean()) / parts.sum() ** 0.5, df)
    assert found.p_value == pytest.approx(p, rel=1e-6)


def judged(values, days=DAYS, **asked):
    return scores_by_day(days, values, **{"alpha": 0.05, "step": 1.0, "margin": 1.0} | asked)


def test_a_day_is_students_test():
    """A. R. Cushny and A. R. Peebles 1905, as R's t.test has it: t 4.0621, p 0.002833."""
    with (DATA / "sleep_cushny_peebles.csv").open(encoding="utf-8") as file:
        extra = np.array([float(row["extra"]) for row in csv.DictReader(file)])
    (day,) = judged((extra[10:] - extra[:10])[:, None], DAYS[:1]).days
    assert day.p_different == pytest.approx(0.002833, abs=1e-6)
    assert [day.interval.low, day.interval.high] == pytest.approx([0.7001142, 2.4598858], abs=1e-6)


def test_within_is_two_one_sided_tests_and_beyond_is_the_sum_of_two_tails():
    values = drawn()
    found = judged(values)
    for column, day in zip(values.T, found.days, strict=True):
        low = stats.ttest_1samp(column, -1, alternative="greater").pvalue
        high = stats.ttest_1samp(column, 1, alternative="less").pvalue
        assert day.p_inside == pytest.approx(max(low, high), rel=1e-9)
        if day.mean <= -1:
            ends = [stats.ttest_1samp(column, end, alternative="less").pvalue for end in (-1, 1)]
            assert day.p_outside == pytest.approx(sum(ends), rel=1e-9)
    assert judged(values, margin=0.0).days[0].p_outside == pytest.approx(found.days[0].p_different)


@pytest.mark.parametrize(("side", "sign"), [("above", 1), ("below", -1)])
def test_a_level_is_reached_from_either_side(side, sign):
    scores = 5 + sign * drawn(12, rise=0.3)
    found = judged(scores, level=5.0, side=side)
    means = scores.mean(axis=0)
    with_scipy = stats.ttest_1samp(scores, 5, alternative="greater" if sign > 0 else "less").pvalue
    assert [day.p_inside for day in found.days] == pytest.approx(with_scipy.tolist(), rel=1e-7)
    assert sign * (means[0] - 5) < 0 < sign * (means[-1] - 5)
    assert found.reached.after < found.reached.by


def test_sequences_stop_at_the_first_day_that_fails():
    p = np.array([0.01, 0.30, 0.02, np.nan, 0.04, 0.001])
    assert shown_from(DAYS, p, 0.05) == 10  # past the day without a result
    assert shown_from(DAYS, p, 0.03) == 28
    assert shown_from(DAYS, p[::-1], 0.001) is None
    assert shown_until(DAYS, p, 0.01) == 3  # at alpha itself it is shown
    assert turning(DAYS, p, p, 0.025) == Bracket(after=3, by=28)


def test_a_bracket_takes_half_of_alpha_for_either_end():
    values = drawn(40, rise=0.16)
    found = judged(values)
    inside, outside = ([getattr(day, p) for day in found.days] for p in ("p_inside", "p_outside"))
    assert found.reached.by == shown_from(DAYS, np.array(inside), 0.025)
    assert found.reached.after == shown_until(DAYS, np.array(outside), 0.025)
    assert (found.lost.after, found.lost.by) == (None, None)
    # half a point in standard errors of six tasters is the t of a tail of 0.03
    off = np.array([-1.0, 1, -1, 1, -1, 1])[:, None] * 0.5 / stats.t.isf(0.03, 5) * 6**0.5
    edge = np.hstack([off - 1.5, off - 0.5]) * (5 / 6) ** 0.5
    edge += [-1.5, -0.5] - edge.mean(axis=0)
    for alpha, shown in ((0.05, (None, None)), (0.061, (3, 7))):
        found = judged(edge, DAYS[:2], alpha=alpha)
        assert (found.reached.after, found.reached.by) == shown
        found = judged(edge[:, ::-1], DAYS[:2], alpha=alpha)
        assert (found.lost.after, found.lost.by) == shown


def test_a_day_on_which_all_agree_is_judged_by_rounding():
    same = np.zeros((4, 2))
    found = judged(same, DAYS[:2])
    assert found.reached.by == 3
    assert found.days[0].interval.high == pytest.approx(stats.t.ppf(0.975, 3) / 24**0.5)
    three = judged(same[:3], DAYS[:2], step=0.01)
    assert (three.reached.by, three.days[0].p_inside) == (None, 1.0)
    assert judged(same[:3] + 3, DAYS[:2], step=0.01).days[0].p_outside == 1 / 2**3
    assert judged(same + 3, DAYS[:2]).days[0].p_different == 2 / 2**4


@pytest.mark.parametrize(("side", "level"), [("above", 5.0), ("below", 9.0)])
def test_where_all_agree_beyond_a_level_the_chance_is_that_of_the_sign_test(side, level):
    found = scores_by_day(
        DAYS[:1], np.full((3, 1), 7.0), alpha=0.05, step=1.0, level=level, side=side
    )
    sign = stats.binomtest(3, 3, alternative="greater").pvalue
    assert found.days[0].p_inside == pytest.approx(sign)
    assert found.days[0].p_different == pytest.approx(2 * sign)


def test_days_without_two_tasters_are_told_and_passed_over():
    values = drawn(40, rise=0.2)
    values[1:, 5] = np.nan
    values[:, 1] = np.nan
    found = judged(values)
    assert found.days[5] == NoResult("One taster was there; two are needed.")
    assert found.reached.by is not None
    assert found.days[1] == NoResult("Nobody was there; two are needed.")
    assert found.reached == judged(values[:, [0, 2, 3, 4]], DAYS[[0, 2, 3, 4]]).reached


def test_turning_the_sign_and_the_order_of_tasters_changes_nothing():
    values = drawn()
    found, turned = judged(values), judged(-values[::-1])
    assert (found.reached, found.lost) == (turned.reached, turned.lost)
    assert [d.p_outside for d in found.days] == pytest.approx([d.p_outside for d in turned.days])


READINGS = [95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21]
CHAMBER = [206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16]


@pytest.mark.parametrize(
    ("x", "y", "level", "alpha", "new", "printed"),
    [
        (range(96, 111, 2), READINGS, 104, 0.05, True, (103.4, 104.6)),
        (range(96, 111, 2), READINGS, 100, 0.10, True, (99.63, 100.59)),
        (range(0, 101, 10), CHAMBER, 400, 0.01, False, (65.07, 68.03)),
    ],
)
def test_fiellers_interval_is_that_of_the_textbook(x, y, level, alpha, new, printed):
    """F. A. Graybill and H. K. Iyer 1994, Regression Analysis, pages 431 and 433."""
    fit = sm.OLS(y, sm.add_constant(np.array(x, float))).fit()
    covariance = fit.cov_params() + np.diag([fit.scale * new, 0])
    t = stats.t.ppf(1 - alpha / 2, len(y) - 2)
    found = fieller(*fit.params, covariance, level=level, t=t)
    digits = 1 if printed[0] == 103.4 else 2
    assert (round(found.low, digits), round(found.high, digits)) == printed


def test_fiellers_interval_shrinks_to_the_delta_method():
    """W. N. Venables and B. D. Ripley, MASS, dose.p on the budworms: 3.263587, error 0.2297539."""
    dose, dead = np.tile(np.arange(6.0), 2), np.array([1, 4, 9, 13, 18, 20, 0, 2, 6, 10, 12, 16])
    sex = np.repeat([[0.0, 1], [1, 0]], 6, axis=0)
    fit = sm.GLM(
        np.column_stack([dead, 20 - dead]), np.column_stack([sex, dose]), sm.families.Binomial()
    ).fit()
    intercept, slope = fit.params[[0, 2]]
    covariance = fit.cov_params()[np.ix_([0, 2], [0, 2])]
    found = fieller(intercept, slope, covariance, level=0.0, t=1e-4)
    assert (found.low + found.high) / 2 == pytest.approx(3.263587, abs=1e-5)
    assert (found.high - found.low) / 2e-4 == pytest.approx(0.2297539, rel=1e-5)


def test_a_slope_that_is_not_told_from_zero_bounds_no_day():
    found = fieller(1.0, 0.1, np.diag([0.1, 0.01]), level=2.0, t=2.0)
    assert found == NoResult("The slope is not told from zero, so no day can be bounded.")


def test_the_ends_of_the_interval_are_where_the_lines_test_turns():
    values = drawn(10, rise=0.2)
    found = crossing_of_lines(DAYS, values, level=-1.0, alpha=0.05)
    fits = np.polyfit(DAYS, values.T, 1)
    for end in (found.interval.low, found.interval.high):
        assert stats.ttest_1samp(fits[0] * end + fits[1], -1).pvalue == pytest.approx(
            0.05, abs=1e-6
        )
    bend = stats.ttest_1samp(np.polyfit(DAYS, values.T, 2)[0], 0).pvalue
    assert found.p_bend == pytest.approx(bend, rel=1e-4)


def test_lines_without_any_bend_are_not_said_to_bend():
    # by hand: parabolas through points on a line have no curvature, so no test can find one
    slopes = np.array([0.2, 0.22, 0.18, 0.25, 0.2])[:, None]
    found = crossing_of_lines(DAYS, slopes * DAYS - 4, level=-1.0, alpha=0.05)
    assert (found.p_bend, found.day) == (1.0, pytest.approx(3 / 0.21))


@pytest.mark.parametrize(
    ("values", "level", "reason"),
    [
        (drawn(4), -1.0, "five tasters and four days"),
        (drawn()[:, :3], -1.0, "five tasters and four days"),
        (drawn(12) - (DAYS - 15) ** 2 / 20, -1.0, "bends"),
        (np.where(np.eye(6) + np.eye(6, k=1), drawn(6), np.nan), -1.0, "Fewer than five tasters"),
        (drawn(10, rise=0.2), 9.0, "outside the days"),
        (drawn(10, rise=0.0), -1.0, "not told from zero"),
        (np.tile(DAYS / 7 - 4.0, (6, 1)), -1.0, "one and the same line"),
    ],
)
def test_no_day_is_read_off_where_a_line_would_mislead(values, level, reason):
    found = crossing_of_lines(DAYS[: values.shape[1]], values, level=level, alpha=0.05)
    assert isinstance(found, NoResult)
    assert reason in found.reason


@pytest.mark.slow
@pytest.mark.parametrize("ends", [(1, 1.2, 1.2, 1), (-4, -1, 1, 3), (1, -1) * 3, (-1, 0, 0, 0, 1)])
@pytest.mark.parametrize("n", [6, 12, 24])
def test_what_is_said_of_scores_that_come_and_go_is_seldom_false(ends, n):
    """At the margin itself neither inside nor outside may be said: at most 5 % of 4,000 courses.

    At half of alpha for each of the three tests it is up to 7 %.
    """
    rng, days, truth = np.random.default_rng(n), np.arange(len(ends)), np.abs(ends)
    wrong = 0
    for _ in range(4000):
        values = ends + rng.normal(0, 0.6, (n, days.size)) - rng.normal(0, 0.6, (n, 1))
        found = scores_by_day(days, values, alpha=0.05, step=0.0, margin=1.0).days
        outside, inside = (
            np.array([getattr(day, p) for day in found]) for p in ("p_outside", "p_inside")
        )
        came, went, between = coming_and_going(days, outside, inside, 0.05 / 3)
        gone = (days <= np.array(came.after, float)) | (days >= np.array(went.by, float))
        wrong += bool((gone & (truth <= 1)).any() or (truth[between.astype(int)] >= 1).any())
    assert wrong / 4000 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)
