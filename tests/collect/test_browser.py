"""The score page in a real browser: phone and laptop, light and dark, with script and without."""

import datetime
import itertools
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from blindspoon import api
from blindspoon.collect import opening
from blindspoon.collect.ballots import CupAnswer, Given
from blindspoon.drawing import draw_blind

pytestmark = pytest.mark.browser
SCRIPT = Path(__file__).with_name("serve_folder.py")
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
NARROW = {"width": 320, "height": 640}
VIEWS = {
    f"{theme} {name}": (size, theme)
    for name, size in (("phone", PHONE), ("desk", DESK))
    for theme in ("light", "dark")
}


def views(usual):
    """Every view of a way by its name: one as a rule, the others with `-m slow`."""
    return pytest.mark.parametrize(
        "view",
        [pytest.param(view, marks=() if view == usual else pytest.mark.slow) for view in VIEWS],
    )


@pytest.fixture(scope="module")
def idle():
    """Phones that tests have done with, by whether scripts run: a new one takes a second."""
    return {True: [], False: []}


@pytest.fixture
def sheet(browser, idle):
    """Open a page; an error in it, or a request to anywhere else, fails the test."""
    taken, seen, errors = [], [], []
    watched = {
        "weberror": lambda error: errors.append(str(error.error)),
        "request": lambda request: seen.append(request.url),
    }

    def open_sheet(viewport=PHONE, theme="light", *, script=True):
        parked = idle[script]
        phone = parked.pop() if parked else browser.new_context(java_script_enabled=script)
        taken.append((phone, script))
        page = phone.pages[0] if phone.pages else phone.new_page()
        phone.set_default_timeout(15_000)
        page.set_viewport_size(viewport)
        page.emulate_media(color_scheme=theme)
        for event, told in watched.items():
            phone.on(event, told)
        return page

    yield open_sheet
    for phone, script in taken:
        for event, told in watched.items():
            phone.remove_listener(event, told)
        forget(phone)
        idle[script].append(phone)
    assert errors == []
    assert [url for url in seen if not url.startswith("http://127.0.0.1:")] == []


def forget(phone):
    """Leave a phone as if nobody had used it."""
    page, *others = phone.pages
    for other in others:
        other.close()
    page.unroute_all(behavior="ignoreErrors")
    page.evaluate("localStorage.clear(); sessionStorage.clear()")
    phone.set_offline(False)
    page.goto("about:blank")
    phone.clear_cookies()


@pytest.fixture(name="accessible")
def accessible_(accessible):
    """See that axe finds nothing, and that nothing sticks out at this width and at others."""

    def look(page):
        accessible(page)
        assert fits(page)
        own = page.viewport_size
        for size in (NARROW, PHONE, DESK):
            if size != own:
                page.set_viewport_size(size)
                assert fits(page)
        page.set_viewport_size(own)

    return look


def fits(page):
    return page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def begin(page, served, taster="T01"):
    """Open the first cup of a taster who has read the cautions."""
    served["sitting"].agree("1", taster)
    page.goto(f"{served['join']}t/{served['links'][taster]}")
    return page


TABLE = "document.querySelector('table')"


def hurry(page):
    """Have its scripts look again after 50 ms, not three or four seconds, and keep the table."""

    def faster(route):
        reply = route.fetch()
        body = re.sub(r"\b[34]000\)", "50)", reply.text())
        route.fulfill(response=reply, body=f"{body}; window.table = {TABLE}")

    page.route(re.compile(r"/(taster|host)\.js$"), faster)
    return page


def tap(page, name, step):
    page.locator(f"label:has(input[name={name}][value='{step}'])").click()


def taps_come(page, after="performance.now()"):
    """Have all taps come so many ms after their page: now, however slow the machine is."""
    page.evaluate(f"""(after => Object.defineProperty(
        Event.prototype, "timeStamp", {{ configurable: true, get: () => after }}
    ))({after})""")


def last_tap(page, seconds, *place):
    """Have a tap come so long after the last that led on, which may have been elsewhere."""
    taps_come(page)
    page.evaluate(
        """([ago, ...place]) => {
            const { x, y } = JSON.parse(sessionStorage.getItem("tap"));
            const [left, top] = [...place, x, y];
            const at = performance.timeOrigin + new Event("tap").timeStamp - 1000 * ago;
            sessionStorage.setItem("tap", JSON.stringify({ at, x: left, y: top }));
        }""",
        [seconds, *place],
    )


def until(page, expression):
    """Wait from outside: inside, the page's own policy forbids to evaluate text."""
    for _ in range(300):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never true: {expression}")


def cautions(page):
    page.get_by_role("heading", name="Before you taste").wait_for()


def saved(page):
    page.locator("#state.good").wait_for()


