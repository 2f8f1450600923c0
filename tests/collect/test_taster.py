"""The pages of a taster, as a browser without script uses them."""

import datetime
import re
from types import SimpleNamespace

import pytest

from blindspoon.collect import opening
from blindspoon.collect.ballots import CupAnswer, Given
from blindspoon.collect.sitting import Memory
from blindspoon.examine import examine
from tests.collect.conftest import Phone


def checked(page):
    return re.findall(r'name="(\w+)" value="([^"]*)" checked', page)


def test_a_taster_picks_a_name_and_gets_their_own_link(client, sitting, fields):
    page = client.get("/").text
    reply = client.post("/join", data=fields(page) | {"name": "T02"})
    assert reply.headers["Location"] == f"/t/{sitting.taster_link('T02')}"
    assert "You are T02?" in client.get("/").text
    assert ">T02</button>" in client.get("/?other=1").text
    assert ">T02</button>" not in client.application.test_client().get("/").text


def test_the_first_to_ask_gets_the_name(client, fields):
    other = client.application.test_client()
    form = fields(client.get("/").text) | {"name": "T01"}
    late = fields(other.get("/").text) | {"name": "T01"}
    assert client.post("/join", data=form).status_code == 303
    second = other.post("/join", data=late)
    assert second.status_code == 409
    assert "T01 was taken a moment ago" in second.text


def test_asking_for_one_s_own_name_again_gives_the_same_link(client, sitting, fields, events):
    form = fields(client.get("/").text) | {"name": "T01"}
    replies = [client.post("/join", data=form) for _ in range(3)]
    assert {reply.headers["Location"] for reply in replies} == {f"/t/{sitting.taster_link('T01')}"}
    assert events == ["T01 has joined."]
    assert fields(client.get("/?other=1").text)["device"] == form["device"]


def test_the_same_phone_goes_on_where_it_was(client, sitting, fields, phone):
    client.post("/join", data=fields(client.get("/").text) | {"name": "T01"})
    phone("T01").answer(1, texture="7", saltiness="4")
    page = client.get("/").text
    link = f"/t/{sitting.taster_link('T01')}"
    assert "You are T01?" in page
    assert f'href="{link}">Yes, go on' in page
    assert client.get(link).headers["Location"] == f"{link}/1/2"


def test_a_phone_that_came_by_its_own_link_is_known_where_others_join(
    client, sitting, fields, phone
):
    links = [f"/t/{sitting.taster_link(name)}" for name in ("T01", "T02")]
    client.get(links[1])
    form = fields(client.get("/").text)
    client.post(f"{links[1]}/leave", data=form)  # a wrong link: it stays whose it is
    assert "You are" not in client.get("/").text
    phone("T01").answer(1, texture="7", saltiness="4")
    page = client.get("/").text
    assert f'href="{links[0]}">Yes, go on' in page
    passed_on = client.get(client.post(f"{links[0]}/leave", data=fields(page)).location)
    client.get(client.post("/join", data=fields(passed_on.text) | {"name": "T03"}).location)
    page = client.get("/").text
    assert re.findall(r"You are (\w+)\?", page) == ["T03", "T01"]
    other = fields(client.get("/?other=1").text) | {"name": "T01"}
    assert client.post("/join", data=other).location == links[0]
    assert "You are" not in client.application.test_client().get("/").text
    client.set_cookie("links", f"of-another-trial.{links[0][3:]}")
    client.get(links[1])
    assert client.get_cookie("links").value.startswith("of-another-trial.")


def test_a_name_picked_by_mistake_is_given_back(client, sitting, fields):
    client.post("/join", data=fields(client.get("/").text) | {"name": "T01"})
    old = f"/t/{sitting.taster_link('T01')}"
    page = client.get(old).text
    assert "You are T01?" in page
    reply = client.post(f"{old}/leave", data=fields(page))
    assert reply.headers["Location"] == "/?other=1"
    assert sitting.free_names() == ["T01", "T02", "T03"]
    assert client.get(old).status_code == 404


def test_a_name_under_which_somebody_tastes_is_not_given_back(client, sitting, fields, phone):
    client.post("/join", data=fields(client.get("/").text) | {"name": "T01"})
    page = phone("T01").agree()
    link = f"/t/{sitting.taster_link('T01')}"
    assert "Not me" not in page
    form = {"ticket": sitting.memory.link("form", sitting.taster_link("T01"))}
    assert client.post(f"{link}/leave", data=form).headers["Location"] == "/?other=1"
    assert "T01" not in sitting.free_names()


