"""Slow and idle connections, and the room that they leave to others."""

import contextlib
import socket
import sys
import threading
import time
from urllib.parse import urlsplit

import pytest

from blindspoon.collect import server

HALF = b"GET / HTTP/1.1\r\nHost: x"


def connect(addresses, stack, source="127.0.0.1"):
    place = urlsplit(addresses["join"])
    link = socket.create_connection((place.hostname, place.port), 10, (source, 0))
    return stack.enter_context(link)


def status(link, addresses):
    host = urlsplit(addresses["join"]).netloc
    link.sendall(f"GET / HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
    return link.recv(12)[9:]


def is_open(link):
    link.setblocking(False)
    try:
        return bool(link.recv(1))
    except BlockingIOError:
        return True


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere 127.0.0.3 needs setting up")
def test_one_device_with_many_slow_sockets_keeps_nobody_out(folder, serve, monkeypatch):
    monkeypatch.setattr(server, "FROM_ONE", 20)
    with serve(folder) as addresses, contextlib.ExitStack() as stack:
        phone = connect(addresses, stack)
        assert status(phone, addresses) == b"200"
        slow = [connect(addresses, stack, "127.0.0.3") for _ in range(60)]
        for link in slow[-20:]:
            link.sendall(HALF)
        assert status(connect(addresses, stack), addresses) == b"200"
        assert [is_open(link) for link in slow] == [False] * 40 + [True] * 20
        assert is_open(phone)


def test_in_a_full_house_who_was_silent_longest_goes(folder, serve, monkeypatch):
    monkeypatch.setattr(server, "_room", lambda: 3)
    with serve(folder) as addresses, contextlib.ExitStack() as stack:
        silent = [connect(addresses, stack) for _ in range(3)]
        assert status(connect(addresses, stack), addresses) == b"200"
        assert [is_open(link) for link in silent] == [False, True, True]


def test_a_request_that_wakes_the_listener_as_it_is_ended_closes_nothing_too_early(monkeypatch):
    with server.listening("127.0.0.1", 0) as listener:
        made = server.Server(listener, lambda *_: [])
        pipe = made.trigger
        pull = pipe._physical_pull

        def overtaken():
            pull()
            time.sleep(0.2)
            pull()

        monkeypatch.setattr(pipe, "_physical_pull", overtaken)
        running = threading.Thread(target=made.run)
        running.start()
        made.end()
        running.join(timeout=20)
        assert not running.is_alive()
        made.end()  # once more does nothing
