"""Phones are let in and kept out while the pages run; the network has the tasters' pages alone."""

from __future__ import annotations

import contextlib
import http.client
import socket

import pytest

from blindspoon.collect import server


def ask(port, path, method="GET", host=None):
    """Ask the tasters' listener, naming any host."""
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    headers = {"Host": host or f"127.0.0.1:{port}", "Cookie": "blindspoon-8770=x"}
    with contextlib.closing(asked):
        asked.request(method, path, headers=headers)
        return asked.getresponse().status


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
            assert ask(port, path.replace("<", "").replace(">", ""), method) in (
                403,
                404,
                405,
                429,
            )  # the last after 20 guesses
    link = host.bench.sittings.of(host.bench.shelf / "crisp")[0].host_link
    assert ask(port, f"/h/{link}") in (404, 429)
    assert ask(port, "/", host="evil.example") == 421


def test_phones_are_kept_out_again_and_again(phones):
    host, listener = phones
    for _ in range(3):
        port = int(listener.address.split(":")[2].strip("/"))
        host.post("/t/crisp/tasting/phones", let="out")
        assert not listener.are_in
        with socket.socket() as probe:
            assert probe.connect_ex(("127.0.0.1", port)) != 0
        host.post("/t/crisp/tasting/phones", let="in")
        assert listener.are_in


def test_the_folder_is_named_as_held_and_let_go_when_the_tasting_closes(phones, blindspoon):
    host, listener = phones
    folder = host.bench.shelf / "crisp"
    done = blindspoon("collect", folder, "--from", folder / "key.csv")
    assert "the workbench has this folder open" in done.stderr
    assert host.post("/t/crisp/tasting/close").status_code == 303
    assert not listener.are_in
    assert "the tasting was closed on" in blindspoon("collect", folder).stderr


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
