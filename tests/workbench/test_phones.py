"""Phones are let in and kept out while the pages run; the network has the tasters' pages alone."""

from __future__ import annotations

import contextlib
import csv
import datetime
import html
import http.client
import re
import socket

import pytest

from blindspoon.collect import server
from blindspoon.drawing import one_more
from blindspoon.errors import DesignError
from blindspoon.examine import examine
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stage import stage


def ask(port, path, method="GET", host=None):
    """Ask the tasters' listener, naming any host."""
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    headers = {"Host": host or f"127.0.0.1:{port}", "Cookie": "blindspoon-8770=x"}
    with contextlib.closing(asked):
        asked.request(method, path, headers=headers)
        return asked.getresponse().status


def cups(folder):
    with (folder / "servings.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def phones(at, monkeypatch):
    monkeypatch.setattr(server, "network_addresses", lambda: ("127.0.0.1",))
    host, folder = at("sealed")
    host.post("/t/crisp/tasting/phones", let="in")
    return host, host.bench.sittings.of(folder)[1]


def test_the_network_is_never_answered_with_a_page_of_the_host(phones, rules):
    host, listener = phones
    port = int(listener.address.split(":")[2].strip("/"))
    assert ask(port, "/") == 200
    addresses = {address for _, address in rules(host)} - {"/", "/favicon.ico"}
    assert {"/t/<link>/tasting/progress", "/t/<link>/tasting/<session>/again/<place>"} < addresses
    for address in sorted(addresses):
        path = address.replace("<link>", "crisp").replace("<name>", "crisp")
        for method in ("GET", "POST"):
            assert ask(port, path.replace("<", "").replace(">", ""), method) in (403, 404, 405)
    link = host.bench.sittings.of(host.bench.shelf / "crisp")[0].host_link
    assert ask(port, f"/h/{link}") == 404
    assert ask(port, "/", host="evil.example") == 421


def test_phones_are_kept_out_again_and_again(phones, free_port, monkeypatch):
    host, listener = phones
    monkeypatch.setattr(server, "near", lambda _: (free_port,))  # which no other test takes then
    host.post("/t/crisp/tasting/phones", let="out")
    host.post("/t/crisp/tasting/phones", let="in")
    for _ in range(3):
        port = int(listener.address.split(":")[2].strip("/"))
        host.post("/t/crisp/tasting/phones", let="out")
        assert not listener.are_in
        with socket.socket() as probe:
            assert probe.connect_ex(("127.0.0.1", port)) != 0
        host.post("/t/crisp/tasting/phones", let="in")
        assert listener.are_in


def test_a_session_that_the_host_closed_stays_closed_when_phones_come_back(phones):
    host, _ = phones
    sitting, listener = host.bench.sittings.of(host.bench.shelf / "crisp")
    sitting.join("Ada", "phone")
    host.post("/t/crisp/tasting/session", session="", sure="yes")
    host.post("/t/crisp/tasting/phones", let="out")
    host.post("/t/crisp/tasting/phones", let="in")
    assert (listener.are_in, sitting.session) == (True, "")
    assert "They wait until you open a session." in host.read("/t/crisp/tasting")


def test_the_folder_is_named_as_held_and_let_go_when_the_tasting_closes(phones, blindspoon):
    host, listener = phones
    folder = host.bench.shelf / "crisp"
    done = blindspoon("collect", folder, "--from", folder / "key.csv")
    assert "the workbench has this folder open" in done.stderr
    assert host.post("/t/crisp/tasting/close").status_code == 303
    assert not listener.are_in
    assert "the tasting was closed on" in blindspoon("collect", folder).stderr


def test_a_folder_that_gets_another_name_can_be_opened_under_it(phones):
    host, listener = phones
    (host.bench.shelf / "crisp").rename(host.bench.shelf / "crisper")
    assert "Phones are kept out" in host.read("/t/crisper/tasting")
    assert not listener.are_in


def test_without_a_network_it_is_said_and_nothing_listens(at, monkeypatch):
    monkeypatch.setattr(server, "network_addresses", tuple)
    host, folder = at("sealed")
    host.post("/t/crisp/tasting/phones", let="in")
    assert "this computer is in no network" in host.read("/t/crisp/tasting")
    assert not host.bench.sittings.of(folder)[1].are_in


def test_a_late_taster_scores_at_once_and_a_second_of_the_name_is_asked_about(phones):
    host, _ = phones
    assert host.post("/t/crisp/tasting/late", late="ada").status_code == 422
    assert host.post("/t/crisp/tasting/late", late="Gus").status_code == 303
    assert "Gus" in host.read("/t/crisp/tasting")
    assert host.get("/t/crisp/tasting/1/key/7").status_code == 200


def test_who_came_late_has_sheets_at_once_and_only_who_pours_sees_their_cups(at):
    host, folder = at("sealed")
    host.post("/t/crisp/sheets", paper="letter", labels="letter-80")
    page = host.client.post(
        "/t/crisp/tasting/late",
        data={"ticket": host.bench.door.proof("ticket"), "late": "Gus"},
        follow_redirects=True,
    ).text
    links = re.findall(r'href="/t/crisp/(sheets/added/07-Gus/[a-z]+\.html)"', page)
    assert [link.rsplit("/")[-1] for link in links] == ["trays.html", "labels.html", "ballots.html"]
    own = {row["code"] for row in cups(folder) if row["taster"] == "Gus"}
    others = {row["code"] for row in cups(folder)} - own
    for link in links:
        text = host.read(f"/t/crisp/{link}")
        assert all(f"<b>{code}</b>" in text or f">{code}<" in text for code in own), link
        assert "Oak leaf" not in text
        assert not [code for code in others if f">{code}<" in text]
    assert "size: 215.9mm" in host.read("/t/crisp/sheets/added/07-Gus/trays.html")
    assert "For sheets of 80 labels" in host.read("/t/crisp/sheets/added/07-Gus/labels.html")
    pours = "added/07-Gus/pouring.html"
    assert host.get(f"/t/crisp/sheets/{pours}").status_code == 404
    assert host.post("/t/crisp/sheets/pouring", sheet=pours).status_code == 303
    assert "Oak leaf" in host.post("/t/crisp/sheets/pouring", pours="yes", sheet=pours).text


def test_rows_of_a_spreadsheet_may_end_in_a_blank_cell(at):
    host, folder = at("tasting")
    cup = next(row for row in cups(folder) if row["taster"] == "Eve")
    text = f"taster\tcode\tcrunch\tcomment\nEve\t{cup['code']}\t7\t"
    page = host.post("/t/crisp/tasting/rows", rows=text).text
    shown = page.split('name="shown" value="')[1].split('"')[0]
    typed = html.unescape(page.split('aria-describedby="rows-hint rows-fault">\n')[1])
    assert typed.split("</textarea>")[0] == text
    assert host.post("/t/crisp/tasting/rows", rows=text, shown=shown).status_code == 303
    assert ",7," in next((folder / "ballots").glob("*Eve.csv")).read_text("utf-8")


def test_a_session_is_added_from_a_page_and_has_sheets_of_its_own(at):
    host, folder = at("sealed")
    toml, before = (folder / "trial.toml").read_bytes(), cups(folder)
    assert host.post("/t/crisp/tasting/more", more="soon").status_code == 422
    assert (folder / "trial.toml").read_bytes() == toml
    assert host.post("/t/crisp/tasting/more", more="2026-10-03").status_code == 303
    trial = parse_trial((folder / "trial.toml").read_text("utf-8"))
    assert [(it.name, str(it.date)) for it in trial.sessions] == [
        ("1", "None"),
        ("2", "2026-10-03"),
    ]
    assert [row for row in cups(folder) if row["session"] == "1"] == before
    assert len([row for row in cups(folder) if row["session"] == "2"]) == len(before)
    page = host.read("/t/crisp/sheets")
    assert "Session 2: card for each tray" in page
    assert "Oak leaf" not in host.read("/t/crisp/sheets/added/session-2/labels.html")
    assert host.get("/t/crisp/sheets/added/session-2/pouring.html").status_code == 404
    assert host.get("/t/crisp/tasting/2/key/1").status_code == 200
    assert not examine(folder).problems


def test_between_two_sessions_the_next_one_comes_first_and_closing_it_all_does_not(at):
    host, _ = at("sealed")
    host.post("/t/crisp/tasting/more", more="2026-10-03")
    closing = 'class="{}">Close the tasting'
    for session, button in (("1", "other"), ("2", "main")):
        host.post("/t/crisp/tasting/session", session=session, sure="1")
        host.post(f"/t/crisp/tasting/{session}/key/1", **{"0-crunch": "5"})
        page = host.read("/t/crisp/tasting")
        assert page.index('id="session-') == page.index(f'id="session-{session}"')
        assert closing.format(button) in page
        assert "When everybody has finished session 2" in page


def test_phones_read_what_was_written_since_the_tasting_was_looked_at(at):
    host, folder = at("sealed")
    host.read("/t/crisp/tasting")
    host.post("/t/crisp/question", **{"trial.product": "gherkins"})
    assert host.bench.sittings.of(folder)[0].plan.food == "gherkins"
    toml = folder / "trial.toml"
    toml.write_text(toml.read_text("utf-8").replace("[tasting]", '[tasting]\nlanguage = "de"'))
    assert host.bench.sittings.of(folder)[0].plan.tasting.language == "de"


def test_the_host_reads_what_a_terminal_would_tell_that_matters(at):
    host, folder = at("sealed")
    for page, score in (("a", "4"), ("b", "7"), ("c", "6")):
        host.post("/t/crisp/tasting/1/key/1", **{"0-crunch": score, "0-Base": "", "Page": page})
    page = host.read("/t/crisp/tasting")
    assert page.count("Ada has a second answer for cup") == 1
    assert "has scored" not in page
    host.bench.sittings.of(folder)[0].trouble(OSError(28, "disk full", "ballots/1-Ben.csv"))
    assert "cannot be written (disk full)" in host.read("/t/crisp/tasting/progress")


def test_what_is_sent_twice_is_made_once(at):
    host, folder = at("sealed")
    sent = {"tasting/more": {"more": ""}, "tasting/late": {"late": "Gus"}}
    for path, form in sent.items():
        once = re.search(r'name="once" value="(\w+)"', host.read(f"/t/crisp/{path}"))[1]
        for _ in range(2):
            assert host.post(f"/t/crisp/{path}", **form, once=once).location == "/t/crisp/sheets"
    assert {row["session"] for row in cups(folder)} == {"1", "2"}
    assert len({row["taster"] for row in cups(folder)}) == 7
    assert host.post("/t/crisp/tasting/late", late="Hal", once=once).location == "/t/crisp/sheets"
    assert "Hal" in {row["taster"] for row in cups(folder)}


def test_a_session_is_not_added_where_another_was_drawn_meanwhile(at):
    _, folder = at("sealed")
    toml, day = (folder / "trial.toml").read_bytes(), datetime.date(2026, 10, 1)
    with pytest.raises(DesignError, match="1 session is drawn by now"):
        one_more(folder, None, 2, day)
    assert (folder / "trial.toml").read_bytes() == toml


def test_no_session_is_added_after_the_tasting(at):
    host, folder = at("closed")
    before = cups(folder)
    assert host.post("/t/crisp/tasting/more", more="").status_code == 409
    assert cups(folder) == before


def test_who_was_added_is_counted_and_named_with_the_others(at):
    host, folder = at("sealed")
    host.post("/t/crisp/tasting/late", late="Gus")
    assert ("tasters", "7 tasters") in [(it.name, it.note) for it in stage(folder).steps]
    assert "Finn, Gus" in host.read("/t/crisp/tasters")


def test_one_person_alone_notes_the_order_after_shuffling(at):
    host, folder = at("planned")
    toml = (folder / "trial.toml").read_text("utf-8")
    alone = toml.replace('"Ada", "Ben", "Cleo", "Dev", "Eve", "Finn"', '"Ada"')
    (folder / "trial.toml").write_text(alone, "utf-8")
    host.post("/t/crisp/codes", mine="yes")
    page = host.read("/t/crisp/tasting")
    assert "note the order after shuffling" in page
    assert "scores on paper" in page  # a phone would show each code before its cup is tasted
    assert "<select" not in host.read("/t/crisp/tasting/order")  # the codes say which session
    codes = [row["code"] for row in cups(folder)][::-1]
    wrong = host.post("/t/crisp/tasting/order", order=codes[0])
    assert wrong.status_code == 422
    assert codes[0] in wrong.text
    done = host.post("/t/crisp/tasting/order", order=", ".join(codes))
    assert done.status_code == 303
    assert [row["code"] for row in sorted(cups(folder), key=lambda it: it["position"])] == codes


def test_a_name_misspelt_in_all_rows_is_told_once(at):
    host, folder = at("tasting")
    rows = [f"{row['taster']}a;{row['code']};7" for row in cups(folder)]
    page = host.post("/t/crisp/tasting/rows", rows="\n".join(["taster;code;crunch", *rows])).text
    assert f"({len(rows)} like it: also lines 3," in page