@views("dark phone")
def test_axe_finds_nothing_on_a_taster_s_way(sheet, served, accessible, view):
    page = sheet(*VIEWS[view])
    page.goto(served["join"])
    accessible(page)
    page.get_by_role("button", name="T01").click()
    cautions(page)
    accessible(page)
    page.locator("button.main").click()
    page.wait_for_url("**/1/1")
    tap(page, "texture", "7")
    saved(page)
    accessible(page)
    page.get_by_role("button", name="Save, next cup").click()
    page.wait_for_url("**/1/2")
    accessible(page)
    page.get_by_role("button", name="Stop here").click()
    page.wait_for_url("**/end")
    accessible(page)
    page.get_by_role("link", name="look over your answers").click()
    page.wait_for_url("**/look")
    accessible(page)


@views("dark desk")
def test_axe_finds_nothing_on_the_host_s_pages(sheet, served, accessible, view):
    page = sheet(*VIEWS[view])
    page.goto(served["host"])
    accessible(page)
    page.get_by_role("button", name="Close session 1").click()
    page.get_by_text("3 tasters have not finished").wait_for()
    accessible(page)
    page.get_by_role("button", name="Close it all the same").click()
    page.get_by_role("button", name="Open session 1").wait_for()
    heights = page.locator("tbody a").evaluate_all("all => all.map((a) => a.offsetHeight)")
    assert min(heights) >= 44
    page.locator("tbody a").first.click()
    page.wait_for_url("**/taster/*")
    accessible(page)
    assert page.get_by_role("link", name="The tasting").bounding_box()["height"] >= 40
    page.goto(f"{served['host']}/1/key/1")
    page.locator("input.cell").first.fill("99")
    page.locator("input.cell").first.press("Enter")
    page.locator("td.wrong").wait_for()
    accessible(page)
    page.goto(f"{served['join']}screen")
    page.get_by_text("No session is open.").wait_for()
    accessible(page)


def without_script(page):
    """Give a page the tree that it has where scripts are off: axe needs them itself."""

    def strip(route):
        reply = route.fetch(max_redirects=0)
        body = re.sub(r"<script[^>]*></script>|</?noscript>", "", reply.text())
        route.fulfill(response=reply, body=body)

    page.route("**/*", strip)


def test_axe_finds_nothing_with_scripts_off(sheet, served, accessible):
    page = sheet()
    without_script(page)
    begin(page, served)
    accessible(page)
    page.goto(served["host"])
    accessible(page)
    page.goto(f"{served['host']}/1/key/1")
    accessible(page)


@pytest.mark.slow  # a phone without scripts goes it in tests/workbench/test_walk.py as well
def test_the_whole_way_without_script(sheet, served, rows):
    page = sheet(script=False)
    page.goto(served["join"])
    page.get_by_role("button", name="T01").click()
    page.locator("button.main").click()
    for cup in (1, 2, 3):
        page.wait_for_url(f"**/1/{cup}")
        tap(page, "texture", "6.5")
        tap(page, "saltiness", "3")
        page.locator("button.main").click()
    page.wait_for_url("**/1/look")
    assert page.locator("dd").all_text_contents() == ["6.5", "3"] * 3
    page.get_by_role("link", name="Finish").click()
    page.wait_for_url("**/end")
    assert "All 3 cups are scored and saved" in page.text_content("main")
    assert [(row["texture"], row["saltiness"]) for row in rows()] == [("6.5", "3")] * 3


@pytest.mark.slow
def test_a_host_without_script_keys_a_ballot(sheet, served, rows):
    page = sheet(DESK, script=False)
    page.goto(f"{served['host']}/1/key/1")
    page.locator("input.cell").first.focus()
    for text in ("7", "4"):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    page.locator("input.cell").nth(2).press("Enter")
    page.wait_for_url("**/1/key/2?saved=1")
    assert rows()[0]["texture"] == "7"


def test_keying_needs_the_keyboard_alone(sheet, served, rows):
    page = sheet(DESK)
    page.goto(f"{served['host']}/1/key/1")
    for texture, saltiness in (("7", "4"), ("8", "5"), ("6,5", "3")):
        for text in (texture, saltiness):
            page.keyboard.type(text)
            page.keyboard.press("Tab")
        if texture != "6,5":
            page.keyboard.press("Tab")  # past the comment
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/1/key/2?saved=1")
    assert [row["texture"] for row in rows()] == ["7", "8", "6.5"]


def test_a_second_tap_on_one_s_own_name_goes_on(sheet, served):
    page = sheet()
    page.goto(served["join"])

    def swallow(route):
        route.fetch(max_redirects=0)
        route.fulfill(status=502, body="lost")

    page.route("**/join", swallow, times=1)
    name = page.get_by_role("button", name="T01")
    name.click()
    page.get_by_text("lost").wait_for()
    page.goto(served["join"])
    page.get_by_role("link", name="Yes, go on").click()
    cautions(page)
    twice = sheet()
    twice.goto(served["join"])
    twice.get_by_role("button", name="T02").dblclick()
    cautions(twice)


