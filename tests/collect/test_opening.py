"""A folder opened for the score page: what it reads, what it refuses, what outlives a restart."""

import json
import os
import stat
from concurrent.futures import ThreadPoolExecutor

import pytest

from blindspoon.collect import opening
from blindspoon.collect.ballots import CupAnswer, Given
from blindspoon.collect.opening import file_names
from blindspoon.collect.sitting import remembered
from blindspoon.errors import TrialError


def problems_of(folder):
    with pytest.raises(TrialError) as caught, opening.opened(folder):
        pass
    return [str(problem) for problem in caught.value.problems]


def opened(folder):
    with opening.opened(folder) as sitting:
        return sitting


def test_links_are_the_same_after_a_restart(folder):
    first, second = opened(folder), opened(folder)
    assert first.host_link == second.host_link
    assert first.taster_link("T01") == second.taster_link("T01")


def test_who_has_joined_and_agreed_is_known_after_a_restart(folder):
    with opening.opened(folder) as sitting:
        sitting.join("T02", "phone")
        sitting.agree("1", "T01")
        sitting.note_twice("1", "T03")
        sitting.open_session("")
        old = sitting.taster_link("T03")
        sitting.renew("T03")
    sitting = opened(folder)
    assert sitting.free_names() == ["T03"]
    assert sitting.has_agreed("1", "T01")
    assert sitting.memory.twice == (("1", "T03"),)
    assert sitting.session == ""
    assert sitting.taster_of(old) is None


def test_a_phone_has_its_name_after_a_restart(folder):
    with opening.opened(folder) as sitting:
        assert sitting.join("T02", "phone")
    with opening.opened(folder) as sitting:
        assert sitting.join("T02", "phone")
        assert not sitting.join("T02", "another phone")


def test_many_who_join_at_once_are_all_remembered(folder):
    with opening.opened(folder) as sitting:
        names = [*sitting.plan.tasters] * 4
        with ThreadPoolExecutor(12) as pool:
            taken = list(pool.map(sitting.join, names, map(str, range(12))))
    assert sum(taken) == 3
    assert opened(folder).free_names() == []


def test_links_differ_between_folders_tasters_and_host(folder):
    sitting = opened(folder)
    links = [sitting.host_link, *map(sitting.taster_link, sitting.plan.tasters)]
    (folder / ".blindspoon/collect.json").unlink()
    again = opened(folder)
    links += [again.host_link, *map(again.taster_link, again.plan.tasters)]
    assert len(set(links)) == 8
    assert {len(link) for link in links} == {22}  # 128 bits in base 64


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_the_secret_is_for_its_owner_alone_and_never_published(folder):
    opened(folder)
    private = folder / ".blindspoon"
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    assert stat.S_IMODE((private / "collect.json").stat().st_mode) == 0o600
    assert (private / ".gitignore").read_text() == "*\n"


@pytest.mark.parametrize("damage", ["", "{}", "[]", "null", '{"secret": "00"}', "\udcff"])
def test_a_damaged_file_of_links_is_said(folder, damage):
    opened(folder)
    (folder / ".blindspoon/collect.json").write_bytes(damage.encode("utf-8", "surrogateescape"))
    assert ["the file of links is damaged" in each for each in problems_of(folder)] == [True]
    assert not remembered(folder).joined  # where the trial stands is told all the same


def test_links_from_before_days_were_noted_are_still_good(folder):
    link = opened(folder).host_link
    path = folder / ".blindspoon/collect.json"
    path.write_text(
        json.dumps({k: v for k, v in json.loads(path.read_text()).items() if k != "days"})
    )
    assert opened(folder).host_link == link


def test_cups_stand_in_the_order_of_serving_whatever_that_of_the_rows(folder):
    codes = opened(folder).ballots["1", "T01"].codes
    head, *rows = (folder / "servings.csv").read_text().splitlines()
    (folder / "servings.csv").write_text("\n".join([head, *reversed(rows)]))
    assert opened(folder).ballots["1", "T01"].codes == codes == ("037", "512", "846")


