"""The host's pages: progress, sessions, links, paper ballots."""

import pytest

from blindspoon.collect import opening
from blindspoon.collect.ballots import CupAnswer, Given


@pytest.fixture
def host(sitting):
    return f"/h/{sitting.host_link}"


@pytest.fixture
def keyed(client, host, fields):
    """Key a ballot; scores are rows of texture and saltiness."""

    def key(scores, place=1, kind="key", page=None, **more):
        page = page or client.get(f"{host}/1/{kind}/{place}").text
        cells = {
            f"{row}-{name}": text
            for row, pair in enumerate(scores)
            for name, text in zip(("texture", "saltiness"), pair, strict=True)
        }
        return client.post(f"{host}/1/{kind}/{place}", data=fields(page) | cells | more)

    return key


WHOLE = [("7", "4"), ("8", "5"), ("6.5", "3")]


def test_the_overview_says_who_is_how_far(client, host, phone):
    vera = phone("T01")
    vera.answer(1, texture="7", saltiness="4")
    vera.answer(2, texture="7")
    page = client.get(host).text
    assert "1 of 3 tasters joined. Session 1 is open." in page
    assert "<td>512 (Saltiness), 846</td>" in page
    assert "1 of 3</td>" in page
    assert ">Complete</th>" in page  # a cup with a score too few is scored, and not complete


def test_a_session_is_closed_and_opened(client, host, sitting, fields, events):
    form = fields(client.get(host).text)
    asked = client.post(f"{host}/session", data=form | {"session": ""})
    assert "3 tasters have not finished:" in asked.text
    assert "T01: 0 of 3 cups" in asked.text
    assert sitting.session == "1"
    client.post(f"{host}/session", data=fields(asked.text))
    assert sitting.session == ""
    client.post(f"{host}/session", data=form | {"session": "1"})
    assert sitting.session == "1"
    assert events == ["Session 1 is closed.", "Session 1 is open."]
    assert client.post(f"{host}/session", data=form | {"session": "9"}).status_code == 400


def test_closing_a_session_says_what_opens_in_its_place(folder, both_pages, fields):
    with (folder / "servings.csv").open("a") as file:
        file.write("2,T01,1,901\n")
    (folder / "key.csv").unlink()
    with opening.opened(folder) as sitting:
        client, host = both_pages(sitting).test_client(), f"/h/{sitting.host_link}"
        form = fields(client.get(host).text)
        asked = client.post(f"{host}/session", data=form | {"session": "2"}).text
        assert "Session 2 opens now." in asked
        client.post(f"{host}/session", data=fields(asked))
        assert sitting.session == "2"
        asked = client.post(f"{host}/session", data=form | {"session": ""}).text
        assert "opens" not in asked


def test_a_paper_ballot_is_keyed_and_the_next_one_shown(keyed, rows, host):
    reply = keyed(WHOLE, **{"1-comment": "soft"})
    assert reply.headers["Location"] == f"{host}/1/key/2?saved=1"
    assert [(row["code"], row["texture"], row["comment"]) for row in rows()] == [
        ("037", "7", ""),
        ("512", "8", "soft"),
        ("846", "6.5", ""),
    ]


def test_the_next_ballot_to_key_is_one_on_paper(client, keyed, sitting, host):
    sitting.join("T02", "phone")
    assert keyed(WHOLE).headers["Location"] == f"{host}/1/key/3?saved=1"
    last = keyed(WHOLE, place=3).headers["Location"]
    assert "T03 is saved." in client.get(last).text
    assert "T03 is saved" not in client.get(host).text


def test_a_decimal_comma_is_understood(keyed, rows):
    keyed([("6,5", "")])
    assert rows()[0]["texture"] == "6.5"


def test_a_wrong_cell_is_marked_and_nothing_is_saved(keyed, rows):
    reply = keyed([("7", "4"), ("99", "x")])
    assert reply.status_code == 422
    assert "Nothing is saved yet: 2 cells to correct." in reply.text
    assert reply.text.count('aria-invalid="true"') == 2
    assert 'value="99"' in reply.text
    assert rows() == []


def test_paper_keyed_over_a_phone_keeps_both(keyed, phone, client, host, folder, rows):
    page = client.get(f"{host}/1/key/1").text
    phone("T01").answer(1, texture="2", saltiness="2")
    keyed(WHOLE, page=page)
    assert rows()[0]["texture"] == "7"
    assert ",037,2,2," in (folder / "ballots/conflicts/1-T01.csv").read_text()


