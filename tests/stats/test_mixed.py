"""Each variant against the control by the mixed model."""

from __future__ import annotations

import json
import math
from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_t, ttest_rel

from blindspoon.stats.mixed import compare_mixed
from blindspoon.stats.results import Interval, MixedFit, NoResult

DATA = Path(__file__).parents[1] / "data"
NAN = float("nan")
# Each example fits a model twice or more: half as many as for a property that costs nothing.
FEWER = settings(max_examples=settings.default.max_examples // 2)


def compare(score, taster, variant, control=0, alpha=0.05, **options):
    return compare_mixed(
        np.asarray(score, dtype=float),
        np.asarray(taster),
        np.asarray(variant),
        control=control,
        alpha=alpha,
        **options,
    )


def pairs(first, second, **options):
    n = len(first)
    score = np.concatenate([first, second])
    return compare(score, np.tile(np.arange(n), 2), np.repeat([0, 1], n), **options)


def by_integral(fit):
    """Dunnett's p of a complete trial, its correlations one half, with what scipy can promise."""
    k = len(fit.contrasts)
    joint = multivariate_t(shape=(1 + np.eye(k)) / 2, df=fit.contrasts[0].df, seed=1)
    limits = [np.full(k, abs(each.t)) for each in fit.contrasts]
    return pytest.approx([1 - joint.cdf(at, lower_limit=-at) for at in limits], abs=3e-4)


# --- published values ------------------------------------------------------------------------


def test_shoes_are_a_paired_t_test():
    # Box, Hunter and Hunter 1978
    table = pd.read_csv(DATA / "shoes_BHH.csv")
    (found,) = pairs(table["B"], table["A"]).contrasts
    assert (found.t, found.df) == pytest.approx((-3.3488765, 9), rel=1e-7)
    assert found.p_value == pytest.approx(0.008538781, rel=1e-6)
    assert found.p_adjusted == found.p_value
    assert (found.interval.low, found.interval.high) == pytest.approx(
        (-0.68695, -0.13305), abs=1e-5
    )


def test_sleep_is_a_paired_t_test():
    # Cushny and Peebles 1905, as in Student 1908
    table = pd.read_csv(DATA / "sleep_cushny_peebles.csv")
    first, second = (table.loc[table["group"] == group, "extra"].to_numpy() for group in (1, 2))
    (found,) = pairs(second, first).contrasts
    assert (found.t, found.df) == pytest.approx((-4.0621277, 9), rel=1e-7)
    assert found.p_value == pytest.approx(0.00283289, rel=1e-5)
    assert (found.interval.low, found.interval.high) == pytest.approx(
        (-2.45989, -0.70011), abs=1e-5
    )


def test_ergonomic_stools(published):
    # Pinheiro and Bates 2000; emmeans gives these t and, by simulation, p <.0001, .0008, .4456
    stools = published("ergoStool", taster="Subject", variant="Type", score="effort")
    fit = compare(stools.score, stools.taster, stools.variant)
    assert [each.variant for each in fit.contrasts] == [1, 2, 3]
    assert [each.t for each in fit.contrasts] == pytest.approx([7.498, 4.284, 1.285], abs=5e-4)
    expected = pytest.approx([0.0008, 0.4456], abs=1.5e-4)
    assert [each.p_adjusted for each in fit.contrasts[1:]] == expected
    assert fit.contrasts[0].p_adjusted < 1e-4
    assert fit.contrasts[0].interval.low == pytest.approx(2.581, abs=0.02)
    assert fit.contrasts[0].interval.high == pytest.approx(5.20, abs=0.02)
    assert fit.p_value == pytest.approx(3.9346e-7, rel=1e-4)
    assert (fit.taster_variant_sd, fit.batch_sd) == (None, None)


def test_machines(published):
    # Pinheiro and Bates 2000; p by scipy's integral of the multivariate t
    machines = published("Machines", taster="Worker", variant="Machine", score="score")
    fit = compare(machines.score, machines.taster, machines.variant)
    assert [each.p_adjusted for each in fit.contrasts] == by_integral(fit)
    assert fit.p_value == pytest.approx(0.00028555, rel=1e-4)
    assert fit.taster_variant_sd == pytest.approx(3.7295384, rel=1e-6)


def test_vascular_grafts(published):
    # Montgomery, Design and Analysis of Experiments, data from memory; t from emmeans
    grafts = published("montgomery_graft", taster="b", variant="p", score="y")
    fit = compare(grafts.score, grafts.taster, grafts.variant)
    assert [each.t for each in fit.contrasts] == pytest.approx([-0.725, -2.496, -4.512], abs=5e-4)
    assert [each.p_adjusted for each in fit.contrasts] == by_integral(fit)
    assert (fit.f, fit.df_den) == pytest.approx((8.10708, 15), abs=5e-6)


def test_fish_says_which_variance_is_zero(published):
    # ISO 8586-1:1993 annex B
    fish = published("iso8586_fish", taster="assessor", variant="sample", score="score")
    fit = compare(fish.score, fish.taster, fish.variant)
    assert fit.note.at_zero == ("taster:variant",)
    assert fit.taster_variant_sd == 0
    assert (fit.df_num, fit.df_den) == pytest.approx((5, 15), rel=1e-9)


def test_wine_bitterness_judged_from_two_bottles():
    # Randall 1989, Biometrical Journal 31, 781-793: judges, four treatments, two bottles each
    table = pd.read_csv(DATA / "randall_1989_wine.csv")
    treatment = pd.factorize(table["temp"] + table["contact"])[0]
    taster, bottle = pd.factorize(table["judge"])[0], pd.factorize(table["bottle"])[0]
    fit = compare(table["response"], taster, treatment, batch=bottle)
    assert fit.note.converged
    assert fit.batch_sd is not None
    assert fit.taster_variant_sd is not None
    # eight bottles less four treatments leave four df between bottles, if bottles differ at all
    assert all(3.9 < each.df < 28 for each in fit.contrasts)


# --- the design ------------------------------------------------------------------------------


def panel(seed, tasters=8, variants=4, sessions=2, missing=0.0):
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(range(tasters), range(sessions), range(variants), indexing="ij")
    t, s, v = (each.ravel() for each in grid)
    score = 5 + 0.5 * v + rng.normal(size=tasters)[t] + rng.normal(size=t.size)
    score += 0.7 * rng.normal(size=(tasters, variants))[t, v]
    score[rng.random(t.size) < missing] = NAN
    place = rng.permuted(np.tile(np.arange(variants), (tasters * sessions, 1)), axis=1).ravel() + 1
    return {"score": score, "taster": t, "variant": v}, {"session": s, "position": place}


def test_missing_scores_are_missing_and_not_zero():
    rows, _ = panel(1)
    dropped = np.array([3, 17, 40])
    gaps = rows | {"score": np.where(np.isin(np.arange(64), dropped), NAN, rows["score"])}
    assert compare(**gaps) == compare(**{k: np.delete(v, dropped) for k, v in rows.items()})


def test_term_for_repeats_comes_with_the_first_repeat():
    rows, _ = panel(2, sessions=1)
    assert compare(**rows).taster_variant_sd is None
    once_more = {"score": 6.1, "taster": 3, "variant": 2}
    repeated = {key: np.append(value, once_more[key]) for key, value in rows.items()}
    found = compare(
        **{
            k: np.append(v, {"score": 4.2, "taster": 4, "variant": 2}[k])
            for k, v in repeated.items()
        }
    )
    assert found.taster_variant_sd is not None


def test_repeats_that_never_differ_are_averaged():
    once, _ = panel(3, sessions=1)
    twice = {key: np.tile(value, 2) for key, value in once.items()}
    single, double = compare(**once), compare(**twice)
    assert double.contrasts == single.contrasts
    assert (double.residual_sd, double.taster_variant_sd) == (0.0, single.residual_sd)


def test_position_takes_out_what_the_first_cup_gains():
    rows, more = panel(4, tasters=12)
    gain = 3.0 * (more["position"] == 1)
    with_gain = rows | {"score": rows["score"] + gain}
    plain = compare(**rows, position=more["position"])
    found = compare(**with_gain, position=more["position"])
    assert found.note.position
    assert not compare(**rows).note.position
    for ours, theirs in zip(found.contrasts, plain.contrasts, strict=True):
        assert ours.difference == pytest.approx(theirs.difference, abs=1e-9)
        assert ours.se == pytest.approx(theirs.se, rel=1e-7)


def test_one_batch_a_variant_is_no_term():
    rows, _ = panel(5)
    assert compare(**rows, batch=rows["variant"] + 7) == compare(**rows)
    assert compare(**rows, batch=np.full(64, -1)) == compare(**rows)


def test_two_batches_a_variant_widen_the_intervals():
    rows, more = panel(6, tasters=10)
    batch = rows["variant"] * 2 + more["session"]
    shifts = np.array([1.5, -1.5, 1.0, -1.0, -1.2, 1.2, 0.8, -0.8])
    uneven = rows | {"score": rows["score"] + shifts[batch]}
    alone, batched = compare(**uneven), compare(**uneven, batch=batch)
    assert batched.batch_sd > 0.5
    for plain, wide in zip(alone.contrasts, batched.contrasts, strict=True):
        assert wide.se > 1.5 * plain.se
        assert wide.df == pytest.approx(4, abs=1.5)  # eight batches less four variants


def test_an_unnamed_control_beside_two_jars_each_keeps_alpha():
    # jar SD .6 of a cup's; without the batches .50 of such trials were falsely different
    rng, tasters, false, trials = np.random.default_rng(4), 14, 0, 60
    taster, variant = (each.ravel() for each in np.indices((tasters, 3)))
    batch = np.where(variant == 0, -1, 2 * variant + taster % 2)
    for _ in range(trials):
        jars = 0.6 * rng.normal(size=7)  # the last is the control's
        score = rng.normal(size=variant.size) + rng.normal(size=tasters)[taster] + jars[batch]
        found = compare(score, taster, variant, batch=batch)
        contrasts = () if isinstance(found, NoResult) else found.contrasts
        false += any(each.p_adjusted <= 0.05 for each in contrasts)
    assert false / trials <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / trials)


