"""Saving answers: on the disk first, retries recognised, nothing replaced in silence."""

import os
import threading
from pathlib import Path

import pytest

from blindspoon.collect import opening
from blindspoon.collect.ballots import CupAnswer, Given
from blindspoon.files.text_table import read_table

BLANK = CupAnswer(scores=("", "")).mark


def an(texture, saltiness="", comment=""):
    return CupAnswer(scores=(texture, saltiness), comment=comment)


@pytest.fixture
def ballot(sitting):
    return sitting.ballots["1", "T01"]


@pytest.fixture
def save(ballot):
    def save(answer, page="a", turn=0, base=BLANK, code="037", ago=0.0):
        return ballot.save({code: Given(answer, base, page, turn, ago)})[code]

    return save


@pytest.fixture
def kept(folder):
    def read():
        found = sorted((folder / "ballots/conflicts").glob("*.csv"))
        tables = [read_table(path.read_bytes(), path.name) for path in found]
        return [(row["code"], row["texture"]) for table in tables for _, row in table.rows()]

    return read


def test_an_answer_stands_in_the_columns_of_scores(save, folder):
    save(an("7", "4.5", "snaps"))
    assert (folder / "ballots/1-T01.csv").read_text() == (
        "session,taster,code,texture,saltiness,comment\n1,T01,037,7,4.5,snaps\n"
    )


def test_the_bytes_reach_the_disk_before_the_name_and_the_name_before_the_answer(save, monkeypatch):
    done = []
    sync, replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (done.append("fsync"), sync(handle))[1])
    monkeypatch.setattr(Path, "replace", lambda a, b: (done.append("replace"), replace(a, b))[1])
    save(an("7"))
    assert done == ["fsync", "replace", "fsync"]


def test_nothing_changes_where_the_disk_refuses(save, ballot, rows, monkeypatch):
    save(an("7"))
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "disk full")))
    with pytest.raises(OSError, match="disk full"):
        save(an("8"), turn=1)
    assert ballot.answer("037").scores[0] == rows()[0]["texture"] == "7"


def test_a_refused_write_leaves_no_file_behind(save, folder, monkeypatch):
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "disk full")))
    with pytest.raises(OSError, match="disk full"):
        save(an("7"))
    assert list((folder / "ballots").iterdir()) == []


def test_a_retry_is_recognised_even_after_another_phone_answered(save, rows, kept):
    save(an("7"), page="a", turn=1)
    save(an("8"), page="b", base=an("7").mark)
    assert save(an("7"), page="a", turn=1).answer.mark == an("8").mark
    assert rows()[0]["texture"] == "8"
    assert kept() == []


def test_an_older_answer_that_arrives_late_does_not_replace_a_newer_one(save, rows):
    save(an("8"), turn=2)
    save(an("7"), turn=1)
    assert rows()[0]["texture"] == "8"


def test_the_same_page_sent_again_with_another_answer_counts(save, rows, kept):
    save(an("7"))
    save(an("8"))  # the back button without script: same page, same turn
    assert rows()[0]["texture"] == "8"
    assert kept() == []


def test_a_page_that_missed_an_acknowledgement_has_no_conflict_with_itself(save, kept):
    save(an("7"), turn=1)
    assert save(an("8"), turn=2, base=BLANK).news == ""
    assert kept() == []


def test_two_phones_the_last_counts_and_both_are_kept(save, rows, kept, events):
    save(an("7"), page="a")
    assert save(an("3"), page="b").news == "replaced"
    assert rows()[0]["texture"] == "3"
    assert kept() == [("037", "7")]
    assert "T01 has a second answer for cup 037; the earlier one is kept." in events


