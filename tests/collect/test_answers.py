"""What is filled in, read by the same check as a table, and written so that it comes back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.collect.ballots import read_answer, tidy_comment, write_rows
from blindspoon.files.text_table import read_table
from blindspoon.trial import Attribute, Scale

CRISP = Attribute(
    name="texture",
    label="Texture",
    low="soft",
    high="crisp",
    less="",
    more="",
    scale=Scale(low=-5, high=10, step=0.5),
    margin=None,
)


def read(**row):
    answer, problems = read_answer([CRISP], row, "page")
    return answer, [problem.slug for problem in problems]


@pytest.mark.parametrize(
    ("typed", "stands"),
    [
        ("7", "7"),
        ("7.0", "7"),
        (" 6,5 ", "6.5"),
        ("-0", "0"),
        ("−3", "-3"),
        ("", ""),
        ("1e1", "10"),
    ],
)
def test_a_score_is_written_one_way(typed, stands):
    assert read(texture=typed) == (read(texture=stands)[0], [])
    assert read(texture=typed)[0].scores == (stands,)


@pytest.mark.parametrize(
    ("typed", "slug"),
    [
        ("11", "off-scale"),
        ("0.3", "off-step"),
        ("nan", "not-a-number"),
        ("inf", "not-a-number"),
        ("=1+1", "not-a-number"),
        ("٣", "not-a-number"),
        ("7" * 5000, "off-scale"),
    ],
)
def test_a_score_that_tables_may_not_hold_is_not_taken(typed, slug):
    answer, slugs = read(texture=typed)
    assert (answer.scores, slugs) == (("",), [slug])


def test_answers_that_differ_have_different_marks():
    answers = [read(texture="7"), read(texture="7.5"), read(texture="7", comment="a"), read()]
    assert len({answer.mark for answer, _ in answers}) == 4


@given(st.lists(st.text(max_size=60), min_size=1, max_size=5))
def test_any_comment_comes_back_from_the_file_as_it_was_taken(texts):
    taken = [tidy_comment(text) for text in texts]
    rows = [{"code": str(k), "comment": text} for k, text in enumerate(taken)]
    table = read_table(write_rows(["code", "comment"], rows), "ballots/1-T01.csv")
    assert not table.problems
    assert table.cells("comment") == taken
