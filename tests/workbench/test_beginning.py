"""From an empty shelf to a question and jars: by keyboard, with mistakes on the way."""

from __future__ import annotations

import re
import tomllib

import pytest

from blindspoon.files.own_state import Door
from blindspoon.starting import new_files
from blindspoon.trial import today
from blindspoon.workbench.app import Workbench

ANSWERS = {
    "trial.product": "fermented kohlrabi sticks",
    "variant[1].label": "As always",
    "changes": "Bag of black tea\nThree weeks in the cellar",
    "trial.title": "What keeps kohlrabi crunchy?",
    "decision.margin": "0,5",
    "tasting.tasters": "Ada\nBen",
}


class Writer:
    """Somebody with a keyboard and no mouse; every page they come to is looked at."""

    def __init__(self, page, look):
        self.page, self.look = page, look

    def write(self, place, text):
        self.page.wait_for_load_state()
        self.page.locator(f'[id="{place}"]').focus()
        self.page.keyboard.press("Control+A")
        self.page.keyboard.insert_text(text)

    def press(self, name):
        self.page.get_by_role("button", name=name, exact=True).last.focus()
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")
        self.look(self.page)

    def fault(self, place):
        return self.page.locator(f'[id="{place}-fault"]').text_content()

    def typed(self, place):
        return self.page.locator(f'[id="{place}"]').input_value()


@pytest.mark.browser
@pytest.mark.parametrize("script", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_from_an_empty_shelf_to_jars_with_three_mistakes(
    browser, tmp_path, served, accessible, script
):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    address, door = served(shelf)
    viewport = {"width": 390, "height": 844}
    page = browser.new_context(viewport=viewport, java_script_enabled=script).new_page()

    seen = set()

    def look(page):
        """Have axe look once at each page, and once at what is to be put right."""
        kind = "to put right" if page.locator("#mend").count() else page.title()
        if script and kind not in seen:
            accessible(page)
            seen.add(kind)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    hand = Writer(page, look)
    page.goto(f"{address}door/{door.new_pass()}")
    look(page)
    page.get_by_role("link", name="Start a trial").press("Enter")
    page.wait_for_url("**/new")
    for place, text in ANSWERS.items():
        hand.write(place, text)
    hand.write("decision.margin", "a bit")  # the first mistake
    hand.press("Put it on the shelf")
    assert page.title().startswith("One to put right")
    assert hand.fault("decision.margin") == '"a bit" is no number. Write digits, such as 1 or 0,5.'
    assert hand.typed("changes") == ANSWERS["changes"]
    assert page.evaluate("document.activeElement.id") == "mend"
    hand.write("decision.margin", "0,5")
    hand.press("Put it on the shelf")
    assert "lies further from “As always”" in page.locator(".rule").text_content()
    hand.press("Yes, this is my rule")
    folder = shelf / "fermented-kohlrabi-sticks"
    assert tomllib.loads((folder / "trial.toml").read_text("utf-8"))["decision"]["margin"] == 0.5
    question(hand, script)
    jar(hand, folder)
    hand.press("Close Blindspoon")
    page.context.close()


def question(hand, script):
    """Give a change the name of another, and see it said while typing; then take it back."""
    page = hand.page
    page.goto(page.url.replace("/jars", "/question"))
    page.locator("summary", has_text="Bag of black tea").press("Enter")
    hand.write("variant[2].label", "as always")  # the second
    if script:
        page.keyboard.press("Tab")
        page.get_by_text("is the name of another one already").wait_for()
    hand.press("Save the question")
    assert "is the name of another one already" in hand.fault("variant[2].label")
    assert hand.typed("variant[2].label") == "as always"
    hand.write("variant[2].label", "Black tea")
    hand.press("Add a change")  # which is not saved by that
    assert page.evaluate("document.activeElement.id") == "variant[4].label"
    leaving = "!dispatchEvent(new Event('beforeunload', {cancelable: true}))"
    assert page.evaluate(leaving) == script
    hand.press("Save the question")
    page.get_by_role("link", name="Written lately").press("Enter")
    page.wait_for_url("**/lately")
    assert "The question" in page.locator("main").text_content()


def jar(hand, folder):
    """Write down a jar, with words where a number belongs."""
    page = hand.page
    page.goto(re.sub("/[a-z]*$", "/jars/new-as-always", page.url))
    hand.look(page)
    hand.write("produce_g", "plenty")  # the third
    hand.write("water_g", "540")
    hand.write("salt_g", "27,5")
    hand.press("Save this jar")
    said = '"plenty" is not a number. Write grams, such as 620 or 26,5, or as in 9 oz; weigh spoons'
    assert hand.fault("produce_g") == f"{said} and cups."
    assert hand.typed("salt_g") == "27,5"
    hand.write("produce_g", "620")
    hand.press("Save this jar")
    assert "One of three is written down" in page.locator("main").text_content()
    assert "\njar 1,as-always,620,540,27.5," in (folder / "batches.csv").read_text("utf-8")


def test_page_and_terminal_make_the_same_files_of_the_same_answers(tmp_path):
    bench = Workbench(tmp_path, Door(b"x" * 32), 8770)
    client = bench.app.test_client()
    client.get(f"/door/{bench.door.new_pass()}")
    chosen = {"scored": ["texture", "sourness"], "primary": "texture"}
    sent = ANSWERS | chosen | {"ticket": bench.door.proof("ticket")}
    assert client.post("/new", data=sent).status_code == 303
    (folder,) = tmp_path.iterdir()
    seed = tomllib.loads((folder / "trial.toml").read_text("utf-8"))["trial"]["seed"]
    asked = ANSWERS | {"scored": "texture\nsourness"}
    assert new_files(asked, today(), seed) == {
        path.name: path.read_bytes() for path in folder.glob("[!.]*.*")
    }
