"""seal.toml: what is read is written back, and fingerprints mind what matters."""

from __future__ import annotations

import datetime
import tomllib

import pytest

from blindspoon.files.seal import (
    Seal,
    key_fingerprint,
    key_rows,
    parse_seal,
    scores_by_cup,
    scores_fingerprint,
)
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial

DAY = datetime.date(2026, 9, 4)
SEAL = Seal(date=DAY, key="k", rule={"margin of texture": "1", 'a "b"': "ü"})
STRANGE = """
later = [1, 2.5, true, "x", { a = 1979-05-27T07:32:00Z }]
empty = []
[more]
deep = 1
[more.inner]
"a key" = 'back\\slash'
[[list]]
a = 1
[[list]]
[list.b]
c = 07:32:00
"""


def test_a_seal_is_read_as_it_was_written():
    seal = SEAL.with_added("taster", "Zoë, the late", DAY, "other")
    assert parse_seal(seal.to_toml()) == seal
    assert seal.added[0].after == 0


def test_who_is_added_again_after_a_stop_stands_there_once():
    stopped = SEAL.with_added("taster", "Gus", DAY, "a")
    assert stopped.with_added("taster", "Gus", DAY, "b").added == stopped.added


def test_keys_that_are_not_known_are_written_back():
    seal = parse_seal(SEAL.to_toml().replace("\n[rule]", f"{STRANGE}\n[rule]"))
    again = tomllib.loads(seal.to_toml())
    assert {name: again[name] for name in ("later", "empty", "more", "list")} == tomllib.loads(
        STRANGE
    )
    assert parse_seal(seal.to_toml()) == seal


def test_keys_of_a_row_that_are_not_known_are_written_back_too():
    text = SEAL.with_added("taster", "Gus", DAY, "k").to_toml()
    seal = parse_seal("\ufeff" + text.replace("after = 0", 'after = 0\nby = "Ada"'))
    assert (seal.added[0].name, seal.added[0].rest) == ("Gus", {"by": "Ada"})
    assert 'by = "Ada"' in seal.to_toml()


NOT_CLOSED = 'date = 2026-09-04\nkey = ""\nclosed = "soon"\n[rule]'


@pytest.mark.parametrize(
    "text", ["date = 1\nkey = 2", 'date = "x"\nkey = ""\n[rule]', NOT_CLOSED, "[", ""]
)
def test_what_is_no_seal_is_none(text):
    assert parse_seal(text) is None


def test_a_key_is_the_same_in_any_order_and_with_any_line_ends(coded):
    def print_of(data):
        return key_fingerprint(key_rows(read_table(data, "key.csv")))

    head, *rows = coded["key.csv"].splitlines()
    assert print_of(b"\r\n".join([head, *reversed(rows)])) == print_of(coded["key.csv"])
    assert print_of(coded["key.csv"].replace(b"jar 2", b"jar 9")) != print_of(coded["key.csv"])


def test_scores_are_the_same_in_any_file_and_however_a_number_is_written(coded):
    trial = parse_trial(coded["trial.toml"].decode())

    def print_of(*tables):
        return scores_fingerprint(scores_by_cup(trial, tables, ["texture", "saltiness"]))

    ballot, scores = coded["ballots/1-T03.csv"], coded["scores.csv"]
    apart = print_of(read_table(scores, "scores.csv"), read_table(ballot, "ballot.csv"))
    one = scores + b"".join(ballot.splitlines(keepends=True)[1:]) + b"1,T01,999,,,never\n"
    written = one.replace(b"037,7,", b"037,7.0,")
    comma = b"\n".join(line.replace(b".", b"#") for line in written.splitlines())
    assert print_of(read_table(written, "scores.csv")) == apart
    swapped = comma.replace(b",", b";").replace(b"#", b",").replace(b"; but", b", but")
    assert print_of(read_table(swapped, "scores.csv")) == apart
    assert print_of(read_table(one.replace(b"037,7,", b"037,8,"), "scores.csv")) != apart