def test_a_batch_for_each_taster_alone_is_no_term():
    rows, _ = panel(7)
    own = rows["variant"] * 8 + rows["taster"]
    assert compare(**rows, batch=own) == compare(**rows)


def test_variants_nobody_tasted_get_no_contrast():
    rows, _ = panel(8)
    found = compare(**(rows | {"variant": rows["variant"] * 3}))
    assert [each.variant for each in found.contrasts] == [3, 6, 9]


def test_variants_apart_from_the_control_take_no_part():
    rows, _ = panel(9, variants=4)
    apart = np.where(rows["taster"] < 4, rows["variant"] < 2, rows["variant"] >= 2)
    found = compare(**{key: value[apart] for key, value in rows.items()})
    here = apart & (rows["variant"] < 2)
    assert found == compare(**{key: value[here] for key, value in rows.items()})


def test_intervals_and_p_values_agree():
    rows, more = panel(10, missing=0.1)
    for alpha in (0.01, 0.05, 0.2):
        for each in compare(**rows, alpha=alpha, position=more["position"]).contrasts:
            assert each.interval.excludes_zero() == (each.p_adjusted < alpha)
            # that of "alike" is 2 to 7 % wider than the two-sided one at 2 alpha
            if each.equivalence_interval.excludes_zero():
                assert each.p_adjusted < 2 * alpha
            assert each.equivalence_interval.excludes_zero() >= (each.p_adjusted < 1.4 * alpha)
            assert each.interval.low < each.equivalence_interval.low
            assert each.p_value <= each.p_adjusted


