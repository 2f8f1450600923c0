"""Every alternative against the same trial read and compared from the start."""

from __future__ import annotations

import json
import math
import time
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings import sensitivity as module
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.sensitivity import study_influence
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.ordinal import compare_ordinal
from blindspoon.stats.results import Interval, NoResult

SESSION, TASTER = 0, 1


def kinds(outcomes):
    return {each.key: each.verdict for each in outcomes}


def compared(results):
    return [each for result in results for each in result.comparisons]


def judged(results):
    return {(each.attribute.name, each.variant.name): each.verdict for each in compared(results)}


def numbers(results):
    """What the procedure that decides finds."""
    return {
        (each.attribute.name, each.variant.name): (each.found.difference, each.found.p_adjusted)
        for each in compared(results)
        if each.found is not None
    }


def agrees(alternative, cups, balanced=None):
    """Hold an alternative against the trial without those rows."""
    results = cups.judged(balanced=balanced)
    again, exact = judged(results), numbers(results)
    assert kinds(alternative.outcomes) == {
        each.key: again.get(each.key, "open") for each in alternative.outcomes
    }
    for each in alternative.outcomes:
        if each.key not in exact:
            assert each.reason
            continue
        difference, p = exact[each.key]
        assert each.difference == pytest.approx(difference, rel=1e-8, abs=1e-10)
        assert each.p_adjusted == pytest.approx(p, rel=1e-6, abs=1e-9)


def study_of(cups):
    """What one kind of alternative is made from, without the others."""
    return cups.trial, cups.table, compare_trial(cups.trial, cups.table)


@pytest.mark.parametrize("by", ["mixed", "ranks"])
@pytest.mark.parametrize(
    ("tasters", "sessions", "missing"), [(3, 1, 0.0), (4, 2, 0.15), (5, 1, 0.2)]
)
def test_without_a_taster_is_the_trial_without_their_rows(panel, by, tasters, sessions, missing):
    cups = panel(tasters, sessions, missing=missing, by=by)
    alternatives = [*module._in_turn(*study_of(cups), "taster")]
    assert [each.left_out for each in alternatives] == [f"T{t:02}" for t in range(tasters)]
    for taster, each in enumerate(alternatives):
        agrees(each, cups.without(TASTER, taster))


@pytest.mark.parametrize("by", ["mixed", "ranks"])
def test_without_one_of_those_who_agree_exactly_the_others_agree(panel, by):
    cups = panel(5, effect=2.0, noise=0.0, by=by)
    for taster, each in enumerate(module._in_turn(*study_of(cups), "taster")):
        found = kinds(each.outcomes)
        assert (found["texture", "oak"], found["texture", "vine"]) == ("open", "alike")
        agrees(each, cups.without(TASTER, taster))


@pytest.mark.parametrize("by", ["mixed", "ranks"])
def test_without_a_session_is_the_trial_without_its_rows(panel, by):
    cups = panel(5, 3, missing=0.1, by=by)
    alternatives = [*module._in_turn(*study_of(cups), "session")]
    assert [each.left_out for each in alternatives] == ["1", "2", "3"]
    for session, each in enumerate(alternatives, 1):
        agrees(each, cups.without(SESSION, session))


def test_the_model_without_a_taster_keeps_the_place_of_the_cup(panel):
    cups = panel(6, 1, placed=True)
    assert cups.table.balanced
    for taster, each in enumerate(module._in_turn(*study_of(cups), "taster")):
        agrees(each, cups.without(TASTER, taster), balanced=True)


@pytest.mark.parametrize("by", ["mixed", "ranks"])
def test_the_other_procedure_says_what_the_verdict_says_of_it(panel, by):
    for seed in range(3):
        results, found = panel(7, effect=0.9, seed=seed, by=by).study()
        (other,) = found.of("procedure")
        both = list(zip(other.outcomes, compared(results), strict=True))
        assert all(each.verdict == declared.verdict_by_other for each, declared in both)
        assert all(each.changed for each, declared in both if declared.disputed)


