"""Behind every chart stands a table that holds what it draws."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from blindspoon.analysis import compose_report
from blindspoon.charts.jars import readings_of
from tests.writeup.conftest import part

TRIALS = sorted(path.parent for path in Path(__file__).parents[2].glob("trials/*/scores.csv"))


@pytest.fixture(scope="module")
def told_of(analysis_of):
    """The analysis of a trial, and what is composed of it."""
    return cache(
        lambda folder: (analysis_of(folder.name), compose_report(analysis_of(folder.name)))
    )


@pytest.fixture(scope="module", params=TRIALS, ids=lambda folder: folder.name)
def told(request, told_of):
    return told_of(request.param)


@pytest.fixture(scope="module")
def demo(told_of):
    return told_of(TRIALS[0])


def tables_of(content, chart):
    return {table.name: table for table in content.behind[chart]}


def test_every_chart_has_a_table(told, every_content):
    for content in (told[1], *every_content.values()):
        assert content.figures
        for chart in content.figures:
            assert content.behind[chart.name], chart.name
            assert all(table.rows for table in content.behind[chart.name])


def test_tables_of_an_attribute_have_a_row_a_variant_and_a_row_a_taster(told):
    analysis, content = told
    variants, tasters = len(analysis.trial.variants), len(analysis.table.tasters)
    for result in analysis.results:
        name = result.attribute.name
        expected = {f"mixed-{name}": variants - 1, f"ranks-{name}": variants - 1}
        expected[f"raw-{name}"] = tasters
        found = tables_of(content, f"{name}-differences")
        assert {key: len(table.rows) for key, table in found.items()} == expected
        found = tables_of(content, f"{name}-scores")
        sizes = {key: len(table.rows) for key, table in found.items()}
        assert sizes == {f"scores-{name}": variants, f"raw-{name}": tasters}


def test_every_reading_stands_in_its_table_on_its_day(demo):
    analysis, content = demo
    readings = readings_of(analysis.made.log, analysis.trial)
    for table, tracks in zip(
        content.behind["readings"], (readings.ph, readings.temperature), strict=True
    ):
        cells = {
            (int(day), label): float(cell)
            for day, row in table.rows
            for label, cell in zip(table.columns, row, strict=True)
            if cell != "–"
        }
        assert cells == {
            (day, track.label): value for track in tracks for day, value in track.points
        }


def test_taste_stands_beside_measurement(demo):
    analysis, content = demo
    (ph,) = part(content, "measured").numbers  # none of salt: all jars are as strong
    assert content.behind["sourness-measured-ph"] == (ph,)
    assert ph.rows[0] == ("Plain brine", ("3.6", "5.50", "12"))
    for chart in part(content, "measured").charts:
        (table,) = content.behind[chart.name]
        assert len(table.rows) == len(analysis.trial.variants)


def test_the_chart_of_tasters_has_a_row_each(demo):
    analysis, content = demo
    found = tables_of(content, "texture-tasters")
    rows = {name: len(table.rows) for name, table in found.items()}
    assert rows == {"panel-tasters-texture": len(analysis.table.tasters)}


def test_scores_that_the_page_does_not_print_are_not_linked(content_of):
    content = content_of("usual", tasters=30, remarks=(), seed=3)
    assert set(tables_of(content, "texture-scores")) == {"scores-texture"}


def test_variants_as_strong_as_the_control_that_scored_alike_share_a_sentence(demo):
    _, content = demo
    first, *rest = part(content, "measured").paragraphs
    assert first.replace("\xa0", " ") == (
        "“Cool cellar” (2.30 %), “Vine leaf” (2.23 %), “Calcium” (2.26 %) and “Old brine” (2.25 %) "
        "had about the control’s salt (2.27 %), and scored alike on saltiness."
    )
    assert not any("control’s salt" in text for text in rest)
