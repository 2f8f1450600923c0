"""A trial on a shelf, and a browser without script that keeps to the forms of its pages."""

from __future__ import annotations

import csv
import html
import re
from pathlib import Path

import pytest

from blindspoon.workbench.app import create_workbench
from blindspoon.workbench.door import Door

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


@pytest.fixture
def shelf(tmp_path) -> Path:
    """A shelf with one planned trial."""
    folder = tmp_path / "shelf" / "crisp"
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    (folder / "batches.csv").write_text(JARS, encoding="utf-8")
    return folder.parent


@pytest.fixture
def bench(shelf):
    bench = create_workbench(shelf, Door(b"x" * 32), 8770)
    yield bench
    bench.sittings.leave_all()


@pytest.fixture
def host(bench) -> Visitor:
    return Visitor(bench)


@pytest.fixture
def folder(shelf) -> Path:
    return shelf / "crisp"


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


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
