"""Cups found by their codes, against the same done with a dictionary."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.files.text_table import TextColumn
from blindspoon.scores.crosscheck import Cups, number_rows

NAMES = st.tuples(
    st.sampled_from("12"), st.sampled_from(["", "A", "B"]), st.sampled_from(["037", "512", "846"])
)
ROWS = st.lists(st.tuples(NAMES, st.booleans()), max_size=12)


def cups_of(rows) -> Cups:
    session, taster, name = (TextColumn.of(row[part] for row, _ in rows) for part in range(3))
    return Cups(
        tables=(),
        by="code",
        session=session,
        taster=taster,
        name=name,
        batch=TextColumn.of("" for _ in rows),
        position=np.zeros(len(rows), np.int64),
        usable=np.array([usable for _, usable in rows], dtype=np.bool_),
        sound=True,
    )


@given(ROWS, ROWS)
def test_a_cup_matches_its_own_row_or_that_for_all_tasters(ours, theirs):
    index = {row: place for place, (row, usable) in reversed(list(enumerate(theirs))) if usable}
    for (row, usable), found in zip(ours, cups_of(ours).match(cups_of(theirs)), strict=True):
        session, _, name = row
        expected = index.get(row, index.get((session, "", name), -1))
        assert found == (expected if usable else -1)


@given(ROWS)
def test_every_second_row_of_a_cup_is_found(rows):
    last: dict = {}
    expected = []
    for place, (row, usable) in enumerate(rows):
        if usable:
            if row in last:
                expected.append((place, last[row]))
            last[row] = place
    assert cups_of(rows).repeats() == expected


@given(st.lists(st.tuples(*[st.sampled_from("abcd")] * 3), max_size=30))
def test_rows_have_one_number_if_and_only_if_they_are_alike(rows):
    numbers = number_rows(*(TextColumn.of(row[part] for row in rows) for part in range(3)))
    assert len(set(zip(rows, numbers.tolist(), strict=True))) == len(set(rows))
    assert len(set(numbers.tolist())) == len(set(rows))


def test_numbers_do_not_overflow():
    many = TextColumn(tuple(map(str, range(100_000))), np.arange(100_000))
    assert np.unique(number_rows(*[many] * 8)).size == 100_000