def test_a_secret_that_is_not_hexadecimal_is_damage(folder):
    opened(folder)
    path = folder / ".blindspoon/collect.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"secret": "x" * 64}))
    assert len(problems_of(folder)) == 1


def test_without_servings_there_is_nothing_to_fill_in(folder):
    (folder / "servings.csv").unlink()
    assert "there is no such file" in problems_of(folder)[0]


def test_every_problem_of_the_tables_is_listed(folder):
    (folder / "scores.csv").write_text("taster,code,texture,saltiness\nT01,037,99,\nT09,037,1,\n")
    found = problems_of(folder)
    assert len(found) == 2
    assert "score 99 is off the scale" in found[0]


def test_a_folder_that_is_no_trial_is_left_alone(tmp_path):
    assert "there is no such file" in problems_of(tmp_path)[0]
    assert list(tmp_path.iterdir()) == []


def test_a_second_process_is_turned_away(folder):
    with opening.opened(folder):
        assert 'another "collect" has this folder open' in problems_of(folder)[0]


def test_stray_temporary_files_are_swept(folder):
    (folder / "ballots").mkdir()
    (folder / "ballots/.1-T01.csv.77.88.new").write_text("half")
    (folder / "ballots/1-T01.csv").write_text("taster,code,texture,saltiness\nT01,037,7,\n")
    opened(folder)
    assert [path.name for path in (folder / "ballots").iterdir()] == ["1-T01.csv"]


def test_ballots_are_read_back(folder):
    (folder / "ballots").mkdir()
    (folder / "ballots/1-T01.csv").write_text("taster,code,texture,saltiness\nT01,037,7,\n")
    assert opened(folder).ballots["1", "T01"].answer("037").scores == ("7", "")


def test_a_ballot_with_rows_of_another_taster_is_refused(folder):
    (folder / "ballots").mkdir()
    (folder / "ballots/1-T01.csv").write_text("taster,code,texture,saltiness\nT02,037,7,\n")
    assert "cup 037 of T02 is not on this ballot" in problems_of(folder)[0]


def test_cups_scored_in_another_file_are_not_asked_for(folder):
    (folder / "scores.csv").write_text("taster,code,texture,saltiness\nT01,037,7,5\n")
    ballot = opened(folder).ballots["1", "T01"]
    assert ballot.elsewhere == {"037": "scores.csv"}
    assert ballot.count == 1


def test_a_cup_whose_row_in_another_file_is_blank_is_asked_for(folder):
    rows = "taster,code,texture,saltiness,comment\nT01,037,,,\nT01,512,,,spilt\n"
    (folder / "scores.csv").write_text(rows)
    ballot = opened(folder).ballots["1", "T01"]
    assert ballot.elsewhere == {}
    assert ballot.count == 0


def test_the_first_session_that_is_not_finished_is_open(folder):
    text = (folder / "servings.csv").read_text()
    (folder / "servings.csv").write_text(text + "2,T01,1,901\n")
    rows = [line.split(",") for line in text.splitlines()[1:]]
    scored = "".join(f"{s},{t},{c},5,5\n" for s, t, _, c in rows)
    (folder / "scores.csv").write_text("session,taster,code,texture,saltiness\n" + scored)
    (folder / "key.csv").unlink()
    assert opened(folder).session == "2"


def test_a_session_opens_where_pages_only_looked_at_the_folder_before(folder):
    with opening.opened(folder, begin=False) as sitting:
        assert sitting.session == ""
    assert opened(folder).session == "1"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="needs a user without rights")
def test_a_folder_that_cannot_be_written_is_said(folder):
    folder.chmod(0o500)
    assert "cannot be written" in problems_of(folder)[0]


