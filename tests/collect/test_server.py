"""The score page in a process of its own."""

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from blindspoon.cli.say import addresses
from blindspoon.collect import opening, server
from blindspoon.collect.server import serve
from blindspoon.errors import FormError

SCRIPT = Path(__file__).with_name("serve_folder.py")


def ask(addresses, path="/", method="GET", headers=None, body=None, *, of="join"):
    link = http.client.HTTPConnection(urlsplit(addresses[of]).netloc, timeout=10)
    with contextlib.closing(link):
        link.request(method, path, body, headers or {})
        reply = link.getresponse()
        return reply.status, dict(reply.getheaders()), reply.read().decode()


def raw(addresses, request):
    place = urlsplit(addresses["join"])
    with socket.create_connection((place.hostname, place.port), timeout=10) as link:
        link.sendall(request)
        return link.recv(200).decode()


def test_it_listens_to_one_address_alone_unless_asked(served):
    assert served["join"].startswith("http://127.0.0.1:")
    with pytest.raises(OSError, match=r"refused|can't assign"):
        socket.create_connection(("127.0.0.2", urlsplit(served["join"]).port), timeout=2)


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere 127.0.0.2 needs setting up")
def test_it_listens_to_the_network_where_asked(folder, serve):
    if not server.network_addresses():
        pytest.skip("this computer is in no network")
    with serve(folder, lan=True) as addresses:
        place = urlsplit(addresses["join"])
        assert place.hostname in server.network_addresses()
        assert addresses["host"].startswith("http://127.0.0.1:")
        near = {"join": f"http://127.0.0.2:{place.port}/"}  # nothing leaves this computer
        assert ask(near, headers={"Host": place.netloc})[0] == 200
        assert ask(near, headers={"Host": f"127.0.0.2:{place.port}"})[0] == 421
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.2", urlsplit(addresses["host"]).port), timeout=2)


def test_no_address_of_the_host_answers_where_the_tasters_are(served):
    path = urlsplit(served["host"]).path
    secret = {"ticket": "x", "session": "1", "lock": "1"}
    for more in ("", "/progress", "/taster/1", "/1/key/1", "/1/again/1"):
        assert ask(served, path + more, of="host")[0] == 200
        assert ask(served, path + more)[0] == 404
        assert post(served, path + more, secret)[0] == 404
    assert ask(served, f"/t/{served['links']['T01']}", of="host")[0] == 404


def test_a_wireless_address_that_changes_is_followed(folder, serve, monkeypatch):
    found = ["192.0.2.7"]
    monkeypatch.setattr(server, "network_addresses", lambda: tuple(found))
    with serve(folder, lan=True) as addresses:
        port = urlsplit(addresses["join"]).port
        near = {"join": f"http://127.0.0.1:{port}/"}
        found[0] = "192.0.2.8"
        assert ask(near, headers={"Host": f"192.0.2.8:{port}"})[0] == 200
        assert ask(near, headers={"Host": f"192.0.2.7:{port}"})[0] == 421
        page = ask(addresses, urlsplit(addresses["host"]).path, of="host")[2]
        assert f"http://192.0.2.8:{port}/" in page


def test_an_address_that_is_not_found_for_a_while_goes_on(folder, serve, monkeypatch):
    found = ["192.0.2.7"]
    monkeypatch.setattr(server, "network_addresses", lambda: tuple(found))
    with serve(folder, lan=True) as addresses:
        found.clear()
        port = urlsplit(addresses["join"]).port
        near = {"join": f"http://127.0.0.1:{port}/"}
        assert ask(near, headers={"Host": f"192.0.2.7:{port}"})[0] == 200
        page = ask(addresses, urlsplit(addresses["host"]).path, of="host")[2]
        assert f"http://192.0.2.7:{port}/" in page


def test_without_lan_no_page_shows_a_code_of_this_computer_alone(served):
    path = urlsplit(served["host"]).path
    pages = [ask(served, path + more, of="host")[2] for more in ("", "/taster/1")]
    assert "--lan" in pages[0]
    assert not any("<svg" in page for page in pages)


def test_the_terminal_s_code_holds_the_join_address_only(monkeypatch, capsys):
    monkeypatch.setenv("NO_COLOR", "1")
    addresses(["http://192.0.2.7:8765/"], "http://127.0.0.1:8766/h/secret", lan=True)
    code = capsys.readouterr().out.partition("For the tasters")[0]
    assert set(code) <= set(" \u2580\u2584\u2588\n")
    assert len(code.splitlines()) <= 20


def test_another_host_name_is_turned_away_before_anything_is_read(served):
    assert ask(served, headers={"Host": "evil.example"})[0] == 421
    assert ask(served, headers={"Host": "localhost:1"})[0] == 421
    port = urlsplit(served["join"]).port
    assert ask(served, headers={"Host": f"localhost:{port}"})[0] == 200


def test_limits_on_headers_and_bodies_hold(served):
    assert raw(served, b"GET / HTTP/1.1\r\nX: " + b"x" * 20_000 + b"\r\n\r\n")[9:12] == "431"
    long = {"Content-Length": "99999999", "Content-Type": "application/x-www-form-urlencoded"}
    assert ask(served, "/join", "POST", long, b"x")[0] == 413
    assert "Server" not in ask(served)[1]


