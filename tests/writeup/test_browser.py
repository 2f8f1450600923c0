"""The page as a browser shows it: accessible, within its width, the answer on the first screen."""

import itertools

import pytest

from blindspoon.writeup.page import page

pytestmark = pytest.mark.browser
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
SLOW = [pytest.param(name, marks=pytest.mark.slow) for name in ("no decision", "one taster")]
ENDS = ["usual", "twelve variants", *SLOW]


# The published pages meet axe too, on phones and in the dark: the other cases are slow.
CASES = [
    pytest.param(*case, marks=() if case == ("usual", "desk", "light") else pytest.mark.slow)
    for case in itertools.product(
        ("usual", "no decision", "one taster", "twelve variants"),
        ("phone", "desk"),
        ("light", "dark"),
    )
]


@pytest.fixture(scope="module")
def made():
    """The pages that have been made, by name."""
    return {}


@pytest.fixture
def show(screen, content_of, made):
    """Open the page of a scenario; what it asks the network for fails the test."""

    def show(name, viewport=PHONE, theme="light"):
        if name not in made:
            made[name] = page(content_of(name))
        return screen(made[name], viewport, theme)

    return show


@pytest.mark.parametrize(("name", "view", "theme"), CASES)
def test_axe_finds_nothing(show, accessible, name, view, theme):
    accessible(show(name, {"phone": PHONE, "desk": DESK}[view], theme), again=False)


@pytest.mark.slow  # what is published is looked at in test_published_pages.py
@pytest.mark.parametrize("name", ENDS)
def test_the_page_does_not_scroll_sideways(show, name):
    sheet = show(name)
    for width in (320, 390, 768, 1280):
        sheet.set_viewport_size({"width": width, "height": 844})
        assert sheet.evaluate("document.documentElement.scrollWidth") <= width


def test_text_of_twice_the_size_still_fits_a_phone(show):
    """WCAG 2.2, 1.4.4."""
    sheet = show("usual")
    sheet.evaluate("document.documentElement.style.fontSize = '200%'")
    assert sheet.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ENDS)
def test_the_short_answer_stands_on_the_first_screen_of_a_phone(show, name):
    box = show(name).locator(".answer").bounding_box()
    assert box["y"] + box["height"] <= PHONE["height"]


@pytest.mark.parametrize(("viewport", "drawn"), [(PHONE, "narrow"), (DESK, "wide")])
def test_each_chart_is_drawn_once_for_the_width_of_the_screen(show, viewport, drawn):
    sheet = show("usual", viewport)
    figures = sheet.locator("figure >> visible=true").count()  # a folded one has one drawing
    assert figures
    assert sheet.locator(f"figure .{drawn} svg >> visible=true").count() == figures
    assert sheet.locator("figure svg >> visible=true").count() == figures


@pytest.mark.parametrize("name", ENDS)
def test_the_board_is_seen_whole_on_a_phone(show, name):
    sheet = show(name)
    wide = sheet.evaluate(
        "Math.max(...[...document.querySelectorAll('.board td')].map(cell =>"
        " cell.getBoundingClientRect().right))"
    )
    assert wide <= PHONE["width"]


def test_lines_are_of_a_readable_length(show):
    sheet = show("usual", DESK)
    width = sheet.evaluate(
        """() => {
            const text = document.querySelector('#tasted p').firstChild;
            const range = document.createRange();
            const lines = [];
            let last = null, start = 0;
            for (let place = 0; place < text.length; place++) {
                range.setStart(text, place); range.setEnd(text, place + 1);
                const top = range.getClientRects()[0]?.top ?? last;
                if (last !== null && Math.abs(top - last) > 3) {
                    lines.push(place - start); start = place;
                }
                last = top;
            }
            return lines;
        }"""
    )
    assert 55 <= sum(width) / len(width) <= 80


def test_no_chart_is_cut_by_the_edge_of_a_printed_page(show):
    sheet = show("usual", DESK)
    sheet.emulate_media(media="print")
    rules = sheet.evaluate(
        "[...document.querySelectorAll('figure')].map(each => getComputedStyle(each).breakInside)"
    )
    assert set(rules) == {"avoid"}
    tallest = sheet.evaluate(
        "Math.max(...[...document.querySelectorAll('figure')].map(each => each.offsetHeight))"
    )
    assert tallest < 900  # what fits on a printed page, in CSS pixels