# --- what cannot be compared -----------------------------------------------------------------

REASONS = [
    ("Nobody scored the control", [5, 6, 4], [0, 1, 2], [1, 1, 2]),
    ("Nobody scored any variant but", [5, 6, 4], [0, 1, 2], [0, 0, 0]),
    ("No taster scored both", [5, 6, 4, 7], [0, 1, 2, 3], [0, 0, 1, 1]),
    ("Fewer than two tasters", [5, 6, 4, 7], [0, 0, 0, 0], [0, 0, 1, 1]),
    ("All scores are the same", [5, 5, 5, 5], [0, 0, 1, 1], [0, 1, 0, 1]),
    ("too few scores", [5, 6, 4], [0, 0, 1], [0, 1, 0]),
    ("exactly the same differences", [5, 6, 3, 4, 8, 9], [0, 0, 1, 1, 2, 2], [0, 1] * 3),
    ("Nobody scored the control", [NAN, NAN], [0, 1], [0, 0]),
    ("Nobody scored the control", [NAN, 4, NAN, 5], [0, 0, 1, 1], [0, 1, 0, 1]),
    ("Nobody scored the control", [], [], []),
]


@pytest.mark.parametrize(("reason", "score", "taster", "variant"), REASONS)
def test_says_why_there_is_no_comparison(reason, score, taster, variant):
    found = compare(score, np.array(taster, dtype=int), np.array(variant, dtype=int))
    assert isinstance(found, NoResult)
    assert reason in found.reason
    assert found.reason.endswith(".")


def test_position_that_goes_with_the_variant_is_said():
    rows, _ = panel(11)
    found = compare(**rows, position=rows["variant"] + 1)
    assert found == NoResult("Serving position and variant cannot be told apart in this design.")


# --- properties ------------------------------------------------------------------------------

trials = st.builds(
    panel,
    st.integers(0, 10**6),
    tasters=st.integers(3, 9),
    variants=st.integers(2, 5),
    sessions=st.integers(1, 2),
    missing=st.sampled_from([0.0, 0.15]),
)


def close(first, second, rel=1e-6):
    """Whether two results say the same, to rounding."""
    if isinstance(first, NoResult) or isinstance(second, NoResult):
        return first == second
    return numbers(first) == pytest.approx(numbers(second), rel=rel, abs=1e-7)


def numbers(fit):
    found = [fit.f, fit.df_den, fit.reml_criterion, fit.residual_sd, fit.taster_sd]
    for each in fit.contrasts:
        values = [getattr(each, field.name) for field in fields(each)[:-1]]
        found += [
            end for v in values for end in ((v.low, v.high) if isinstance(v, Interval) else (v,))
        ]
    return found


