"""Effects of the place of a cup and of the cup before it, against statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from blindspoon.serving.designs import williams
from blindspoon.stats.results import NoResult


def tasting(seed, tasters=8, variants=4, sessions=2, lost=0):
    """Scores in Williams orders, as a frame; no effect of order."""
    rng = np.random.default_rng(seed)
    square = williams(variants)
    rows = [
        (session, taster, place + 1, variant)
        for session in range(sessions)
        for taster in range(tasters)
        for place, variant in enumerate(square[(taster + session) % len(square)])
    ]
    frame = pd.DataFrame(rows, columns=["session", "taster", "position", "variant"])
    own = rng.normal(0, 1, (tasters, variants))[frame.taster, frame.variant]
    frame["score"] = 5 + own + rng.normal(0, 1, len(frame))
    frame["sitting"] = frame.taster * sessions + frame.session
    frame["before"] = frame.groupby("sitting").variant.shift(fill_value=-1)
    return frame.drop(frame.index[rng.choice(len(frame), lost, replace=False)])


@pytest.fixture
def studied(study):
    def made(frame):
        columns = {name: frame[name].to_numpy() for name in ("session", "position")}
        taster, variant, score = (frame[name].to_numpy() for name in ("taster", "variant", "score"))
        return study(taster, variant, score, **columns)

    return made


def compared(frame, terms, more):
    small = smf.ols(f"score ~ {terms}", frame).fit()
    whole = smf.ols(f"score ~ {terms} + {more}", frame).fit()
    return whole, anova_lm(small, whole).iloc[1]


@pytest.mark.parametrize("lost", [0, 6])
def test_position_is_that_of_statsmodels(studied, lost):
    frame = tasting(3, lost=lost)
    found = studied(frame)
    whole, reference = compared(frame, "C(sitting) + C(variant)", "C(position)")
    assert found.position.test.f == pytest.approx(reference["F"])
    assert found.position.test.df_num == 3
    assert found.position.test.df_den == whole.df_resid
    assert found.position.test.p_value == pytest.approx(reference["Pr(>F)"])
    assert found.position.test.residual_sd == pytest.approx(np.sqrt(whole.scale))


def test_effects_and_intervals_are_those_of_statsmodels(studied):
    frame = tasting(5, lost=5)
    found = studied(frame)
    whole, _ = compared(frame, "C(sitting) + C(variant)", "C(position)")
    names = [f"C(position)[T.{place}]" for place in (2, 3, 4)]
    first = np.array([[-1 / 3 if name in names else 0.0 for name in whole.params.index]])
    test = whole.t_test(first)
    assert found.first_cup.effect == pytest.approx(float(test.effect[0]))
    interval = (found.first_cup.interval.low, found.first_cup.interval.high)
    assert interval == pytest.approx(tuple(test.conf_int(0.05)[0]))
    effects = np.array([0.0, *whole.params[names]])
    own = [each.effect for each in found.position.effects]
    assert own == pytest.approx(effects - effects.mean())
    assert [each.label for each in found.position.effects] == ["1", "2", "3", "4"]


def test_carry_over_is_that_of_statsmodels(studied):
    frame = tasting(7)
    found = studied(frame)
    base = "C(sitting) + C(variant) + C(position)"
    frame = frame.assign(last=(frame.before == 3) * 1.0)
    for k in range(3):  # set against the last variant; nothing where there was no cup before
        frame[f"b{k}"] = (frame.before == k) * 1.0 - frame["last"]
    whole, reference = compared(frame, base, "b0 + b1 + b2")
    assert found.carry_over.test.f == pytest.approx(reference["F"])
    assert found.carry_over.test.df_num == 3
    assert found.carry_over.test.df_den == whole.df_resid
    own = [each.effect for each in found.carry_over.effects]
    assert own[:3] == pytest.approx(list(whole.params[["b0", "b1", "b2"]]))
    assert sum(own) == pytest.approx(0)
    assert [each.label for each in found.carry_over.effects] == ["v0", "v1", "v2", "v3"]


def test_a_planted_effect_is_found(studied):
    frame = tasting(11, tasters=40)
    frame["score"] += 1.5 * (frame.position == 1) + 1.0 * (frame.before == 2)
    found = studied(frame)
    assert found.first_cup.interval.low > 0
    assert found.carry_over.effects[2].interval.low > 0
    assert found.carry_over.effects[0].interval.low < 0


def test_a_cup_whose_forerunner_is_not_known_is_left_out(studied):
    frame = tasting(13).query("not (taster == 0 and position == 2)")
    found = studied(frame)
    cups = sum(each.cups for each in found.carry_over.effects)
    assert cups == (frame.before >= 0).sum() - 2  # the third cup in either session


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"position": 0}, "not known at which place"),
        ({"position": 1}, "the same place"),
    ],
)
def test_why_there_is_no_effect_of_position(studied, change, words):
    found = studied(tasting(1).assign(**change))
    assert words in found.position.reason
    assert words in found.first_cup.reason
    assert isinstance(found.carry_over, NoResult)


def test_one_order_for_all_tells_nothing(studied):
    frame = tasting(1).assign(position=lambda rows: rows.variant + 1)
    found = studied(frame)
    assert "do not vary enough" in found.position.reason
    assert "do not vary enough" in found.carry_over.reason


def test_one_taster_with_few_cups_tells_nothing(studied):
    found = studied(tasting(1, tasters=1))
    assert isinstance(found.position, NoResult)
    assert isinstance(found.carry_over, NoResult)


def test_labels_of_tasters_and_the_order_of_rows_do_not_matter(studied):
    frame = tasting(17, lost=4)
    moved = frame.sample(frac=1, random_state=2).assign(taster=lambda rows: 7 - rows.taster)
    before, after = studied(frame), studied(moved)
    assert before.position.test.f == pytest.approx(after.position.test.f)
    assert before.carry_over.test.f == pytest.approx(after.carry_over.test.f)


@pytest.mark.slow
def test_false_alarms_are_as_rare_as_they_should_be(studied):
    # Tasters see the variants differently; neither place nor forerunner does anything.
    rounds = 1000
    found = [studied(tasting(seed, tasters=8, sessions=1 + seed % 2)) for seed in range(rounds)]
    for name in ("position", "carry_over"):
        alarms = np.mean([getattr(each, name).test.p_value < 0.05 for each in found])
        assert abs(alarms - 0.05) < 3 * np.sqrt(0.05 * 0.95 / rounds), name
