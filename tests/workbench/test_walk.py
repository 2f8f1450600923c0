"""One whole trial in a dark browser on a phone's width: by keyboard, and once without scripts."""

from __future__ import annotations

import re
import shutil
import threading
from pathlib import Path

import pytest

from blindspoon.collect import server
from blindspoon.workbench import company

pytestmark = pytest.mark.browser
PHONE = {"width": 390, "height": 844}
AT_ONCE = "Object.defineProperty(Event.prototype, 'timeStamp', { get: () => 0 })"  # as its page
TAPPED = """place => {
  const last = JSON.parse(sessionStorage.getItem("tap"));
  sessionStorage.setItem("tap", JSON.stringify({ ...last, ...place }));
}"""
NAME = "a => ((a.labels && a.labels[0]) || a).textContent.trim()"


@pytest.fixture
def opened(stood, tmp_path, served, monkeypatch):
    """The pages of a shelf with a planned trial; "phones" reach it in this computer."""
    monkeypatch.setattr(server, "network_addresses", lambda: ("127.0.0.1",))
    monkeypatch.setattr("blindspoon.charts.posts.figure_files", lambda *_, **__: ())
    shutil.copytree(stood["planned"], tmp_path / "shelf" / "crisp")
    address, door = served(tmp_path / "shelf")
    return address, door.new_pass(again=True), tmp_path / "shelf" / "crisp"


class Hand:
    """Somebody at the keyboard, who goes from field to field and presses keys."""

    def __init__(self, page, look):
        self.page, self._look = page, look

    def to(self, name):
        """Go on to a field, link or button by its words."""
        for _ in range(150):
            self.page.keyboard.press("Tab")
            found = self.page.evaluate(f"({NAME})(document.activeElement)")
            if found.startswith(name):
                return
        pytest.fail(f"no way to {name!r} by the keyboard")

    def press(self, name, key="Enter"):
        self.to(name)
        self.page.keyboard.press(key)

    def write(self, name, text):
        self.to(name)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.insert_text(text)

    def arrives(self, heading):
        self.page.get_by_role("heading", level=1, name=heading, exact=True).wait_for()
        self.page.wait_for_load_state()  # a script may put the focus somewhere
        self._look(self.page)


def by_phone(browser, address):
    """One taster's phone: a name, the cautions, a score for each cup."""
    phone = browser.new_context(viewport=PHONE, java_script_enabled=False).new_page()
    phone.goto(address)
    phone.get_by_role("button", name="Ada").click()
    phone.locator("button.main").click()
    for place, step in ((1, 4), (2, 7)):
        phone.wait_for_url(f"**/1/{place}")
        phone.locator(f"label:has(input[name=crunch][value='{step}'])").click()
        phone.get_by_role("button", name=re.compile("^Save")).first.click()
    phone.wait_for_url("**/look")
    phone.context.close()


@pytest.mark.parametrize("script", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_a_whole_trial_from_its_plan_to_what_is_sent(
    browser, opened, accessible, blindspoon, scores, script
):
    address, way_in, folder = opened
    context = browser.new_context(
        viewport=PHONE, java_script_enabled=script, color_scheme="dark", accept_downloads=True
    )
    page = context.new_page()
    page.set_default_timeout(30_000)
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))

    seen = set()

    def look(page):
        """Have axe look once at each page; what is wrong on one, `test_beginning` has it see."""
        kind = re.sub(r"[0-9]+$", "", page.url)  # one taster's ballot is as another's
        if script and kind not in seen:
            accessible(page)
            seen.add(kind)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    hand = Hand(page, look)
    page.goto(f"{address}door/{way_in}")
    hand.press("Which change keeps cucumbers crisp?")
    hand.arrives("Which change keeps cucumbers crisp?")
    draw(page, hand, address)
    taste(page, hand, address, lambda join: by_phone(browser, join), lambda: scores(folder))
    report = end(page, hand, address)
    send(page, hand, address, folder.parent / "published" / "crisp.zip")
    hand.press("Close Blindspoon")
    page.get_by_role("heading", name="Blindspoon is closed").wait_for()
    assert f"in the folder {folder.parent}." in page.locator("main").text_content()
    page.context.close()
    assert errors == []
    assert blindspoon("check", folder).returncode == 0
    blindspoon("report", folder, "--to", folder.parent / "out")
    assert (folder.parent / "out" / "crisp" / "index.html").read_bytes() == report


def test_a_window_that_watches_the_tasting_sees_it_closed_elsewhere(
    browser, stood, tmp_path, served
):
    shutil.copytree(stood["tasting"], tmp_path / "shelf" / "crisp")
    address, door = served(tmp_path / "shelf")
    page, sent = browser.new_context(viewport=PHONE).new_page(), []
    page.on("request", lambda asked: asked.method == "POST" and sent.append(asked.url))
    page.add_init_script(AT_ONCE)
    page.goto(f"{address}door/{door.new_pass(again=True)}")
    page.goto(f"{address}t/crisp/tasting")
    page.get_by_role("button", name="Open session 1").click()
    page.get_by_role("button", name="Close session 1").wait_for()
    page.get_by_text("As of").wait_for()  # from here on only what changes is drawn anew
    box = page.get_by_role("button", name="Close session 1").bounding_box()
    place = {"x": box["x"] + 20, "y": box["y"] + 20}
    page.evaluate(TAPPED, place)  # twice, as some do; it may lie there now
    page.mouse.click(*place.values())
    other = page.context.new_page()
    other.goto(page.url)
    other.get_by_role("button", name="Close the tasting").click()
    page.get_by_text("The tasting is closed").first.wait_for()
    assert sent == [f"{address}t/crisp/tasting/session"]
    assert page.locator("h1").count() == 1
    page.get_by_role("button", name="Close Blindspoon").click()
    page.get_by_role("heading", name="Blindspoon is closed").wait_for()
    page.context.close()


