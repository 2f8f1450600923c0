"""The board as a figure: every verdict once, in its place, primary attributes first."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blindspoon.charts.board import Board, board_drawing, board_of
from blindspoon.charts.figure import stage
from blindspoon.charts.posts import boards
from blindspoon.charts.scene import Area, Line, Marks
from blindspoon.charts.style import NARROW, WIDE

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])


@pytest.fixture
def pictures(make):
    """Saltiness is exploratory and stands first in the trial; texture is primary."""
    salty = make(
        name="saltiness", label="Saltiness", words=("mild", "salty", "milder", "saltier"),
        shifts=(0.0, 0.0, 0.1, -2.5, 0.0), primary=False, seed=4, disputed=(3,),
    )  # fmt: skip
    return [salty, make()]


@pytest.fixture
def board(pictures) -> Board:
    return board_of(pictures)


def test_primary_attributes_stand_first(board):
    assert [(each.label, each.primary) for each in board.columns] == [
        ("Texture", True),
        ("Saltiness", False),
    ]


def test_cells_say_what_was_judged(pictures, board):
    for picture, column in zip(reversed(pictures), board.columns, strict=True):
        for place, cell in zip(picture.others, column.cells, strict=True):
            kind, found = picture.verdict(place).kind, picture.found(place)
            more = found.difference > 0
            word = picture.attribute.more if more else picture.attribute.less
            expected = {"different": word, "slight": f"slightly {word}", "alike": "alike",
                        "open": "not settled"}  # fmt: skip
            assert cell.word == expected[kind]
            assert cell.shown == (kind in ("different", "slight"))
            assert (cell.estimate, cell.outer) == (found.difference, found.interval)
    assert {"crisper", "softer", "not settled"} <= {cell.word for cell in board.columns[0].cells}


def test_a_verdict_that_the_other_procedure_does_not_share_is_told(board):
    others = [[cell.other for cell in each.cells] for each in board.columns]
    assert others == [["", "", "", ""], ["", "", "not settled by ranks", ""]]


def test_what_was_not_compared_is_said(make):
    (column,) = board_of([make(missing=(2,))]).columns
    cell = column.cells[1]
    assert (cell.word, cell.estimate, cell.outer) == ("not compared", None, None)


@SHEETS
def test_marks_lie_on_one_scale_in_a_column(board, sheet):
    scene = board_drawing(board).lay(sheet).scene
    dots = [each for each in scene.shapes if isinstance(each, Marks)]
    zeros = [s for s in scene.shapes if isinstance(s, Line) and s.ink == "edge"]
    zeros = [line for line in zeros if line.end[1] - line.start[1] < 20]
    for place, column in enumerate(board.columns):
        shifts = [
            dot.centres[0][0] - zero.start[0]
            for dot, zero in zip(dots[place::2], zeros[place::2], strict=True)
        ]
        units = [shift / cell.estimate for shift, cell in zip(shifts, column.cells, strict=True)]
        assert units == pytest.approx([units[0]] * 4)
        assert units[0] > 0
    assert [dot.ink for dot in dots[::2]] == ["v1", "v2", "v3", "v4"]


@SHEETS
def test_bands_and_bars_share_the_scale_of_the_dots(board, sheet):
    scene = board_drawing(board).lay(sheet).scene
    band = next(each for each in scene.shapes if isinstance(each, Area) and each.ink == "band")
    outer, inner = [s for s in scene.shapes if isinstance(s, Line) and s.ink == "v1"][:2]
    unit = (band.box.right - band.box.left) / 2
    cell = board.columns[0].cells[0]
    assert (outer.end[0] - outer.start[0]) / unit == pytest.approx(cell.outer.high - cell.outer.low)
    assert (inner.end[0] - inner.start[0]) / unit == pytest.approx(cell.inner.high - cell.inner.low)
    assert inner.width > outer.width


@SHEETS
def test_primary_attributes_are_set_apart(board, sheet):
    laid = board_drawing(board).lay(sheet)
    texts = {text.text: text for text in laid.scene.texts}
    assert texts["Primary"].x < texts["Exploratory"].x
    rows = [each for each in laid.scene.shapes if isinstance(each, Line) and each.ink == "edge"]
    zeros = {each.start[0] for each in rows if each.box.bottom - each.box.top < 20}
    (divider,) = {each.start[0] for each in rows} - zeros
    assert texts["Primary"].x < divider < texts["Exploratory"].x


@SHEETS
def test_hard_boards_cover_nothing(hard, sheet, faults):
    other = replace(hard, attribute=replace(hard.attribute, name="b", label="Ferment character"))
    laid = board_drawing(board_of([hard, other])).lay(sheet)
    assert laid.cramped or faults(laid.scene) == []


def test_its_title_and_alt_state_the_finding(board):
    drawing = board_drawing(board)
    assert drawing.name == "board"
    assert drawing.title == "Differences from the control were shown on texture and saltiness"
    assert drawing.alt(drawing.lay(WIDE)) == (
        "Board of the verdicts on 4 variants and 2 attributes, where differences from the control "
        "were shown on texture and saltiness."
    )


def test_many_rows_have_their_mark_beside_the_word(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    picture = make(shifts=shifts, labels=tuple(f"Brine {n:02d}" for n in range(12)))
    drawn = stage(board_drawing(board_of([picture])), "square", source="12 tasters.")
    dots = [each for each in drawn.scene.shapes if isinstance(each, Marks)]
    assert len(dots) == 11
    word = next(text for text in drawn.scene.texts if text.text == "not settled")
    beside = [dot for dot in dots if word.box.top < dot.centres[0][1] < word.box.bottom]
    assert len(beside) == 1
    assert beside[0].box.right < word.box.left


def test_a_square_shares_wide_boards_out(attributes):
    labels = ("Saltiness", "Fermentation character", "Crunchiness", "Unpleasantness")
    pictures = [
        replace(each, attribute=replace(each.attribute, label=label))
        for each, label in zip(attributes, labels, strict=True)
    ]
    square = boards(pictures, "square", source="12 tasters.", question="")
    assert [each.name for each in square] == ["board-1", "board-2"]
    heads = [[label for label in labels if said(each, label)] for each in square]
    assert heads == [list(labels[:2]), list(labels[2:])]
    assert [each.name for each in boards(pictures, "video", source="", question="")] == ["board"]
    assert boards(pictures[:1], "video", source="", question="") == []


def said(drawn, label) -> bool:
    return label in " ".join(text.text for text in drawn.scene.texts)
