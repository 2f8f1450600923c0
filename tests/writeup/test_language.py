"""What a public page never says, in every kind of trial."""

import re
from pathlib import Path

import pytest

from blindspoon.writeup.page import page

NEVER = {
    "claims too much": r"\bsignificant|\bproved?\b|no difference|identical|tastes? the same",
    "is the maker's own note": r"from memory|no source\b",
    "says one point in two ways": r"\b1\.0 points|\b1 points",
    "speaks as a form": r"for our purpose|judges .* otherwise|Not only the method",
    "is no number": r"\bnan\b|\bNone\b|\binf\b",
    "counts instead of naming": r"^(One|Two|Three) of \w+ (jars|batches|variants)\b",
}
INTERVAL = re.compile(r"(?<!below )\b\d+(?:\.(\d+))? to \N{MINUS SIGN}?\d+(?:\.(\d+))?\b")


def text_of(html):
    """Give the page's words, a line a paragraph, cell or caption."""
    html = re.sub(r"<(style|script|svg).*?</\1>", "", html, flags=re.S)
    lines = re.sub(r"<(?!/?(a|b|em|i|span|strong)\b)[^>]*>", "\n", html)
    return re.sub(r"<[^>]+>", "", lines)


@pytest.fixture(scope="module")
def texts(every_content):
    """The words of every kind of page, and of the committed report of the demo."""
    report = Path(__file__).parents[2] / "reports" / "allotment-cucumbers" / "index.html"
    made = {name: page(content) for name, content in every_content.items()}
    return {
        name: text_of(html)
        for name, html in {**made, "demo": report.read_text(encoding="utf-8")}.items()
    }


@pytest.mark.parametrize("never", NEVER.values(), ids=NEVER)
def test_no_page_says_it(texts, never):
    found = {name: re.search(never, text, re.M) for name, text in texts.items()}
    assert {name: match[0] for name, match in found.items() if match} == {}


def test_both_ends_of_an_interval_have_the_same_decimals(texts):
    found = [match for text in texts.values() for match in INTERVAL.finditer(text)]
    mixed = [m[0] for m in found if len(m[1] or "") != len(m[2] or "")]
    assert len(found) > 100
    assert mixed == []


def test_the_recipe_of_what_slipped_is_that_of_the_control(texts):
    lines = [line.strip() for line in texts["demo"].split("\n") if line.strip()]
    at = lines.index("Grams for a jar of 1,000\xa0g in all")
    head = lines[at + 1 : at + 8]
    row = lines.index("Calcium", lines.index("°C", at))
    assert dict(zip(head, lines[row : row + 7], strict=True))["°C"] == "20"
