"""A trial folder ready to be filled in, and clients that fill it in."""

from __future__ import annotations

import html
import json
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from blindspoon.collect import opening
from blindspoon.collect.ballots import Cautions
from blindspoon.collect.server import create_app
from blindspoon.collect.sitting import Desk
from blindspoon.files.text_table import read_table

SCRIPT = Path(__file__).with_name("serve_folder.py")


@pytest.fixture
def folder(tmp_path, coded) -> Path:
    """A trial folder after `blind`: nobody has scored a cup."""
    place = tmp_path / "trial"
    place.mkdir()
    for name in ("trial.toml", "servings.csv", "key.csv"):
        (place / name).write_bytes(coded[name])
    return place


@pytest.fixture
def desk(folder) -> Iterator[Desk]:
    with opening.opened(folder) as tasting:
        yield tasting.desk


@pytest.fixture
def events(desk) -> list[str]:
    """What the terminal would be told."""
    told: list[str] = []
    desk.tell = lambda event: told.append(str(event))
    return told


@pytest.fixture
def client(desk) -> FlaskClient:
    return create_app(desk, "http://192.0.2.7:8765/").test_client()


def fields_of(page: str) -> dict[str, str]:
    """The hidden fields of a page's forms, as a browser would send them."""
    pairs = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page)
    return {name: html.unescape(value) for name, value in pairs}


class Phone:
    """A taster's browser without script."""

    def __init__(self, client: FlaskClient, desk: Desk, taster: str) -> None:
        self.client = client
        self.base = f"/t/{desk.taster_link(taster)}"
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
def phone(client, desk) -> Callable[[str], Phone]:
    """The phone of a taster who has read the cautions of session 1."""

    def take(taster: str) -> Phone:
        taken = Phone(client, desk, taster)
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


@contextmanager
def serving(folder: Path, *more: str) -> Iterator[tuple[dict, subprocess.Popen[str]]]:
    """Run the score page of a folder in a process of its own."""
    process = subprocess.Popen(
        [sys.executable, str(SCRIPT), str(folder), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield json.loads(process.stdout.readline()), process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)


@pytest.fixture
def served(folder) -> Iterator[dict]:
    """Addresses of the score page of `folder`, in a process of its own."""
    with serving(folder) as (addresses, _):
        yield addresses


@pytest.fixture
def serve() -> Callable:
    return serving


@pytest.fixture
def fields() -> Callable[[str], dict[str, str]]:
    return fields_of


@pytest.fixture
def cautions() -> Cautions:
    return Cautions(allergens="mustard seed, garlic", consent="First.\n\nSecond.", rest="a minute")
