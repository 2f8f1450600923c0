"""The sheets as paper and as a screen: measured in the PDF, with nothing cut or lost."""

import html
import io
import re
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from blindspoon.sheets.pouring import LABEL_STOCKS, PAPERS, trays_of
from blindspoon.sheets.printing import print_sheets

pytestmark = pytest.mark.browser
FILES = ["checklist", "pouring", "trays", "labels", "ballots"]
POINT = 25.4 / 72
TOLERANCE = 0.3
"""Millimetres."""


@pytest.fixture
def show(screen, sheets):
    """Open a sheet; what it asks the network for fails the test."""

    def show(name, file, width=1280, **options):
        return screen(sheets(name, **options)[f"{file}.html"], {"width": width, "height": 844})

    return show


@pytest.fixture(scope="module")
def printed():
    """What has been printed, for all tests that read it."""
    return {}


@pytest.fixture
def words(show, poppler, printed):
    """Print a sheet and read where its words stand: for each page its size and (word, box)."""

    def words(name, file, paper="a4", label_stock=None):
        key = name, file, paper, label_stock
        if key not in printed:
            sheet = show(name, file, paper=paper, label_stock=label_stock)
            printed[key] = read_words(sheet.pdf(prefer_css_page_size=True), poppler)
        return printed[key]

    return words


def read_words(pdf, poppler):
    done = subprocess.run(
        [poppler["pdftotext"], "-bbox", "-", "-"], input=pdf, capture_output=True, check=True
    )
    pages = []
    for text in done.stdout.decode().split("<page ")[1:]:
        size = tuple(float(each) * POINT for each in re.findall(r'(?:width|height)="(.*?)"', text))
        found = re.findall(
            r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*?)</word>', text
        )
        pages.append(
            (size[:2], [(html.unescape(w[4]), [float(x) * POINT for x in w[:4]]) for w in found])
        )
    return pages


def ink_edges(pdf, poppler):
    """Where black begins and ends across and down each page, in millimetres."""
    command = [poppler["pdftoppm"], "-r", "254", "-mono", "-"]
    pictures = subprocess.run(command, input=pdf, capture_output=True, check=True).stdout
    for picture in re.split(rb"(?=P4\n\d+ \d+\n)", pictures)[1:]:
        black = ~np.asarray(Image.open(io.BytesIO(picture)))
        sides = (black.any(axis=axis).astype(int) for axis in (0, 1))
        yield [np.flatnonzero(np.diff(side)) / 10 + 0.1 for side in sides]


@pytest.mark.parametrize("stock", LABEL_STOCKS)
def test_labels_lie_where_the_stock_has_them(show, poppler, stock):
    """Every other row black: the even ones on the first page, the odd ones on the second."""
    page, wanted = show("twelve", "labels", label_stock=stock), LABEL_STOCKS[stock]
    page.evaluate(
        """columns => [...document.querySelectorAll('.page')].forEach((page, number) =>
            number > 1 ? page.remove() : page.querySelectorAll('.label').forEach((label, place) => {
                const black = Math.floor(place / columns) % 2 === number;
                const colour = black ? '#000' : '#fff';
                label.style.cssText = `print-color-adjust: exact; background: ${colour}`;
                label.replaceChildren();
            }))""",
        wanted.columns,
    )
    pdf = page.pdf(prefer_css_page_size=True)
    left = wanted.left + np.arange(wanted.columns) * (wanted.width + wanted.gap)
    for parity, (across, down) in zip((0, 1), ink_edges(pdf, poppler), strict=True):
        top = wanted.top + np.arange(parity, wanted.rows, 2) * wanted.height
        edges = np.sort(np.concatenate([left, left + wanted.width]))
        assert across == pytest.approx(edges, abs=TOLERANCE)
        edges = np.sort(np.concatenate([top, top + wanted.height]))
        assert down == pytest.approx(edges, abs=TOLERANCE)


