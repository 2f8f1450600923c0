"""Every page that is sent out, as a reader meets it: on a phone, by keyboard, offline, on paper.

Success criteria are those of WCAG 2.2 (1.4.10 reflow at 320 px, 2.1.1 keyboard, 2.4.1 skip link,
2.4.7 visible focus, 2.5.8 targets of 24 px), and axe's rules.
"""

from __future__ import annotations

import csv
import random
import re
import shutil
import subprocess
from itertools import product
from pathlib import Path

import pytest

from blindspoon.analysis import analyse, pool_folders
from blindspoon.packing.pack import pack, pack_kitchens

pytestmark = pytest.mark.browser
TRIALS = Path(__file__).parents[1] / "trials"
DEMO = TRIALS / "allotment-cucumbers"
FOLDERS = {"demo": "allotment-cucumbers", "wine": "randall-1989-wine", "extreme": None}
FORMS = [f"{trial}/{form}" for trial in FOLDERS for form in ("index", "print", "kit")]
SAME = ("wine/print", "wine/kit")  # but for its length, each is like that of the demonstration
EVERY = [pytest.param(name, marks=[pytest.mark.slow] * (name in SAME)) for name in FORMS]
GUIDES = ["demo/start", "kitchens/index"]
WRITEUPS = [case for case in EVERY if not case.values[0].endswith("kit")]
SCRIPT = "<script>document.title = 'broken'</script>"
SAID = "<b>crunchy</b>"
"""Without a word of a taster's name, which would not be published."""
PHONE = {"width": 390, "height": 844}

# axe takes one to five seconds a page; the others run with -m slow.
QUICK = {
    ("demo/index", 320, "light"),
    ("demo/kit", 390, "dark"),
    ("extreme/index", 390, "dark"),
    ("wine/index", 1280, "dark"),
    ("demo/start", 390, "dark"),
    ("kitchens/index", 390, "light"),
}
AXE = [
    pytest.param(*case, marks=() if case in QUICK else pytest.mark.slow)
    for case in product((*FORMS, *GUIDES), (320, 390, 1280), ("light", "dark"))
]
QUICK_PRINTS = {("demo/print", "A4"), ("extreme/print", "Letter")}
PRINTS = [
    pytest.param(*case, marks=() if case in QUICK_PRINTS else pytest.mark.slow)
    for case in product(
        (*(name for name in FORMS if not name.endswith("kit")), "demo/kit"), ("A4", "Letter")
    )
]


FILES = {"index": "index.html", "print": "print.html", "kit": "kit/do-it-yourself.html"}


@pytest.fixture(scope="module")
def pages(packed_of, once):
    """The HTML files of both trials, of an extreme one and of two kitchens, by "trial/form"."""

    def make(root):
        packs = {trial: packed_of(name)[0] for trial, name in FOLDERS.items() if name}
        with pytest.MonkeyPatch.context() as patch:  # pictures are looked at elsewhere
            patch.setattr("blindspoon.packing.pack.draw", lambda *_: ({}, ("Not drawn: a chart.",)))
            packs["extreme"] = pack(analyse(extreme(root / "folder")), jar_g=1000).files
            packs["kitchens"] = pack_kitchens(two_kitchens(root), all_sizes=True).files
        texts = {
            f"{trial}/{form}": packs[trial][FILES[form]] for trial, form in product(FOLDERS, FILES)
        }
        texts |= {"kitchens/index": packs["kitchens"]["index.html"]}
        texts |= {"demo/start": packs["kitchens"]["START.html"]}
        made = {name: root / f"{name.replace('/', '-')}.html" for name in texts}
        for name, path in made.items():
            path.write_bytes(texts[name])
        return made

    return once("published", make)


def two_kitchens(root):
    """The demonstration, and a second kitchen that scored otherwise."""
    second = root / "second"
    shutil.copytree(DEMO, second)
    table = (second / "scores.csv").read_text(encoding="utf-8")
    (second / "scores.csv").write_text(table.replace(",7,", ",6,"), encoding="utf-8")
    return pool_folders([DEMO, second])