def one_loud_taster(cups):
    """Eight tasters find oak a little crisper; the ninth finds the opposite, and loudly."""
    rows = []
    for taster in range(9):
        for variant in range(4):
            crisp = 5 + (0.8 + 0.1 * (taster % 3)) * (variant == 1) + 0.2 * ((taster + variant) % 2)
            if taster == 8 and variant == 1:
                crisp = 1.0
            rows.append((1, taster, 1, variant, crisp, 5.0 + (taster + variant) % 2))
    return cups(tuple(rows))


def test_a_verdict_that_hangs_on_one_taster_is_found(cups):
    results, found = one_loud_taster(cups).study()
    assert judged(results)["texture", "oak"] == "open"
    ((who, outcome),) = found.moved("taster")["texture", "oak"]
    assert (who, outcome.verdict, outcome.direction) == ("T08", "different", 1)


def test_an_opposite_difference_is_a_change(cups):
    made = one_loud_taster(cups)
    result, *_ = compare_trial(made.trial, made.table)
    oak, *_ = result.comparisons
    crisper = replace(oak.mixed, p_adjusted=0.001)
    found = replace(oak, mixed=crisper, verdict="different")
    softer = replace(crisper, difference=-crisper.difference)
    judge = partial(module.judged, result, found)
    assert not judge(crisper).changed
    assert judge(softer).changed
    assert judge(replace(crisper, p_adjusted=0.9)).changed
    small = judge(replace(softer, equivalence_interval=Interval(-0.5, -0.1)))
    assert (small.verdict, small.direction) == ("slight", -1)


def test_without_one_of_two_tasters_nothing_is_settled(panel):
    for by in ("mixed", "ranks"):
        _, found = panel(2, by=by, effect=4.0).study()
        for each in found.of("taster"):
            assert {outcome.verdict for outcome in each.outcomes} == {"open"}


def test_the_rounds_of_one_taster_stay_together(panel):
    results, found = panel(1, 6, effect=3.0, placed=True).study()
    assert kinds(found.declared) == judged(results)
    reasons = {each.name: each.reason for each in found.not_done}
    assert reasons["session"].startswith("Comparing the rounds of one taster again")
    assert [each.verdict for each in found.of("procedure")[0].outcomes] == [None] * 6


def test_what_is_not_done_has_a_reason(panel):
    _, found = panel(1, placed=True).study()
    reasons = {each.name: each.reason for each in found.not_done}
    assert reasons["taster"] == "There is one taster only, on whom everything hangs."
    assert reasons["session"] == "There was one session only."


@pytest.mark.parametrize(("tasters", "done"), [(60, True), (61, False)])
def test_more_than_sixty_tasters_are_not_left_out_in_turn(panel, monkeypatch, tasters, done):
    cups = panel(tasters, 2)
    monkeypatch.setattr(module, "judge_again", lambda *_: [])
    study = study_of(cups)
    found = list(module._in_turn(*study, "taster"))
    assert len(found) == (60 if done else 1)
    if not done:
        assert found[0].reason.startswith("With 61 tasters one of them can hardly move an answer")
    assert [way.left_out for way in module._in_turn(*study, "session")] == ["1", "2"]


def test_too_many_scores_are_not_fitted_again(panel, monkeypatch):
    monkeypatch.setattr(module, "MOST_SCORES", 100)
    cups = panel(6, 2, placed=True)
    found = study_influence(cups.trial, cups.table, cups.judged())
    reasons = {each.name: each.reason for each in found.not_done}
    assert reasons["taster"] == ("It would take 12 refits of 48 cups; up to 100 it is done.")
    assert "session" in {*reasons, *(each.name for each in found.alternatives)}