def test_one_phone_does_not_take_the_whole_list(client, sitting, fields):
    form = fields(client.get("/").text)
    for taster in ("T01", "T02", "T03"):
        client.post("/join", data=form | {"name": taster})
    assert sitting.free_names() == ["T01", "T02"]


def test_a_name_is_that_of_its_button_though_the_table_was_sorted_anew(
    client, sitting, fields, folder
):
    form = fields(client.get("/").text) | {"name": "T01"}
    head, *rows = (folder / "servings.csv").read_text("utf-8").splitlines()
    (folder / "servings.csv").write_text("\n".join([head, *rows[::-1], ""]), "utf-8")
    client.get("/")
    assert sitting.plan.tasters[0] == "T03"
    link = sitting.taster_link("T01")
    assert client.post("/join", data=form).headers["Location"] == f"/t/{link}"


def test_two_tasters_may_share_a_phone(client, sitting, fields):
    form = fields(client.get("/").text)
    for taster in ("T01", "T02"):
        client.post("/join", data=form | {"name": taster})
        sitting.agree("1", taster)
    page = client.get("/").text
    assert all(f"You are {taster}?" in page for taster in ("T01", "T02"))


@pytest.mark.parametrize("device", ["", "ä"])
def test_a_join_without_a_device_is_turned_away(client, fields, device):
    form = fields(client.get("/").text) | {"name": "T01", "device": device}
    assert client.post("/join", data=form).status_code == 400


def test_cautions_come_before_the_first_cup_and_cannot_be_skipped(client, sitting, phone):
    link = sitting.taster_link("T01")
    assert client.get(f"/t/{link}/1/1").headers["Location"] == f"/t/{link}"
    assert "Before you taste" in client.get(f"/t/{link}").text
    assert "037" in phone("T01").read(f"/t/{link}")


def test_cautions_tell_what_the_trial_says(folder, both_pages):
    tasting = 'allergens = "mustard seed, garlic"\nconsent = "First.\\n\\nSecond."'
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(f"{text}\n[tasting]\n{tasting}\n")
    with opening.opened(folder) as sitting:
        link = sitting.taster_link("T01")
        page = both_pages(sitting).test_client().get(f"/t/{link}").text
    assert "They may contain: mustard seed, garlic." in page
    assert "<p>First.</p>\n<p>Second.</p>" in page
    for word in ("smells wrong", "salty", "alcohol", "pregnant", "stop at any time", "local rules"):
        assert word in page


def test_cups_come_one_at_a_time_in_the_taster_s_own_order(phone):
    vera, tom = phone("T01"), phone("T02")
    pages = [vera.read(f"{vera.place}{cup}") for cup in (1, 2, 3)]
    assert [re.search(r'"code">(\d+)<', page)[1] for page in pages] == ["037", "512", "846"]
    assert 'class="code">512<' in tom.read(f"{tom.place}1")


def test_an_answer_is_saved_and_shown_again(phone, rows):
    vera = phone("T01")
    reply = vera.answer(1, texture="7", saltiness="4.5", comment="snaps")
    assert reply.headers["Location"] == f"{vera.place}2"
    assert rows() == [
        {"session": "1", "taster": "T01", "code": "037", "texture": "7", "saltiness": "4.5",
         "comment": "snaps"}
    ]  # fmt: skip
    page = vera.read(f"{vera.place}1")
    assert checked(page) == [("texture", "7"), ("saltiness", "4.5")]
    assert ">snaps</textarea>" in page


DAY = 24 * 3600 * 1000  # in milliseconds