def extreme(folder: Path) -> Path:
    """Twelve variants with labels of 40 characters, one taster, script in every text."""
    names = [f"v{number}" for number in range(12)]
    variants = (
        f'[[variant]]\nname = "{name}"\nmethod = "{SCRIPT}"\n'
        f'label = "{f"<b>{name}</b> of the coldest cellar ":x<40}"\n'
        for name in names
    )
    folder.mkdir()
    (folder / "trial.toml").write_text(EXTREME + "\n".join(variants), encoding="utf-8")
    batches = [
        [f"<i>{name}</i>", name, 600, 500, 25 + at, "2026-08-20", SCRIPT, SCRIPT]
        for at, name in enumerate(names)
    ]
    readings = [
        [f"<i>{name}</i>", f"2026-08-{day}", f"{10 - day / 4:g}", 18, SCRIPT]
        for name in names
        for day in (20, 24, 28)
    ]
    write(folder / "scores.csv", SCORED, scores(names))
    write(
        folder / "batches.csv",
        "batch variant produce_g water_g salt_g started vessel note",
        batches,
    )
    write(folder / "readings.csv", "batch date ph temperature_c note", readings)
    return folder


SCORED = "session taster variant position batch texture saltiness sourness comment"
EXTREME = f"""
[trial]
title = "{SCRIPT} brine"
question = "{SCRIPT}?"
product = "{SCRIPT}"
host = "{SCRIPT}"
licence = "{SCRIPT}"
control = "v0"
seed = 7
[decision]
declared = 2026-09-04
primary = ["texture"]
margin = 1.0
[scale]
low = 0
high = 10
step = 0.5
[[attribute]]
name = "texture"
low = "{SCRIPT}"
[[attribute]]
name = "saltiness"
[[attribute]]
name = "sourness"
"""


def scores(names):
    """Five rounds of one taster, in orders and with scores of no meaning."""
    chance = random.Random(3)  # noqa: S311 - no secret depends on it
    for session in range(1, 6):
        for position, name in enumerate(chance.sample(names, len(names)), 1):
            given = [chance.randrange(21) / 2 for _ in range(3)]
            yield [session, SCRIPT, name, position, f"<i>{name}</i>", *given, SAID]


def write(path, columns, rows):
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([columns.split(), *rows])


@pytest.fixture
def show(screen, pages):
    """Open a page without a network; what it asks for fails the test."""
    return lambda name, viewport=PHONE, theme="light": screen(pages[name], viewport, theme)


@pytest.fixture(scope="module")
def bare(tab):
    """A page without scripts and network, with what it asked for in `asked`."""
    context = tab.context.browser.new_context(
        viewport=PHONE, java_script_enabled=False, offline=True
    )
    sheet, sheet.asked = context.new_page(), []
    sheet.on("request", lambda request: sheet.asked.append(request.url))
    yield sheet
    context.close()


# What A4 leaves between its margins, in CSS pixels. A browser shrinks the whole page to what
# is wider.
BETWEEN_MARGINS = round((210 - 2 * 17) / 25.4 * 96)
WIDTHS = (320, 390, 768, 1280)
# Words outside of what scrolls by itself, and how far to the right they reach; links that stand by
# themselves, those within a sentence being exempt (2.5.8); the tables that each figure leads to.
LOOKS = {
    "reach": """[document.documentElement.scrollWidth,
        ...[...document.querySelectorAll('main *:not(svg *)')]
        .filter(each => !each.children.length && each.textContent.trim() && each.checkVisibility()
          && !each.closest('.scroll, .unseen, thead, svg'))
        .map(each => {
          const range = document.createRange();
          range.selectNodeContents(each);
          return [range.getBoundingClientRect().right, each.textContent.slice(0, 40)];
        }).reduce((one, other) => other[0] > one[0] ? other : one)]""",
    "phone": """() => ({
        language: document.documentElement.lang,
        answer: document.querySelector('.answer')?.getBoundingClientRect().bottom,
        small: [...document.querySelectorAll('nav a')].filter(each => each.checkVisibility()
          && each.getBoundingClientRect().height < 24).map(each => each.textContent),
        scripts: document.querySelectorAll('script').length,
        marked: document.querySelectorAll('main b, main i').length,
        text: document.body.innerText,
        title: document.title,
        figures: [...document.querySelectorAll('figure')].map(figure =>
          [...figure.querySelectorAll('.behind a')].map(link => {
            const table = document.querySelector(link.getAttribute('href'));
            return [table?.tagName, table?.tBodies[0].rows.length, link.textContent.trim(),
                    table?.caption.textContent.trim()];
          })),
      })""",
    "ground": "getComputedStyle(document.body).backgroundColor",
    "wide": """[...document.querySelectorAll('table')].filter(each =>
        each.getBoundingClientRect().right > innerWidth).map(each => each.id)""",
}


