"""The files: complete in themselves, escaped, the same each time, quick."""

import re
import time

import pytest

from blindspoon.sheets.printing import print_sheets

FILES = ["checklist.html", "labels.html", "ballots.html", "pouring.html", "trays.html"]


def test_there_is_a_file_a_sheet(sheets):
    assert list(sheets("usual")) == FILES


@pytest.mark.parametrize("name", ["usual", "alone", "warm-up", "other letters"])
def test_files_need_no_network_and_no_script(sheets, name):
    for page in sheets(name).values():
        assert page.startswith("<!DOCTYPE html>")
        assert not re.search(r"<(script|link|img|iframe)\b|https?:|@import|url\(", page)


def test_text_of_the_host_is_escaped(sheets):
    for name, page in sheets("markup").items():
        assert not re.search(r"<script|<i>oak|<b>(Ann|cucumbers)|<u>crunch|<em>|<low>", page), name
        assert "{{ 7" not in page or name == "pouring.html"
    pages = sheets("markup")
    assert "&lt;i&gt;oak&lt;/i&gt;" in pages["pouring.html"]
    assert "{{ 7 * 7 }}" in pages["pouring.html"]
    assert "&lt;u&gt;crunch&lt;/u&gt;" in pages["ballots.html"]
    assert all("O&#39;Neill &amp; co" in pages[name] for name in FILES[1:])


def test_other_letters_are_printed_as_they_are(sheets):
    pages = sheets("other letters")
    assert "Простой рассол" in pages["pouring.html"]
    assert all("Tasting of квашеные огурцы" in pages[n] for n in ("trays.html", "ballots.html"))
    assert all(who in pages["ballots.html"] for who in ("Аня", "花子", "ליאור", "濃い"))


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", "210.0mm 297.0mm"), ("letter", "215.9mm 279.4mm")]
)
def test_pages_have_the_size_of_the_paper(sheets, paper, size):
    for page in sheets("usual", paper=paper).values():
        assert f"@page {{ size: {size}" in page


def test_the_same_plan_gives_the_same_bytes(case):
    assert print_sheets(*case("usual")) == print_sheets(*case("usual"))


def test_twelve_variants_forty_tasters_and_three_sessions_take_no_two_seconds(case):
    trial, plan = case("large")
    assert len(plan.servings) == 12 * 40 * 3
    start = time.process_time()
    print_sheets(trial, plan)
    assert time.process_time() - start < 2


def test_a_file_a_role_holds_the_single_sheets_and_only_the_helpers_names_a_variant(sheets):
    pages, single = sheets("usual", roles=True), sheets("usual")
    assert list(pages)[:6] == [*FILES[:3], "helper.html", "table.html", "tasters/01-T01.html"]
    for whole, parts in {"helper": ("checklist", "pouring"), "table": ("trays",)}.items():
        for part in parts:
            inside = single[f"{part}.html"].split("<main>")[1].split("</main>")[0]
            assert inside.strip() in pages[f"{whole}.html"]
    assert [name for name, page in pages.items() if "Oak leaf" in page] == ["helper.html"]
    codes = [set(re.findall(r"<b>(\d{3})</b>", pages[f"tasters/0{n}-T0{n}.html"])) for n in (1, 2)]
    assert [len(own) for own in codes] == [4, 4]
    assert all("<bdi>T02" not in pages[name] for name in pages if "01-T01" in name)