@pytest.mark.parametrize(
    ("apart", "ago", "told"),
    [(0, 0, False), (1, 0, True), (1, DAY, False), (7, 9 * DAY, False)],
)
def test_answers_on_another_day_than_that_of_the_session_are_said(
    folder, both_pages, monkeypatch, apart, ago, told
):
    clock = SimpleNamespace(now=lambda: datetime.datetime(2026, 9, 6, 19))  # noqa: DTZ001 - there
    own = SimpleNamespace(datetime=clock, timedelta=datetime.timedelta)
    monkeypatch.setattr("blindspoon.collect.sitting.datetime", own)
    today = datetime.date(2026, 9, 6)
    day = today - datetime.timedelta(days=apart)
    toml = (folder / "trial.toml").read_text("utf-8")
    (folder / "trial.toml").write_text(toml + f'[[session]]\nname = "1"\ndate = {day}\n', "utf-8")
    with opening.opened(folder) as sitting:
        client = both_pages(sitting).test_client()
        host = f"/h/{sitting.host_link}"
        form = {"ticket": sitting.ticket(sitting.host_link), "0-texture": "6"}
        client.post(f"{host}/1/key/2", data=form)  # paper may be keyed any day
        assert not any("is dated" in note.text for note in examine(folder).notes)
        phone = Phone(client, sitting, "T01")
        phone.agree()
        phone.answer(1, texture="7", saltiness="4", Ago=f"{ago}")
    said = [note.text for note in examine(folder).notes if "is dated" in note.text]
    assert len(said) == told
    assert not told or f"dated {day}, and phones answered on {today}: correct" in said[0]


@pytest.mark.parametrize(
    ("days", "told"),
    [
        ({"1": ["2026-09-04"], "2": ["2026-09-05"]}, ""),
        ({"1": ["2026-09-04", "2026-09-05"]}, "answered on 2026-09-04 and 2026-09-05: correct"),
    ],
)
def test_a_session_is_held_against_all_days_of_its_own_answers(folder, days, told):
    dated = b'[[session]]\nname = "1"\ndate = 2026-09-04\n[[session]]\nname = "2"\n'
    (folder / "trial.toml").write_bytes((folder / "trial.toml").read_bytes() + dated)
    pairs = tuple((name, day) for name, own in days.items() for day in own)
    (folder / ".blindspoon").mkdir()
    (folder / ".blindspoon/collect.json").write_bytes(Memory(days=pairs).to_bytes())
    said = [note.text for note in examine(folder).notes if "is dated" in note.text]
    assert len(said) == bool(told)
    assert told in " ".join(said)


def test_the_link_goes_on_where_the_taster_was(phone):
    vera = phone("T01")
    vera.answer(1, texture="7", saltiness="4.5")
    assert 'class="code">512<' in vera.read(vera.base)
    vera.answer(2, texture="7", saltiness="4.5")
    vera.answer(3, texture="7", saltiness="4.5")
    assert "All 3 cups are scored and saved" in vera.read(vera.base)


@pytest.mark.parametrize(("go", "to"), [("next", "3"), ("back", "1"), ("stop", "end")])
def test_the_buttons_save_before_they_go(phone, rows, go, to):
    vera = phone("T01")
    assert vera.answer(2, texture="3", go=go).headers["Location"] == f"{vera.place}{to}"
    assert rows()[0]["texture"] == "3"


def test_whoever_stops_early_is_thanked_and_sees_what_is_open(phone):
    vera = phone("T01")
    vera.answer(1, texture="7", saltiness="4.5", go="stop")
    page = vera.read(f"{vera.place}end")
    assert "Thank you" in page
    assert re.findall(r">(\d+)</a>", page) == ["512", "846"]


def test_the_rest_is_called_to_mind_between_cups(folder, both_pages):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text + '\n[tasting]\ncleanser = "water and bread"\n')
    with opening.opened(folder) as sitting:
        sitting.agree("1", "T01")
        client = both_pages(sitting).test_client()
        first, second = (client.get(f"/t/{sitting.taster_link('T01')}/1/{k}").text for k in (1, 2))
    assert "water and bread" not in first
    assert "Before this cup: water and bread, then rest about a minute." in second


def test_a_score_off_the_scale_is_said_beside_it_and_nothing_is_saved(phone, rows):
    vera = phone("T01")
    reply = vera.answer(1, texture="11", saltiness="4", comment="kept <b>here</b>")
    assert reply.status_code == 422
    assert 'role="radiogroup" aria-describedby="texture-fault" aria-invalid="true">' in reply.text
    assert reply.text.count("aria-invalid") == 1
    reply = vera.answer(1, texture="11", saltiness="4", comment="kept <b>here</b>")
    assert "Score 11 is off the scale; the scale is 0 to 10." in reply.text
    assert "kept &lt;b&gt;here&lt;/b&gt;</textarea>" in reply.text
    assert ("saltiness", "4") in checked(reply.text)
    assert rows() == []