@pytest.mark.parametrize("scores", [WHOLE, [("7", ""), ("8", "5")]], ids=["whole", "with blanks"])
def test_a_second_keying_that_agrees_is_noted(keyed, client, host, scores):
    assert "again, to check" not in client.get(host).text
    keyed(scores)
    assert "again, to check" in client.get(host).text
    keyed(scores, kind="again")
    assert "keyed twice" in client.get(host).text


def test_a_second_keying_shows_where_the_two_differ_and_saves_nothing(keyed, rows, fields):
    keyed(WHOLE)
    reply = keyed([("7", "4"), ("3", "5"), ("6.5", "")], kind="again")
    assert reply.status_code == 409
    assert "differs in 2 cells" in reply.text
    assert "first 8" in reply.text
    assert "first 3" in reply.text
    assert rows()[1]["texture"] == "8"
    keyed([("7", "4"), ("3", "5"), ("6.5", "3")], page=reply.text)
    assert rows()[1]["texture"] == "3"


def test_correcting_after_a_second_keying_counts_as_keyed_twice(keyed, client, host, sitting):
    keyed(WHOLE)
    keyed(WHOLE, place=3)
    done = keyed(WHOLE, page=keyed([("1", "1")], kind="again").text)
    assert ("1", "T01") in sitting.memory.twice
    assert done.headers["Location"] == f"{host}/1/again/3?saved=1"  # the next of its kind


def test_who_joined_by_phone_has_no_paper_to_key_twice(keyed, sitting, client, host):
    keyed(WHOLE)
    sitting.join("T01", "phone")
    assert "again, to check" not in client.get(host).text


def test_a_link_is_shown_with_its_code_and_made_anew(client, host, sitting, fields, phone):
    vera = phone("T01")
    page = client.get(f"{host}/taster/1").text
    old = sitting.taster_link("T01")
    assert f"http://192.0.2.7:8765/t/{old}" in page
    assert "<svg" in page
    client.post(f"{host}/taster/1", data=fields(page))
    assert client.get(vera.base).status_code == 404
    assert client.get(f"/t/{sitting.taster_link('T01')}").status_code == 200
    assert "T01" in sitting.free_names()


def test_whoever_takes_a_name_that_was_given_free_reads_the_cautions(sitting, phone, client):
    phone("T01").answer(1, texture="7", saltiness="4")
    sitting.renew("T01")
    assert "Before you taste" in client.get(f"/t/{sitting.taster_link('T01')}").text


def test_cups_scored_in_another_file_are_shown_and_not_keyed(client, host, sitting, keyed, rows):
    sitting.ballots["1", "T01"].parts[0].elsewhere = {"037": "scores.csv"}
    shown = client.get(f"{host}/1/key/1").text
    assert "scored already" in shown
    assert "scores.csv" not in shown
    keyed(WHOLE)
    assert [row["code"] for row in rows()] == ["512", "846"]


def test_the_stored_comment_stays_as_it_was_written(phone, rows):
    phone("T01").answer(1, texture="7", comment="=1+1")
    assert rows()[0]["comment"] == "=1+1"


def test_changes_by_hand_are_seen_by_the_overview(client, host, sitting, folder):
    ballot = sitting.ballots["1", "T01"]
    ballot.save({"037": Given(CupAnswer(scores=("7", "4")), "", "a")})
    path = folder / "ballots/1-T01.csv"
    path.write_text(path.read_text().replace(",7,", ",2,"))
    client.get(f"{host}/progress")
    assert ballot.answer("037").scores == ("2", "4")


def test_a_paper_ballot_is_never_stored_as_that_of_another_taster(
    client, host, sitting, fields, folder
):
    form = fields(client.get(f"{host}/1/key/1").text) | {"0-texture": "7"}
    link, links = fields(client.get(f"{host}/taster/1").text), dict(sitting.memory.renewed)
    head, *served = (folder / "servings.csv").read_text("utf-8").splitlines()
    (folder / "servings.csv").write_text("\n".join([head, *served[::-1], ""]), "utf-8")
    client.get(host)
    assert sitting.plan.tasters[0] == "T03"
    assert client.post(f"{host}/1/key/1", data=form).status_code == 409
    assert client.post(f"{host}/taster/1", data=link).status_code == 409
    assert sitting.memory.renewed == links
    assert not list((folder / "ballots").glob("*"))
