"""The panel of whole trials: the demo, published wines, crowds; records and rows."""

from __future__ import annotations

import json
import time
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.panel import MOST_TASTERS, long_rows, study_panel
from blindspoon.stats.results import as_record
from blindspoon.writeup.columns import PANEL_ROWS


@pytest.fixture(scope="module")
def demo(analysis_of):
    return analysis_of("allotment-cucumbers")


@pytest.fixture(scope="module")
def panels(further_of):
    return {name: further_of(name).panel for name in ("allotment-cucumbers", "randall-1989-wine")}


def test_the_demo_says_all_but_the_pair_of_controls(panels):
    panel = panels["allotment-cucumbers"]
    assert panel.tasters == 12
    for each in panel.attributes:
        record = {key for key, value in as_record(each).items() if value is None}
        assert record == {"controls"}
        assert each.repeatability.across_sessions
        assert each.position_in_model


def test_wine_has_no_order(panels):
    (bitterness,) = panels["randall-1989-wine"].attributes
    assert "place" in bitterness.position.reason
    assert bitterness.concordance.w > 0.8
    assert bitterness.repeatability.across_batches


def test_w_is_friedmans_of_the_comparison(demo, panels):
    for found, result in zip(panels["allotment-cucumbers"].attributes, demo.results, strict=True):
        assert found.concordance.statistic == pytest.approx(result.friedman.statistic)
        assert found.concordance.p_value == pytest.approx(result.friedman.p_value)


def walk(value):
    if isinstance(value, dict):
        for name, below in value.items():
            assert below is not None or value[f"{name}_reason"].endswith("."), name
            yield from walk(below)
    elif isinstance(value, list):
        for below in value:
            yield from walk(below)
    else:
        yield value


def test_records_are_ready_for_json(panels):
    for panel in panels.values():
        record = panel.to_record()
        assert json.loads(json.dumps(record, allow_nan=False)) == record
        assert len(list(walk(record))) > 100


def test_single_tasters_can_be_left_out(panels):
    panel = panels["allotment-cucumbers"]
    text = json.dumps(panel.to_record(shown=False))
    assert "T01" in json.dumps(panel.to_record())
    assert "T01" not in text
    assert "not told of" in text


def test_every_number_has_its_row(panels):
    record = panels["allotment-cucumbers"].to_record()
    rows = [row for each in record["attributes"] for row in long_rows(each)]
    assert {len(row) for row in rows} == {len(PANEL_ROWS)}
    found = {row[:3]: row[3:] for row in rows}
    assert len(found) == len(rows)
    texture = record["attributes"][3]
    assert found["texture", "", "concordance.w"][0] == texture["concordance"]["w"]
    first = texture["tasters"][0]
    assert found["texture", "T01", "discrimination.f"][0] == first["discrimination"]["f"]
    assert list(found["texture", "", "first_cup.interval"][1:3]) == texture["first_cup"]["interval"]
    assert found["texture", "", "controls"][3].startswith("No taster")


def test_a_taster_without_scores_is_not_described(study):
    found = study([0, 0, 1, 1], [0, 1, 0, 1], [5, 6, np.nan, np.nan])
    assert [each.taster for each in found.tasters] == ["T01"]


def test_nothing_scored_gives_reasons(study):
    found = study([0, 0], [0, 1], [np.nan, np.nan], position=[1, 2])
    assert found.tasters == ()
    for name in ("scale_use", "repeatability", "concordance", "position"):
        assert getattr(found, name).reason.endswith("."), name


def crowd(demo, tasters):
    rng = np.random.default_rng(1)
    taster = np.repeat(np.arange(tasters), 5)
    position = rng.permuted(np.tile(np.arange(1, 6), (tasters, 1)), axis=1).ravel()
    return replace(
        demo.table,
        tasters=tuple(f"T{k}" for k in range(tasters)),
        sessions=("1",),
        taster=taster,
        session=np.zeros_like(taster),
        variant=np.tile(np.arange(5), tasters),
        batch=np.tile(np.arange(5), tasters),
        position=position,
        scores=np.clip(np.round(rng.normal(5, 2, (taster.size, 4))), 0, 10),
    )


def test_above_a_limit_single_tasters_are_not_listed(demo):
    panel = study_panel(demo.trial, crowd(demo, MOST_TASTERS + 1), demo.results)
    for each in panel.attributes:
        assert each.tasters.reason == "Not listed above 200 tasters."
        assert each.concordance.tasters == MOST_TASTERS + 1
        assert each.position.test.df_num == 4
    few = study_panel(demo.trial, crowd(demo, MOST_TASTERS), demo.results)
    assert len(few.attributes[0].tasters) == MOST_TASTERS


@pytest.mark.bench
def test_a_hundred_thousand_tasters_take_under_two_seconds(demo):
    table = crowd(demo, 100_000)
    start = time.process_time()
    study_panel(demo.trial, table, demo.results)
    taken = time.process_time() - start
    assert taken < 2, taken


def test_a_second_hidden_control_reaches_the_panel(coded, read):
    # Two codes for the control in the key, two rows of one taster, session and variant here.
    files = dict(coded)
    for name, row in (
        ("servings.csv", "1,{},4,{}"),
        ("key.csv", "1,{},{},plain,jar 1"),
        ("scores.csv", "1,{},{},{},5,"),
    ):
        made = [row.format(*each) for each in (("T01", "901", 8), ("T02", "902", 4))]
        files[name] += "".join(f"{line}\n" for line in made).encode()
    files["trial.toml"] += b"\n[tasting]\ncontrols = 2\n"
    table, _ = read(files)
    trial = parse_trial(files["trial.toml"].decode())
    texture = study_panel(trial, table, compare_trial(trial, table)).attributes[0]
    assert texture.controls.difference == pytest.approx(((8 - 7) + (4 - 6)) / 2)
    assert texture.controls.mean_absolute == 1.5
    assert (texture.controls.pairs, texture.repeatability.df) == (2, 2)
    assert not texture.repeatability.across_sessions
    assert not texture.controls.across_batches