def test_the_script_is_told_the_same_in_json(phone, rows):
    vera = phone("T01")
    good = vera.answer(1, json=True, texture="7")
    assert good.json["told"] == ""
    bad = vera.answer(1, json=True, texture="0.3")
    assert (bad.status_code, bad.json["problems"][0]["field"]) == (422, "texture")
    assert rows()[0]["texture"] == "7"


def test_two_phones_on_one_link_are_told(phone):
    vera = phone("T01")
    page = vera.read(f"{vera.place}1")
    vera.answer(1, page=vera.read(f"{vera.place}1"), texture="7")
    reply = vera.answer(1, page=page, texture="3")
    assert "Cup 037 had been answered on another page" in vera.read(reply.headers["Location"])


def test_a_closed_session_takes_no_answer_and_says_so(phone, sitting, rows):
    vera = phone("T01")
    page = vera.read(f"{vera.place}1")
    sitting.open_session("")
    reply = vera.answer(1, page=page, json=True, texture="7")
    assert reply.status_code == 409
    assert "Session 1 is closed, and this answer came too late" in reply.json["message"]
    assert rows() == []
    assert "No session is open" in vera.read(vera.base)


def test_a_page_of_other_cups_is_turned_away(phone, rows):
    vera = phone("T01")
    page = vera.read(f"{vera.place}1").replace('value="037"', 'value="290"')
    assert vera.answer(1, page=page, texture="7").status_code == 409
    assert rows() == []


def test_tasters_are_told_the_food_and_not_the_question(folder, both_pages):
    path = folder / "trial.toml"
    more = 'question = "Do oak leaves help?"\nproduct = "pickled cucumbers"\ncontrol'
    path.write_text(path.read_text().replace("control", more, 1))
    with opening.opened(folder) as sitting:
        client = both_pages(sitting).test_client()
        pages = [client.get(path).text for path in ("/", f"/t/{sitting.taster_link('T01')}")]
    assert "<h1>Pickled cucumbers</h1>" in pages[0]
    assert "3 cups (pickled cucumbers)" in pages[1]
    assert not any("oak" in page or "half-sour" in page for page in pages)


def test_a_cup_scored_on_paper_is_not_asked_again(folder, rows, both_pages):
    (folder / "scores.csv").write_text("taster,code,texture,saltiness\nT01,512,7,5\n")
    with opening.opened(folder) as sitting:
        sitting.agree("1", "T01")
        client = both_pages(sitting).test_client()
        page = client.get(f"/t/{sitting.taster_link('T01')}/1/2").text
        form = {"ticket": sitting.memory.link("form", sitting.taster_link("T01")), "code": "512"}
        path = f"/t/{sitting.taster_link('T01')}/1/2"
        assert client.post(path, data=form | {"texture": "7"}).status_code == 409
    assert "This is answered already" in page
    assert "<form" not in page
    assert rows() == []


def test_a_scale_of_many_steps_is_typed(folder, both_pages):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace("high = 10\nstep = 0.5", "high = 100"))
    with opening.opened(folder) as sitting:
        sitting.agree("1", "T01")
        page = both_pages(sitting).test_client().get(f"/t/{sitting.taster_link('T01')}/1/1").text
    assert page.count('type="text" inputmode="decimal"') == 2
    assert "Texture, 0 to 100" in page
    assert 'type="radio"' not in page


def test_a_typed_scale_below_zero_has_a_keyboard_with_a_minus(folder, both_pages):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(
        text.replace("low = 0\nhigh = 10\nstep = 0.5", "low = -50\nhigh = 50")
    )
    with opening.opened(folder) as sitting:
        sitting.agree("1", "T01")
        page = both_pages(sitting).test_client().get(f"/t/{sitting.taster_link('T01')}/1/1").text
    assert page.count('type="text" inputmode="text"') == 2


def test_who_goes_on_after_the_session_closed_and_changes_nothing_is_told_of_no_loss(
    phone, sitting, rows
):
    vera = phone("T01")
    vera.answer(1, texture="7")
    pages = [vera.read(f"{vera.place}{cup}") for cup in (1, 2)]
    sitting.open_session("")
    assert vera.answer(1, page=pages[0], json=True, texture="7").status_code == 200
    assert vera.answer(2, page=pages[1]).status_code == 303
    assert vera.answer(1, page=pages[0], json=True, texture="8").status_code == 409
    assert [row["texture"] for row in rows()] == ["7"]