@pytest.fixture
def seen(screen, pages, once):
    """What is seen of a page on a phone, at other widths, in a dark room and before printing."""

    def look(name):
        sheet = screen(pages[name])
        facts = sheet.evaluate(LOOKS["phone"]) | {"asked": list(sheet.asked)}
        facts["reach"] = {}
        for width in WIDTHS if not name.endswith("print") else (WIDTHS[0], WIDTHS[-1]):
            sheet.set_viewport_size({"width": width, "height": 844})
            facts["reach"][width] = sheet.evaluate(LOOKS["reach"])
        sheet.emulate_media(color_scheme="dark")
        facts["ground"] = sheet.evaluate(LOOKS["ground"])
        sheet.set_viewport_size({"width": BETWEEN_MARGINS, "height": 900})
        sheet.emulate_media(media="print", color_scheme="light")
        return facts | {"wide": sheet.evaluate(LOOKS["wide"])}

    return lambda name: once(f"seen-{name.replace('/', '-')}", lambda _: look(name))


@pytest.mark.parametrize(("name", "width", "theme"), AXE)
def test_axe_finds_nothing(show, accessible, name, width, theme):
    accessible(show(name, {"width": width, "height": 844}, theme), again=False)


@pytest.mark.parametrize("name", [*EVERY, *GUIDES])
def test_nothing_sticks_out_at_any_width(seen, name):
    for width, (across, right, text) in seen(name)["reach"].items():
        assert across <= width
        assert right <= width - 15, text


@pytest.mark.parametrize("trial", FOLDERS)
def test_the_short_answer_stands_on_the_first_screen_of_a_phone(seen, trial):
    assert seen(f"{trial}/index")["answer"] <= PHONE["height"]


@pytest.mark.parametrize("name", EVERY)
def test_links_of_the_contents_are_large_enough_for_a_thumb(seen, name):
    assert seen(name)["small"] == []


FOCUSED = """
() => {
  window.stops = [];
  document.addEventListener('focusin', () => {
    const on = document.activeElement, box = on.getBoundingClientRect();
    const look = getComputedStyle(on);
    window.stops.push({
      what: on.getAttribute('href') ?? on.getAttribute('aria-label') ?? on.tagName,
      seen: look.outlineStyle !== 'none' && parseFloat(look.outlineWidth) >= 2 && box.right > 0,
    });
  });
}
"""
REACHABLE = """
() => [...document.querySelectorAll('a[href], .scroll, summary')]
  .filter(each => each.checkVisibility())
  .map(each => each.getAttribute('href') ?? each.getAttribute('aria-label') ?? each.tagName)
"""


@pytest.mark.parametrize("name", ["demo/index", "demo/kit", "extreme/index"])
def test_the_keyboard_reaches_everything_in_order_and_shows_where_it_is(show, name):
    sheet = show(name)
    expected = sheet.evaluate(REACHABLE)
    sheet.evaluate(FOCUSED)
    for _ in expected:
        sheet.keyboard.press("Tab")
    stops = sheet.evaluate("stops")
    assert [stop["what"] for stop in stops] == expected
    assert [stop["what"] for stop in stops if not stop["seen"]] == []
    assert stops[0]["what"] == ("#cautions" if name.endswith("kit") else "#answer")


def test_the_skip_link_comes_into_view_and_leads_to_the_answer(show):
    sheet = show("wine/index")
    sheet.keyboard.press("Tab")
    box = sheet.locator(".skip").bounding_box()
    assert box["x"] >= 0
    assert box["y"] >= 0
    sheet.keyboard.press("Enter")
    assert sheet.url.endswith("#answer")


@pytest.mark.parametrize(
    "name",
    [
        *("demo/index", "extreme/index"),  # the others have no script
        *(
            pytest.param(n, marks=pytest.mark.slow)
            for n in ("demo/print", "demo/kit", "extreme/kit")
        ),
    ],
)
def test_a_page_is_the_same_without_scripts_and_asks_for_nothing(seen, bare, name, pages):
    usual = seen(name)
    bare.asked.clear()
    bare.goto(pages[name].as_uri())
    assert usual["text"] == bare.inner_text("body")
    assert len(usual["text"]) > 2000
    assert usual["asked"] == bare.asked == [pages[name].as_uri()]


