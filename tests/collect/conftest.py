"""A trial folder ready to be filled in, and clients that fill it in."""

from __future__ import annotations

import contextlib
import ctypes
import html
import re
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from queue import Queue
from urllib.parse import urlsplit

import pytest
from flask import Flask
from flask.testing import FlaskClient

from blindspoon.collect import opening
from blindspoon.collect.host_pages import HostPages, by_host_link
from blindspoon.collect.server import create_app, serve
from blindspoon.collect.sitting import Sitting
from blindspoon.collect.taster_pages import TasterPages
from blindspoon.files.text_table import read_table


@pytest.fixture
def folder(tmp_path, coded) -> Path:
    """A trial folder after `blind`: nobody has scored a cup."""
    place = tmp_path / "trial"
    place.mkdir()
    for name in ("trial.toml", "servings.csv", "key.csv"):
        (place / name).write_bytes(coded[name])
    return place


@pytest.fixture
def sitting(folder) -> Iterator[Sitting]:
    with opening.opened(folder) as sitting:
        yield sitting


@pytest.fixture
def events(sitting) -> list[str]:
    """What the terminal would be told."""
    told: list[str] = []
    sitting.tell = told.append
    return told


@pytest.fixture
def both_pages() -> Callable[[Sitting], Flask]:
    """One application of all pages."""

    def create(sitting: Sitting) -> Flask:
        app, join = create_app(sitting), "http://192.0.2.7:8765/"
        TasterPages(sitting).add_to(app)
        HostPages.add_to(app, by_host_link(sitting, lambda: join), "/h/<link>")
        return app

    return create


@pytest.fixture
def client(sitting, both_pages) -> FlaskClient:
    return both_pages(sitting).test_client()


def fields_of(page: str) -> dict[str, str]:
    """The hidden fields of a page's forms, as a browser would send them."""
    pairs = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page)
    return {name: html.unescape(value) for name, value in pairs}


class Phone:
    """A taster's browser without script."""

    def __init__(self, client: FlaskClient, sitting: Sitting, taster: str) -> None:
        self.client = client
        self.base = f"/t/{sitting.taster_link(taster)}"
        self.place = f"{self.base}/1/"

    def read(self, path: str) -> str:
        return self.client.get(path, follow_redirects=True).text

    def agree(self) -> str:
        fields = fields_of(self.read(self.base))
        return self.client.post(f"{self.base}/agree", data=fields, follow_redirects=True).text

    def answer(self, cup: int, page: str | None = None, *, json: bool = False, **scores: str):
        """Send the form of a cup; `page` is a page of that cup that was read before."""
        fields = fields_of(page or self.read(f"{self.place}{cup}")) | scores
        headers = {"Accept": "application/json"} if json else {}
        return self.client.post(f"{self.place}{cup}", data=fields, headers=headers)


@pytest.fixture
def phone(client, sitting) -> Callable[[str], Phone]:
    """The phone of a taster who has read the cautions of session 1."""

    def take(taster: str) -> Phone:
        taken = Phone(client, sitting, taster)
        taken.agree()
        return taken

    return take


@pytest.fixture
def rows(folder) -> Callable[..., list[dict[str, str]]]:
    """Read a ballot from the disk."""

    def read(name: str = "1-T01.csv") -> list[dict[str, str]]:
        path = folder / "ballots" / name
        table = read_table(path.read_bytes(), name) if path.exists() else None
        return [] if table is None else [row for _, row in table.rows()]

    return read


@contextlib.contextmanager
def serving(folder: Path, tell: Callable = str, *, lan: bool = False) -> Iterator[dict]:
    """Serve a folder from a thread, until the thread is interrupted as Ctrl-C would.

    Gives the addresses, the links of the tasters, and the sitting.
    """
    found: Queue[dict] = Queue()

    def run() -> None:
        with opening.opened(folder) as sitting:
            links = {name: sitting.taster_link(name) for name in sitting.plan.tasters}

            def ready(joins: Sequence[str], host: str) -> None:
                found.put({"join": joins[0], "host": host, "links": links, "sitting": sitting})

            serve(sitting, lan=lan, port=0, ready=ready, tell=tell)

    thread = threading.Thread(target=run)
    thread.start()
    addresses = found.get(timeout=20)
    try:
        yield addresses
    finally:
        host = "127.0.0.1", urlsplit(addresses["host"]).port
        with socket.create_connection(host, timeout=20) as asking:
            asking.sendall(b"GET / HTTP/1.0\r\n\r\n")
            asking.recv(1)  # only who answers already is ended cleanly
        interrupt = ctypes.pythonapi.PyThreadState_SetAsyncExc
        interrupt(ctypes.c_ulong(thread.ident), ctypes.py_object(KeyboardInterrupt))
        with socket.socket() as waking:  # refused where the interrupt has ended it already
            waking.connect_ex(host)
            thread.join(timeout=20)
    assert not thread.is_alive()


@pytest.fixture
def served(folder) -> Iterator[dict]:
    """Addresses of the score page of `folder`, and the links of its tasters."""
    with serving(folder) as addresses:
        yield addresses


@pytest.fixture(name="serve")
def serve_() -> Callable:
    return serving


@pytest.fixture
def fields() -> Callable[[str], dict[str, str]]:
    return fields_of