def changed(rows, **changes):
    return rows | {key: change(rows[key]) for key, change in changes.items()}


@FEWER
@given(trials, st.randoms(use_true_random=False))
def test_order_of_rows_and_names_of_tasters_do_not_matter(trial, random):
    rows, more = trial
    order = random.sample(range(rows["score"].size), rows["score"].size)
    names = np.array(random.sample(range(20), 9))
    shuffled = changed({k: v[order] for k, v in rows.items()}, taster=lambda t: names[t])
    place = more["position"]
    assert close(compare(**rows, position=place), compare(**shuffled, position=place[order]))


@FEWER
@given(trials, st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_units_and_origin_of_the_scale_do_not_matter(trial, origin, unit):
    rows, _ = trial
    plain, moved = compare(**rows), compare(**changed(rows, score=lambda y: origin + unit * y))
    if isinstance(plain, NoResult):
        assert moved == plain
        return
    for ours, theirs in zip(moved.contrasts, plain.contrasts, strict=True):
        assert ours.difference == pytest.approx(unit * theirs.difference, rel=1e-6, abs=1e-6 * unit)
        assert ours.interval.high == pytest.approx(
            unit * theirs.interval.high, rel=1e-6, abs=1e-6 * unit
        )
        assert (ours.df, ours.p_adjusted) == pytest.approx((theirs.df, theirs.p_adjusted), rel=1e-5)


@FEWER
@given(trials, st.randoms(use_true_random=False))
def test_names_of_variants_do_not_matter(trial, random):
    rows, _ = trial
    names = np.array(random.sample(range(9), 5))
    plain = compare(**rows)
    renamed = compare(**changed(rows, variant=lambda v: names[v]), control=int(names[0]))
    if isinstance(plain, NoResult):
        assert renamed == plain
        return
    found = {each.variant: each for each in renamed.contrasts}
    for each in plain.contrasts:
        other = found[int(names[each.variant])]
        assert (other.difference, other.se, other.df) == pytest.approx(
            (each.difference, each.se, each.df), rel=1e-6, abs=1e-9
        )
        assert other.p_adjusted == pytest.approx(each.p_adjusted, rel=2e-3)


@FEWER
@given(trials)
def test_swapping_control_and_variant_flips_the_sign(trial):
    rows, _ = trial
    there, back = compare(**rows, control=0), compare(**rows, control=1)
    if isinstance(there, NoResult) or isinstance(back, NoResult):
        return
    first = next(each for each in there.contrasts if each.variant == 1)
    second = next(each for each in back.contrasts if each.variant == 0)
    assert first.difference == pytest.approx(-second.difference, rel=1e-6, abs=1e-9)
    assert (first.se, first.df, first.p_value) == pytest.approx(
        (second.se, second.df, second.p_value), rel=1e-6
    )


@given(st.integers(0, 10**6), st.integers(2, 12))
def test_two_variants_once_each_are_a_paired_t_test(seed, tasters):
    rng = np.random.default_rng(seed)
    both = rng.normal(size=(tasters, 1)) * 2 + rng.normal(size=(tasters, 2))
    if np.cov(both.T)[0, 1] <= 0:
        return  # the taster variance is zero then, and the test another
    (found,) = pairs(*both.T).contrasts
    expected = ttest_rel(both[:, 1], both[:, 0])
    assert (found.t, found.p_value) == pytest.approx(
        (expected.statistic, expected.pvalue), rel=1e-6
    )


@given(st.integers(0, 10**6), st.data())
def test_anything_gives_finite_numbers_or_a_reason(seed, data):
    tasters, variants = data.draw(st.integers(1, 6)), data.draw(st.integers(1, 4))
    rows, more = panel(
        seed,
        tasters,
        variants,
        data.draw(st.integers(1, 3)),
        data.draw(st.sampled_from([0, 0.2, 0.6])),
    )
    rounding = data.draw(st.sampled_from([0, 1, 3]))
    score = np.round(rows["score"] / rounding) * rounding if rounding else rows["score"]
    batch = np.random.default_rng(seed).integers(-1, 2, score.size)
    found = compare(
        **(rows | {"score": score}),
        control=data.draw(st.integers(0, variants)),
        position=data.draw(st.sampled_from([None, more["position"]])),
        batch=data.draw(st.sampled_from([None, batch])),
    )
    if isinstance(found, MixedFit):
        assert found.note.converged
        assert all(map(math.isfinite, numbers(found)))
    else:
        assert found.reason


def test_the_same_bytes_every_time():
    rows, more = panel(12, missing=0.2)
    first, second = (compare(**rows, position=more["position"]) for _ in range(2))
    assert json.dumps(numbers(first)) == json.dumps(numbers(second))