@settings(max_examples=3, deadline=None)
@given(seed=st.integers(0, 1000), by=st.sampled_from(["mixed", "ranks"]), tasters=st.integers(2, 3))
def test_neither_the_order_of_rows_nor_the_labels_of_tasters_matter(panel, seed, by, tasters):
    cups = panel(tasters, 2, seed=seed, missing=0.1, by=by)
    rng = np.random.default_rng(seed)
    label = rng.permutation(tasters)
    rows = [cups.rows[at] for at in rng.permutation(len(cups.rows))]
    moved = replace(cups, rows=tuple((row[0], int(label[row[1]]), *row[2:]) for row in rows))
    _, first = cups.study()
    _, second = moved.study()

    def told(found, names):
        return {
            (each.name, names(each.left_out), *outcome.key): (outcome.verdict, outcome.changed)
            for each in found.alternatives
            for outcome in each.outcomes
        }

    renamed = {f"T{old:02}": f"T{new:02}" for old, new in enumerate(label)}
    assert told(first, lambda name: renamed.get(name, name)) == told(second, lambda name: name)


def test_swapping_the_names_of_variants_swaps_their_outcomes(panel, cups):
    first = panel(7, seed=4, effect=1.0)
    swap = {1: 2, 2: 1}
    second = cups(tuple((*row[:3], swap.get(row[3], row[3]), *row[4:]) for row in first.rows))
    names = {"oak": "vine", "vine": "oak"}
    one, other = (each.study()[1] for each in (first, second))
    for a, b in zip(one.of("taster"), other.of("taster"), strict=True):
        expected = {(of, names.get(it, it)): x.verdict for x in a.outcomes for of, it in [x.key]}
        assert kinds(b.outcomes) == expected


def finite(value):
    if isinstance(value, dict):
        return all(finite(each) for each in value.values())
    if isinstance(value, list):
        return all(finite(each) for each in value)
    return not isinstance(value, float) or math.isfinite(value)


@pytest.mark.parametrize("folder", ["allotment-cucumbers", "randall-1989-wine"])
def test_the_trials_of_the_repository(analysis_of, further_of, folder):
    found, influence = analysis_of(folder), further_of(folder).influence
    assert kinds(influence.declared) == judged(found.results)
    assert len(influence.of("taster")) == len(found.table.tasters)
    record = influence.to_record(shown=True)
    assert finite(record)
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert len(record["outcomes"]) == sum(len(each.outcomes) for each in influence.alternatives)


def test_ordered_categories_are_those_of_their_own_module(panel):
    cups = panel(14, effect=1.4, seed=5)
    results, found = cups.study()
    (ordered,) = found.of("ordinal")
    names = [variant.name for variant in cups.trial.variants]
    declared = {each.key: each for each in found.declared}
    for each in ordered.outcomes:
        index = [attribute.name for attribute in cups.trial.attributes].index(each.attribute.name)
        rows = (cups.table.scores[:, index], cups.table.taster, cups.table.variant)
        alone = compare_ordinal(*rows, control=0)
        (contrast,) = (c for c in alone if names[c.variant] == each.variant.name)
        shown = contrast.p_adjusted <= 0.05
        assert each.verdict == ("different" if shown else "not_shown")
        assert each.direction == (np.sign(contrast.log_odds) if shown else 0)
        assert each.changed == (each.direction != declared[each.key].direction)
    assert {each.verdict for each in ordered.outcomes} == {"different", "not_shown"}
    assert judged(results)["texture", "oak"] == "different"


def test_scores_that_run_off_are_not_ordered_and_change_nothing(cups, panel):
    base = panel(6)
    apart = cups(tuple((*row[:4], 9.0 if row[3] == 1 else row[4] / 2, row[5]) for row in base.rows))
    _, found = apart.study()
    (ordered,) = found.of("ordinal")
    texture = [each for each in ordered.outcomes if each.attribute.name == "texture"]
    assert {(each.verdict, each.changed) for each in texture} == {(None, False)}
    assert all("no limit" in each.reason for each in texture)


