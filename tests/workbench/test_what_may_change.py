"""What may be changed when: each cell of the table by the form, posted whatever a page offers."""

from __future__ import annotations

import datetime
import hashlib
import re
import shutil
from pathlib import Path

import pytest

from blindspoon.analysis import analyse
from blindspoon.collect.sitting import Memory
from blindspoon.drawing import draw_blind
from blindspoon.examine import examine
from blindspoon.lifting import lift_blind
from blindspoon.workbench import company

STATES = ("planned", "sealed", "tasting", "closed", "lifted")
TASTERS = {"tasting.tasters": "Ada\r\nBen\r\nGus", "sessions": "1", "tasting.servings": ""}
FORMS = {
    "tasters": ("tasters", TASTERS, "planned"),
    "the days": ("tasters/days", {"session[1].date": "12.09.2026"}, "sealed tasting closed"),
    "codes": ("codes", {"mine": "yes"}, "planned"),
    "taking the drawing back": ("codes/back", {"sure": "yes"}, "sealed"),
    "the sheets": ("sheets", {"paper": "letter"}, "sealed tasting"),
    "a late taster": ("tasting/late", {"late": "Gus"}, "sealed tasting"),
    "a score": ("tasting/1/key/6", {"0-crunch": "4"}, "sealed tasting"),
    "closing": ("tasting/close", {}, "sealed tasting"),
    "opening again": ("tasting/reopen", {}, "closed"),
    "own words": ("publish/story", {"story.text": "We asked."}, " ".join(STATES)),
    "lifting": ("lift", {"finished": "yes", "told": ""}, ""),
}


def contents(folder):
    """Every file that counts; what the score page remembers, and who holds the folder, do not."""
    files = (path for path in folder.rglob("*") if path.is_file())
    own = (path for path in files if ".blindspoon" not in path.parts)
    return {str(path): hashlib.sha256(path.read_bytes()).digest() for path in own}


@pytest.mark.parametrize("what", FORMS)
@pytest.mark.parametrize("state", STATES)
def test_a_form_is_taken_in_its_time_and_else_changes_nothing(at, state, what):
    host, folder = at(state)
    path, fields, when = FORMS[what]
    before = contents(folder)
    done = host.post(f"/t/crisp/{path}", **fields)
    if state in when.split():
        assert done.status_code == 303, done.text
        assert contents(folder) != before
    else:
        assert done.status_code in (200, 303, 409, 422), done.text
        assert contents(folder) == before


def test_a_drawing_is_not_taken_back_once_a_session_was_open(at):
    host, folder = at("sealed")
    (folder / ".blindspoon" / "collect.json").write_bytes(Memory(session="1").to_bytes())
    before = contents(folder)
    assert host.post("/t/crisp/codes/back", sure="yes").status_code == 409
    assert contents(folder) == before


def test_a_name_like_another_s_is_added_when_the_host_says_that_it_is_somebody_else(at):
    host, _ = at("sealed")
    late = "/t/crisp/tasting/late"
    assert host.post(late, late="ada").status_code == 422
    assert host.post(late, late="ada", other="yes").status_code == 303


def test_nothing_is_lifted_but_what_the_host_was_told_of(at):
    host, folder = at("closed")
    page = host.read("/t/crisp/lift")
    told = page.split('name="told" value="')[1].split('"')[0]
    assert "12 of 12 cups" in page
    scores = folder / "scores.csv"
    scores.write_bytes(scores.read_bytes().replace(b",4\n", b",5\n", 1))
    done = host.post("/t/crisp/lift", finished="yes", told=told)
    assert done.status_code == 409
    assert "Scores changed while you read this" in done.text
    assert b"[[lifted]]" not in (folder / "seal.toml").read_bytes()


def test_faults_stand_beside_their_fields_and_nothing_typed_is_lost(at):
    host, folder = at("planned")
    before = contents(folder)
    sent = TASTERS | {"sessions": "a few", "session[1].date": "soon", "tasting.servings": "two"}
    done = host.post("/t/crisp/tasters", **sent)
    assert done.status_code == 422
    assert all(f'id="{place}-fault">W' in done.text for place in sent if place != "tasting.tasters")
    assert all(f'value="{sent[place]}"' in done.text for place in ("sessions", "session[1].date"))
    assert "Ben\nGus" in done.text
    assert contents(folder) == before


