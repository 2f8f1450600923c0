from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from blindspoon.charts.text import text_width, wrap

TEXTS = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), max_size=60)


@given(text=TEXTS, width=st.floats(20, 300))
def test_wrapped_lines_fit_and_lose_no_letter(text, width):
    lines = wrap(text, 12, width)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(len(line) == 1 or text_width(line, 12) <= width + 1e-6 for line in lines)


def test_words_stay_whole_where_they_fit():
    assert wrap("plain brine with dill", 12, text_width("plain brine", 12) + 1) == (
        "plain brine",
        "with dill",
    )


def test_a_no_break_space_holds_words_together():
    assert wrap("within 95\u00a0% of", 12, text_width("within 95", 12) + 1) == (
        "within",
        "95\u00a0% of",
    )


def test_bold_is_wider_and_wide_letters_count_as_wide():
    assert text_width("crisp", 12, bold=True) > text_width("crisp", 12)
    assert text_width("塩水", 12) == 24
