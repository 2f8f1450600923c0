"""What no page may say, whatever was found."""

import html
import re
from dataclasses import replace

import pytest

from blindspoon.charts.scene import Laid, Scene, Text
from blindspoon.writeup.methods import citation, references
from blindspoon.writeup.page import page
from tests.writeup.conftest import part

FORBIDDEN = (
    r"significan",
    r"\bprove[ds]?\b",
    r"\bproven\b",
    r"no difference",
    r"identical",
    r"tastes? the same",
    r"\bnan\b",
    r"(?-i:\bNone\b)",
    r"\binf\b",
    r"p = 0\.000",
    r"\bp = 1\b",
    r"(^|\s)-\d",
)


def text_of(content):
    """The page as it is read: without markup, styles and drawings, but with their alternatives."""
    source = re.sub(r"<style.*?</style>", "", page(content), flags=re.DOTALL)
    source = re.sub(r"<code>.*?</code>", "", source)
    alternatives = " ".join(re.findall(r'aria-label="([^"]*)"', source))
    drawn = " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", source))
    words = re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", source, flags=re.DOTALL))
    return html.unescape(f"{words} {alternatives} {drawn}")


@pytest.fixture(scope="module")
def every_text(every_content):
    return {name: text_of(content) for name, content in every_content.items()}


@pytest.mark.parametrize("pattern", FORBIDDEN)
def test_forbidden_words_stand_on_no_page(every_text, pattern):
    for name, text in every_text.items():
        found = re.search(pattern, text, flags=re.IGNORECASE)
        assert found is None, f"{name}: {found}"


def test_the_search_would_find_a_forbidden_word(content_of):
    content = content_of("usual")
    inside = Scene(width=9, height=9, shapes=(Text(x=0, y=9, text="inside", size=9),))
    laid = Laid(scene=inside, kind="Dot plot")
    chart = replace(content.picture, finding="Drawn", lay=lambda _: laid)
    text = text_of(replace(content, answer="A significant answer.", picture=chart))
    assert re.search(FORBIDDEN[0], text)
    assert {"Drawn.", "inside"} <= set(text.split())


def test_p_values_stay_in_the_tables_and_the_methods(every_content):
    for name, content in every_content.items():
        said = [content.answer, *part(content, "differed").paragraphs]
        said += [it.because for finding in content.findings for it in finding.result.others]
        assert not re.search(r"\bp [=<>]|p value", " ".join(said)), name


def test_every_variant_has_its_sentence_on_every_attribute(every_content):
    for name, content in every_content.items():
        variants = len(content.trial.variants) - 1
        assert all(len(finding.result.others) == variants for finding in content.findings), name


def test_no_space_or_stop_is_doubled(every_content):
    for name, content in every_content.items():
        for text in finished_strings(content):
            assert "  " not in text, f"{name}: {text}"
            assert ".." not in text, f"{name}: {text}"
            assert not re.search(r" [.,;:]", text), f"{name}: {text}"


def finished_strings(content):
    analysis, named = content.analysis, ("differed", "tasted", "compared", "planned", "unsettled")
    paragraphs = [it for part in content.sections if part.name in named for it in part.paragraphs]
    points = (*part(content, "not-shown").points, *part(content, "cautions").points)
    said = [it.because for finding in content.findings for it in finding.result.others]
    notes = [note for table in content.numbers for note in table.notes]
    sources = [*references(part(content, "compared").paragraphs), citation(analysis)]
    pairs = [text for pair in points for text in pair]
    return [content.answer, *sources, *paragraphs, *pairs, *said, *notes]


def test_every_paragraph_is_a_sentence(every_content):
    for name, content in every_content.items():
        for text in finished_strings(content):
            assert text[0].isupper() or text[0].isdigit() or text[0] == "“", f"{name}: {text}"
            assert text[-1] in ".?!", f"{name}: {text}"
