"""The tutorial runs as it is written, and the commands print what is shown there."""

from __future__ import annotations

import json
import re
import secrets
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from blindspoon.files import shipped
from blindspoon.files.trial_toml import parse_trial

PAGE = Path(__file__).parents[1] / "docs" / "tutorial" / "first-trial.md"


@dataclass(frozen=True, slots=True)
class Step:
    """One block of the tutorial, and what the commands before it printed."""

    kind: str  # "file", "command" or "printed"
    text: str
    output: str
    code: int = 0


def blocks(page: Path) -> Iterator[tuple[str, str, str]]:
    """Yield the fenced blocks of a page, each with the paragraph before it."""
    before = ""
    for token in MarkdownIt().parse(page.read_text(encoding="utf-8")):
        if token.type == "fence":
            yield token.info, token.content, before
        elif token.type == "inline":
            before = token.content


def follow(blindspoon: Callable, page: Path, place: Path) -> Iterator[Step]:
    """Do in `place` what a tutorial tells its reader to do."""
    output = ""
    for kind, text, before in blocks(page):
        if kind in {"toml", "csv"}:
            name = re.findall(r"`([\w/.-]+\.(?:toml|csv))`", before)[-1]
            (place / name).parent.mkdir(exist_ok=True)
            (place / name).write_text(text, encoding="utf-8")
            yield Step("file", name, output)
        elif kind == "sh":
            for line in text.splitlines():
                words = line.split()
                assert words[0] == "blindspoon", line
                done = blindspoon(*words[1:], cwd=place)
                output = (done.stdout + done.stderr).replace("\\", "/")
                yield Step("command", line, output, done.returncode)
        else:
            yield Step("printed", text, output)


class Words(HTMLParser):
    """The words of a page, without its tags, style and drawings."""

    def __init__(self, page: Path) -> None:
        super().__init__()
        self.found: list[str] = []
        self.silent = ""
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):  # noqa: ARG002 - the parser calls it so
        self.silent = self.silent or (tag if tag in {"style", "svg"} else "")

    def handle_endtag(self, tag):
        self.silent = "" if tag == self.silent else self.silent

    def handle_data(self, data):
        if not self.silent:
            self.found.append(data)

    def __str__(self) -> str:
        return " ".join("".join(self.found).replace("\N{NO-BREAK SPACE}", " ").split())


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("tutorial")


@pytest.fixture(scope="module")
def steps(blindspoon, place) -> list[Step]:
    """What is done and said; the pictures for posts, which are not looked at, are left out."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("blindspoon.charts.posts.figure_files", lambda *_, **__: ())
        return list(follow(blindspoon, PAGE, place))


def test_nothing_is_typed_before_the_first_verdict(steps):
    shown = next(at for at, step in enumerate(steps) if "not settled" in step.text)
    before = steps[:shown]
    assert {step.kind for step in before} == {"command"}


def test_every_command_of_the_tutorial_ends_well(steps):
    commands = [step for step in steps if step.kind == "command"]
    assert [(step.text, step.code, step.output) for step in commands if step.code] == []
    verbs = (
        "new compare report check new size batches blind collect check lift compare publish compare"
    )
    assert [step.text.split()[1] for step in commands] == verbs.split()


def test_the_commands_print_what_the_tutorial_shows(steps):
    shown = [step for step in steps if step.kind == "printed"]
    assert len(shown) == 6
    for step in shown:
        assert step.text.strip("\n") in step.output.replace("\N{NO-BREAK SPACE}", " ")


def test_a_spoilt_score_is_said_with_its_line(blindspoon, steps, place, tmp_path):
    shutil.copytree(place / "pickles", tmp_path / "pickles")
    scores = tmp_path / "pickles/scores.csv"
    lines = scores.read_text(encoding="utf-8").splitlines()
    lines[1] = ",".join([*lines[1].split(",")[:3], "14", "5", "5", "5", ""])
    scores.write_text("\n".join(lines), encoding="utf-8")
    spoilt = blindspoon("check", "pickles", cwd=tmp_path)
    assert spoilt.returncode == 1
    assert "scores.csv line 2, column saltiness: score 14 is off the scale" in spoilt.stdout


def test_the_tutorials_codes_are_those_that_were_drawn(steps, place):
    drawn = (place / "leaf/servings.csv").read_text(encoding="utf-8").splitlines()[1:]
    cups = [(taster, code) for _, taster, _, code in (line.split(",") for line in drawn)]
    typed = (place / "export.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [tuple(line.split(",")[:2]) for line in typed] == cups
    ada = [code for taster, code in cups if taster == "Ada"]
    assert "Ada's cups are {} and {}, in that order".format(*ada) in PAGE.read_text("utf-8")


def test_the_published_page_gives_the_verdict_the_catch_and_no_names(blindspoon, steps, place):
    found = json.loads(blindspoon("compare", "leaf", "--json", cwd=place).stdout)
    (comparison,) = found["comparisons"]
    assert (comparison["tasters"], comparison["verdict"]) == (7, "different")
    words = str(Words(place / "published/leaf/index.html"))
    assert "crisper" in words
    assert "3 °C cooler" in words
    assert "P01" in words
    assert not re.search(r"\b(Ada|Ben|Cleo|Dev|Eve|Finn|Gus|Hal)\b", words)


def test_a_reader_of_the_published_data_gets_the_same_table(steps):
    tables = [step.output for step in steps if step.text.startswith("blindspoon compare ")]
    first, second = (table.partition("Left out:")[0] for table in tables[1:])
    assert first == second
    assert "different" in first


def test_every_new_trial_has_a_seed_of_its_own(blindspoon, tmp_path, monkeypatch):
    monkeypatch.setattr(shipped, "secrets", secrets)
    texts = []
    for name in ("one", "two"):
        assert blindspoon("new", name, cwd=tmp_path).returncode == 0
        texts.append((tmp_path / name / "trial.toml").read_text(encoding="utf-8"))
    first, second = (parse_trial(text) for text in texts)
    assert first.seed != second.seed
