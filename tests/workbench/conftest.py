"""A trial on a shelf, and a browser without script that keeps to the forms of its pages."""

from __future__ import annotations

import datetime
import html
import queue
import re
import shutil
import threading
from pathlib import Path

import pytest

from blindspoon.drawing import draw_blind, write_sheets
from blindspoon.files.own_state import Door
from blindspoon.lifting import close_tasting, lift_blind
from blindspoon.workbench import company
from blindspoon.workbench.app import Workbench
from blindspoon.workbench.listening import serve
from tests.conftest import rows

TOML = """\
[trial]
title = "Which change keeps cucumbers crisp?"
product = "half-sour cucumbers"
control = "usual"
seed = 7
[decision]
declared = 2026-09-04
primary = ["crunch"]
margin = 1.0
[scale]
low = 0
high = 10
step = 1
[[attribute]]
name = "crunch"
low = "soft"
high = "crisp"
[[variant]]
name = "usual"
label = "As always"
[[variant]]
name = "oak-leaf"
label = "Oak leaf"
[tasting]
tasters = ["Ada", "Ben", "Cleo", "Dev", "Eve", "Finn"]
"""
JARS = """\
batch,variant,produce_g,water_g,salt_g
Jar Moss,usual,600,560,26
Jar Fern,oak-leaf,600,560,26
"""


class Visitor:
    """The host's browser, or one without the cookie."""

    def __init__(self, bench, *, host=True):
        self.bench, self.client = bench, bench.app.test_client()
        if host:
            self.client.get(f"/door/{bench.door.new_pass()}")

    def get(self, path):
        return self.client.get(path)

    def read(self, path):
        done = self.client.get(path, follow_redirects=True)
        assert done.status_code == 200, (path, done.status_code, done.text)
        return done.text

    def post(self, path, **fields):
        """Send a form with the ticket that every page of the host has."""
        sent = {"ticket": self.bench.door.proof("ticket")} | fields
        return self.client.post(path, data=sent)


def score(folder: Path, who: tuple[str, ...] | None = None) -> str:
    """Scores of some tasters, or of all; oak leaf is crisper."""
    inside = {(row["taster"], row["code"]): row["variant"] for row in rows(folder / "key.csv")}
    lines = ["taster,code,crunch"]
    for place, row in enumerate(rows(folder / "servings.csv")):
        cup = row["taster"], row["code"]
        if who is None or cup[0] in who:
            lines.append(
                f"{cup[0]},{cup[1]},{4 + 3 * (inside[cup] == 'oak-leaf') + place % 3 // 2}"
            )
    return "\n".join(lines) + "\n"


def words(page: str) -> str:
    """What a page says, without its tags."""
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page)).split())


@pytest.fixture(scope="session")
def stood(once):
    """A trial in each state, made once by the functions of the verbs, to be copied."""
    return once("states", states)


def states(shelf):
    day = datetime.date(2026, 9, 5)
    made = {}

    def keep(state):
        made[state] = shelf / state / "crisp"
        shutil.copytree(folder, made[state])

    folder = shelf / "now" / "crisp"
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    (folder / "batches.csv").write_text(JARS, encoding="utf-8")
    keep("planned")
    draw_blind(folder, day)
    write_sheets(folder, "a4", None)
    keep("sealed")
    (folder / "scores.csv").write_text(score(folder, ("Ada", "Ben")), encoding="utf-8")
    keep("tasting")
    (folder / "scores.csv").write_text(score(folder), encoding="utf-8")
    close_tasting(folder, day)
    keep("closed")
    lift_blind(folder, day, lambda _: "unknown")
    keep("lifted")
    return made


@pytest.fixture
def visit():
    """The host before a shelf."""
    opened = []

    def visit(shelf):
        opened.append(Workbench(shelf, Door(b"x" * 32), 8770))
        return Visitor(opened[-1])

    yield visit
    for bench in opened:
        bench.sittings.leave_all()


@pytest.fixture(autouse=True)
def few_trials(monkeypatch):
    """Simulate as few as can be for the first look at what the tasters can show."""
    monkeypatch.setattr(company, "QUICK", 100)


@pytest.fixture
def at(stood, tmp_path, visit):
    """The host before a trial in one state, and its folder."""

    def at(state):
        folder = shutil.copytree(stood[state], tmp_path / state / "crisp")
        return visit(folder.parent), folder

    return at


@pytest.fixture
def rules():
    """Every rule of a workbench, and its address with each word that a part of it may be."""

    def rules(host):
        for rule in host.bench.app.url_map.iter_rules():
            part = re.search(r"<any\(([^)]*)\):\w+>", rule.rule)
            for word in part[1].split(", ") if part else [""]:
                yield rule, rule.rule.replace(part[0] if part else "", word)

    return rules


@pytest.fixture
def scores():
    """Make the scores of a folder whose codes are drawn."""
    return score


@pytest.fixture
def served(tmp_path, monkeypatch, request):
    """Serve the pages of a shelf on a port, as `open` does, until its button closes them.

    Where a test fails before it presses that, its own failure is all that is told.
    """
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    threads, failed = [], request.session.testsfailed

    def served(shelf):
        door, address = Door(b"x" * 32), queue.SimpleQueue()
        given = (shelf, door, None, address.put)
        threads.append(threading.Thread(target=serve, args=given, daemon=True))
        threads[-1].start()
        return address.get(timeout=20), door

    yield served
    for thread in threads if request.session.testsfailed == failed else ():
        thread.join(20)
        assert not thread.is_alive()