def test_the_same_phone_goes_on_where_it_was_and_another_can_take_over(sheet, served, accessible):
    page = sheet()
    page.goto(served["join"])
    page.get_by_role("button", name="T01").click()
    page.get_by_role("button", name="Not me").click()
    page.get_by_role("button", name="T02").click()
    page.locator("button.main").click()
    page.wait_for_url("**/1/1")
    page.goto(served["join"])
    accessible(page)
    page.get_by_role("link", name="Yes, go on").click()
    page.wait_for_url("**/1/1")
    assert served["links"]["T02"] in page.url


def test_each_tap_is_saved_as_it_is_given(sheet, served, rows):
    page = begin(sheet(), served)
    tap(page, "texture", "7")
    saved(page)
    assert rows()[0]["texture"] == "7"
    tap(page, "texture", "8")
    tap(page, "saltiness", "2.5")
    page.fill("#comment", "snaps, <b>then</b>\nsoft")
    page.get_by_role("button", name="Save, next cup").click()
    page.wait_for_url("**/1/2")
    row = rows()[0]
    assert (row["texture"], row["saltiness"]) == ("8", "2.5")
    assert row["comment"] == "snaps, <b>then</b>\nsoft"


PAGES = "Object.entries(sessionStorage).find(([key]) => key.startsWith('pages '))?.[1] ?? '{}'"
AHEAD = f"Object.keys(JSON.parse({PAGES})).some((path) => path.endsWith('/1/look'))"


def test_cups_are_gone_through_without_connection_and_sent_after_it(sheet, served, rows):
    page = begin(sheet(), served)
    until(page, AHEAD)
    page.context.set_offline(True)
    tap(page, "texture", "7")
    page.locator("#state.bad", has_text="No connection").wait_for()
    tap(page, "saltiness", "4")
    for cup in (2, 3):
        page.get_by_role("button", name="Save, next cup").click()
        page.wait_for_url(f"**/1/{cup}")
        page.get_by_role("timer", name="Rest before you taste").wait_for()
        assert not page.locator("fieldset").first.is_visible()
        page.get_by_role("button", name="Taste now").click()
        tap(page, "texture", str(cup))
    for move, cup in ((page.go_back, 2), (page.go_back, 1), (page.go_forward, 2)):
        move()
        page.get_by_text(f"{cup} of 3").wait_for()
    page.go_forward()
    page.get_by_role("button", name="Back to cup 512").click()
    page.wait_for_url("**/1/2")
    last_tap(page, 1)
    assert page.locator("input[name=texture]:checked").input_value() == "2"
    page.get_by_role("button", name="Save, next cup").click()
    page.wait_for_url("**/1/3")
    last_tap(page, 1)
    page.get_by_role("button", name="Save and look over").click()
    page.wait_for_url("**/1/look")
    assert page.locator("dd").all_text_contents() == ["7", "4", "2", "–", "3", "–"]
    page.get_by_role("link", name="Finish").click()
    assert rows() == []
    page.context.set_offline(False)
    page.wait_for_url("**/end")
    assert [(row["texture"], row["saltiness"]) for row in rows()] == [
        ("7", "4"),
        ("2", ""),
        ("3", ""),
    ]


@pytest.mark.parametrize("offline", [False, True])
def test_two_quick_taps_go_one_cup_on(sheet, served, offline):
    page = begin(sheet({"width": 800, "height": 450}), served)  # its bar stays where it is
    until(page, AHEAD)
    page.context.set_offline(offline)
    page.evaluate("document.getElementById('answer').dataset.rest = 0")
    tap(page, "texture", "7")
    page.locator("#state.bad" if offline else "#state.good").wait_for()
    box = page.get_by_role("button", name="Save, next cup").bounding_box()
    place = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.click(*place)
    page.wait_for_url("**/1/2")
    last_tap(page, 0.1)
    page.mouse.click(*place)
    page.wait_for_timeout(600)
    assert page.url.endswith("/1/2")
    last_tap(page, 1)
    page.mouse.click(*place)
    page.wait_for_url("**/1/3")


def test_the_second_of_two_quick_taps_scores_nothing(sheet, served):
    """A step may lie where "Back to cup" was, or the cautions; the page may be slow."""
    page = sheet()
    page.goto(served["join"])
    page.get_by_role("button", name="T01").click()
    page.get_by_role("button", name="Not me").click()
    page.wait_for_url("**/?other=1")
    last_tap(page, 1)  # it was noted: a name may lie there
    page.get_by_role("button", name="T01").click()
    page.locator("button.main").click()
    page.wait_for_url("**/1/1")
    box = page.locator("label:has(input[name=texture][value='7'])").bounding_box()
    place = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    given = page.locator("output.value").first
    last_tap(page, 5, *place)
    page.reload()
    taps_come(page, "0")
    page.mouse.click(*place)
    assert given.text_content() == ""
    page.wait_for_timeout(600)
    last_tap(page, 0.1, *place)
    page.mouse.click(*place)
    assert given.text_content() == ""
    last_tap(page, 5, *place)
    page.mouse.click(*place)
    assert given.text_content() == "7"


