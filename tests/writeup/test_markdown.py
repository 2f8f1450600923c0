"""The post for a blog: plain CommonMark that links only what is there."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from blindspoon.packing.pack import blog
from blindspoon.writeup.templating import inline

COMMONMARK = MarkdownIt("commonmark").enable("table")


def tokens(text):
    for token in COMMONMARK.parse(text):
        yield token
        yield from token.children or ()


def test_no_markup_but_ours_is_in_it(every_content):
    for name, content in every_content.items():
        kinds = {token.type for token in tokens(blog(content))}
        assert not {kind for kind in kinds if "html" in kind or "code" in kind}, name


def test_its_figure_is_among_the_files(every_content):
    for name, content in every_content.items():
        linked = [token.attrs["src"] for token in tokens(blog(content)) if token.type == "image"]
        written = {f"figures/{chart.name}.png" for chart in content.figures}
        assert set(linked) <= written | {f"photos/{photo.name}" for photo in content.photos}, name


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
