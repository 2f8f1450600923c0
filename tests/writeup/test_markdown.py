"""The writeup for a blog: plain CommonMark that links only what is there."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from blindspoon.writeup.methods import citation
from blindspoon.writeup.page import compose, render, writeup
from blindspoon.writeup.writers import inline

COMMONMARK = MarkdownIt("commonmark").enable("table")


def tokens(text):
    for token in COMMONMARK.parse(text):
        yield token
        yield from token.children or ()


def test_no_markup_but_ours_is_in_it(every_content):
    for name, content in every_content.items():
        kinds = {token.type for token in tokens(writeup(content))}
        assert not {kind for kind in kinds if "html" in kind or "code" in kind}, name


def test_every_figure_is_among_the_files(every_content):
    for name, content in every_content.items():
        linked = [token.attrs["src"] for token in tokens(writeup(content)) if token.type == "image"]
        written = {f"figures/{chart.name}.png" for chart in content.figures}
        assert set(linked) <= written, name
        assert len(linked) == len(set(linked)), name


def test_it_says_what_the_page_says(content_of):
    content = content_of("usual")
    whole = COMMONMARK.render(writeup(content))
    told = " ".join(re.sub(r"<[^>]+>", " ", whole).split())
    for text in (
        content.answer,
        content.trust,
        *(text for _, text in (*content.weak, *content.advice)),
        content.title,
        content.findings[0].sentences[0],
        citation(content.analysis),
    ):
        escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        assert " ".join(escaped.replace('"', "&quot;").split()) in told
    heads = [
        token.content for token in COMMONMARK.parse(writeup(content)) if token.type == "inline"
    ]
    for head in ("The board", "What to try next", "Cautions", "What this does not show"):
        assert head in heads


def test_boards_are_tables_with_a_row_a_variant(content_of):
    content = content_of("usual")
    text = writeup(content)
    rows = [line for line in text.splitlines() if line.startswith("| Cool cellar |")]
    assert len(rows) >= 1
    assert rows[0].count("|") == len(content.boards[0].columns) + 2


def test_figures_of_the_writeup_are_rendered(content_of):
    content = content_of("one attribute")
    files = render(content)
    for token in tokens(writeup(content)):
        if token.type == "image":
            assert token.attrs["src"].replace(".png", ".svg") in files


@given(st.text(max_size=40))
def test_any_text_comes_back_as_text(text):
    shown = " ".join(text.split())
    parsed = COMMONMARK.parse(f"a{inline(text)}a")
    plain = "".join(
        child.content if child.type == "text" else f"<{child.type}>" for child in parsed[1].children
    )
    assert plain == f"a{shown}a".replace("\0", "\N{REPLACEMENT CHARACTER}")


@pytest.mark.parametrize("text", ["1. first", "- item", "+ item", "# head", "> quote", "==="])
def test_text_at_the_start_of_a_line_is_no_block(text):
    assert COMMONMARK.parse(inline(text))[0].type == "paragraph_open"


def test_the_board_of_the_writeup_says_what_is_fragile_and_what_that_is(analysis_of, further_of):
    name = "allotment-cucumbers"
    text = writeup(compose(analysis_of(name), further_of(name)))
    assert "| slightly more sour +0.4; fragile; alike by ranks |" in text
    assert "Fragile: leaving out one taster often changes it." in text
    assert "Dot and bar" not in text  # of which the writeup has none
    assert "\n*The calcium and cool-cellar jars" not in text  # the answer has said it
