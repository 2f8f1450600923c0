"""Tables of a trial read to a ScoreTable: what is in it, what is left out, how the blind lifts."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from blindspoon.errors import ScoreError
from blindspoon.scores.score_table import Remark


def as_rows(table):
    """Every score with the words around it, in no order."""
    return {
        (
            table.sessions[table.session[row]],
            table.tasters[table.taster[row]],
            int(table.variant[row]),
            table.batches[table.batch[row]] if table.batch[row] >= 0 else "",
            int(table.position[row]),
            tuple(table.scores[row].tolist()),
        )
        for row in range(table.taster.size)
    }


def test_a_coded_trial_is_read(coded, read):
    table, notes = read(coded)
    assert table.coded
    assert table.tasters == ("T01", "T02", "T03")
    assert as_rows(table) == {
        ("1", "T01", 0, "jar 1", 1, (7.0, 4.5)),
        ("1", "T01", 1, "jar 2", 2, (8.5, 4.0)),
        ("1", "T01", 2, "jar 3", 3, (5.0, 5.0)),
        ("1", "T02", 0, "jar 1", 1, (6.0, 3.0)),
        ("1", "T02", 2, "jar 3", 2, (4.0, 3.5)),
        ("1", "T02", 1, "jar 2", 3, (9.0, 4.0)),
        ("1", "T03", 2, "jar 3", 1, (5.5, 6.0)),
        ("1", "T03", 1, "jar 2", 2, (7.0, 5.5)),
        ("1", "T03", 0, "jar 1", 3, (6.5, 6.0)),
    }
    assert table.left_out == ()
    assert notes == ()


def test_comments_are_remarks_on_a_variant(coded, read):
    table, _ = read(coded)
    assert table.remarks == (
        Remark(session="1", taster="T01", variant="plain", text="snaps"),
        Remark(session="1", taster="T02", variant="plain", text="soft, but\npleasant"),
    )


def test_uncoded_data_are_read(uncoded, coded, read):
    table, notes = read(uncoded)
    assert not table.coded
    assert table.batches == ()
    assert set(table.batch.tolist()) == {-1}
    points = {row[-1] for row in as_rows(table)}
    assert points == {row[-1] for row in as_rows(read(coded)[0])}
    assert notes == ()


def test_arrays_have_the_types_that_are_promised(coded, read):
    table, _ = read(coded)
    for name in ("taster", "session", "variant", "batch", "position"):
        assert getattr(table, name).dtype == np.int64
        assert getattr(table, name).shape == (9,)
    assert table.scores.dtype == np.float64


def test_row_order_does_not_matter(coded, read):
    header, *rows = coded["servings.csv"].decode().splitlines()
    before = as_rows(read(coded)[0])
    coded["servings.csv"] = "\n".join([header, *reversed(rows)]).encode()
    assert as_rows(read(coded)[0]) == before


def test_a_blank_score_is_missing_and_never_zero(coded, read):
    coded["scores.csv"] = coded["scores.csv"].replace(b"1,T01,846,5,5,", b"1,T01,846,,5,")
    table, _ = read(coded)
    assert np.isnan(table.scores[2, 0])
    assert table.scores[2, 1] == 5
    assert list(map(str, table.left_out)) == [
        "scores.csv line 4: code 846 of T01 in session 1 has no score for texture"
    ]


def test_a_row_without_a_score_is_left_out(coded, read):
    coded["scores.csv"] = coded["scores.csv"].replace(b"1,T01,846,5,5,", b"1,T01,846,,,")
    table, _ = read(coded)
    assert table.taster.size == 8
    assert [entry.text for entry in table.left_out] == ["code 846 of T01 in session 1 has no score"]


def test_a_cup_that_was_never_scored_is_left_out(coded, read):
    coded["scores.csv"] = coded["scores.csv"].replace(b"1,T01,846,5,5,\n", b"")
    assert list(map(str, read(coded)[0].left_out)) == [
        "servings.csv line 4: code 846 of T01 in session 1 was never scored"
    ]


def test_a_taster_who_scored_nothing_is_left_out_once(coded, read, check):
    del coded["ballots/1-T03.csv"]
    table, _ = read(coded)
    assert table.tasters == ("T01", "T02")
    reason = "T03 scored nothing in session 1"
    assert list(map(str, table.left_out)) == [f"servings.csv line 8: {reason}"]
    assert f"servings.csv line 8: {reason}" in map(str, check(coded)[1])


def test_a_listed_taster_without_a_cup_is_left_out(coded, read):
    coded["trial.toml"] += b'[tasting]\ntasters = ["T01", "T02", "T03", "T04"]\n'
    reason = "T04 is among the tasters, but has no cup and no score"
    assert list(map(str, read(coded)[0].left_out)) == [f"trial.toml: {reason}"]


def test_a_guest_is_noted_unless_codes_were_drawn_for_them(coded, check):
    coded["trial.toml"] += b'[tasting]\ntasters = ["T01", "T02"]\n'
    assert not check(coded)[1]
    del coded["servings.csv"]
    assert "trial.toml: tasters not listed here: T03" in map(str, check(coded)[1])


def test_a_variant_that_nobody_scored_is_left_out(uncoded, read):
    lines = uncoded["scores.csv"].decode().splitlines()
    uncoded["scores.csv"] = "\n".join(line for line in lines if "oak" not in line).encode()
    reasons = [entry.text for entry in read(uncoded)[0].left_out]
    assert reasons == ["no cup of oak-leaf has a score"]


def test_columns_that_are_not_used_are_named(coded, read):
    coded["ballots/1-T03.csv"] = coded["ballots/1-T03.csv"].replace(b"comment", b"mood")
    coded["key.csv"] = coded["key.csv"].replace(b"batch", b"jar")
    assert [str(note) for note in read(coded)[1]] == [
        "ballots/1-T03.csv line 1: columns not used: mood",
        "key.csv line 1: columns not used: jar",
    ]


def test_without_a_plan_positions_are_not_known(coded, read):
    del coded["servings.csv"]
    table, notes = read(coded)
    assert set(table.position.tolist()) == {0}
    assert not table.balanced
    assert [note.file for note in notes] == ["servings.csv"]


def test_codes_keep_their_zeros(coded, read):
    table, _ = read(coded)
    assert table.variant[0] == 0  # 037 of T01 is the control
    assert table.variant[5] == 1  # 037 of T02 is not


@pytest.mark.parametrize("taster", [b"taster,", b""])
def test_codes_per_session_hold_for_every_taster(coded, read, taster):
    blank = b"," if taster else b""
    coded["trial.toml"] += b'[tasting]\ncodes = "per session"\n'
    coded["key.csv"] = b"".join([
        b"session,", taster, b"code,variant\n",
        b"1,", blank, b"037,plain\n1,", blank, b"512,oak-leaf\n1,", blank, b"846,cool-cellar\n",
    ])  # fmt: skip
    orders = {"T01": "037 512 846", "T02": "512 846 037", "T03": "846 037 512"}
    served = [
        (f"1,{taster},{place},{code}\n", f"1,{taster},{code},{place},5\n")
        for taster, codes in orders.items()
        for place, code in enumerate(codes.split(), 1)
    ]
    coded["servings.csv"] = (
        "session,taster,position,code\n" + "".join(s for s, _ in served)
    ).encode()
    coded["scores.csv"] = (
        "session,taster,code,texture,saltiness\n" + "".join(s for _, s in served)
    ).encode()
    del coded["ballots/1-T03.csv"]
    table, _ = read(coded)
    assert table.variant.tolist() == [0, 1, 2, 1, 2, 0, 2, 0, 1]
    assert table.balanced


def test_the_session_may_be_left_out_where_there_is_one(coded, read):
    before = as_rows(read(coded)[0])
    for name in ("scores.csv", "servings.csv", "key.csv", "ballots/1-T03.csv"):
        lines = coded[name].decode().replace("session,", "").replace("\n1,", "\n")
        coded[name] = lines.encode()
    assert as_rows(read(coded)[0]) == before


def test_the_only_listed_session_is_the_one_meant(uncoded, read):
    uncoded["trial.toml"] += b'[[session]]\nname = "autumn"\n'
    assert read(uncoded)[0].sessions == ("autumn",)


def test_a_second_session_is_a_replicate(uncoded, read):
    header, *rows = uncoded["scores.csv"].decode().splitlines()
    twice = [f"{number},{row}" for number in "12" for row in rows]
    uncoded["scores.csv"] = "\n".join([f"session,{header}", *twice]).encode()
    table, _ = read(uncoded)
    assert table.sessions == ("1", "2")
    assert np.bincount(table.session).tolist() == [9, 9]


def test_a_position_tells_two_cups_of_one_variant_apart(uncoded, read):
    uncoded["scores.csv"] += b"Ann,plain,4,6,6\n"
    assert read(uncoded)[0].taster.size == 10


def test_a_batch_tells_two_cups_of_one_variant_apart(uncoded, read):
    uncoded["scores.csv"] = (
        b"taster,variant,batch,texture,saltiness\nA,plain,1,5,5\nA,plain,2,5,5\n"
    )
    table, _ = read(uncoded)
    assert table.batches == ("1", "2")
    assert table.batch.tolist() == [0, 1]


def test_decimal_commas_count_by_file(coded, read):
    before = as_rows(read(coded)[0])
    ballot = coded["ballots/1-T03.csv"].replace(b",", b";").replace(b".", b",")
    assert b"5,5" in ballot
    coded["ballots/1-T03.csv"] = ballot
    assert as_rows(read(coded)[0]) == before


def test_an_empty_score_file_beside_ballots_is_noted(coded, read):
    coded["scores.csv"] = coded["scores.csv"].split(b"\n")[0] + b"\n"
    table, notes = read(coded)
    assert table.tasters == ("T03",)
    assert "scores.csv: the file has a header but no rows" in map(str, notes)


def plan_of(orders: list[str]) -> bytes:
    names = {"p": "plain", "o": "oak-leaf", "c": "cool-cellar"}
    rows = [
        f"T{taster},{names[letter]},{place},5,5\n"
        for taster, order in enumerate(orders)
        for place, letter in enumerate(order, 1)
    ]
    return ("taster,variant,position,texture,saltiness\n" + "".join(rows)).encode()


ALL_ORDERS = ["".join(order) for order in itertools.permutations("poc")]


@pytest.mark.parametrize(
    ("orders", "balanced"),
    [
        (["poc", "ocp", "cpo"], True),
        (ALL_ORDERS, True),
        ([*ALL_ORDERS, "poc"], True),  # give or take one
        (["poc", "poc", "ocp"], False),  # plain twice first, never last
        (["poc", "ocp", "cp"], False),  # an incomplete block
        (["poc", "ocp", "cpp"], False),  # plain twice
        (["popc", "cpop", "opcp", "pcpo"], True),  # the control twice for everyone
        (["ppoc", "ppoc", "ppco", "ppco"], False),  # and always first
        (["po", "op"], True),  # a variant that is listed and never served
    ],
)
def test_balance_is_judged_from_positions(uncoded, read, orders, balanced):
    uncoded["scores.csv"] = plan_of(orders)
    assert read(uncoded)[0].balanced is balanced


def test_balance_is_judged_within_each_session(uncoded, read):
    header, *rows = plan_of(["poc", "poc", "poc"]).decode().splitlines()
    other = plan_of(["ocp", "cpo", "cop"]).decode().splitlines()[1:]
    sessions = [f"1,{row}" for row in rows] + [f"2,{row}" for row in other]
    uncoded["scores.csv"] = "\n".join([f"session,{header}", *sessions]).encode()
    assert read(uncoded)[0].balanced is False


def test_missing_scores_do_not_spoil_the_balance_that_was_planned(coded, read):
    coded["servings.csv"] = (
        coded["servings.csv"]
        .replace(b"T02,1,512\n1,T02,2,290\n1,T02,3,037", b"T02,3,512\n1,T02,1,290\n1,T02,2,037")
        .replace(b"T03,1,705\n1,T03,2,118\n1,T03,3,664", b"T03,3,118\n1,T03,2,705\n1,T03,1,664")
    )
    balanced_with_all = read(coded)[0].balanced
    del coded["ballots/1-T03.csv"]
    assert read(coded)[0].balanced is balanced_with_all


def test_checking_needs_no_key(coded, check):
    del coded["key.csv"]
    assert check(coded) == ((), ())


def test_comparing_needs_the_key(coded, read):
    del coded["key.csv"]
    with pytest.raises(ScoreError, match=r"key\.csv: the scores are for codes, and there is no"):
        read(coded)


def test_checking_does_not_lift_the_blind(coded, check, monkeypatch):
    def refuse(*_):
        raise AssertionError("the blind was lifted")

    monkeypatch.setattr("blindspoon.scores.score_table.unblind", refuse)
    assert check(coded) == ((), ())


def test_relabelled_codes_change_nothing(coded, read):
    before = as_rows(read(coded)[0])
    for name in ("scores.csv", "servings.csv", "key.csv"):
        coded[name] = (
            coded[name].replace(b"T01,037", b"T01,999").replace(b"T01,1,037", b"T01,1,999")
        )
    assert as_rows(read(coded)[0]) == before


def test_tables_are_frozen(coded, read):
    table, _ = read(coded)
    with pytest.raises(dataclasses.FrozenInstanceError):
        table.coded = False
