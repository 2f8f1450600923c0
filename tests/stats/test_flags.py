"""Unequal spread and the ends of the scale: what is flagged, and what the verdict says then."""

from __future__ import annotations

import re
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.cli.printed import comparison_table
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial, judge
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.verdict_in_words import flag_words
from blindspoon.scores.score_table import build_table
from blindspoon.scores.standing import Standing
from blindspoon.stats.assumptions import AT_THE_END, FEWEST, WIDER, Flag, find_flags, spread_ratios
from blindspoon.stats.mixed import compare_mixed
from blindspoon.stats.results import MixedContrast, RankContrast
from blindspoon.stats.signed_ranks import compare_ranks
from blindspoon.wording import number
from blindspoon.writeup.limits import not_shown
from blindspoon.writeup.records import csv_files, trial_record

NAMES = ("plain", "oak", "vine", "clay")


def flags_of(means, low=0.0, high=10.0):
    means = np.asarray(means, dtype=float)
    variant = np.tile(np.arange(means.shape[1]), len(means))
    return find_flags(means, means.ravel(), variant, names=NAMES, low=low, high=high)


def panel(spreads, tasters=400, seed=2, habit=1.5):
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=(tasters, len(spreads))) * np.array(spreads)
    return 5 + habit * rng.normal(size=(tasters, 1)) + noise


def grubbs(scores):
    """The variances of three instruments' errors, as F. E. Grubbs (1948), JASA 43, writes them."""
    a, b, c = scores.T
    ab, ac, bc = (np.var(x - y, ddof=1) for x, y in ((a, b), (a, c), (b, c)))
    return np.array([ab + ac - bc, ab + bc - ac, ac + bc - ab]) / 2


def test_three_variants_without_gaps_are_grubbs_estimates():
    scores = panel((1.0, 1.3, 0.7), tasters=25)
    variances = grubbs(scores)
    assert variances.min() > 0
    expected = np.sqrt(variances / ((variances.sum() - variances) / 2))
    np.testing.assert_allclose(spread_ratios(scores), expected, rtol=1e-10)


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_a_spread_that_is_there_is_found_whatever_the_tasters_levels(missing):
    scores = panel((2.0, 1.0, 1.0, 1.0), tasters=20_000, habit=3.0)
    scores[np.random.default_rng(1).random(scores.shape) < missing] = np.nan
    expected = [2.0, *[1 / np.sqrt(2)] * 3]  # a third of 4 + 1 + 1 is 2
    np.testing.assert_allclose(spread_ratios(scores), expected, rtol=0.04)


def test_the_control_can_be_the_wide_one():
    (flag,) = flags_of(np.clip(panel((2.0, 0.8, 0.8, 0.8)), 0.1, 9.9))
    assert (flag.kind, flag.variant) == ("spread", "plain")
    assert flag.value == pytest.approx(2.0 / 0.8, rel=0.15)


def test_variants_that_spread_alike_are_not_flagged():
    assert flags_of(panel((1.0, 1.0, 1.0, 1.0), habit=0.5)) == ()


@pytest.mark.parametrize("tasters", range(1, 9))
def test_below_six_tasters_nothing_is_told(tasters):
    told = np.isfinite(spread_ratios(panel((3.0, 1.0, 1.0), tasters=tasters)))
    assert told.all() == told.any() == (tasters >= FEWEST)


def test_two_variants_have_one_sum_and_no_ratio():
    assert np.isnan(spread_ratios(panel((3.0, 1.0)))).all()


def test_variants_that_only_meet_the_control_cannot_be_told_apart():
    means = np.full((40, 3), np.nan)
    means[:20, :2] = panel((1.0, 2.0), tasters=20)
    means[20:, ::2] = panel((1.0, 2.0), tasters=20)
    assert np.isnan(spread_ratios(means)).all()


