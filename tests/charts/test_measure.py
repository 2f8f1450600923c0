from __future__ import annotations

import io

import pytest
from fontTools.ttLib import TTFont
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.charts.scene import FONTS, LETTERS, face_css, face_file, text_width, wrap
from blindspoon.files import shipped

TEXTS = st.text(st.characters(categories=["L", "N", "P", "S"]), max_size=60)


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
    assert wrap("My usual, 2 % salt", 12, text_width("My usual, 2", 12) + 1) == (
        "My usual,",
        "2 % salt",
    )
    assert wrap("within 95\u00a0% of", 12, text_width("within 95", 12) + 1) == (
        "within",
        "95\u00a0% of",
    )


def test_bold_is_wider_and_wide_letters_count_as_wide():
    assert text_width("crisp", 12, bold=True) > text_width("crisp", 12)
    assert text_width("塩水", 12) == 24


def test_the_face_has_the_letters_that_are_measured_by_it():
    for bold in (False, True):
        font = TTFont(io.BytesIO(shipped.content(face_file(bold=bold))))
        assert set(font.getBestCmap()) == LETTERS
        widths = [font["hmtx"].metrics[font.getBestCmap()[ord(letter)]][0] for letter in "crisp"]
        assert text_width("crisp", 1000, bold=bold) == pytest.approx(sum(widths))


@pytest.mark.browser
def test_a_browser_shows_text_as_wide_as_it_was_measured(screen):
    lines = ("Calcium +2.2 (1.5 to 2.9)", "−0.4, 90 % interval", "ogórki małosolne, 20 °C")
    spans = "".join(f"<b>{line}</b><br><span>{line}</span><br>" for line in lines)
    style = f"<style>{face_css()}*{{font:20px {FONTS}}}b{{font-weight:700}}</style>"
    page = screen(style + spans, {"width": 900, "height": 600})
    found = page.evaluate(
        "document.fonts.ready.then(() => [...document.querySelectorAll('b, span')]"
        ".map((each) => each.getBoundingClientRect().width))"
    )
    measured = [text_width(line, 20, bold=bold) for line in lines for bold in (True, False)]
    assert found == pytest.approx(measured, rel=0.02)  # kerning draws letters closer
