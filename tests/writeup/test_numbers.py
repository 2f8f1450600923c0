import numpy as np
import pytest

from blindspoon.batches.summary import factor_name
from blindspoon.writeup.writers import DASH


def table_of(content, name):
    return next(table for table in content.numbers if table.name == name)


def test_every_row_has_a_cell_for_every_column(every_content):
    for name, content in every_content.items():
        beside = [table for section in content.sections for table in section.tables]
        for table in (*content.numbers, *content.scores.numbers, *beside):
            assert table.rows, f"{name}: {table.name}"
            for head, cells in table.rows:
                assert len(cells) == len(table.columns), f"{name}: {table.name}, {head}"
                assert all(cells), f"{name}: {table.name}, {head}"


def test_means_and_spreads_are_those_of_the_scores(content_of):
    content = content_of("one attribute")
    raw = dict(content.scores.numbers[0].rows)
    given = np.array([float(cells[1]) for cells in raw.values()])
    (_, cells) = table_of(content, "scores-texture").rows[1]
    assert cells[:2] == ("12", "12")
    assert float(cells[2]) == pytest.approx(given.mean(), abs=0.006)
    assert float(cells[3]) == pytest.approx(given.std(ddof=1), abs=0.006)
    assert (float(cells[5]), float(cells[6])) == (given.min(), given.max())


def test_intervals_are_headed_by_the_share_of_alpha(content_of):
    one, two = (table_of(content_of(name), "mixed-texture") for name in ("usual", "two primary"))
    assert one.columns[-2:] == ("95\xa0% interval", "90\xa0% interval")
    assert two.columns[-2:] == ("97.5\xa0% interval", "95\xa0% interval")


def test_without_a_margin_there_is_one_interval(content_of):
    columns = table_of(content_of("no margin"), "mixed-texture").columns
    assert [column for column in columns if "interval" in column] == ["95\xa0% interval"]


def test_without_replicates_the_page_says_what_cannot_be_told(content_of):
    assert (
        "No taster scored a variant twice"
        in table_of(content_of("one attribute"), "mixed-texture").notes[-1]
    )
    assert "taster by variant " in table_of(content_of("replicates"), "mixed-texture").notes[-1]


def test_a_dash_has_its_reason_below(content_of):
    table = table_of(content_of("three tasters"), "ranks-texture")
    assert DASH in table.rows[0][1]
    assert any("too few tasters scored both" in note for note in table.notes)


def test_the_model_that_was_not_fitted_has_no_table(content_of):
    names = [table.name for table in content_of("one taster").numbers]
    assert "mixed-texture" not in names
    assert "scores-texture" in names


def test_replicates_stand_in_one_cell(content_of):
    (_, cells) = content_of("replicates").scores.numbers[0].rows[0]
    assert all(cell.count(";") == 2 for cell in cells)


def test_factors_are_named_without_their_units():
    assert [factor_name(name) for name in ("temperature_c", "calcium_g", "vine_leaf")] == [
        "temperature",
        "calcium",
        "vine leaf",
    ]
