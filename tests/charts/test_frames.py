"""A reveal: what was seen stays where it was, pixel by pixel."""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from blindspoon.charts.board import differences_chart
from blindspoon.charts.png import png
from blindspoon.charts.posts import Captions, frames
from blindspoon.charts.scene import Area, Marks

SOURCE = "12 tasters, 2 sessions, 19 September 2026. The allotment kitchen. Made with Blindspoon."
QUESTION = "Which of four changes can tasters notice?"
CAPTIONS = Captions(SOURCE, QUESTION)
SIZES = pytest.mark.parametrize("size", ["video", "tall"])


@pytest.fixture(scope="module")
def revealed(typical):
    """The frames of one picture, in both sizes."""
    return {size: frames(typical, size, CAPTIONS) for size in ("video", "tall")}


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def within(boxes, scale: float, like: np.ndarray) -> np.ndarray:
    """Pixels that shapes may colour; a PNG file sets letters up to 2 % wider than is measured."""
    mask = np.zeros(like.shape[:2], dtype=bool)
    for box in boxes:
        left, top, right, bottom = (round(side * scale) for side in box)
        more = 3 + (right - left) // 50
        mask[max(top - 3, 0) : bottom + 3, max(left - more, 0) : right + more] = True
    return mask


def added(before, after) -> list:
    return [shape for shape in after.shapes if shape not in before.shapes]


def words(frame) -> list[str]:
    return [text.text for text in frame.texts]


@SIZES
def test_a_frame_has_its_size_and_changes_only_where_something_is_added(revealed, size, box_of):
    wide, high = {"video": (960, 540), "tall": (540, 960)}[size]  # half: a quarter of the work
    shown = revealed[size]
    images = [pixels(png(frame, width=wide)) for frame in shown]
    assert {image.shape[1::-1] for image in images} == {(wide, high)}
    scale = wide / shown[0].width
    for (before, after), (one, two) in zip(pairwise(shown), pairwise(images), strict=True):
        new = map(box_of, [*added(before, after), *added(after, before)])
        changed = (one != two).any(axis=2)
        assert changed.any()
        assert not (changed & ~within(new, scale, one)).any()


@SIZES
def test_first_the_axis_then_the_margin_then_variant_by_variant(typical, revealed, size):
    shown = revealed[size]
    assert len(shown) == 3 + 4
    kinds = [[type(shape) for shape in frame.shapes] for frame in shown]
    bands = [[s for s in frame.shapes if isinstance(s, Area)][1:] for frame in shown]
    assert [len(each) for each in bands] == [0, 4, 4, 4, 4, 4, 4]
    assert [sum(kind is Marks for kind in each) for each in kinds[:3]] == [0, 0, 3]
    labels = [variant.label for variant in typical.variants[1:]]
    for number, frame in enumerate(shown[2:6], 1):
        assert [label for label in labels if label in words(frame)] == labels[:number]
    assert "same as the control" not in words(shown[0])
    assert "same as the control" in words(shown[1])
    assert "0" in words(shown[0])


@SIZES
def test_the_question_stands_until_the_finding_takes_its_place(typical, revealed, size):
    shown = revealed[size]
    title = differences_chart(typical).title
    said = [" ".join(words(frame)) for frame in shown]
    assert [QUESTION in each for each in said] == [True] * 6 + [False]
    assert [title in each for each in said] == [False] * 6 + [True]
    assert all(SOURCE in each for each in said)
    finding = added(shown[-2], shown[-1])
    assert " ".join(text.text for text in finding) == title
    assert " ".join(text.text for text in added(shown[-1], shown[-2])) == QUESTION


def test_frames_are_the_same_twice(typical, revealed):
    assert frames(typical, "video", CAPTIONS) == revealed["video"]


def test_frames_of_hard_cases_cover_nothing(hard, faults):
    shown = frames(hard, "video", CAPTIONS)
    assert len(shown) == len(hard.variants) + 2
    assert all(faults(frame) == [] for frame in shown)


def test_where_nothing_fits_there_are_no_frames(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    labels = tuple(f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13))
    picture = make(shifts=shifts, labels=labels)
    assert frames(picture, "square", CAPTIONS) == ()
