"""Cup labels: stock sizes fit their paper, every cup has one label."""

import pytest

from blindspoon.sheets.pouring import LABEL_STOCKS, PAPERS, labels_of


@pytest.mark.parametrize(
    ("name", "size", "columns", "rows"),
    [  # common stock sizes; common practice, no source
        ("a4-21", (63.5, 38.1), 3, 7),
        ("a4-65", (38.1, 21.2), 5, 13),
        ("letter-30", (66.675, 25.4), 3, 10),
        ("letter-80", (44.45, 12.7), 4, 20),
    ],
)
def test_stocks_have_their_sizes(name, size, columns, rows):
    stock = LABEL_STOCKS[name]
    assert (stock.width, stock.height) == pytest.approx(size)
    assert (stock.columns, stock.rows, stock.count) == (columns, rows, columns * rows)


@pytest.mark.parametrize("name", LABEL_STOCKS)
def test_labels_are_centred_on_their_paper(name):
    stock = LABEL_STOCKS[name]
    width, height = PAPERS[stock.paper]
    used = stock.columns * stock.width + (stock.columns - 1) * stock.gap
    assert 2 * stock.left + used == pytest.approx(width)
    assert 2 * stock.top + stock.rows * stock.height == pytest.approx(height)
    assert stock.left > 4
    assert stock.top > 9


@pytest.mark.parametrize("name", LABEL_STOCKS)
def test_every_cup_has_one_label(case, sheets, name):
    _, plan = case("twelve")
    assert sorted(labels_of(plan)) == sorted(
        (cup.code, cup.taster, f"session {cup.session}") for cup in plan.servings
    )
    pages = sheets("twelve", label_stock=name)["labels.html"].split('<div class="page">')[1:]
    counts = [page.count('class="label"') for page in pages]
    assert sum(counts) == len(plan.servings)
    assert {*counts[:-1]} <= {LABEL_STOCKS[name].count}


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", "63.5 × 38.1 mm"), ("letter", "66.7 × 25.4 mm")]
)
def test_the_paper_chooses_the_larger_labels(sheets, paper, size):
    assert f"{size}, a common size" in sheets("usual", paper=paper)["labels.html"]