@pytest.mark.parametrize("stock", LABEL_STOCKS)
def test_codes_stand_in_the_middle_of_their_labels(words, case, stock):
    wanted = LABEL_STOCKS[stock]
    codes = [row[3] for row in case("usual")[1].servings_rows()[1:]]
    pages = words("usual", "labels", label_stock=stock)
    assert len(pages) == -(-len(codes) // wanted.count)
    number = 0
    for _, found in pages:
        boxes = [box for word, box in found if re.fullmatch(r"\d{3}", word)]
        for place, box in enumerate(boxes):
            row, column = divmod(place, wanted.columns)
            left = wanted.left + column * (wanted.width + wanted.gap)
            top = wanted.top + row * wanted.height
            assert (box[0] + box[2]) / 2 == pytest.approx(left + wanted.width / 2, abs=TOLERANCE)
            assert top <= box[1] < box[3] <= top + wanted.height
            number += 1
    assert number == len(codes)


@pytest.mark.parametrize(
    ("name", "paper"), [("warm-up", "a4"), ("warm-up", "letter"), ("long names", "a4")]
)
@pytest.mark.parametrize("file", FILES)
def test_pages_are_the_paper_and_no_word_leaves_it(words, name, paper, file):
    for size, found in words(name, file, paper=paper):
        assert size == pytest.approx(PAPERS[paper], abs=TOLERANCE)
        assert found
        inside = 4 if file == "labels" else 11.7
        for word, (left, top, right, bottom) in found:
            assert left >= inside, word
            assert right <= size[0] - inside, word
            assert 0 < top < bottom < size[1], word


@pytest.mark.parametrize("name", ["usual", "twelve"])
def test_every_page_of_the_pouring_sheet_says_whom_it_is_for(words, name):
    pages = words(name, "pouring")
    assert len(pages) >= {"usual": 1, "twelve": 4}[name]
    for _, found in pages:
        banner = {word: box for word, box in found if word in ("helper", "only.", "tasters.")}
        assert len(banner) == 3
        assert all(box[3] - box[1] > 6 for box in banner.values())


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", ["four attributes", "eight attributes", "usual"])
def test_no_cup_of_a_ballot_is_cut_and_every_page_says_whose_it_is(words, case, name, paper):
    trial, plan = case(name)
    codes = {cup.code for cup in plan.servings}
    count = 0
    for _, found in words(name, "ballots", paper=paper):
        here = [word for word, _ in found]
        cups = sum(word in codes for word in here)
        assert here.count("Comment") == cups
        tens = sum(word == "10" for word in here)
        assert tens == cups * len(trial.attributes)
        assert any(taster in here for taster in plan.request.tasters)
        assert here.count("Session") >= 1
        count += cups
    assert count == len(plan.servings)


def test_a_long_ballot_flows_to_a_second_page_with_its_head(words):
    pages = words("eight attributes", "ballots")
    owners = [next(w for w, _ in found if w in ("T01", "T02")) for _, found in pages]
    assert owners == ["T01", "T01", "T02", "T02"]


@pytest.mark.parametrize(
    ("name", "paper", "pages"),
    [("usual", "a4", 3), ("four attributes", "letter", 6), ("alone", "a4", 2)],
)
def test_ballots_waste_no_paper(words, name, paper, pages):
    assert len(words(name, "ballots", paper=paper)) == pages


def test_a_letter_stands_by_its_own_code_in_the_check_by_tray(words):
    found = [word for _, page in words("warm-up", "pouring") for word in page]
    for (_, code), (mark, own), (following, after) in zip(
        found, found[1:], found[2:], strict=False
    ):
        if re.fullmatch("[A-D][12]", mark) and following.isdigit() and after[0] > own[2]:
            assert after[0] - own[2] > 2 * (own[0] - code[2])


def test_the_name_of_a_set_is_not_cut(screen, sets_alone, poppler):
    page = print_sheets(*sets_alone("triangle"))["ballots.html"].decode()
    pdf = screen(page, {"width": 1280, "height": 844}).pdf(prefer_css_page_size=True)
    assert "Set" in [word for _, found in read_words(pdf, poppler) for word, _ in found]


def test_cards_stand_below_what_is_said_at_the_table(show, poppler):
    sheet = show("usual", "table", roles=True)
    assert len(read_words(sheet.pdf(prefer_css_page_size=True), poppler)) == 1


@pytest.mark.parametrize("paper", PAPERS)
def test_the_checklist_takes_two_pages(words, paper):
    assert len(words("warm-up", "checklist", paper=paper)) == 2


@pytest.mark.parametrize("paper", PAPERS)
def test_no_tray_card_is_cut(words, case, paper):
    _, plan = case("twelve")
    pages = [[word for word, _ in found] for _, found in words("twelve", "trays", paper=paper)]
    per_page = []
    left = [(tray.taster, [cup.code for cup in tray.cups]) for tray in trays_of(plan)]
    for here in pages:
        cards = sum(word.startswith("T") and word[1:].isdigit() for word in here)
        mine, left = left[:cards], left[cards:]
        for taster, codes in mine:
            assert taster in here
            assert set(codes) <= set(here)
        per_page.append(cards)
    assert not left
    assert min(per_page[:-1]) >= 6


@pytest.mark.parametrize(
    ("name", "file"),
    [
        *(("warm-up for two", file) for file in FILES),
        pytest.param("alone", "ballots", marks=pytest.mark.slow),
    ],
)
def test_axe_finds_nothing(show, accessible, name, file):
    accessible(show(name, file, width=390))


# A ballot is one taster's: two of the twenty show all that can be wide.
@pytest.mark.parametrize(
    ("name", "file"),
    [
        *(("twelve", file) for file in FILES[:-1]),
        ("twelve for two", "ballots"),
        *(("other letters", file) for file in FILES),
    ],
)
def test_no_sheet_scrolls_sideways(show, name, file):
    page = show(name, file)
    for width in (320, 390, 768, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("stock", LABEL_STOCKS)
def test_a_long_name_leaves_the_session_on_its_label(screen, case, stock):
    trial, plan = case("usual")
    names = tuple(f"{name} {'von und zu ' * 5}" for name in plan.request.tasters)
    known = dict(zip(plan.request.tasters, names, strict=True))
    cups = tuple(replace(cup, taster=known[cup.taster]) for cup in plan.servings)
    longer = replace(plan, request=replace(plan.request, tasters=names), servings=cups)
    page = print_sheets(trial, longer, label_stock=stock)["labels.html"].decode()
    ends = screen(page, {"width": 1280, "height": 900}).evaluate(
        "[...document.querySelectorAll('.label')].map(l => l.getBoundingClientRect().right"
        " - l.querySelector('i').getBoundingClientRect().right)"
    )
    assert min(ends) > 0