def post(addresses, path, form):
    kind = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
    body = "&".join(f"{name}={value}" for name, value in form.items())
    return ask(addresses, path, "POST", kind, body)


def test_an_answer_given_over_the_wire_is_on_the_disk(served, fields, rows):
    link = f"/t/{served['links']['T01']}"
    post(served, f"{link}/agree", fields(ask(served, link)[2]))
    page = ask(served, f"{link}/1/1")[2]
    status, _, reply = post(served, f"{link}/1/1", fields(page) | {"texture": "7"})
    assert (status, json.loads(reply)["told"]) == (200, "")
    assert rows()[0]["texture"] == "7"


@pytest.mark.parametrize("closed", [True, False])
def test_a_terminal_that_is_closed_or_stopped_stops_nobody(folder, serve, fields, closed):
    goes_on = threading.Event()

    def tell(_):
        if closed:
            raise BrokenPipeError(32, "Broken pipe")
        goes_on.wait(60)

    with serve(folder, tell) as addresses:
        for place in ("T01", "T02", "T03"):
            form = fields(ask(addresses)[2]) | {"name": place}
            assert post(addresses, "/join", form)[0] == 303
        goes_on.set()


@pytest.mark.skipif(sys.platform == "win32", reason="pipes of POSIX")
def test_answers_are_taken_after_the_reader_of_the_output_has_gone(folder, fields):
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen([sys.executable, str(SCRIPT), str(folder)], **pipes) as process:
        addresses = json.loads(process.stdout.readline())
        process.stderr.close()
        process.stdout.close()
        for place in ("T01", "T02", "T03"):
            form = fields(ask(addresses)[2]) | {"name": place}
            assert post(addresses, "/join", form)[0] == 303
        process.kill()


def test_a_port_that_is_taken_is_said(folder):
    with socket.socket() as taken, opening.opened(folder) as sitting:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(FormError, match=f"port {port}: the score page cannot listen there"):
            serve(sitting, port=port, ready=lambda *_: None)


@pytest.mark.parametrize("port", [-1, 70_000])
def test_a_port_that_cannot_be_is_said(folder, port):
    with opening.opened(folder) as sitting, pytest.raises(FormError, match="cannot listen there"):
        serve(sitting, port=port, ready=lambda *_: None)


def test_without_a_network_lan_is_refused(folder, monkeypatch):
    monkeypatch.setattr(server, "network_addresses", lambda: ())
    with opening.opened(folder) as sitting, pytest.raises(FormError, match="in no network"):
        serve(sitting, lan=True, port=0, ready=lambda *_: None)


def test_finding_the_addresses_sends_nothing(monkeypatch):
    for name in ("send", "sendto", "sendall"):
        monkeypatch.setattr(socket.socket, name, lambda *_: pytest.fail("a packet"), raising=False)
    for address in server.network_addresses():
        assert not address.startswith("127.")


def test_the_names_of_the_page_in_a_network(monkeypatch):
    monkeypatch.setattr(socket, "gethostname", lambda: "Kitchen")
    names = server.host_names(("192.0.2.7",), 8765)
    assert {"192.0.2.7:8765", "kitchen.local:8765", "localhost:8765", "127.0.0.1:8765"} <= names
    assert "192.0.2.7" not in names
    assert not any("kitchen" in name for name in server.host_names(("127.0.0.1",), 8765))


def test_it_is_ready_when_it_says_so(folder, serve):
    with serve(folder) as addresses:
        assert ask(addresses, urlsplit(addresses["host"]).path, of="host")[0] == 200


def test_the_score_page_starts_without_statistics_and_charts_and_ends_cleanly(folder, free_port):
    code = (
        "import signal, sys\n"
        "from blindspoon.cli import main\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # which nohup ignores
        "try:\n"
        f"    main(['collect', {str(folder)!r}, '--port', '{free_port}'])\n"
        "finally:\n"
        "    print(*sys.modules)\n"
    )
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    with subprocess.Popen([sys.executable, "-c", code], env=environment, **pipes) as process:
        assert process.stdout.readline().startswith("On this computer only")
        assert ask({"join": f"http://127.0.0.1:{free_port}/"})[0] == 200
        process.send_signal(signal.SIGINT)
        told, wrong = process.communicate(timeout=60)
    *_, last, modules = told.splitlines()
    assert (process.returncode, wrong[:6], wrong.count("\n")) == (0, "Next: ", 1)
    assert last == f"0 of 9 cups are scored; 0 ballots lie in ballots of {folder}."
    loaded = set(modules.split())
    assert {"flask", "waitress", "blindspoon.collect.server"} <= loaded
    heavy = {"scipy", "matplotlib", "pandas", "statsmodels", "PIL", "joblib", "segno", "tomlkit"}
    assert not loaded & (heavy | {"blindspoon.batches", "blindspoon.charts.chart"})
    assert len(loaded) < 540