def test_a_variant_that_nobody_scored_is_passed_over():
    means = panel((2.0, 1.0, 1.0, 1.0))
    means[:, 2] = np.nan
    ratios = spread_ratios(means)
    np.testing.assert_array_equal(np.isnan(ratios), [False, False, True, False])
    np.testing.assert_allclose(ratios[[0, 1, 3]], spread_ratios(means[:, [0, 1, 3]]))


def test_a_spread_finer_than_the_scale_is_not_flagged():
    assert flags_of(5 + panel((0.03, 0.01, 0.01, 0.01), habit=0.0) / 100) == ()
    assert np.isnan(spread_ratios(np.full((9, 3), 4.0))).all()
    np.testing.assert_allclose(spread_ratios(np.full((9, 3), 4.0), finest=0.1), 1.0)


@pytest.mark.parametrize(("at_end", "flagged"), [(4, False), (5, True), (20, True)])
@pytest.mark.parametrize(("end", "kind"), [(0.0, "low_end"), (10.0, "high_end")])
def test_a_quarter_of_the_scores_at_one_end_is_flagged(at_end, flagged, end, kind):
    means = np.full((20, 4), 5.0) + 0.5 * panel((1, 1, 1, 1), tasters=20).round() % 2
    means[:at_end, 2] = end
    found = [flag for flag in flags_of(means) if flag.kind != "spread"]
    assert [(flag.kind, flag.variant) for flag in found] == [(kind, "vine")] * flagged
    assert all(flag.value == at_end / 20 >= AT_THE_END for flag in found)


@pytest.mark.parametrize(("given", "flagged"), [(5, []), (6, ["oak"])])
def test_an_end_needs_six_scores(given, flagged):
    means = np.full((20, 4), 5.0)
    means[:given, 1], means[given:, 1] = 0.0, np.nan
    assert [flag.variant for flag in flags_of(means) if flag.kind == "low_end"] == flagged


def test_the_share_at_an_end_is_of_the_scores_given():
    means = np.full((20, 4), 5.0)
    means[:5, 1], means[10:, 1] = 0.0, np.nan
    (flag,) = (flag for flag in flags_of(means) if flag.kind == "low_end")
    assert (flag.variant, flag.value) == ("oak", 0.5)


@given(
    seed=st.integers(0, 10**6),
    tasters=st.integers(6, 25),
    order=st.permutations(range(4)),
    shift=st.floats(-50, 50),
    missing=st.sampled_from([0.0, 0.2]),
)
def test_neither_labels_nor_levels_nor_order_matter(seed, tasters, order, shift, missing):
    rng = np.random.default_rng(seed)
    means = panel((2.0, 1.0, 0.5, 1.0), tasters=tasters, seed=seed)
    means[rng.random(means.shape) < missing] = np.nan
    moved = rng.permutation(means)[:, order] + shift
    expected = spread_ratios(means, finest=0.1)[list(order)]
    np.testing.assert_allclose(spread_ratios(moved, finest=0.1), expected, rtol=1e-6, atol=1e-6)


def test_the_chance_of_a_flag_without_cause_is_as_documented():
    rng = np.random.default_rng(4)
    trials = np.round(5 + 1.2 * rng.normal(size=(600, 12, 5)))
    often = np.mean([spread_ratios(each, finest=0.1).max() >= WIDER for each in trials])
    assert often == pytest.approx(0.30, abs=3.5 * np.sqrt(0.3 * 0.7 / 600))


@pytest.mark.bench
def test_half_a_million_rows_take_a_few_milliseconds():
    rng = np.random.default_rng(1)
    means = np.round(5 + rng.normal(size=(100_000, 1)) + rng.normal(size=(100_000, 5))).clip(0, 10)
    gaps = np.where(rng.random(means.shape) < 0.1, np.nan, means)
    variant = np.tile(np.arange(5), 100_000)
    for name, each, limit in (("complete", means, 0.03), ("with gaps", gaps, 0.06)):
        taken = []
        for _ in range(20):
            started = time.perf_counter()
            find_flags(each, each.ravel(), variant, names=[*NAMES, "salt"], low=0, high=10)
            taken.append(time.perf_counter() - started)
        print(f"\nflags of 500,000 rows, {name}: {1e3 * min(taken):.1f} ms")  # noqa: T201
        assert min(taken) < limit


