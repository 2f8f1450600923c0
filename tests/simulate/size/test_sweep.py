"""The whole of sizing: what it gives, for any number of workers, on any backend."""

from __future__ import annotations

import dataclasses
import json
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import joblib
import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from blindspoon.errors import DesignError
from blindspoon.findings.compare import compare_trial
from blindspoon.scores.score_table import ScoreTable
from blindspoon.simulate.size import (
    PRECISE,
    SESSIONS,
    TASTERS,
    WANTED,
    question_of,
    size,
    size_panel,
    sized_attribute,
)
from blindspoon.simulate.size_results import Spread, common_practice
from blindspoon.simulate.trials import MOST, PanelSize, PanelTrials, sweep
from tests.calibration import situations
from tests.calibration.situations import Situation, truths

SMALL = {"tasters": [5, 8, 12], "sessions": [1, 2], "trials": 600}


def sized(trial, **options):
    spread = common_practice(trial.attributes[0].scale)
    return size(trial, spread, **{**SMALL, **options})


def cell_of(sizing, *panel):
    found = {(cell.tasters, cell.sessions, cell.procedure): cell for cell in sizing.cells}
    return found[panel]


def as_table(scores, positions, attributes):
    """One simulated trial as `compare` would read it: scores of shape (t, k, s)."""
    taster, variant, session = (each.ravel() for each in np.indices(scores.shape))
    none = np.full(taster.size, -1)
    return ScoreTable(
        tasters=tuple(f"T{n}" for n in range(scores.shape[0])),
        sessions=tuple(f"{n}" for n in range(scores.shape[2])),
        taster=taster,
        session=session,
        variant=variant,
        batch=none,
        batches=(),
        position=(positions @ np.arange(1, scores.shape[1])).ravel().astype(np.int64) + 1,
        scores=np.tile(scores.reshape(-1, 1), attributes),
        coded=True,
        balanced=True,
        remarks=(),
        left_out=(),
    )


def through_compare(trial, trials, sessions, shifts):
    """Simulate trials of nine tasters: what `compare_trial` finds of each, and what is promised."""
    trial = dataclasses.replace(trial, attributes=(sized_attribute(trial),))
    spread = common_practice(trial.attributes[0].scale)
    question = question_of(dataclasses.replace(trial, seed=5), spread, 120)
    question = dataclasses.replace(question, trials=trials)
    simulated = PanelTrials(question, PanelSize(tasters=9, sessions=sessions, variants=3))
    tables = {
        shift: [
            as_table(each, simulated.positions, len(trial.attributes))
            for each in simulated.scores(shift, 0, trials // (2 if shift else 1))
        ]
        for shift in shifts
    }
    found = {
        shift: [compare_trial(trial, table)[0].comparisons for table in tables[shift]]
        for shift in tables
    }
    return found, size_panel(question, 9, sessions)


@pytest.fixture(scope="module", params=[60, pytest.param(120, marks=pytest.mark.slow)])
def compared(make_trial, request):
    """Simulated trials through `compare_trial`, one at a time, with a shift and without."""
    return through_compare(make_trial(margin=2.0), request.param, 2, (0.0, 2.0))


@pytest.mark.parametrize("by", ["mixed", "ranks"])
@pytest.mark.parametrize("shift", [0.0, 2.0])
def test_chances_count_the_verdicts_that_the_report_would_give(compared, by, shift):
    (found, cells), counted = compared, Counter()
    trials = len(found[shift])
    for place, comparisons in enumerate(found[shift]):
        verdicts = [(each.verdict, each.verdict_by_other) for each in comparisons]
        kinds = [verdict[by == "ranks"] for verdict in verdicts]
        counted["alike"] += kinds.count("alike")
        counted["all"] += kinds == ["alike", "alike"]
        counted["seen"] += kinds[place % 2] in {"different", "slight"}
    cell = next(cell for cell in cells if cell.procedure == by)
    if shift:
        assert counted["seen"] == round(trials * cell.chance_margin.value) > 20
    else:
        near = (
            1 if by == "mixed" else trials // 20
        )  # others are held at their medians, not estimates
        assert abs(counted["alike"] - 2 * trials * cell.chance_alike.value) <= near
        assert abs(counted["all"] - trials * cell.chance_all_alike.value) <= near
        assert 2 * counted["all"] + 5 < counted["alike"] > 20


def test_a_mean_that_hides_a_sitting_is_promised_to_be_alike_as_seldom_as_it_is(make_trial):
    found, (mixed, _) = through_compare(make_trial(margin=1.5), 40, 4, (0.0,))
    each = [one for comparisons in found[0.0] for one in comparisons]
    alike = sum(one.verdict == "alike" for one in each)
    assert alike == round(2 * 40 * mixed.chance_alike.value)
    assert 5 < alike < sum(one.found.equivalence_interval.within(1.5) for one in each)


@pytest.fixture(scope="module")
def hundred(make_trial):
    """Six panels, a hundred trials each, by one worker."""
    return sized(make_trial(), n_jobs=1, trials=100)


def test_any_number_of_workers_gives_the_same_and_tells_of_all_panels(make_trial, hundred):
    seen = []
    found = sized(
        make_trial(), n_jobs=2, trials=100, progress=lambda done, total: seen.append((done, total))
    )
    assert found == hundred
    assert seen == [(done, 6) for done in range(7)]


def test_blas_has_one_thread_in_a_sweep_and_as_many_as_before_after_it():
    def threads(*_):
        return {each["num_threads"] for each in threadpool_info() if each["user_api"] == "blas"}

    def sizes():
        with threadpool_limits(limits=2, user_api="blas"):
            return sweep(threads, [(1,)] * 3, 2, None), threads()

    with ThreadPoolExecutor(1) as side:  # as the workbench has one
        assert side.submit(sizes).result() == sizes() == ([{1}] * 3, {2})


@pytest.mark.slow
def test_the_result_is_the_same_on_a_dask_cluster(make_trial):
    distributed = pytest.importorskip("dask.distributed", reason="dask.distributed is missing")
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    )
    with cluster, distributed.Client(cluster), joblib.parallel_config(backend="dask"):
        found = sized(make_trial(), n_jobs=-1)
    assert found == sized(make_trial(), n_jobs=1)