def test_no_name_of_a_taster_leaves_the_folder_or_meets_another():
    tasters = [
        "../../etc/passwd", "..", ".", "/", "\\", "a/b", "a\\b", "a:b", "a-b", "CON", "ä" * 80,
        "ä" * 79 + "b", "T01", "t01", "T.01", "x" * 80, "=1+1", "%2F", "~", "a b", "a%20b",
    ]  # fmt: skip
    keys = [("1", name) for name in tasters] + [("1-a", "b"), ("1", "a-b ")]
    names = list(file_names(keys).values())
    for order in (keys, keys[::-1]):
        assert len({name.casefold() for name in file_names(order).values()}) == len(keys)
    assert all(set(name[:-4]) <= set("%_-") | set(map(chr, range(48, 123))) for name in names)
    assert not any(set(name) & set("/\\:") for name in names)
    assert max(map(len, names)) < 80  # Windows takes 260 characters with all folders


def test_a_name_is_not_taken_where_the_disk_refuses_it(sitting, monkeypatch):
    def full(_):
        raise OSError(28, "disk full")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(OSError, match="disk full"):
            sitting.join("T01", "phone")
    assert sitting.free_names() == ["T01", "T02", "T03"]
    assert sitting.join("T01", "phone")


def test_a_failed_renewal_keeps_the_old_link(sitting, monkeypatch):
    link = sitting.taster_link("T01")
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "disk full")))
    with pytest.raises(OSError, match="disk full"):
        sitting.renew("T01")
    assert (sitting.taster_of(link), sitting.taster_link("T01")) == ("T01", link)


def test_a_late_taster_can_join_without_a_restart(sitting, folder, client, events):
    link = sitting.taster_link("T01")
    with (folder / "servings.csv").open("a") as file:
        file.write("1,Ana,1,771\n1,Ana,2,772\n")
    assert "Ana</button>" in client.get("/").text
    assert sitting.ballots["1", "Ana"].codes == ("771", "772")
    assert "Ana</a>" in client.get(f"/h/{sitting.host_link}").text
    assert sitting.taster_of(link) == "T01"
    assert events == ["Ana can join."]


def test_servings_spoilt_meanwhile_are_told_once_and_stop_nobody(sitting, folder, phone, events):
    (folder / "servings.csv").write_text("session,taster\n")
    for _ in range(2):
        sitting.reconcile()
    assert ["The tasting goes on as it was." in event for event in events] == [True]
    assert phone("T01").answer(1, texture="7").status_code == 303


def test_a_cup_added_to_scores_meanwhile_stops_neither_phones_nor_the_next_start(folder):
    table = "taster,code,texture,saltiness\n"
    with opening.opened(folder) as sitting:
        (folder / "scores.csv").write_text(f"{table}T01,037,5,5\nT01,512,5,5\n")
        sitting.ballots["1", "T01"].save({"037": Given(CupAnswer(scores=("7", "")), "", "a")})
    ballot = opened(folder).ballots["1", "T01"]
    assert ballot.elsewhere == {"512": "scores.csv"}
    assert ballot.answer("037").scores == ("7", "")


def test_a_folder_that_is_moved_away_is_missed_and_not_made_anew(folder, phone, events):
    taster = phone("T01")
    page = taster.read(f"{taster.place}1")
    moved = folder.rename(folder.with_name("moved"))
    assert taster.answer(1, page, texture="7").status_code == 503
    assert not folder.exists()
    assert "see that the folder is in its place" in events[-1]
    moved.rename(folder)
    assert taster.answer(1, page, texture="7").status_code == 303


def test_of_two_answers_the_one_given_last_counts_after_a_restart_too(folder):
    def save(texture, page, ago):
        with opening.opened(folder) as sitting:
            given = Given(CupAnswer(scores=(texture, "")), "", page, ago=ago)
            return sitting.ballots["1", "T01"].save({"037": given})["037"]

    save("7", "a", 0.0)
    assert (save("3", "b", 60.0).news, save("8", "c", 0.0).news) == ("late", "replaced")
    assert opened(folder).ballots["1", "T01"].answer("037").scores == ("8", "")
