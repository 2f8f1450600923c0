"""The board as a picture: every difference once, in its place."""

from __future__ import annotations

from functools import partial

import pytest

from blindspoon.charts import posts
from blindspoon.charts.board import board_chart
from blindspoon.charts.posts import Captions, shared_files
from blindspoon.charts.scene import NARROW, WIDE, Area, Line, Marks

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])


@pytest.fixture
def pictures(make):
    """Texture is primary, saltiness exploratory."""
    salty = make(
        name="saltiness", label="Saltiness", words=("mild", "salty", "milder", "saltier"),
        shifts=(0.0, 0.0, 0.1, -2.5, 0.0), primary=False, seed=4, disputed=(3,),
    )  # fmt: skip
    return [make(), salty]


@pytest.fixture
def board(pictures):
    return board_chart(pictures)


def test_every_attribute_has_its_name_its_ends_and_its_role(board):
    said = " ".join(text.text for text in board.lay(WIDE).scene.texts).replace("\xa0", " ")
    for words in ("Texture", "← softer", "crisper →", "Saltiness", "← milder", "saltier →"):
        assert words in said
    assert "Shaded: the margin. Hollow: not settled. Exploratory: saltiness." in said


@SHEETS
def test_dots_bars_and_bands_lie_where_the_numbers_are(pictures, board, sheet, box_of):
    shapes = board.lay(sheet).scene.shapes
    bands = [box_of(s) for s in shapes if isinstance(s, Area) and s.ink == "band"]
    dots = [s.points[0][0] for s in shapes if isinstance(s, Marks) and s.ink != "ground"]
    bars = [s.points for s in shapes if isinstance(s, Line) and s.ink.startswith("v")]
    others = [picture.others[place] for place in pictures[0].others for picture in pictures]
    for other, band, dot, bar in zip(others, bands, dots, bars, strict=True):
        zero, unit = (band.left + band.right) / 2, (band.right - band.left) / 2
        assert (dot - zero) / unit == pytest.approx(other.found.difference)
        ends = [(x - zero) / unit for x, _ in bar]
        assert ends == pytest.approx([other.interval.low, other.interval.high])


def test_what_was_not_compared_has_no_dot(make, several):
    shapes = board_chart(several(make(missing=(2,)))).lay(WIDE).scene.shapes
    assert sum(isinstance(s, Marks) and s.ink != "ground" for s in shapes) == 2 * 3


@SHEETS
def test_hard_boards_cover_nothing(hard, sheet, faults, renamed):
    other = renamed(hard, name="b", label="Ferment character")
    laid = board_chart([hard, other]).lay(sheet)
    assert laid.cramped or faults(laid.scene) == []


def test_its_title_and_alt_state_the_finding(board):
    assert board.name == "board"
    found = "batches differed from plain brine in some way"
    assert board.title.endswith(found)
    of = "the differences of 4 variants from the control on 2 attributes"
    assert board.alt.endswith(f"{found}. Interval plot of {of}.")


def test_a_square_shares_the_board_out_and_each_part_claims_what_it_shows(attributes, monkeypatch):
    drawn = {}

    def picture_of(chart, size, captions):  # the pictures themselves, and not their files
        return drawn.setdefault((size, chart.alt), real(chart, size, captions))

    real = posts.picture_of
    monkeypatch.setattr(posts, "picture_of", picture_of)
    monkeypatch.setattr("blindspoon.charts.png.png", lambda *_, **__: b"")
    board = partial(board_chart, attributes)
    paths = [
        path
        for size in ("square", "video")
        for path, _ in shared_files(4, board, size, Captions(""))
    ]
    assert paths == [
        *(f"figures/square/board-{part}.png" for part in (1, 2)),
        *(f"figures/video/board{end}.png" for end in ("", "-dark")),
    ]
    for part in (slice(0, 2), slice(2, 4)):
        title = board_chart(attributes, part).title
        shown = {it.variant for of in attributes[part] for it in of.result.others if it.direction}
        for it in attributes[0].result.others:  # whom the picture leaves hollow it does not name
            named = attributes[0].names.short(it.variant).replace(" ", "-") in title
            assert named == (it.variant in shown), title
        assert all(of.attribute.label.lower() in title for of in attributes[part])
        scenes = [scene for (size, alt), scene in drawn.items() if scene and alt.startswith(title)]
        assert any(title in " ".join(text.text for text in scene.texts) for scene in scenes)
