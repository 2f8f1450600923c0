"""Whether differences moved from sitting to sitting, against statsmodels' analysis of variance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_1samp
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from blindspoon.stats.assumptions import at_one_sitting, compare_sittings
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.mixed import compare_mixed
from blindspoon.stats.results import NoResult


def rows(tasters, sessions, variants, seed=1, moves=None):
    """A complete trial, normal scores with residual SD 1; `moves` by session and variant."""
    rng = np.random.default_rng(seed)
    t, s, v = (a.ravel() for a in np.indices((tasters, sessions, variants)))
    score = rng.normal(size=t.size) + rng.normal(0, 0.5, (tasters, variants))[t, v]
    score += rng.normal(size=tasters)[t] + rng.normal(0, 0.5, (tasters, sessions))[t, s]
    return score + (0 if moves is None else np.asarray(moves)[s, v]), t, s, v


def found(score, t, s, v, alpha=0.05):
    return compare_sittings(score, t, s, v, control=0, n_variants=int(v.max()) + 1, alpha=alpha)


def test_the_f_is_that_of_the_analysis_of_variance():
    score, t, s, v = rows(6, 3, 4)
    table = pd.DataFrame({"y": score, "t": t, "s": s, "v": v})
    fit = ols("y ~ C(t)*C(v) + C(t)*C(s) + C(s):C(v)", data=table).fit()
    line = anova_lm(fit, typ=1).loc["C(s):C(v)"]
    one = found(score, t, s, v)
    assert (one.f, one.p_value) == pytest.approx((line["F"], line["PR(>F)"]), rel=1e-9)
    assert (one.df_num, one.df_den) == (6, 30)


def test_a_sitting_is_judged_as_a_trial_of_its_own():
    # one sitting by the mixed model: the same difference, and the interval at 1 - 2 alpha
    score, t, s, v = rows(7, 2, 3, seed=4)
    one, here = found(score, t, s, v), s == 1
    alone = compare_mixed(score[here], t[here], v[here], control=0, alpha=0.05)
    value = Dunnett(np.full((2, 2), 0.5) + np.eye(2) / 2).critical_value(0.1, 12)
    for contrast in alone.contrasts:
        mine = one.differences[1, contrast.variant], one.half[1, contrast.variant]
        assert mine == pytest.approx((contrast.difference, value * contrast.se), abs=1e-6)


def test_what_cannot_be_held_against_another_says_so():
    score, t, s, v = rows(4, 2, 3)
    single = (s == 0) | (t == 0)
    assert found(score[single], t[single], s[single], v[single]) == NoResult(
        "Fewer than two sittings tell by themselves how far differences scatter."
    )
    apart = (s == 0) & (v < 2) | (s == 1) & (v != 1)  # or nobody twice: no movement can be shown
    for some in (apart, t % 2 == s):
        one = found(score[some], t[some], s[some], v[some])
        assert (one.tasters, one.p_value, one.steady(1, 50), one.steady(1, 0.01)) == (
            0, 1.0, True, False,
        )  # fmt: skip
    assert isinstance(found(score[s == 0], t[s == 0], s[s == 0], v[s == 0]), NoResult)


def test_a_sitting_whose_variants_no_taster_links_tells_nothing():
    cells = np.random.default_rng(1).normal(size=(1, 3001, 6))
    cells[:, :1500, 3:] = cells[:, 1500:, :3] = np.nan  # thirds, which are not exact
    assert at_one_sitting(cells, 0, 0.05) is None
    cells[0, 0] = range(6)
    assert at_one_sitting(cells, 0, 0.05) is not None


def test_a_variant_is_held_where_it_was_tasted():
    # what was at every sitting is judged as if the other variant had never been there
    score, t, s, v = rows(6, 3, 4)
    there = (v < 3) | (s == 1)
    one, rest = found(score[there], t[there], s[there], v[there]), v < 3
    without = found(score[rest], t[rest], s[rest], v[rest])
    assert (one.f, one.df_den, one.tasters) == (without.f, without.df_den, 6)
    assert np.abs(one.half[0, :3] - without.half[0]).max() < 1e-12
    assert np.isnan(one.half[:, 3]).tolist() == [True, False, True]
    assert (one.steady(3, 50), one.steady(3, 0.01)) == (True, False)


def test_a_sitting_of_incomplete_blocks_is_judged_by_all_its_tasters():
    # statsmodels' least squares; three of four variants each, so that nobody had them all
    score, t, s, v = rows(9, 2, 4, moves=[[0, -3, 0, 0], [0, 3, 0, 0]])
    had = v != 1 + (t + s) % 3
    one = found(score[had], t[had], s[had], v[had])
    here = had & (s == 0)
    table = pd.DataFrame({"y": score[here], "t": t[here], "v": v[here]})
    fit = ols("y ~ C(t) + C(v)", data=table).fit()
    names = [f"C(v)[T.{variant}]" for variant in (1, 2, 3)]
    assert one.differences[0, 1:] == pytest.approx(fit.params[names].to_numpy(), abs=1e-8)
    errors = fit.bse[names].to_numpy()
    value = Dunnett(fit.cov_params().loc[names, names].to_numpy() / np.outer(errors, errors))
    half = value.critical_value(0.1, fit.df_resid) * errors
    assert one.half[0, 1:] == pytest.approx(half, rel=1e-6)
    assert (one.steady(1, 1.0), one.tasters) == (False, 0)


def alike(tasters, offs, seed):
    """Whether the one variant that moves by `offs` is called alike at a margin of 1."""
    moves = np.zeros((len(offs), 4))
    moves[:, 1] = offs
    score, t, s, v = rows(tasters, len(offs), 4, seed=seed, moves=moves)
    fit = compare_mixed(score, t, v, control=0, alpha=0.05)
    mean = fit.contrasts[0].equivalence_interval.within(1.0)
    return mean, mean and found(score, t, s, v).steady(1, 1.0)


def test_a_difference_that_goes_from_less_to_more_is_not_alike():
    # evidence: -3 to +3 over five sittings was "alike" in 11 of 12 trials by the mean alone
    told = np.array([alike(8, (-3, -1.5, 0, 1.5, 3), seed) for seed in range(20)])
    assert told[:, 1].sum() == 0


@pytest.mark.parametrize(("tasters", "p_value"), [(2, 0.5), (6, 1 / 32)])
def test_two_who_move_exactly_alike_are_no_proof(tasters, p_value):
    # R. A. Fisher 1935: all n agree in direction in 2 of 2^n flips of signs, whole points or not
    t, s, v = (a.ravel() for a in np.indices((tasters, 2, 2)))
    one = found(5.0 + t + s * v, t, s, v)
    assert (one.f, one.p_value, one.moved) == (np.inf, p_value, tasters > 5)
    # off by 1 at the second sitting: within twice .6, but alike takes one and a half times
    assert (one.steady(1, 0.6), one.steady(1, 0.7)) == (False, True)


@pytest.mark.slow
@pytest.mark.parametrize("offs", [(-2, 0, 2), (2, -2), (-2, -1, 0, 1, 2), (2, 0, -2)])
def test_two_margins_off_is_seldom_alike(offs):
    told = np.array([alike(12, offs, seed) for seed in range(1000)])
    assert told[:, 1].mean() <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 1000)


def test_steady_differences_are_not_said_to_move():
    p = np.array([found(*rows(8, 3, 3, seed=seed)).p_value for seed in range(200)])
    assert np.mean(p <= 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)


def test_only_a_variant_that_moved_is_said_to_and_between_the_sittings_farthest_apart():
    moves = [[0, 2, 5], [0, -2, 5], [0, 2, 5]]  # the other is far off at every sitting
    score, t, s, v = rows(12, 3, 3, seed=2, moves=moves)
    one = found(score, t, s, v)
    assert [one.moved_of(variant) for variant in (1, 2)] == [True, False]
    assert one.widest == 1
    assert not replace(one, p_value=0.1).moved_of(1)  # not shown over all variants together
    ends = {name: value > 0 for value, name in one.farthest_apart(1)}
    assert ends in ({"the first": True, "sitting 2": False}, {"sitting 2": False, "the last": True})
    days, named = ("Friday", "Saturday", "Sunday"), {"control": 0, "n_variants": 3, "alpha": 0.05}
    some = compare_sittings(score, t, s + (s > 0), v, **named, names=[days[0], "", *days[1:]])
    for name, day in zip(some.names, days, strict=True):
        assert name.endswith(f" ({day})")


def test_one_variant_alone_moves_by_the_paired_t_test():
    """Student's t on the tasters' changes of difference, any text on paired comparisons."""
    score, t, s, v = rows(9, 2, 3, seed=5)
    cells = np.empty((9, 2, 3))
    cells[t, s, v] = score
    changes = np.diff(cells[:, :, 2] - cells[:, :, 0], axis=1)[:, 0]
    assert found(score, t, s, v).own[2] == pytest.approx(ttest_1samp(changes, 0).pvalue)