def test_a_cell_does_not_depend_on_the_others(make_trial, hundred):
    alone = sized(make_trial(), tasters=[8], sessions=[2], trials=100)
    assert alone.cells == tuple(cell for cell in hundred.cells if cell in alone.cells)
    assert len(alone.cells) == 2


def test_another_seed_gives_other_trials_and_about_the_same_chances(make_trial):
    trials = (dataclasses.replace(make_trial(), seed=seed) for seed in (1, 2))
    first, second = (sized(trial, tasters=[8]) for trial in trials)
    assert first.cells != second.cells
    for one, other in zip(first.cells, second.cells, strict=True):
        gap = abs(one.chance_twice.value - other.chance_twice.value)
        assert gap <= 4 * np.hypot(one.chance_twice.se, other.chance_twice.se)


def test_more_tasters_and_sessions_see_more(make_trial):
    found = sized(make_trial(), trials=1000)
    for by in ("mixed", "ranks"):
        for sessions in (1, 2):
            row = [cell_of(found, tasters, sessions, by) for tasters in (5, 8, 12)]
            assert sorted(row, key=lambda cell: cell.chance_twice.value) == row
            assert sorted(row, key=lambda cell: cell.chance_alike.value) == row
        small, large = cell_of(found, 12, 1, by), cell_of(found, 12, 2, by)
        assert small.chance_margin.value < large.chance_margin.value
        assert small.smallest_seen > large.smallest_seen


def test_the_difference_seen_8_times_in_10_is_seen_8_times_in_10(make_trial):
    """Sized again with that difference as the margin, and other draws."""
    for by in ("mixed", "ranks"):
        seen = cell_of(sized(make_trial(), tasters=[12], sessions=[2]), 12, 2, by).smallest_seen
        other = dataclasses.replace(make_trial(margin=seen), seed=99)
        again = sized(other, tasters=[12], sessions=[2], trials=2000)
        chance = cell_of(again, 12, 2, by).chance_margin
        error = np.hypot(chance.se, np.sqrt(WANTED * (1 - WANTED) / SMALL["trials"]))
        assert abs(chance.value - WANTED) < 3 * error


def test_drawing_stops_where_every_chance_is_precise(make_trial):
    """A share of a half needs 2,500 trials for an error of .01, one of .02 no more than 250."""
    found = sized(make_trial(), trials=None, tasters=[8, 12], sessions=[1])
    fixed = sized(make_trial(), trials=MOST, tasters=[8, 12], sessions=[1])
    assert found.trials == MOST
    for few, many in zip(found.cells, fixed.cells, strict=True):
        for name in ("chance_margin", "chance_twice", "chance_alike", "chance_false"):
            one, other = getattr(few, name), getattr(many, name)
            assert 0.6 * other.se <= one.se <= PRECISE + 1e-12
            assert abs(one.value - other.value) <= 4 * PRECISE
    assert found != fixed