def test_no_page_that_a_host_writes_on_renews_itself(at):
    host, _ = at("planned")
    for path in ("tasters", "tasters?change=1"):
        page = host.read(f"/t/crisp/{path}")  # it is being worked out what they can show
        assert ("<textarea" in page) == ("change" in path)
        assert ("data-renew" in page) != ("<textarea" in page)
    wrong = host.post("/t/crisp/tasters", sessions="x").text
    assert "<textarea" in wrong
    assert "data-renew" not in wrong


def test_sessions_are_added_dated_and_taken_out(at):
    host, folder = at("planned")
    days = {"session[1].date": "2026-10-01", "session[2].date": "2026-10-08"}
    host.post("/t/crisp/tasters", **TASTERS | {"sessions": "2", "tasting.servings": "2"} | days)
    text = (folder / "trial.toml").read_text("utf-8")
    assert 'name = "2"\ndate = 2026-10-08' in text
    assert "servings = 2" in text
    assert 'tasters = ["Ada", "Ben", "Gus"]' in text
    host.post("/t/crisp/tasters", **TASTERS)
    text = (folder / "trial.toml").read_text("utf-8")
    assert 'name = "2"' not in text
    assert "servings" not in text


def test_a_session_that_is_drawn_gets_its_day_moved_and_nothing_else(at):
    host, folder = at("tasting")
    host.bench.jobs.run(company.CHANCES, folder, lambda _: None)
    page = host.read("/t/crisp/tasters")
    assert "Working out" not in page
    assert 'name="session[1].date"' in page
    assert 'name="session[2].date"' not in page
    before = (folder / "trial.toml").read_text("utf-8")
    assert '"/t/crisp/tasters">Another day' in host.read("/t/crisp/tasting")
    host.post("/t/crisp/tasters/days", **TASTERS, **{"session[1].date": "2026-09-12"})
    added = '\n[[session]]\nname = "1"\ndate = 2026-09-12\n'
    assert (folder / "trial.toml").read_text("utf-8").replace(added, "") == before
    assert "12 September 2026" in (folder / "sheets/table.html").read_text("utf-8")
    assert not examine(folder).problems
    for days in (["2026-09-13"], ["", "2026-09-12"]):  # what is taken back is the last one
        for day in days:
            host.post("/t/crisp/tasters/days", **{"session[1].date": day})
        number = re.search(r'name="number" value="(\d+)"', host.read("/t/crisp/lately"))[1]
        assert host.post("/t/crisp/lately", number=number).status_code == 303
        sheet = (folder / "sheets/table.html").read_text("utf-8")
        assert ("12 September 2026" in sheet) == ("" not in days)
        assert "13 September" not in sheet
    wrong = host.post("/t/crisp/tasters/days", **{"session[1].date": "soon"})
    assert wrong.status_code == 422
    assert 'id="session[1].date-fault">W' in wrong.text


def test_a_last_look_names_the_files_that_are_not_read(at):
    host, folder = at("closed")
    (folder / "ballots/conflicts").mkdir(parents=True)
    (folder / "scores.xlsx").touch()
    page = host.read("/t/crisp/look")
    assert "ballots/conflicts is not read: it holds answers that were replaced" in page
    assert "scores.xlsx is not read: save it as CSV" in page


def test_comments_are_read_before_they_go_out_and_left_out(at):
    host, folder = at("lifted")
    head, first, second, *rest = (folder / "scores.csv").read_text("utf-8").splitlines()
    wrote = [f"{head},comment", f'{first},"Ben’s own, surely"', f"{second},Far too soft"]
    (folder / "scores.csv").write_text(
        "\n".join([*wrote, *(f"{row}," for row in rest)]) + "\n", "utf-8"
    )
    page = host.read("/t/crisp/publish")
    assert "Two comments go out" in page
    assert re.search("“P0[1-6]’s own, surely”", page)
    assert host.post("/t/crisp/publish/comments", out="scores.csv:0").status_code == 303
    page = host.read("/t/crisp/publish")
    assert "One comment goes out" in page
    assert "surely" not in page
    assert "Comments left out" in host.read("/t/crisp/lately")
    assert "The blind is lifted" in host.read("/t/crisp/")  # scores are what they were


