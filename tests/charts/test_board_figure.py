"""The board as a figure: every verdict once, in its place, primary attributes first."""

from __future__ import annotations

import pytest

from blindspoon.charts import posts
from blindspoon.charts.board import board_chart
from blindspoon.charts.posts import figure_of, shared_files
from blindspoon.charts.scene import NARROW, WIDE, Area, Line, Marks

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
def board(pictures):
    return board_chart(pictures)


def marks(board, sheet):
    """Dots and zeros of the cells, from cell to cell along the rows."""
    scene = board.lay(sheet).scene
    dots = [each for each in scene.shapes if isinstance(each, Marks)]
    zeros = [s for s in scene.shapes if isinstance(s, Line) and s.ink == "edge"]
    return dots, [line for line in zeros if line.points[1][1] - line.points[0][1] < 20]


def test_primary_attributes_stand_first(board):
    texts = {text.text: text.x for text in board.lay(WIDE).scene.texts}
    assert texts["Primary"] == texts["Texture"] < texts["Exploratory"] == texts["Saltiness"]


def test_cells_say_what_was_judged(pictures, board):
    said = [text.text for text in board.lay(WIDE).scene.texts]
    for picture in pictures:
        for place in picture.others:
            kind, word = picture.other(place).verdict, picture.word(place)
            way = (
                picture.attribute.more
                if picture.other(place).found.difference > 0
                else picture.attribute.less
            )
            expected = {"different": way, "slight": f"slightly {way}", "alike": "alike",
                        "open": "not settled"}  # fmt: skip
            assert word == expected[kind]
            assert word in said
    assert {"crisper", "softer", "not settled"} <= set(said)


def test_a_verdict_that_the_other_procedure_does_not_share_is_told(pictures):
    salty, texture = ([each.other_word(place) for place in each.others] for each in pictures)
    assert texture == ["", "", "", ""]
    assert salty == ["", "", "(not settled by ranks)", ""]


def test_what_was_not_compared_is_said(make):
    picture = make(missing=(2,))
    assert picture.word(2) == "not compared"
    assert len(marks(board_chart([picture]), WIDE)[0]) == 3


@SHEETS
def test_marks_of_one_scale_and_margin_share_a_unit(pictures, board, sheet):
    dots, zeros = marks(board, sheet)
    units = []
    for column, picture in enumerate(reversed(pictures)):
        cells = zip(picture.others, dots[column::2], zeros[column::2], strict=True)
        for place, dot, zero in cells:
            units.append(
                (dot.points[0][0] - zero.points[0][0]) / picture.other(place).found.difference
            )
    assert units == pytest.approx([units[0]] * 8)
    assert units[0] > 0
    assert [dot.ink for dot in dots[::2]] == ["v1", "v2", "v3", "v4"]


@SHEETS
def test_bands_and_bars_share_the_scale_of_the_dots(pictures, board, sheet):
    scene = board.lay(sheet).scene
    band = next(each for each in scene.shapes if isinstance(each, Area) and each.ink == "band")
    bar = next(s for s in scene.shapes if isinstance(s, Line) and s.ink == "v1")
    unit = (band.box.right - band.box.left) / 2
    interval = pictures[1].other(1).interval
    assert (bar.points[1][0] - bar.points[0][0]) / unit == pytest.approx(
        interval.high - interval.low
    )


@SHEETS
def test_primary_attributes_are_set_apart(board, sheet):
    laid = board.lay(sheet)
    texts = {text.text: text for text in laid.scene.texts}
    assert texts["Primary"].x < texts["Exploratory"].x
    rows = [each for each in laid.scene.shapes if isinstance(each, Line) and each.ink == "edge"]
    zeros = {each.points[0][0] for each in rows if each.box.bottom - each.box.top < 20}
    (divider,) = {each.points[0][0] for each in rows} - zeros
    assert texts["Primary"].x < divider < texts["Exploratory"].x


@SHEETS
def test_hard_boards_cover_nothing(hard, sheet, faults, renamed):
    other = renamed(hard, name="b", label="Ferment character")
    laid = board_chart([hard, other]).lay(sheet)
    assert laid.cramped or faults(laid.scene) == []


def test_its_title_and_alt_state_the_finding(board):
    assert board.name == "board"
    found = "batches differed from plain brine in some way"
    assert board.title.endswith(found)
    assert board.alt.startswith("Board of the verdicts on 4 variants and 2 attributes, where ")
    assert board.alt.endswith(f"{found}.")


def test_many_rows_have_their_mark_beside_the_word(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    picture = make(shifts=shifts, labels=tuple(f"Brine {n:02d}" for n in range(12)))
    drawn = figure_of(board_chart([picture]), "square", source="12 tasters.")
    dots = [each for each in drawn.scene.shapes if isinstance(each, Marks)]
    assert len(dots) == 11
    word = next(text for text in drawn.scene.texts if text.text == "not settled")
    beside = [dot for dot in dots if word.box.top < dot.points[0][1] < word.box.bottom]
    assert len(beside) == 1
    assert beside[0].box.right < word.box.left


def test_a_square_shares_wide_boards_out(attributes, renamed):
    labels = ("Saltiness", "Fermentation character", "Crunchiness", "Unpleasantness")
    pairs = zip(attributes, labels, strict=True)
    pictures = [renamed(each, label=label) for each, label in pairs]
    with pytest.MonkeyPatch.context() as patch:  # the pictures themselves, and not their files
        patch.setattr(posts, "sized_files", lambda figure, *_: [figure])
        square, video = (
            [*shared_files(4, lambda at: board_chart(pictures[at]), size, source="", question="")]
            for size in ("square", "video")
        )
    assert [each.name for each in square] == ["board-1", "board-2"]
    heads = [[label for label in labels if said(each, label)] for each in square]
    assert heads == [list(labels[:2]), list(labels[2:])]
    assert [each.name for each in video] == ["board"]


def said(drawn, label) -> bool:
    return label in " ".join(text.text for text in drawn.scene.texts)