def test_a_taster_without_cups_in_the_open_session_waits(client, sitting):
    sitting.ballots.pop(("1", "T03"))
    assert "You have no cups in this session" in client.get(f"/t/{sitting.taster_link('T03')}").text


def test_a_disk_that_refuses_is_said_to_the_taster_and_the_terminal(phone, events, monkeypatch):
    vera = phone("T01")
    page = vera.read(f"{vera.place}1")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    reply = vera.answer(1, page=page, json=True, texture="7")
    assert (reply.status_code, "could not be saved" in reply.json["message"]) == (503, True)
    assert any("ballots/1-T01.csv cannot be written (No space left" in each for each in events)


@pytest.fixture
def second_session(folder):
    """T01 has two more cups in session 2, which is not open."""
    with (folder / "servings.csv").open("a") as file:
        file.write("2,T01,1,901\n2,T01,2,902\n")
    (folder / "key.csv").unlink()


def test_codes_of_a_session_that_is_not_open_are_on_no_page(second_session, phone):
    ana = phone("T01")
    pages = [ana.read(f"{ana.base}/{place}") for place in ("2/end", "2/1", "1/end", "1/1")]
    assert not any(re.search(r"\b901\b", page) for page in pages)  # a digest may hold it
    assert "Session 2 comes next" in pages[2]


def test_the_end_leads_to_the_next_session_by_a_link(second_session, client, sitting, phone):
    ana = phone("T01")
    assert "On to session 2" not in ana.read(f"{ana.place}end")
    sitting.open_session("2")
    assert f'href="{ana.base}">On to session 2' in ana.read(f"{ana.place}end")
    assert client.get(f"{ana.base}/now").json == {"session": "2"}


def test_a_session_that_was_scored_already_does_not_come_next(second_session, sitting):
    assert sitting.session_after("1", "T01") == "2"
    ballot = sitting.ballots["2", "T01"]
    ballot.save({it: Given(CupAnswer(scores=("5", "5")), "", "a") for it in ballot.codes})
    assert sitting.session_after("1", "T01") == ""


def test_who_has_scored_all_looks_over_it_and_may_change_it(phone):
    vera = phone("T01")
    for cup in (1, 2, 3):
        reply = vera.answer(cup, texture="6.5", saltiness="3", comment="mild" * (cup == 2))
    assert reply.headers["Location"] == f"{vera.place}look"
    look = vera.read(f"{vera.place}look")
    assert look.count(">6.5</dd>") == 3
    assert ">mild</p>" in look
    assert f'href="{vera.place}2"' in look
    assert f'href="{vera.place}end"' in look


def test_the_screen_shows_who_is_out_and_no_secret(phone, client, sitting):
    vera, _ = phone("T01"), phone("T02")
    for cup in (1, 2, 3):
        vera.answer(cup, texture="6.5", saltiness="3")
    page = client.get("/screen").text
    assert "1 of 3 have finished." in page
    names = re.findall(r'<h2>([^<]*)</h2>\n<p class="lead">([^<]*)</p>', page)
    assert names == [("Still tasting", "T02"), ("Not joined, or on paper", "T03")]
    secrets = [sitting.host_link, *(sitting.taster_link(name) for name in sitting.plan.tasters)]
    codes = {code for ballot in sitting.ballots.values() for code in ballot.codes}
    assert not [text for text in (*secrets, *codes) if text in page]
    assert client.get("/screen/now").text in page


def test_whose_paper_was_keyed_in_has_finished_whatever_was_left_empty(client, sitting):
    given = Given(CupAnswer(scores=("7", "4")), "", "a")
    sitting.ballots["1", "T03"].save({sitting.ballots["1", "T03"].codes[0]: given})
    page = client.get("/screen").text
    assert "1 of 3 have finished." in page
    assert "T03" not in page


def test_a_session_is_named_by_its_label(folder, both_pages):
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[session]]\nname = "1"\nlabel = "Friday evening"\n')
    with opening.opened(folder) as sitting:
        client = both_pages(sitting).test_client()
        sitting.open_session("1")
        assert "T01 · Friday evening" in client.get(f"/t/{sitting.taster_link('T01')}").text
        host = client.get(f"/h/{sitting.host_link}").text
        assert "Session 1 · Friday evening</h2>" in host
