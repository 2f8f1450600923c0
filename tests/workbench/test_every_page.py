"""Every page in the dark, with text twice as large, and with what is wrong on it.

``python -m pytest tests/workbench/test_every_page.py -m slow``
"""

from __future__ import annotations

import re

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TASTING = (
    "tasting",
    "tasting/late",
    "tasting/more",
    "tasting/order",
    "tasting/rows",
    "tasting/1/key/3",
)
PAGES = {
    "planned": ("/", "/new", "/help", "", "question", "jars", "jars/1", "jars/new-usual", "tasters",
                "codes", "rule", "sheets", "lately", "mend"),
    "sealed": ("", "question", "jars/1", "tasters", "codes", "sheets", *TASTING),
    "tasting": ("", "question", "look", "lift", *TASTING),
    "closed": ("", "look", "lift", "tasting"),
    "lifted": ("", "question", "lift", "findings", "findings/slip", "publish",
               "publish/story", "tasting", "lately"),
}  # fmt: skip
WRONG = {
    "planned": {"question": {"trial.product": "", "decision.margin": "x"}, "codes": {},
                "jars/1": {"salt_g": "x"}, "tasters": {"sessions": "x"}},
    "sealed": {"codes/back": {}, "tasting/late": {"late": "ada"}, "tasting/more": {"more": "x"}},
    "tasting": {"tasting/rows": {"rows": "a"}, "tasting/1/key/3": {"0-crunch": "99"}},
    "closed": {"lift": {"told": ""}},
    "lifted": {"publish": {"jar": "x"}, "findings/slip": {"attribute": "crunch", "new": "x"},
               "publish/story": {"publish.address": "x"}},
}  # fmt: skip


@pytest.mark.parametrize("state", PAGES)
def test_every_page_can_be_read_in_the_dark_and_twice_as_large(at, screen, accessible, state):
    host, _ = at(state)
    pages = {
        path: host.read(path if path[:1] == "/" else f"/t/crisp/{path}") for path in PAGES[state]
    }
    for path, form in WRONG[state].items():
        done = host.post(f"/t/crisp/{path}", **form)
        assert done.status_code == 422, path
        pages[f"{path} put right"] = done.text
    for path, text in pages.items():
        style = re.search(r'<link rel="stylesheet" href="([^"]*)">', text)
        sheet = f"<style>{host.read(style[1])}</style>"
        plain = re.sub("<script src.*?</script>", "", text.replace(style[0], sheet))
        page = screen(plain, theme="dark")
        try:
            accessible(page)
            page.evaluate("document.documentElement.style.fontSize = '200%'")
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
            accessible(page)
        except AssertionError as error:
            raise AssertionError(path) from error


def test_the_ends_of_a_scale_stand_in_twos_where_there_is_room(at, screen):
    host, _ = at("planned")
    text = host.read("/t/crisp/question").replace("<details", "<details open")
    style = re.search(r'<link rel="stylesheet" href="([^"]*)">', text)
    plain = text.replace(style[0], f"<style>{host.read(style[1])}</style>")
    plain = re.sub("<script src.*?</script>", "", plain)
    page = screen(plain, viewport={"width": 1280, "height": 900})
    tops = "all => all.map(it => Math.round(it.querySelector('input').getBoundingClientRect().top))"
    one, two, three, four = page.eval_on_selector_all(".pair > .field", tops)
    assert one == two < three == four
