"""Nothing overlaps and nothing is cut, whatever the trial: measured on every drawing."""

from __future__ import annotations

import pytest

from blindspoon.charts.axis import end_words, nice_ticks


def test_everything_lies_on_the_sheet_and_no_word_meets_another_a_line_or_a_mark(scenes, faults):
    found = {name: faults(scene) for name, scene in scenes.items()}
    assert {name: those for name, those in found.items() if those} == {}


def test_text_is_large_enough_for_a_phone(scenes):
    assert min(text.size for scene in scenes.values() for text in scene.texts) >= 11


def test_sheets_have_their_widths(scenes):
    widths = {name.split()[-1]: scene.width for name, scene in scenes.items()}
    assert widths == {"wide": 720, "narrow": 358, "figure": 768}


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0, 10, ((0, 2, 4, 6, 8, 10), 0)),
        (-0.4, 0.6, ((-0.4, -0.2, 0, 0.2, 0.4, 0.6), 1)),
        (-61, 48, ((-60, -40, -20, 0, 20, 40), 0)),
        (1, 9, ((2, 4, 6, 8), 0)),
    ],
)
def test_ticks_are_round_and_within_the_axis(low, high, expected):
    assert nice_ticks(low, high, 6) == expected


def test_end_words_stand_one_under_the_other_where_they_would_grow_tall():
    short = end_words(("soft", "crisp"), (0, 100), 12)
    assert [text.y for text in short] == [12, 12]
    long = end_words(("not salty at all, as water", "far too salty to eat"), (0, 100), 12)
    assert len({text.y for text in long}) == len(long) > 2