def test_an_answer_that_was_not_sent_survives_closing_the_page(sheet, served, rows):
    page = begin(sheet(), served)
    page.route("**/1/1", lambda route: route.abort())
    tap(page, "texture", "7")
    page.locator("#state.bad").wait_for()
    again = page.context.new_page()
    page.close()
    again.goto(f"{served['join']}t/{served['links']['T01']}")
    saved(again)
    assert again.locator("input[name=texture]:checked").input_value() == "7"
    assert rows()[0]["texture"] == "7"


@pytest.mark.slow
def test_a_restart_in_the_middle_of_a_cup_loses_nothing(sheet, folder, rows, free_port):
    command = [sys.executable, str(SCRIPT), str(folder), str(free_port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as first:
        said = json.loads(first.stdout.readline())
        page = sheet()
        page.goto(f"{said['join']}t/{said['links']['T01']}")
        page.locator("button.main").click()
        page.wait_for_url("**/1/1")
        tap(page, "texture", "7")
        saved(page)
        first.kill()
    tap(page, "saltiness", "4")
    page.locator("#state.bad").wait_for()
    assert [(row["texture"], row["saltiness"]) for row in rows()] == [("7", "")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as second:
        page.locator("#state.good").wait_for(timeout=30_000)
        second.kill()
    assert [(row["texture"], row["saltiness"]) for row in rows()] == [("7", "4")]


def test_a_lost_acknowledgement_makes_no_conflict(sheet, served, rows, folder):
    page = begin(sheet(), served)

    def swallow(route):
        route.fetch()
        route.abort()

    page.route("**/1/1", swallow)
    tap(page, "texture", "7")
    page.locator("#state.bad").wait_for()
    assert rows()[0]["texture"] == "7"
    page.unroute("**/1/1")
    tap(page, "texture", "8")
    saved(page)
    assert rows()[0]["texture"] == "8"
    assert not (folder / "ballots/conflicts").exists()


def test_what_is_scored_may_be_called_base(sheet, serve, folder, rows):
    path, name = folder / "trial.toml", "base"
    path.write_text(path.read_text().replace('name = "saltiness"', f'name = "{name}"'))
    with serve(folder) as served:
        page = begin(sheet(), served)
        tap(page, name, "4")
        saved(page)
        page.goto(f"{served['host']}/1/key/1")
        page.locator(f"input[name='0-{name}']").fill("5")
        page.get_by_role("button", name="Save").click()
        page.get_by_text("is saved").wait_for()
    assert rows()[0][name] == "5"


def test_two_phones_on_one_link_wipe_nothing_and_are_told_what_they_replace(
    sheet, served, rows, folder
):
    first, second = begin(sheet(), served), sheet()
    second.goto(first.url)
    tap(first, "texture", "7")
    saved(first)
    tap(second, "saltiness", "3")
    second.locator("input[name=texture][value='7']:checked").wait_for(state="attached")
    tap(second, "saltiness", "4")
    saved(second)
    assert (rows()[0]["texture"], rows()[0]["saltiness"]) == ("7", "4")
    assert not (folder / "ballots/conflicts").exists()
    tap(first, "saltiness", "9")
    first.get_by_text("had been answered on another page").wait_for()
    assert rows()[0]["saltiness"] == "9"
    assert ",037,7,4," in (folder / "ballots/conflicts/1-T01.csv").read_text()


def test_a_phone_that_returns_with_an_older_answer_shows_the_newer_one(sheet, served, rows, folder):
    """Its clock may be wrong by an hour, and the taster be past the last cup."""
    first, second = begin(sheet(), served), sheet()
    second.goto(first.url)
    second.evaluate("(now => { Date.now = () => now() - 3600000; })(Date.now)")
    until(second, AHEAD)
    second.context.set_offline(True)
    tap(second, "texture", "3")
    tap(second, "saltiness", "4")
    for cup in (2, 3):
        second.get_by_role("button", name="Save, next cup").click()
        second.wait_for_url(f"**/1/{cup}")
        last_tap(second, 1)
        second.get_by_role("button", name="Taste now").click()
    second.get_by_role("button", name="Save and look over").click()
    second.wait_for_url("**/1/look")
    assert second.locator("dd").first.text_content() == "3"
    tap(first, "texture", "7")
    saved(first)
    second.context.set_offline(False)
    second.get_by_text("Cup 037 has a newer answer").wait_for()
    assert (rows()[0]["texture"], rows()[0]["saltiness"]) == ("7", "4")
    assert ",037,3,4," in (folder / "ballots/conflicts/1-T01.csv").read_text()
    assert second.locator("dd").all_text_contents()[:2] == ["7", "4"]
    second.get_by_role("link", name="Cup 037").click()
    second.locator("input[name=texture][value='7']:checked").wait_for(state="attached")


def test_a_second_tab_shows_the_first_and_replaces_nothing(sheet, served, rows, folder):
    """Even where it hears of an answer before it sees in the storage that nothing is unsent."""
    page = begin(sheet(), served)
    tab = hurry(page.context.new_page())
    tab.goto(page.url)
    tab.evaluate(LATE)
    page.bring_to_front()
    tap(page, "texture", "7")
    until(tab, "window.told")
    tab.evaluate("window.late = false")
    tab.locator("input[name=texture][value='7']:checked").wait_for(state="attached")
    tab.bring_to_front()
    tap(tab, "saltiness", "3")
    saved(tab)
    page.locator("input[name=saltiness][value='3']:checked").wait_for(state="attached")
    assert (rows()[0]["texture"], rows()[0]["saltiness"]) == ("7", "3")
    assert not (folder / "ballots/conflicts").exists()


LATE = """() => {
  const own = Storage.prototype.getItem;
  const { base } = document.querySelector("main").dataset;
  window.late = true;
  new BroadcastChannel(`answers ${base}`).onmessage = () => { window.told = true; };
  Storage.prototype.getItem = function (key) {
    return key.startsWith("unsent") && window.late
      ? JSON.stringify({ [location.pathname]: "x=1" }) : own.call(this, key);
  };
}"""


def test_a_page_that_a_browser_had_put_by_is_asked_for_anew(sheet, served):
    """Back from the next cup it would lead there at the next tap; Safari puts by (from memory)."""
    page = begin(sheet(), served)
    ballot = served["sitting"].ballots["1", "T01"]
    ballot.save({ballot.codes[0]: Given(CupAnswer(scores=("7", "")), "", "elsewhere")})
    back = "dispatchEvent(new PageTransitionEvent('pageshow', { persisted: true }))"
    page.context.set_offline(True)
    page.evaluate(back)
    page.wait_for_timeout(300)
    assert page.locator("input[name=texture]").count()  # and no error of the browser
    page.context.set_offline(False)
    page.evaluate(back)
    page.locator("input[name=texture][value='7']:checked").wait_for(state="attached")


def test_a_tap_that_comes_before_the_script_is_saved(sheet, served, rows):
    page = sheet()

    def after_a_tap(route):
        step = "document.querySelector('input[name=texture][value=\"7\"]')"
        until(page, f"{step} && ({step}.checked = true)")
        route.continue_()

    page.route("**/taster.js", after_a_tap)
    begin(page, served)
    saved(page)
    assert rows()[0]["texture"] == "7"


def test_a_grid_that_is_keyed_and_not_saved_warns(sheet, served, rows):
    page, asked = sheet(DESK), []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    page.goto(f"{served['host']}/1/key/1")
    page.keyboard.type("7")
    with page.expect_event("dialog"):
        page.get_by_role("link", name="The tasting").click(no_wait_after=True)
    assert asked == ["beforeunload"]
    page.locator("input.cell").first.press("Enter")
    page.wait_for_url("**/1/key/2?saved=1")
    assert (rows()[0]["texture"], len(asked)) == ("7", 1)


@pytest.mark.slow
def test_a_closed_session_is_said_and_the_answer_waits_for_it(sheet, served, rows):
    page, host = begin(sheet(), served), sheet(DESK)
    host.goto(served["host"])
    host.get_by_role("button", name="Close session 1").click()
    host.get_by_role("button", name="Close it all the same").click()
    host.get_by_text("No session is open.").wait_for()
    tap(page, "texture", "7")
    page.locator("#refused", has_text="cup 037. Session 1 is closed").wait_for()
    page.locator("#state", has_text="Not saved").wait_for()
    host.get_by_role("button", name="Open session 1").click()
    saved(page)
    assert rows()[0]["texture"] == "7"
    assert page.locator("#refused").count() == 0


def test_an_answer_given_too_late_is_kept_aside_and_the_next_session_works(
    sheet, folder, serve, rows, accessible
):
    with (folder / "servings.csv").open("a") as file:
        file.write("2,T01,1,901\n2,T01,2,902\n")
    (folder / "key.csv").unlink()
    with serve(folder) as served:
        page = begin(sheet(), served)
        served["sitting"].open_session("")
        tap(page, "texture", "7")
        page.locator("#refused", has_text="Session 1 is closed").wait_for()
        served["sitting"].open_session("2")
        page.get_by_role("link", name="Go on").click()
        page.locator("button.main").click()
        page.wait_for_url("**/2/1")
        tap(page, "texture", "5")
        saved(page)
        page.locator("#refused", has_text="kept on this phone: cup 037").wait_for()
        accessible(page)
    assert rows("2-T01.csv")[0]["texture"] == "5"
    assert rows() == []


def test_the_end_goes_to_the_next_session_by_itself(sheet, folder, serve, accessible):
    with (folder / "servings.csv").open("a") as file:
        file.write("2,T01,1,901\n2,T01,2,902\n")
    (folder / "key.csv").unlink()
    with serve(folder) as served:
        page = begin(hurry(sheet()), served)
        page.get_by_role("button", name="Stop here").click()
        page.get_by_text("Session 2 comes next").wait_for()
        accessible(page)
        served["sitting"].open_session("2")
        cautions(page)
        page.get_by_text("session 2").first.wait_for()


def test_who_waits_without_script_goes_on_by_itself_too(sheet, folder, serve):
    with (folder / "servings.csv").open("a") as file:
        file.write("2,T01,1,901\n2,T01,2,902\n")
    (folder / "key.csv").unlink()
    with serve(folder) as served:
        page = begin(sheet(script=False), served)
        page.route("**/t/**", sooner)
        page.goto(page.url.replace("/1/1", "/1/end"))
        page.get_by_text("Session 2 comes next").wait_for()
        served["sitting"].open_session("2")
        page.get_by_role("link", name="On to session 2").click()
        cautions(page)
        served["sitting"].open_session("")
        page.goto(page.url)  # what is routed is no page that one is led to
        page.get_by_text("No session is open").wait_for()
        served["sitting"].open_session("2")
        cautions(page)


def sooner(route):
    """Have a page without scripts renew itself after a second, not 15."""
    reply = route.fetch(max_redirects=0)
    body = re.sub("</?noscript>", "", reply.text()).replace('content="15"', 'content="1"')
    route.fulfill(response=reply, body=body)


@pytest.mark.slow
def test_a_score_can_be_taken_back(sheet, served, rows):
    page = begin(sheet(), served)
    tap(page, "texture", "7")
    saved(page)
    with page.expect_response("**/1/1"):
        tap(page, "texture", "")
    assert rows()[0]["texture"] == ""


@pytest.mark.parametrize("sets", [False, True])
def test_a_choice_can_be_taken_back_once_it_is_made(sheet, eaten, folder, serve, rows, sets):
    name = "answer" if sets else "would_eat_it"
    for file in ("servings.csv", "key.csv"):
        (folder / file).unlink()
    for file, data in ({"trial.toml": TRIANGLE} if sets else eaten).items():
        (folder / file).write_bytes(data)
    draw_blind(folder, datetime.date(2026, 9, 4))
    with serve(folder) as served:
        page = begin(sheet(NARROW), served)
        none = page.locator(".choose + .beside .none")
        assert not none.is_visible()
        page.locator(".choose label").first.click()
        saved(page)
        assert rows()[0][name]
        with page.expect_response("**/1/1"):
            none.click()
        assert fits(page)
    assert rows()[0][name] == ""


TRIANGLE = b"""\
decision = { declared = 2026-09-04 }
choice = { method = "triangle", sets = 2 }
trial = { title = "Two salts", control = "sea" }
variant = [{ name = "sea" }, { name = "rock" }]
tasting = { tasters = ["T01", "T02"] }
"""


def test_a_scale_that_is_typed_says_at_once_what_it_does_not_take(sheet, folder, serve, rows):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace("high = 10\nstep = 0.5", "high = 100"))
    with serve(folder) as served:
        page = begin(sheet({"width": 390, "height": 1600}), served)
        page.fill("#texture", "120")
        page.keyboard.press("Tab")
        page.locator("#texture-fault", has_text="Score 120 is off the scale").wait_for()
        assert page.get_attribute("#texture", "aria-invalid") == "true"
        page.fill("#texture", "72.5")
        assert page.get_attribute("#texture", "aria-invalid") is None
        page.locator("button.main").click()  # which no vanishing fault may move away
        page.wait_for_url("**/1/2")
    assert rows()[0]["texture"] == "72.5"


def test_what_is_being_typed_is_kept_when_the_phone_is_locked(sheet, folder, serve, rows):
    """Of a page that is dropped while it is hidden nothing but that it is hidden is told."""
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace("high = 10\nstep = 0.5", "high = 100"))
    with serve(folder) as served:
        page = begin(sheet(), served)
        page.evaluate("Object.defineProperty(document, 'hidden', { value: true })")
        for field, typed in (("texture", "72"), ("comment", "soft")):
            page.fill(f"#{field}", typed)
            page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
            saved(page)
            assert rows()[0][field] == typed


def test_a_line_without_steps_is_slid_stepped_and_typed_and_begins_with_nothing(
    sheet, folder, serve, rows, accessible
):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace("step = 0.5\n", ""))
    with serve(folder) as served:
        page = begin(sheet({"width": 320, "height": 800}), served)
        line, field = page.locator(".track").first, page.locator("#texture")
        assert line.get_attribute("aria-valuetext") == "not scored yet"
        assert "unset" in line.get_attribute("class")
        accessible(page)
        for typed, read in (("7,5", "7.5"), ("7.2", "7.2")):
            field.fill("")
            field.press_sequentially(typed)
            page.keyboard.press("Tab")
            saved(page)
            assert (line.input_value(), rows()[0]["texture"]) == (read, read)
        accessible(page)
        field.fill("")
        box = line.bounding_box()
        assert (box["x"], box["width"]) == (20, 280)
        page.mouse.click(box["x"] + 84, box["y"] + 20)
        assert (field.input_value(), line.get_attribute("aria-valuetext")) == ("3.0", "3.0")
        page.keyboard.press("ArrowRight")
        saved(page)
        assert rows()[0]["texture"] == "3.1"
        page.get_by_role("button", name="no score").first.click()
        until(page, "document.querySelector('.track').classList.contains('unset')")
        saved(page)
    assert rows()[0]["texture"] == ""