TOML = """
trial = { title = "Crisp cucumbers", control = "plain", seed = 7 }
decision = { declared = 2026-09-04, primary = ["texture"], by = "mixed", margin = 1 }
scale = { low = 0, high = 10 }
attribute = [{ name = "texture", less = "softer", more = "crisper" }]
variant = [{ name = "plain" }, { name = "oak" }, { name = "vine" }, { name = "clay" }]
"""


def trial_of(means, by="mixed"):
    trial = parse_trial(TOML.replace("mixed", by))
    cells = [f"T{t},{NAMES[v]},{means[t, v]:.3f}" for t, v in np.ndindex(means.shape)]
    rows = "\n".join(["taster,variant,texture", *cells]).encode()
    table, _ = build_table(trial, FolderTables(scores=(read_table(rows, "scores.csv"),)))
    results = compare_trial(trial, table)
    return trial, table, results


def analysis_of(trial, table, results):
    return Analysis(
        folder="flags",
        fingerprint="0" * 64,
        trial=trial,
        table=table,
        results=results,
        made=None,
        notes=(),
        standing=Standing(),
        tables=FolderTables(),
    )


def disputed(by, wide=0, tasters=10):
    """A trial in which one variant spreads wide and the procedures disagree on oak."""
    spreads = np.where(np.arange(4) == wide, 2.0, 0.5)
    for seed in range(400):
        means = np.clip(panel(spreads, tasters=tasters, seed=seed, habit=0.3), 0.1, 9.9)
        means[:, 1] = np.clip(means[:, 1] + 0.9, 0.1, 9.9)
        trial, table, results = trial_of(means, by)
        oak = results[0].comparisons[0]
        flags = [(flag.kind, flag.variant) for flag in results[0].flags]
        if {oak.verdict, oak.verdict_by_other} == {"different", "open"} and flags == [
            ("spread", NAMES[wide])
        ]:
            record = trial_record(analysis_of(trial, table, results))
            return results[0].flags[0], oak, record["attributes"][0]
    raise AssertionError("no such trial")


def test_a_verdict_in_dispute_says_which_procedure_to_trust_and_why():
    flag, oak, record = disputed("mixed")
    ratio = number(flag.value, 1)
    why = f"the control’s scores spread {ratio} times wider than the others’"
    assert oak.because.endswith(f", and is the safer one here: {why}.")
    assert ". The rank comparison would call it" in oak.because
    told = {"kind": "spread", "variant": "plain", "value": flag.value, "tasters": 10}
    assert record["flags"] == [told]


def test_where_ranks_decide_the_mixed_model_is_the_less_safe_one():
    _, oak, _ = disputed("ranks", wide=1)
    assert re.search(
        r"\. The mixed model would call it .*, but is the less safe one here: the scores of “Oak” "
        r"spread \d\.\d times wider than the others’\.$",
        oak.because,
    )


def test_the_spread_of_a_third_variant_is_not_blamed():
    _, oak, _ = disputed("mixed", wide=3)
    assert re.search(r"\. The rank comparison would call it [a-z ]+\.$", oak.because)


