"""seal.toml: what is read is written back, and fingerprints mind what matters."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from blindspoon.files.seal import (
    Seal,
    key_fingerprint,
    key_rows,
    parse_seal,
    rule_text,
    scores_by_cup,
    scores_fingerprint,
)
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.trial import Choice, Course

DAY = datetime.date(2026, 9, 4)
SEAL = Seal(date=DAY, key="k", rule={"margin of texture": "1", 'a "b"': "ü"})


def test_a_seal_is_read_as_it_was_written():
    seal = SEAL.with_added("taster", "Zoë, the late", DAY, "other")
    assert parse_seal(seal.to_toml()) == seal
    assert seal.added[0].after == 0
    assert "after counts how often the blind had been lifted" in seal.to_toml()
    assert "after counts" not in SEAL.to_toml()


def test_who_is_added_again_after_a_stop_stands_there_once():
    stopped = SEAL.with_added("taster", "Gus", DAY, "a")
    assert stopped.with_added("taster", "Gus", DAY, "b").added == stopped.added
    named_alike = SEAL.with_added("session", "2", DAY, "a").with_added("taster", "2", DAY, "b")
    assert [it.kind for it in named_alike.added] == ["session", "taster"]


def test_a_key_by_another_hand_makes_no_seal_of_none():
    text = SEAL.with_added("taster", "Gus", DAY, "k").to_toml()
    noted = text.replace("after = 0", 'after = 0\nby = "Ada"').replace(
        "date", 'by = "Ada"\ndate', 1
    )
    assert parse_seal(noted) == parse_seal(text)


def test_a_score_is_a_score_beside_a_column_of_answers():
    trial = parse_trial(ASKED)
    table = read_table(b"taster,code,sour,answer\nT01,512,4,ok\n", "scores.csv")
    assert scores_by_cup(trial, [table], ["sour"]) == {("1", "T01", "512"): {"sour": "4"}}
    would = read_table(b"taster,code,sour,again\nT01,512,4,yes\n", "scores.csv")
    (given,) = scores_by_cup(trial, [would], ["sour"]).values()
    assert given == {"sour": "4", "again": "yes"}
    one = parse_trial(f'session = [{{ name = "autumn" }}]\n{ASKED}')
    dated = read_table(b"session,taster,code,sour\nautumn,T01,512,4\n", "scores.csv")
    assert scores_by_cup(one, [table], ["sour"]) == scores_by_cup(one, [dated], ["sour"])


NOT_CLOSED = 'date = 2026-09-04\nkey = ""\nclosed = "soon"\n[rule]'
AT_TEN = 'date = 2026-09-04T10:00:00\nkey = ""\n[rule]'
LIFTED = (
    'date = 2026-09-04\nkey = ""\n[rule]\n[[lifted]]\ndate = "2026-09-20"\n'
    'tasters = 1\nscored = 1\ncups = 1\nscores = ""'
)


@pytest.mark.parametrize(
    "text",
    ["date = 1\nkey = 2", 'date = "x"\nkey = ""\n[rule]', NOT_CLOSED, AT_TEN, LIFTED, "[", ""],
)
def test_what_is_no_seal_is_none(text):
    assert parse_seal(text) is None


ASKED = """
trial = { title = "T", control = "a" }
decision = { primary = ["choice", "course"] }
scale = { low = 0, high = 10 }
attribute = [{ name = "sour", margin = 1 }]
variant = [{ name = "a" }, { name = "b", series = "s" }]
[choice]
method = "three-afc"
sets = 2
attribute = "sourness"
expect = "more"
ask = "alike"
can_tell = 0.3
tests = 24
beta = 0.1
rule = "sequential"
[course]
over = "stored_days"
attribute = "sour"
reach = 6
keep = true
side = "at most"
accept = "again"
half = 0.4
same_control = true
"""


def test_what_is_sealed_of_sets_and_of_a_course_is_written_as_ever():
    told = rule_text(parse_trial(ASKED))
    assert told["choice"] == (
        "method three-afc, sets 2, attribute sourness, expect more, ask alike, can_tell 0.3, "
        "tests 24, rule sequential, beta 0.1"
    )
    assert told["course"] == (
        "over stored_days, attribute sour, reach 6.0, keep 6.0, side at most, accept again, "
        "half 0.4, same_control True"
    )
    for part, kind in (("choice", Choice), ("course", Course)):
        assert told[part].count(", ") + 1 == len(kind.__slots__)  # whatever decides is sealed


def test_the_seals_of_the_demonstrations_hold():
    seals = [*(Path(__file__).parents[2] / "trials").glob("*/seal.toml")]
    assert len(seals) == 3
    for file in seals:
        rule = rule_text(parse_trial(file.with_name("trial.toml").read_text(encoding="utf-8")))
        assert parse_seal(file.read_text(encoding="utf-8")).rule == rule


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