def test_targets_fit_a_thumb(sheet, served):
    page = begin(sheet(), served)
    lines = [each.bounding_box() for each in page.locator(".line").all()]
    assert [line["width"] for line in lines] == [350, 350]
    assert min(line["height"] for line in lines) >= 44
    boxes = [each.bounding_box() for each in page.locator("[data-by]").all()]
    assert len(boxes) == 4
    assert min(min(box["width"], box["height"]) for box in boxes) >= 44
    buttons = page.locator("button").filter(visible=True)
    sizes = buttons.evaluate_all("all => all.map(button => button.offsetHeight)")
    assert min(sizes) >= 44
    font = page.evaluate(
        "parseFloat(getComputedStyle(document.getElementById('comment')).fontSize)"
    )
    assert font >= 16  # below that phones zoom into a field


def test_the_button_stays_where_it_is_whatever_is_said_beside_it(sheet, served):
    page = begin(sheet(NARROW), served)
    place = page.locator("button.main").bounding_box()
    page.context.set_offline(True)
    tap(page, "texture", "7")
    page.locator("#state.bad").wait_for()
    assert page.locator("button.main").bounding_box() == place
    page.context.set_offline(False)
    saved(page)
    assert page.locator("button.main").bounding_box() == place


HIDDEN = """() => {
  const it = document.activeElement, bar = document.querySelector(".bar");
  if (!it.offsetParent || bar.contains(it)) return "";
  const own = (it.type === "radio" ? it.parentElement : it).getBoundingClientRect();
  const { top, bottom } = bar.getBoundingClientRect();
  const under = own.bottom > top + 1 && own.top < bottom - 1;
  return under || own.top < -1 || own.bottom > innerHeight + 1 ? it.outerHTML : "";
}"""