def test_of_two_phones_the_answer_that_was_given_last_counts_though_it_came_first(
    save, rows, kept, events
):
    save(an("7"), page="a")
    late = save(an("3", "4"), page="b", ago=60)
    assert (late.news, late.answer) == ("late", an("7", "4"))
    assert (rows()[0]["texture"], rows()[0]["saltiness"]) == ("7", "4")
    assert kept() == [("037", "3")]
    assert "T01 has a second answer for cup 037; the earlier one is kept." in events
    assert save(an("3", "4"), page="b", ago=90).answer == an("7", "4")  # sent again
    assert save(an("8", "4"), page="a", turn=1, base=an("7").mark, ago=0).news == "replaced"
    save(an("5", "4"), page="b", turn=1, base=BLANK)  # changed after it was given again
    assert (rows()[0]["texture"], kept()[1:]) == ("5", [("037", "7"), ("037", "8")])


def test_a_phone_that_came_too_late_did_not_give_what_stands(save, rows, kept):
    save(an("7"), page="a")
    save(an("3", "4"), page="b", ago=60)
    assert save(an("2", "4"), page="b", turn=1, ago=30).news == "late"
    assert (rows()[0]["texture"], kept()) == ("7", [("037", "3"), ("037", "2")])


def test_what_fills_a_blank_late_makes_the_answer_beside_it_no_older(save, rows):
    save(an("7"), page="a")
    save(an("3", "4"), page="b", ago=60)
    assert save(an("5"), page="c", ago=30).news == "late"
    assert rows()[0]["texture"] == "7"


def test_an_answer_that_is_sent_again_unchanged_is_no_newer_for_that(save, rows):
    save(an("7"), page="a", ago=90)
    save(an("7"), page="paper", base=an("7").mark)  # beside a cell that was corrected
    save(an("3"), page="b", ago=60)
    assert rows()[0]["texture"] == "3"


def test_two_phones_that_agree_have_no_conflict(save, kept):
    save(an("7"), page="a")
    assert save(an("7"), page="b").news == ""
    assert kept() == []


def test_a_blank_answer_makes_no_file(save, folder):
    save(an(""))
    assert not (folder / "ballots").exists()


def test_an_answer_can_be_taken_back(save, rows):
    mark = save(an("7")).answer.mark
    save(an(""), turn=1, base=mark)
    assert rows()[0]["texture"] == ""


def test_rows_stand_in_the_order_of_serving(save, rows):
    for code in ("846", "037", "512"):
        save(an("5"), code=code)
    assert [row["code"] for row in rows()] == ["037", "512", "846"]


def test_a_correction_made_by_hand_counts_and_stays(save, folder, rows, kept):
    mark = save(an("7")).answer.mark
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text().replace(",7,", ",2,"))
    save(an("5"), code="512", base=mark)
    assert [row["texture"] for row in rows()] == ["2", "5"]
    assert kept() == [("037", "7")]


def test_who_did_not_see_a_correction_by_hand_takes_it_away_only_by_a_later_answer(
    save, folder, rows, kept
):
    for texture, code in (("7", "037"), ("6", "512")):
        save(an(texture), page="a", ago=90, code=code)
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text().replace(",7,", ",2,").replace(",6,", ",1,"))
    assert save(an("5"), page="b", ago=60).news == "late"
    seen = an("6").mark
    assert save(an("8"), page="a", turn=1, base=seen, code="512").news == "replaced"
    assert [row["texture"] for row in rows()] == ["2", "8"]
    assert kept() == [("037", "7"), ("512", "6"), ("037", "5"), ("512", "1")]


def test_an_old_copy_saved_by_a_spreadsheet_takes_nothing_away(save, folder, rows, ballot, kept):
    save(an("7"))
    path = folder / "ballots/1-T01.csv"
    old = path.read_bytes()
    save(an("8"), turn=1)
    save(an("5"), code="512")
    path.write_bytes(old)
    ballot.reconcile()
    assert [row["texture"] for row in rows()] == ["8", "5"]
    assert kept() == []