def test_without_names_no_taster_can_be_told(panel):
    cups = panel(6)
    _, found = cups.study()
    text = json.dumps(found.to_record(shown=False))
    assert not any(name in text for name in cups.table.tasters)
    order = [2, 0, 5, 1, 4, 3]
    moved = replace(cups, rows=tuple(sorted(cups.rows, key=lambda row: order[row[TASTER]])))
    again = moved.study()[1].to_rows(shown=False)
    for one, other in zip(found.to_rows(shown=False), again, strict=True):
        assert one.keys() == other.keys()
        assert one["verdict"] == other["verdict"]
    assert {row["left_out"] for row in found.to_rows(shown=True)} >= set(cups.table.tasters)


def test_a_deciding_procedure_without_a_result_leaves_all_open(cups, panel):
    base = panel(3)  # from four on, tasters who all agree have a verdict of their own
    constant = cups(tuple((*row[:4], 5.0, row[5]) for row in base.rows))
    (result, _), found = constant.study()
    assert isinstance(result.mixed, NoResult)
    assert {each.verdict for each in result.comparisons} == {"open"}
    assert not any(key[0] == "texture" for key in found.moved("taster"))


def wide_trial(tasters, by, sessions=2):
    """Five variants, four attributes; as many tasters as wanted."""
    names = ("texture", "salt", "sour", "funk")
    trial = parse_trial(
        "trial = { title = 'Wide', control = 'v0', seed = 1 }\n"
        f"decision = {{ declared = 2026-09-04, by = '{by}', margin = 1 }}\n"
        "scale = { low = 0, high = 10 }\n"
        f"variant = [{', '.join(f'{{ name = {v!r} }}' for v in ('v0', 'v1', 'v2', 'v3', 'v4'))}]\n"
        f"attribute = [{', '.join(f'{{ name = {name!r} }}' for name in names)}]\n"
    )
    rng = np.random.default_rng(3)
    shape = (sessions, tasters, 5)
    session, taster, variant = (each.ravel() for each in np.indices(shape))
    raw = 5 + rng.normal(size=(tasters, 4))[taster] + rng.normal(size=(taster.size, 4))
    raw[:, 0] += np.array([0, 0.6, -1, 0.2, 0])[variant]
    place = rng.permuted(np.tile(np.arange(1, 6), (sessions * tasters, 1)), axis=1).ravel()
    return trial, ScoreTable(
        tasters=tuple(f"T{t}" for t in range(tasters)),
        sessions=tuple(str(s + 1) for s in range(sessions)),
        taster=taster,
        session=session,
        variant=variant,
        batch=np.full(taster.size, -1),
        batches=(),
        position=place,
        scores=np.clip(np.round(raw), 0, 10),
        coded=True,
        balanced=by == "mixed",
        remarks=(),
        left_out=(),
    )


def seconds(trial, table):
    """Time of one core for the comparison and for the study of it, and what was found."""
    started = time.process_time()
    results = compare_trial(trial, table)
    compared_at = time.process_time()
    found = study_influence(trial, table, results)
    return compared_at - started, time.process_time() - compared_at, found


@pytest.mark.bench
@pytest.mark.parametrize("by", ["mixed", "ranks"])
@pytest.mark.parametrize("tasters", [12, 19, 30, 60])
def test_leaving_one_out_takes_no_longer_than_comparing_twice(tasters, by):
    comparing, taken, found = seconds(*wide_trial(tasters, by))
    ways = len(found.of("taster")) + len(found.of("session"))
    print(f"\n{tasters} tasters x 5 x 4 x 2 by {by}: {taken:.2f} s, {comparing:.2f} s to compare")  # noqa: T201
    assert ways == tasters + 2
    assert taken < 2 * ways * comparing


@pytest.mark.bench
@pytest.mark.parametrize("sessions", [1, 2])
def test_a_hundred_thousand_tasters_are_studied_in_less_time_than_compared(sessions):
    comparing, taken, found = seconds(*wide_trial(100_000, "mixed", sessions))
    print(f"\n100,000 tasters, {sessions} sessions: {taken:.2f} s, {comparing:.2f} s to compare")  # noqa: T201
    assert "taster" in {each.name for each in found.not_done}
    assert taken < comparing