def test_the_focus_is_never_under_the_bar_and_large_type_fits(sheet, served):
    """Against WCAG 2.2, 2.4.11 (focus not obscured) and 1.4.4 (text at 200 %)."""
    page = begin(sheet({"width": 390, "height": 500}), served)
    for size in ("", "200%"):
        page.evaluate(f"document.documentElement.style.fontSize = '{size}'")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        for key in ("Tab", "Shift+Tab"):
            for _ in range(10):
                page.keyboard.press(key)
                assert page.evaluate(HIDDEN) == ""
    page.evaluate("document.documentElement.style.fontSize = ''")
    for percent in ("125%", "150%", "100%"):
        page.get_by_role("button", name="Type size").click()
        size = page.evaluate("getComputedStyle(document.documentElement).fontSize")
        assert float(size[:-2]) == 16 * int(percent[:-1]) / 100


def test_long_words_of_the_host_fit_the_narrowest_phone_in_the_largest_type(sheet, serve, folder):
    path = folder / "trial.toml"
    words = 'name = "texture"\nlabel = "Fermentationsnotenkraft"\nhigh = "außerordentlich kräftig"'
    path.write_text(path.read_text("utf-8").replace('name = "texture"', words), "utf-8")
    for name in ("servings.csv", "key.csv"):
        text = (folder / name).read_text("utf-8")
        (folder / name).write_text(text.replace("T01", "Cleo von Hohenzollern"), "utf-8")
    with serve(folder) as served:
        page = sheet(NARROW)
        page.goto(served["join"])
        boxes = [page.get_by_role("button", name=name).bounding_box() for name in ("Cleo", "T02")]
        assert boxes[0]["x"] + boxes[0]["width"] < boxes[1]["x"]
        begin(page, served, "Cleo von Hohenzollern")
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert fits(page)


