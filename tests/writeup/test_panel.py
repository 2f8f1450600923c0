"""The part of the page about the tasters: findings first, no forbidden words, nobody told of."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blindspoon.findings.panel import study_panel
from blindspoon.writeup.columns import PANEL_ROWS
from blindspoon.writeup.further_sections import panel_section
from blindspoon.writeup.writers import csv_names

TRIALS = Path(__file__).parents[2] / "trials"
FORBIDDEN = (
    r"significan", r"\bprove", r"no difference", r"identical", r"tastes? the same", r"\bnan\b",
    r"(?-i:\bNone\b)", r"\binf\b", r"(^|\s)-\d", r"  ", r"\.\.", r" [.,;:]",
)  # fmt: skip


@pytest.fixture(scope="module")
def demo(analysis_of):
    return analysis_of("allotment-cucumbers")


@pytest.fixture(scope="module")
def wine(analysis_of):
    return analysis_of("randall-1989-wine")


def section(analysis, table=None, *, shown=True):
    table = table or analysis.table
    panel = study_panel(analysis.trial, table, analysis.results)
    return panel_section(replace(analysis.trial, tasters_shown=shown), panel)


@pytest.fixture(scope="module")
def sections(demo, wine):
    alone = demo.table.taster == 0
    return {
        "demo": section(demo),
        "hidden": section(demo, shown=False),
        "first cups half a point higher": section(
            demo,
            replace(
                demo.table, scores=demo.table.scores + 0.5 * (demo.table.position == 1)[:, None]
            ),
        ),
        "wine": section(wine),
        "alone": section(demo, only(demo.table, alone)),
        "nothing known of order": section(
            demo, replace(demo.table, position=np.zeros_like(demo.table.position))
        ),
        "crowd": section(demo, crowd(demo.table, 201)),
        "two variants": section(demo, pairs(demo.table)),
        "one session": section(demo, only(demo.table, demo.table.session == 0)),
    }


def only(table, rows):
    kept = {
        name: getattr(table, name)[rows]
        for name in ("taster", "session", "variant", "batch", "position", "scores")
    }
    return replace(table, **kept)


def pairs(table):
    """Keep two variants, served as the first and the second cup."""
    two = only(table, table.variant < 2)
    after = np.lexsort((two.position, two.session, two.taster))
    return replace(two, position=np.argsort(after) % 2 + 1)


def crowd(table, tasters):
    rng = np.random.default_rng(2)
    taster = np.repeat(np.arange(tasters), 5)
    return replace(
        table,
        tasters=tuple(f"T{k}" for k in range(tasters)),
        taster=taster,
        session=np.zeros_like(taster),
        variant=np.tile(np.arange(5), tasters),
        batch=np.tile(np.arange(5), tasters),
        position=rng.permuted(np.tile(np.arange(1, 6), (tasters, 1)), axis=1).ravel(),
        scores=rng.integers(0, 11, (taster.size, 4)).astype(float),
    )


def strings(part):
    for text in part.paragraphs:
        yield text
    for head, text in part.points:
        yield f"{head} {text}"
    for chart in part.charts:
        yield chart.title
        yield chart.alt
    for table in part.numbers:
        yield from (table.caption, *table.columns, *table.notes)
        yield from (cell for _, cells in table.rows for cell in cells)


def test_no_forbidden_words(sections):
    for name, part in sections.items():
        for text in strings(part):
            for pattern in FORBIDDEN:
                assert not re.search(pattern, text, re.IGNORECASE), f"{name}: {text}"


def test_paragraphs_are_sentences_without_p_values(sections):
    for part in sections.values():
        for text in part.paragraphs:
            assert text[0].isupper()
            assert text[-1] in ".?"
            assert not re.search(r"\bp [=<>]|p value", text)


def test_findings_come_first(sections):
    said = sections["demo"].paragraphs
    assert said[0].startswith("The tasters agreed most on sourness (Kendall’s W 0.83")
    assert "Nine of twelve tasters told the variants apart on texture" in said[1]
    assert "the margin is 1\N{NO-BREAK SPACE}point" in said[1]
    assert "Whether a first cup scores differently from later ones is not settled" in said[2]
    higher = sections["first cups half a point higher"].paragraphs[2]
    assert "The first cup was saltier than later ones, by about 0.6 points" in higher
    assert "The mixed model allows for the place" in higher
    assert said[-1].startswith("All this is about the evidence, not about the people.")


def test_what_cannot_be_told_has_its_reason(sections):
    assert "cannot be told. It is not known at which place" in sections["wine"].paragraphs[2]
    assert "differs between batches" in sections["wine"].paragraphs[1]
    assert "cannot be measured. Fewer than two tasters" in sections["alone"].paragraphs[0]
    assert (
        "how closely they repeat themselves is not known" in sections["one session"].paragraphs[1]
    )
    assert "too many tasters" in sections["crowd"].paragraphs[-2]
    pair = sections["two variants"].paragraphs  # one always follows the other
    assert "Whether the cup just before matters is not settled." in " ".join(pair)


def test_charts_are_of_primary_attributes(sections):
    names = [chart.name for chart in sections["demo"].charts]
    assert names == ["texture-tasters"]
    assert sections["wine"].charts[0].name == "bitterness-tasters"


def test_single_tasters_can_be_left_out(sections, demo):
    hidden = sections["hidden"]
    drawn = "".join(chart.wide + chart.narrow + chart.alt for chart in hidden.charts)
    everything = " ".join([*strings(hidden), drawn, *(text for _, text in hidden.files)])
    heads = [head for table in hidden.numbers for head, _ in table.rows]
    for taster in demo.table.tasters:
        assert taster not in everything
        assert taster not in heads
    assert hidden.charts == ()
    assert "This writeup does not tell of single tasters." in hidden.paragraphs
    assert "not told of in this trial" in hidden.files[0][1]


def test_tables_are_rectangular_and_named_once(sections):
    for part in sections.values():
        names = [table.name for table in part.numbers]
        assert len(set(names)) == len(names)
        for table in part.numbers:
            assert {len(cells) for _, cells in table.rows} == {len(table.columns)}


def test_every_dash_of_a_table_has_its_reason(sections):
    for part in sections.values():
        for table in part.numbers:
            lacking = any("–" in cells for _, cells in table.rows)
            assert not lacking or any(note.endswith(".") for note in table.notes), table.name


def test_numbers_in_the_table_are_those_of_the_panel(demo, sections):
    texture = study_panel(demo.trial, demo.table, demo.results).attributes[3]
    (cells,) = (cells for head, cells in sections["demo"].numbers[0].rows if head == "Texture")
    assert cells[0] == f"{texture.concordance.w:.2f}"
    assert cells[2] == f"{texture.repeatability.sd:.2f}"
    assert cells[4] == f"{texture.first_cup.effect:+.2f}".replace("-", "−")


def test_the_csv_has_a_row_a_number(demo):
    panel = study_panel(demo.trial, demo.table, demo.results)
    rows = list(csv.DictReader(io.StringIO(panel_section(demo.trial, panel).files[0][1])))
    assert list(rows[0]) == csv_names(PANEL_ROWS)
    found = {(r["attribute"], r["taster"], r["measure"]): r for r in rows}
    texture = panel.attributes[3]
    assert float(found["texture", "", "repeatability.sd"]["value"]) == pytest.approx(
        texture.repeatability.sd
    )
    assert found["texture", "", "controls"]["reason"]
    assert found["texture", "T01", "scale_use.mean"]["value"] == "5.2"


def test_nothing_scored_makes_no_section(demo):
    blank = replace(demo.table, scores=np.full_like(demo.table.scores, np.nan))
    assert section(demo, blank) is None