@pytest.mark.parametrize("name", EVERY)
def test_the_language_is_declared(seen, name):
    assert seen(name)["language"] == "en"


@pytest.mark.parametrize("form", ["index", "print", "kit"])
def test_what_people_wrote_is_text(seen, form):
    sheet = seen(f"extreme/{form}")
    assert sheet["scripts"] == (form == "index")  # ours, which unfolds
    assert sheet["marked"] == 0
    assert SCRIPT in sheet["title"]
    assert "<b>v11</b> of the coldest cellar" in sheet["text"]
    if form != "kit":
        assert f"“{SAID}”" in sheet["text"]


@pytest.mark.parametrize("name", WRITEUPS)
def test_every_figure_leads_to_the_tables_behind_it(seen, name):
    found = seen(name)["figures"]
    assert found
    for links in found:
        assert links
        for tag, rows, text, caption in links:
            paper = name.endswith("print")  # where a reader has to find it by its caption
            assert (tag, text) == ("TABLE", caption if paper else caption.split(": ")[-1])
            assert rows


def test_only_paper_stays_light_in_a_dark_room(seen):
    tone = {
        form: sum(map(int, re.findall(r"\d+", seen(f"demo/{form}")["ground"])))
        for form in ("index", "kit", "print")
    }
    assert max(tone["index"], tone["kit"]) < 150
    assert tone["print"] > 700


@pytest.mark.parametrize(
    "name",
    ["demo/print", "demo/kit", "extreme/print", pytest.param("wine/print", marks=pytest.mark.slow)],
)
def test_no_table_makes_the_printed_page_smaller(seen, name):
    assert seen(name)["wide"] == []


def squeezed(text: str) -> str:
    """Words without the spaces and line breaks that a printed page puts between them."""
    return re.sub(r"[\s\N{SOFT HYPHEN}]+", "", text)


@pytest.fixture
def printed(poppler, tmp_path):
    """The texts of the printed pages of a page."""

    def printed(sheet, paper):
        path = tmp_path / f"{paper}.pdf"
        sheet.pdf(path=path, format=paper)
        done = subprocess.run([poppler["pdftotext"], path, "-"], capture_output=True, check=True)
        return [squeezed(each) for each in done.stdout.decode().split("\f")[:-1]]

    return printed


ENDS_OF_FIGURES = """
() => [...document.querySelectorAll('figure')].map(figure =>
  ['figcaption', '.behind'].map(part => figure.querySelector(part).innerText))
"""


def test_on_paper_no_name_stands_at_the_foot_away_from_what_is_said_of_it(show, printed):
    sheet = show("demo/print")
    pairs = "".join(f"<dt>Jar {n}</dt><dd>{'As the others. ' * (n % 12)}.</dd>" for n in range(150))
    sheet.evaluate("pairs => document.querySelector('main').innerHTML = `<dl>${pairs}</dl>`", pairs)
    ends = [re.search(r"(Jar\d+)(\d+/\d+)?$", text) for text in printed(sheet, "A4")]
    assert len(ends) > 3
    assert not any(ends)


@pytest.mark.parametrize(("name", "paper"), PRINTS)
def test_on_paper_every_chart_is_whole_and_no_page_blank(show, printed, name, paper):
    sheet = show(name)
    sheets = printed(sheet, paper)
    assert all(len(text) > 150 for text in sheets[:-1])
    assert sheets[-1]  # the end of the text may be a line or two
    figures = sheet.evaluate(ENDS_OF_FIGURES)
    assert figures or name.endswith("kit")
    for title, foot in (map(squeezed, ends) for ends in figures):
        assert any(title in text and foot in text[text.index(title) :] for text in sheets), title
    if name.endswith("print"):
        ends = [f"{number}/{len(sheets)}" for number in range(1, len(sheets) + 1)]
        assert [text[-len(end) :] for text, end in zip(sheets, ends, strict=True)] == ends


def test_what_leads_about_the_page_is_not_printed(show, printed):
    text = "".join(printed(show("demo/kit"), "A4"))
    assert text.startswith("Doityourself:")
    assert "Skiptothe" not in text