def test_after_a_restart_it_is_known_what_stood_there_and_since_when(folder):
    path = folder / "ballots/1-T01.csv"
    path.parent.mkdir()
    path.write_text("session,taster,code,texture,saltiness\n1,T01,037,7,\n1,T01,512,6,\n")
    old = path.read_bytes()
    with opening.opened(folder) as sitting:
        ballot = sitting.ballots["1", "T01"]
        ballot.save({"037": Given(an("8"), an("7").mark)})
        path.write_bytes(old)
        ballot.reconcile()
        late = ballot.save({"512": Given(an("3"), BLANK, ago=60)})["512"]
        assert (ballot.answer("037"), late.news, late.answer) == (an("8"), "late", an("6"))


def test_a_file_made_unreadable_by_hand_is_put_aside(save, folder, rows, events, ballot):
    save(an("7"))
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text().replace("037", "37"))  # what a spreadsheet does to codes
    ballot.reconcile()
    assert rows()[0]["code"] == "037"
    assert len(list((folder / "ballots/conflicts").glob("1-T01.*.csv"))) == 1
    assert any("cup 37 of T01 is not on this ballot" in event for event in events)


def test_a_cup_that_stands_twice_in_a_file_changed_by_hand_is_not_believed(save, folder, rows):
    save(an("7"))
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text() + "1,T01,037,2,,\n")
    save(an("5"), code="512")
    assert [row["texture"] for row in rows()] == ["7", "5"]


def test_a_ballot_removed_by_hand_comes_back_whole(save, folder, rows):
    save(an("7"))
    (folder / "ballots/1-T01.csv").unlink()
    save(an("5"), code="512")
    assert [row["texture"] for row in rows()] == ["7", "5"]


def test_columns_of_others_and_their_separator_survive(save, folder, rows, ballot):
    text = "taster;code;texture;saltiness;comment;mood\nT01;037;6,5;;;glad\n"
    (folder / "ballots").mkdir()
    (folder / "ballots/1-T01.csv").write_text(text)
    ballot.reconcile()
    save(an("8"), code="512")
    assert [(row["texture"], row["mood"]) for row in rows()] == [("6.5", "glad"), ("8", "")]
    save(an("7"), base=ballot.answer("037").mark)
    assert (rows()[0]["texture"], rows()[0]["mood"]) == ("7", "glad")


def test_many_threads_on_one_ballot_lose_nothing(ballot, rows):
    def one(k):
        code = ballot.codes[k % 3]
        ballot.save({code: Given(an(str(k // 3)), BLANK, f"page {code}", k)})

    threads = [threading.Thread(target=one, args=(k,)) for k in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [row["texture"] for row in rows()] == ["9", "9", "9"]


def test_events_say_how_far_a_taster_is(save, events):
    for code in ("037", "512", "846"):
        save(an("5", "5"), code=code)
    assert events == [
        "T01 has scored 1 of 3 cups in session 1.",
        "T01 has scored 2 of 3 cups in session 1.",
        "T01 has finished session 1.",
    ]


def test_what_another_tab_gave_unseen_stays_where_this_one_says_nothing(save, rows, kept):
    save(an("7", comment="snaps"), page="a")
    receipt = save(an("", "3"), page="b")
    assert receipt.answer == an("7", "3", "snaps")
    assert receipt.news == ""
    assert (rows()[0]["texture"], rows()[0]["saltiness"]) == ("7", "3")
    assert kept() == []


def test_a_correction_by_hand_back_to_an_earlier_value_is_kept_and_said(
    save, folder, rows, ballot, kept, events
):
    save(an("7"))
    save(an("8"), turn=1)
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text().replace(",8,", ",7,"))
    ballot.reconcile()
    assert rows()[0]["texture"] == "8"
    assert kept() == [("037", "7")]
    assert "changed by hand to an older state of cup 037; the newer answer stays" in events[-1]


def test_a_correction_by_hand_is_said(save, folder, ballot, events):
    save(an("7"))
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text().replace(",7,", ",2,"))
    ballot.reconcile()
    assert "cup 037 is corrected, the earlier answer kept." in events[-1]