def test_what_cannot_be_seen_has_its_reason(make_trial):
    cell = cell_of(sized(make_trial(), tasters=[5], sessions=[1]), 5, 1, "ranks")
    assert cell.smallest_seen is None
    assert cell.smallest_p == 0.0625
    assert cell.to_record()["not_seen"].startswith("so few can show no difference")
    spread = common_practice(make_trial().attributes[0].scale)
    noisy = dataclasses.replace(spread, residual_sd=20.0)
    found = size(make_trial(), noisy, tasters=[4], sessions=[1], trials=200)
    assert cell_of(found, 4, 1, "mixed").not_seen.startswith("no difference that fits")


def test_the_record_is_plain_json(hundred):
    record = json.loads(json.dumps(hundred.to_record(), allow_nan=False))
    assert record["attribute"] == "texture"
    assert len(record["cells"]) == 12
    first = record["cells"][0]
    assert set(first["chance_margin"]) == {"value", "se"}
    assert first["smallest_p"] == 2.0 ** (1 - first["tasters"])


def test_primary_attributes_share_alpha(make_trial):
    trial = make_trial()
    rule = dataclasses.replace(trial.decision, primary=("texture", "saltiness"))
    found = sized(dataclasses.replace(trial, decision=rule), tasters=[6], sessions=[1], trials=100)
    assert found.alpha == 0.025
    assert cell_of(found, 6, 1, "ranks").smallest_seen is None


def test_the_default_sizes_include_what_is_planned(make_trial):
    trial = make_trial(by="ranks", more='[tasting]\ntasters = 7\n[[session]]\nname = "1"\n')
    found = sized(trial, tasters=None, sessions=None, trials=100, procedures=["ranks"])
    assert {cell.tasters for cell in found.cells} == {*TASTERS, 7}
    assert {cell.sessions for cell in found.cells} == set(SESSIONS)


def test_a_margin_is_needed(make_trial):
    trial = make_trial()
    bare = tuple(dataclasses.replace(each, margin=None) for each in trial.attributes)
    with pytest.raises(DesignError, match="texture has no margin; sizing needs the smallest"):
        sized(dataclasses.replace(trial, attributes=bare))


def test_a_margin_fits_twice_on_the_scale(make_trial):
    with pytest.raises(
        DesignError, match="margin of texture is 6 on a scale of 10; a margin is at"
    ):
        sized(make_trial(margin=6.0))


@pytest.mark.parametrize(("cup_sd", "found"), [(0.1, True), (0.6, True), (60.0, False)])
def test_what_is_seen_is_found_however_much_or_little_scatters(make_trial, cup_sd, found):
    spread = dataclasses.replace(
        common_practice(make_trial().attributes[0].scale), residual_sd=cup_sd, taster_variant_sd=0
    )
    sizing = size(make_trial(), spread, tasters=[8], sessions=[1, 2], trials=100)
    for cell in sizing.cells:
        assert (cell.smallest_seen is not None) is found
        assert cell.smallest_seen is None or 0 < cell.smallest_seen < 10


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"tasters": [2, 8]}, "tasters: whole numbers from 3"),
        ({"sessions": []}, "sessions: whole numbers from 1"),
        ({"trials": 5}, "trials: 100 or more are needed, not 5"),
    ],
)
def test_sizes_out_of_range_are_refused(make_trial, options, message):
    with pytest.raises(ValueError, match=message):
        sized(make_trial(), **options)


@pytest.mark.parametrize(("variants", "jars", "sessions"), [(2, 3, 1), (3, 3, 1), (3, 2, 2)])
def test_jars_of_each_are_promised_what_they_show(variants, jars, sessions):
    """Jars that do not differ, and not the same one again; one variant is off by two margins."""
    situation = Situation(
        name="jars", says="", opinion_sd=0.3, margin=1.5, sessions=sessions, jars=jars
    )
    trial = situations.make_trial(situation, variants, 12)
    levels = (3.5,) * (variants - 1) + (6.5,)
    true = dataclasses.replace(truths(situation, "none", variants), levels=levels)
    rng = np.random.default_rng(1)
    differs = [
        compare_trial(*each)[0].comparisons[-1].differs
        for _ in range(50)  # deals, as some tell more than others
        for each in situations.simulate(trial, situation, true, 2, rng)
    ]
    spread = Spread(residual_sd=1.2, taster_sd=1.2, taster_variant_sd=0.3)
    options = {"tasters": [12], "sessions": [sessions], "trials": 600, "jars": [jars] * variants}
    found = size(trial, spread, **options)
    mixed = found.cells[0]
    assert mixed.chance_twice.value == pytest.approx(np.mean(differs), abs=0.1)
    assert mixed.chance_alike.value < 0.12 or sessions > 1
    assert "Here they do not differ; if yours do, expect less." in " ".join(found.assumptions)