def test_a_trial_of_who_can_tell_goes_the_same_way(at):
    host, folder = at("planned")
    demo = Path(__file__).parents[2] / "trials" / "two-salts"
    for name in ("trial.toml", "batches.csv"):
        shutil.copy(demo / name, folder / name)
    for page in ("", "question", "tasters", "codes"):
        host.read(f"/t/crisp/{page}")
    assert "guessing alone would give in 19 tastings out of 20" in host.read("/t/crisp/codes")
    assert host.post("/t/crisp/codes", mine="yes").status_code == 303
    for page in ("", "codes", "sheets", "tasting", "look", "lift"):
        host.read(f"/t/crisp/{page}")


@pytest.mark.parametrize("grams", ["", "x", "²", "1.2.3", "0", "1000001"])
def test_what_is_no_weight_of_a_jar_is_asked_again(at, grams):
    host, _ = at("lifted")
    answer = host.post("/t/crisp/publish", jar=grams, known="yes")
    assert answer.status_code == 422
    assert "Give the grams as a number, such as 1000." in answer.text


SLIP = {"session": "1", "attribute": "crunch", "reason": "A 1 was read as 7."}


def test_a_score_that_was_misread_is_corrected_with_a_reason_and_nothing_else_changes(at):
    host, folder = at("lifted")
    first = (folder / "scores.csv").read_text("utf-8").splitlines()[1].split(",")
    slip = SLIP | {"taster": first[0], "code": first[1], "new": "1"}
    before = contents(folder)
    assert all(f'name="{field}"' in host.read("/t/crisp/findings/slip") for field in slip)
    for wrong in ({"code": "000"}, {"reason": ""}, {"new": "11"}, {"new": first[2]}):
        assert host.post("/t/crisp/findings/slip", **slip | wrong).status_code == 422, wrong
    wrong = host.post("/t/crisp/findings/slip", **slip | {"new": "11"}).text
    assert "Score 11 is off the scale; the scale is 0 to 10." in wrong  # as where it is keyed in
    assert "trial.toml" not in wrong
    assert contents(folder) == before
    assert host.post("/t/crisp/findings/slip", **slip).status_code == 303
    assert (folder / "scores.csv").read_text("utf-8").splitlines()[1].split(",")[2] == "1"
    assert not examine(folder).problems
    stands = analyse(folder).standing
    assert "(A 1 was read as 7.)" in " ".join(stands.texts())
    assert not stands.bent


@pytest.mark.parametrize("state", ["planned", "sealed", "tasting", "closed"])
def test_no_slip_is_corrected_so_before_the_blind_is_lifted(at, state):
    host, folder = at(state)
    before = contents(folder)
    slip = SLIP | {"taster": "Ada", "code": "123", "new": "1"}
    assert host.post("/t/crisp/findings/slip", **slip).status_code == 303
    assert host.get("/t/crisp/findings/slip").status_code == 303
    assert contents(folder) == before


def test_whether_a_taster_would_have_it_can_be_misread_too(visit, tmp_path, eaten):
    folder, day = tmp_path / "when", datetime.date(2026, 9, 20)
    folder.mkdir()
    for name, data in eaten.items():
        (folder / name).write_bytes(data)
    draw_blind(folder, day)
    served = [line.split(",") for line in (folder / "servings.csv").read_text().split()[1:]]
    rows = [f"{row[1]},{row[3]},6,yes" for row in served]
    text = "\n".join(["taster,code,sourness,would_eat_it", *rows])
    (folder / "scores.csv").write_text(text, "utf-8")
    lift_blind(folder, day, lambda _: "unknown")
    slip = {"taster": served[0][1], "code": served[0][3], "session": "1", "reason": "a cross"}
    slip |= {"attribute": "would_eat_it", "new": "no"}
    assert visit(tmp_path).post("/t/when/findings/slip", **slip).status_code == 303
    assert (folder / "scores.csv").read_text("utf-8").count(",no") == 1
    assert analyse(folder).standing.bent == ()