def test_ranks_that_can_say_nothing_are_not_recommended():
    trial, table, (result,) = trial_of(np.clip(panel((2.0, 0.5, 0.5, 0.5), tasters=10), 0, 10))
    flag = Flag(kind="spread", variant="oak", value=1.84, tasters=10)
    oak = result.comparisons[0]
    assert isinstance(oak.mixed, MixedContrast)
    assert isinstance(oak.ranks, RankContrast)
    clear = replace(oak.mixed, p_adjusted=0.001)
    mute = replace(oak.ranks, p_adjusted=0.25, smallest_p=0.25)
    changed = replace(result, flags=(flag,), others=(replace(oak, mixed=clear, ranks=mute),))
    (found,) = judge(trial, table, changed).others
    assert found.verdict == "different"
    assert found.because.endswith(
        ". The rank comparison would call it not settled, and could not call anything different; "
        "the mixed model is not safe here: the scores of “Oak” spread 1.8 times wider than the "
        "others’."
    )


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        (
            Flag(kind="low_end", variant="vine", value=0.4, tasters=12),
            "40\xa0% of the scores of “Vine” stand at the low end of the scale",
        ),
        (
            Flag(kind="high_end", variant="plain", value=0.25, tasters=12),
            "25\xa0% of the control’s scores stand at the high end of the scale",
        ),
    ],
)
def test_an_end_of_the_scale_in_words(flag, words):
    assert flag_words(parse_trial(TOML), flag) == words


def test_what_is_flagged_stands_in_the_table_the_limits_and_the_terminal():
    trial, table, results = trial_of(np.clip(panel((2.0, 0.7, 0.7, 0.7)), 0.1, 9.9))
    (flag,), found = results[0].flags, analysis_of(trial, table, results)
    words = flag_words(trial, flag)
    heads = dict(not_shown(found))
    assert (
        f"On texture {words} ({flag.tasters} tasters). Where scores spread unequally"
        in heads["What uneven scores hide."]
    )
    printed = " ".join(comparison_table(found).split())
    assert f" Note: {words} ({flag.tasters} tasters)." in printed
    assert dict(csv_files(found))["tables/flags.csv"] == (
        f"attribute,variant,kind,value,tasters\ntexture,plain,spread,{flag.value:.9g},{flag.tasters}\n"
    )
    even = replace(found, results=(replace(results[0], flags=()),))
    assert "What uneven scores hide." not in dict(not_shown(even))
    assert "Note:" not in comparison_table(even)


def test_a_flag_says_whose_scores_tell_it():
    means = np.clip(panel((3.0, 0.7, 0.7, 0.7), tasters=12), 0.1, 9.9)
    means[0, 1:] = np.nan  # with the control alone: no spread can be told from it
    means[1, 0] = 0.0
    means[2:5, 0] = 0.0
    spread, end = flags_of(means)
    assert (spread.kind, spread.tasters) == ("spread", 11)
    assert (end.kind, end.tasters) == ("low_end", 12)


@pytest.mark.slow
def test_a_wide_control_misleads_the_mixed_model_and_not_the_ranks():
    """The size of both tests, 12 tasters, the control spread three times wider than four others."""
    rng = np.random.default_rng(11)
    spreads, trials, alarms = np.array([3.0, 1.0, 1.0, 1.0, 1.0]), 2000, np.zeros(3)
    taster, variant = np.divmod(np.arange(60), 5)
    for _ in range(trials):
        means = 5 + rng.normal(size=(12, 1)) + rng.normal(size=(12, 5)) * spreads
        fit = compare_mixed(means.ravel(), taster, variant, control=0, alpha=0.05)
        ranks = compare_ranks(means, control=0, alpha=0.05, rng=rng)
        flags = find_flags(means, means.ravel(), variant, names=[*NAMES, "salt"], low=-20, high=30)
        alarms += (
            min(each.p_adjusted for each in fit.contrasts) <= 0.05,
            min(each.p_adjusted for each in ranks) <= 0.05,
            ("spread", "plain") in {(flag.kind, flag.variant) for flag in flags},
        )
    mixed, by_ranks, flagged = alarms / trials
    print(f"\nwide control: mixed {mixed:.3f}, ranks {by_ranks:.3f}, flagged {flagged:.3f}")  # noqa: T201
    assert mixed > 0.08
    assert by_ranks < 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)
    assert flagged > 0.9