def test_forced_colours_show_what_is_picked(sheet, served):
    page = begin(sheet(), served)
    page.emulate_media(forced_colors="active")
    tap(page, "texture", "7")
    look = "it => getComputedStyle(it).backgroundColor"
    picked, other = (
        page.locator(f"input[name=texture][value='{step}'] + span").evaluate(look) for step in "78"
    )
    page.emulate_media(forced_colors="none")
    assert picked != other


def test_a_scale_is_one_unbroken_line_with_its_ends_at_the_ends(sheet, served):
    page = begin(sheet(), served)
    for width in (320, 390, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        steps = page.locator("label:has(input[name=texture]):not(.none)")
        boxes = steps.evaluate_all("all => all.map(it => it.getBoundingClientRect().toJSON())")
        assert len(boxes) == 21
        assert {box["y"] for box in boxes} == {boxes[0]["y"]}
        gaps = [after["x"] - box["right"] for box, after in itertools.pairwise(boxes)]
        assert max(map(abs, gaps)) < 0.1
        ends = page.locator(".ends").first.bounding_box()
        assert abs(ends["x"] - boxes[0]["x"]) < 1
        assert abs(ends["x"] + ends["width"] - boxes[-1]["right"]) < 1


def test_a_finger_slides_along_the_line_and_a_step_is_put_right(sheet, served, rows):
    page = begin(sheet(), served)
    higher = page.get_by_role("button", name="Texture: one step higher")
    assert higher.is_disabled()
    line = page.locator(".line").first.bounding_box()
    y = line["y"] + 20
    page.mouse.move(line["x"] + 5, y)
    page.mouse.down()
    page.mouse.move(line["x"] + line["width"] * 0.5, y, steps=3)
    assert page.locator("output.value").first.text_content() == "5"
    assert rows() == []
    page.mouse.up()
    saved(page)
    assert rows()[0]["texture"] == "5"
    with page.expect_response("**/1/1"):
        higher.click()
    assert rows()[0]["texture"] == "5.5"


def test_the_overview_renews_itself_under_the_focus_and_says_when(sheet, served):
    host = hurry(sheet(DESK))
    host.goto(served["host"])
    assert "0 of 3 tasters joined" in host.text_content("#progress")
    host.get_by_text("As of").wait_for()
    assert host.evaluate("table.isConnected")  # nothing has changed
    host.get_by_role("link", name="Key in T02").focus()
    served["sitting"].agree("1", "T01")
    host.get_by_text("1 of 3 tasters joined").wait_for()
    assert host.evaluate("document.activeElement.textContent") == "Key in T02"
    assert re.fullmatch(r"As of \d.*\.", host.text_content("#news"))
    host.get_by_role("button", name="Close session 1").hover()
    host.mouse.down()
    served["sitting"].agree("1", "T02")
    host.wait_for_timeout(400)  # it looked again meanwhile
    host.mouse.up()
    host.get_by_role("link", name="Keep it open").click()
    host.get_by_text("2 of 3 tasters joined").wait_for()
    host.context.set_offline(True)
    host.get_by_text("has not answered since").wait_for()


@pytest.mark.slow
def test_markup_in_a_comment_does_not_run_in_the_report(browser, folder):
    bad = ["<script>window.pwned=1</script>", "<img src=x onerror=window.pwned=1>", "=1+1", "]]>"]
    with opening.opened(folder) as sitting:
        for ballot in sitting.ballots.values():
            for k, code in enumerate(ballot.codes):
                answer = CupAnswer(scores=(str(k), str(5 - k)), comment=bad[(k + len(code)) % 4])
                ballot.save({code: Given(answer, "", "a")})
    written = api.report(folder, folder.parent / "reports")
    page = browser.new_page()
    page.goto(written.as_uri())
    assert "window.pwned=1" in page.text_content("body")
    assert page.evaluate("window.pwned") is None
    page.close()


@pytest.mark.slow
def test_markup_in_a_comment_runs_nowhere(sheet, served):
    page, host = begin(sheet(), served), sheet(DESK)
    page.fill("#comment", "</textarea><img src=x onerror='window.pwned=1'>")
    page.get_by_role("button", name="Save, next cup").click()
    page.wait_for_url("**/1/2")
    host.goto(f"{served['host']}/1/key/1")
    assert "onerror" in host.locator("textarea").first.input_value()
    assert host.evaluate("window.pwned") is None


def test_enter_saves_a_ballot_from_a_comment_too(sheet, served, rows):
    page = sheet(DESK)
    page.goto(f"{served['host']}/1/key/1")
    page.locator("input.cell").first.fill("7")
    page.locator("textarea").first.fill("crunchy 🥒")
    page.locator("textarea").first.press("Enter")
    page.wait_for_url("**/1/key/2?saved=1")
    assert (rows()[0]["texture"], rows()[0]["comment"]) == ("7", "crunchy 🥒")
