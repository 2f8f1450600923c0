"""The tutorials run as they are written, and the commands print what is shown there."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from blindspoon.trial_file import parse_trial

DOCS = Path(__file__).parents[1] / "docs"
ENVIRONMENT = {**os.environ, "PYTHONIOENCODING": "utf-8", "NO_COLOR": "1"}


@dataclass(frozen=True, slots=True)
class Step:
    """One block of a tutorial, and what the commands before it printed."""

    kind: str  # "file", "command", "printed" or "quoted"
    text: str
    output: str
    code: int = 0


def blindspoon(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "blindspoon", *arguments]
    return subprocess.run(
        command, cwd=cwd, env=ENVIRONMENT, capture_output=True, encoding="utf-8", check=False
    )


def blocks(page: Path) -> Iterator[tuple[str, str, str]]:
    """Yield the fenced blocks and quotations of a page, each with the paragraph before it."""
    before, quoted = "", 0
    for token in MarkdownIt().parse(page.read_text(encoding="utf-8")):
        quoted += {"blockquote_open": 1, "blockquote_close": -1}.get(token.type, 0)
        if token.type == "fence":
            yield token.info, token.content, before
        elif token.type == "inline" and quoted:
            yield "quoted", token.content, before
        elif token.type == "inline":
            before = token.content


def follow(page: Path, place: Path) -> Iterator[Step]:
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
            yield Step({"text": "printed"}.get(kind, kind), text, output)


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
def steps(place) -> list[Step]:
    return list(follow(DOCS / "tutorial/one-trial.md", place))


def test_every_command_of_the_tutorial_ends_well(steps):
    commands = [step for step in steps if step.kind == "command"]
    assert [(step.text, step.code, step.output) for step in commands if step.code] == []
    verbs = "new size batches batches blind collect check compare report publish compare"
    assert [step.text.split()[1] for step in commands] == verbs.split()


def test_the_commands_print_what_the_tutorial_shows(steps):
    shown = [step for step in steps if step.kind == "printed"]
    assert len(shown) == 11
    for step in shown:
        assert step.text.strip() in step.output.replace("\N{NO-BREAK SPACE}", " ")


def test_the_tutorials_codes_are_those_that_were_drawn(steps, place):
    drawn = (place / "pickles/servings.csv").read_text(encoding="utf-8").splitlines()[1:]
    cups = [(taster, code) for _, taster, _, code in (line.split(",") for line in drawn)]
    typed = (place / "export.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [tuple(line.split(",")[:2]) for line in typed] == cups
    text = (DOCS / "tutorial/one-trial.md").read_text(encoding="utf-8")
    ada = [code for taster, code in cups if taster == "Ada"]
    assert "Ada's cups are {}, {} and {}, in that order".format(*ada) in text


def test_the_verdicts_are_those_that_the_tutorial_explains(steps, place):
    found = json.loads(blindspoon("compare", "pickles", "--json", cwd=place).stdout)
    verdicts = {
        (each["attribute"], each["variant"]): each["verdict"] for each in found["comparisons"]
    }
    assert verdicts == {
        ("texture", "leaf"): "different",
        ("texture", "trimmed"): "open",
        ("sourness", "leaf"): "alike",
        ("sourness", "trimmed"): "alike",
    }
    assert "0.9 less to 1.7 more" in str(Words(place / "published/pickles/index.html"))


def test_the_published_page_says_what_the_tutorial_quotes(steps, place):
    quoted = [" ".join(step.text.split()) for step in steps if step.kind == "quoted"]
    assert len(quoted) == 3
    for page in ("reports/pickles/index.html", "published/pickles/index.html"):
        words = str(Words(place / page))
        assert [each for each in quoted if each not in words] == []
        assert not re.search(r"\b(Ada|Ben|Cleo|Dev|Eve|Finn|Gus|Hal)\b", words)
        assert "P01" in words
        assert "not settled by ranks" in words


def test_a_reader_of_the_published_data_gets_the_same_table(steps):
    tables = [step.output for step in steps if step.text.startswith("blindspoon compare ")]
    assert len(tables) == 2
    first, second = (table.partition("Left out:")[0] for table in tables)
    assert first == second
    assert "different" in first


def test_the_first_report_runs(tmp_path):
    steps = list(follow(DOCS / "tutorial/first-report.md", tmp_path))
    check, compare, report = (step for step in steps if step.kind == "command")
    assert (check.code, compare.code, report.code) == (0, 0, 0)
    assert "1 note." in check.output
    assert (tmp_path / "reports/pickles/index.html").exists()
    found = json.loads(blindspoon("compare", "pickles", "--json", cwd=tmp_path).stdout)
    (comparison,) = found["comparisons"]
    assert (comparison["tasters"], comparison["verdict"]) == (7, "different")
    assert 1.5 < comparison["mixed"]["difference"] < 2.5
    scores = tmp_path / "pickles/scores.csv"
    scores.write_text(scores.read_text(encoding="utf-8").replace("1,4\n", "1,14\n", 1), "utf-8")
    spoilt = blindspoon("check", "pickles", cwd=tmp_path)
    assert spoilt.returncode == 1
    assert "scores.csv line 2, column texture" in spoilt.stdout


def test_every_new_trial_has_a_seed_of_its_own(tmp_path):
    texts = []
    for name in ("one", "two"):
        assert blindspoon("new", name, cwd=tmp_path).returncode == 0
        texts.append((tmp_path / name / "trial.toml").read_text(encoding="utf-8"))
    first, second = (parse_trial(text) for text in texts)
    assert first.seed != second.seed