def test_the_keyboard_stays_where_it_was_when_what_they_can_show_is_worked_out(
    browser, stood, tmp_path, served, monkeypatch
):
    seen, work = threading.Event(), company._chances
    monkeypatch.setattr(company, "_chances", lambda *given: seen.wait(60) and work(*given))
    shutil.copytree(stood["planned"], tmp_path / "shelf" / "crisp")
    address, door = served(tmp_path / "shelf")
    page = browser.new_context().new_page()
    page.goto(f"{address}door/{door.new_pass(again=True)}")
    page.goto(f"{address}t/crisp/tasters")
    page.get_by_role("progressbar").wait_for()
    page.get_by_role("link", name="Change who tastes").focus()
    seen.set()
    page.locator("figcaption").wait_for()
    page.wait_for_function("document.activeElement.textContent == 'Change who tastes'")
    page.get_by_role("button", name="Close Blindspoon").click()
    page.get_by_role("heading", name="Blindspoon is closed").wait_for()
    page.context.close()


def draw(page, hand, address):
    """See what the tasters can show, draw the codes, and look at the sheets."""
    page.goto(f"{address}t/crisp/tasters")
    page.locator("figcaption").wait_for()
    hand.arrives("The tasters")
    hand.press("Go on to the codes")
    hand.arrives("The codes")
    hand.press("Draw the codes")  # without having said yes
    page.get_by_text("One thing to put right").wait_for()
    hand.arrives("The codes")
    hand.press("I have read the rule", "Space")
    hand.press("Draw the codes")
    hand.arrives("The sheets")
    hand.press("Show checklist and pouring sheet")  # without having said so
    hand.to("Show checklist and pouring sheet")
    hand.press("I am the one who pours", "Space")
    with page.context.expect_page() as poured:
        hand.press("Show checklist and pouring sheet")
    assert len(page.context.pages) == 2
    poured.value.get_by_text("For the helper only").first.wait_for()
    poured.value.close()


def taste(page, hand, address, by_phone, scores):
    """Let a phone in, key a paper ballot in, paste the rest, and close."""
    hand.press("Go on to the tasting")
    hand.arrives("The tasting")
    hand.press("Let phones in")
    page.get_by_text("Session 1 is open.").wait_for()
    hand.arrives("The tasting")
    by_phone(page.locator(".address").text_content())
    page.goto(f"{address}t/crisp/tasting/1/key/2")
    hand.arrives("Ben")
    page.locator("input.cell").first.focus()
    for figure in "48":
        page.keyboard.insert_text(figure)
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
    hand.press("Save")
    hand.arrives("Cleo")
    others = re.findall(r"^(?:taster|Cleo|Dev|Eve|Finn).*$", scores(), re.MULTILINE)
    page.goto(f"{address}t/crisp/tasting/rows")
    hand.write("The rows", "\n".join(others))
    hand.press("See what they add")
    page.get_by_text("8 cups would be added.").wait_for()
    hand.arrives("Rows from a spreadsheet")
    hand.press("Add them")
    page.get_by_text("12 of 12 complete").wait_for()
    hand.arrives("The tasting")
    hand.press("Close the tasting")


def end(page, hand, address):
    """Look, lift, and give the findings as they are shown."""
    hand.arrives("A last look")
    hand.press("Go on to lifting the blind")
    hand.arrives("Lift the blind?")
    hand.press("Everybody has finished", "Space")
    hand.press("Lift the blind")
    page.get_by_role("link", name="Read the findings", exact=True).wait_for()
    hand.arrives("The findings")
    page.goto(f"{address}t/crisp/findings/report/")
    page.locator("details:has(a[href='tables/comparisons.csv']) > summary").last.click()
    page.get_by_role("link", name="tables/comparisons.csv").click()
    page.get_by_text("mixed_difference").first.wait_for()
    page.goto(f"{address}t/crisp/findings")
    return page.request.get(f"{address}t/crisp/findings/report/").body()


def send(page, hand, address, zipped):
    """Publish, after two mistakes, and take the zip file."""
    hand.press("Go on to publishing")
    hand.arrives("Publishing")
    hand.write("How large", "a litre")
    hand.press("Write it all")
    page.get_by_text("Two things to put right").wait_for()
    hand.arrives("Publishing")
    hand.write("How large", "1000")
    hand.press("My tasters know", "Space")
    hand.press("Write it all")
    page.get_by_role("link", name="Take it as one zip file").wait_for(timeout=90_000)
    hand.arrives("Publishing")
    hand.press("See what was written")
    page.get_by_role("link", name="index.html").click()
    page.get_by_role("heading", level=1, name="Which change keeps cucumbers crisp?").wait_for()
    page.go_back()
    page.get_by_role("link", name="say.md").click()
    page.get_by_text("## On camera").wait_for()
    page.goto(f"{address}t/crisp/publish")
    with page.expect_download() as taken:
        hand.press("Take it as one zip file")
    assert Path(taken.value.path()).read_bytes() == zipped.read_bytes()
