import csv
import io

import pytest

from blindspoon.writeup import writers
from blindspoon.writeup.tables import strengths_table


def rows_of(content, path):
    return list(csv.DictReader(io.StringIO(dict(content.files)[path])))


def test_a_row_stands_for_every_comparison(content_of):
    rows = rows_of(content_of("usual"), "tables/comparisons.csv")
    assert [(row["attribute"], row["variant"]) for row in rows] == [
        (attribute, f"v{k}") for attribute in ("texture", "saltiness") for k in (1, 2, 3, 4)
    ]
    assert all(row["control"] == "plain" for row in rows)
    assert {row["primary"] for row in rows} == {"yes", "no"}


def test_numbers_are_in_full_and_agree_with_one_another(content_of):
    for row in rows_of(content_of("usual"), "tables/comparisons.csv"):
        difference, se = float(row["mixed_difference"]), float(row["mixed_se"])
        means = float(row["mean_variant"]) - float(row["mean_control"])
        assert difference == pytest.approx(means, abs=2e-8)  # complete data: means, subtracted
        assert float(row["mixed_t"]) == pytest.approx(difference / se, rel=1e-8)
        low, high = float(row["mixed_interval_low"]), float(row["mixed_interval_high"])
        assert (low + high) / 2 == pytest.approx(difference, abs=1e-8)
        assert low < float(row["mixed_equivalence_interval_low"])


def test_what_was_not_compared_has_a_row_with_its_reason(content_of):
    rows = rows_of(content_of("all missing but two"), "tables/comparisons.csv")
    lost = [row for row in rows if not row["verdict"]]
    assert lost
    assert all(row["because"] for row in lost)
    assert all(row["mixed_difference"] == "" for row in lost)


def test_attributes_have_the_tests_of_the_whole(content_of):
    rows = rows_of(content_of("usual"), "tables/attributes.csv")
    assert [row["attribute"] for row in rows] == ["texture", "saltiness"]
    assert float(rows[0]["mixed_f"]) > 10
    assert rows[0]["friedman_form"] == "Friedman"
    assert rows[0]["mixed_taster_variant_sd"] != ""
    assert rows[0]["mixed_batch_sd"] == ""


def test_every_serving_has_a_row(content_of):
    content = content_of("usual")
    rows = rows_of(content, "tables/scores.csv")
    assert len(rows) == 2 * 12 * 5
    assert list(rows[0]) == [
        *("session", "taster", "variant", "batch", "position"),
        *("texture", "saltiness", "remark"),
    ]
    assert rows[0]["batch"] == "jar 1"
    assert rows[0]["position"] == ""
    assert 0 <= float(rows[0]["texture"]) <= 10
    assert [row["remark"] for row in rows if row["remark"]] == ["<b>lovely</b> & crisp"]


def test_missing_scores_are_empty_cells(content_of):
    rows = rows_of(content_of("all missing but two"), "tables/scores.csv")
    assert [bool(row["texture"]) for row in rows] == [True, True] + [False] * 58


def test_a_formula_of_the_host_is_only_text(content_of):
    content = content_of("words of the host")
    assert rows_of(content, "tables/scores.csv")[0]["remark"] == "<script>alert(2)</script>"
    assert "'=cmd()" in dict(content.files)["tables/scores.csv"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "\tx", "\rx"])
def test_texts_that_a_spreadsheet_would_run_are_guarded(text):
    assert writers.guarded(text) == f"'{text}"


def test_negative_numbers_are_not_guarded():
    cells = [[-1.5], [float("nan")], [True]]
    assert writers.to_csv([writers.Column("a")], cells) == 'a\n-1.5\n""\nyes\n'


def test_what_is_left_out_is_listed(content_of):
    rows = rows_of(content_of("words of the host"), "tables/left_out.csv")
    assert rows == [{"file": "<x>.csv", "line": "3", "reason": "<b>spilt</b>"}]


def test_lines_end_with_a_line_feed(every_content):
    for content in every_content.values():
        assert all("\r" not in text and text.endswith("\n") for _, text in content.files)


def test_what_went_into_no_jar_has_no_column(analysis_of):
    demo = analysis_of("allotment-cucumbers")
    table = strengths_table(demo.trial, demo.made)
    assert table.columns[:3] == ("Variant", "Salt, % of everything", "Salt, % of the water")
    assert not [head for head in table.columns if head.startswith(("Acid", "Sugar"))]
    assert {len(cells) for _, cells in table.rows} == {len(table.columns)}
