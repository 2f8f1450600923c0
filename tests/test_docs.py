"""The documentation is true: links lead somewhere, commands exist, tables are what is printed."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from blindspoon.cli.main import commands
from blindspoon.files import disk

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *ROOT.glob("trials/*/*.md")])
COMMANDS = ROOT / "docs" / "reference" / "commands.md"
ERRORS = ROOT / "docs" / "reference" / "errors.md"


def blindspoon(*arguments, cwd):
    environment = {**os.environ, "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "blindspoon", *arguments]
    return subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, encoding="utf-8", check=False
    )


def commands_page() -> str:
    """The reference of the commands, from their own help."""
    parts = ["# Commands", "Made from the commands' own help; DEVELOPERS.md says how to renew it."]
    for name in ("", *sorted(commands.commands)):
        asked = CliRunner().invoke(commands, [*name.split(), "--help"], prog_name="blindspoon")
        parts += [f"## {name}"] if name else []
        parts += [f"```text\n{asked.output.strip()}\n```"]
    return "\n\n".join(parts) + "\n"


def test_the_reference_of_commands_is_their_own_help(request):
    if request.config.getoption("--renew"):
        COMMANDS.write_text(commands_page(), encoding="utf-8")
    assert COMMANDS.read_text(encoding="utf-8") == commands_page()


def test_the_page_of_errors_is_what_the_package_explains(request):
    shipped = disk.shipped("errors.md")
    if request.config.getoption("--renew"):
        ERRORS.write_text(shipped, encoding="utf-8")
    assert ERRORS.read_text(encoding="utf-8") == shipped


def test_every_command_and_option_has_help():
    for name, command in commands.commands.items():
        assert command.help, name
        for option in command.params:
            if isinstance(option, click.Option):
                assert option.help, f"{name} {option.opts}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    for link in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if not link.startswith(("http:", "https:", "#")):
            target, _, anchor = link.partition("#")
            file = page.parent / target
            assert file.exists(), link
            if anchor:
                headings = re.findall(r"^#+ (.+)$", file.read_text(encoding="utf-8"), re.MULTILINE)
                assert anchor in {heading.lower().replace(" ", "-") for heading in headings}, link


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_tests_that_re_run_a_number_exist(page):
    named = set(re.findall(r"\btests/[\w/]+(?:\.py)?", page.read_text(encoding="utf-8")))
    assert {path for path in named if not (ROOT / path).exists()} == set()


def test_every_page_of_the_documentation_is_reachable_from_the_readme():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    pages = {str(page.relative_to(ROOT)) for page in (ROOT / "docs").rglob("*.md")}
    assert pages - set(re.findall(r"\]\(([^)\s]+)\)", text)) == set()


def test_pictures_are_small_and_each_is_shown_with_words_for_those_who_cannot_see_it():
    shown = {}
    for page in PAGES:
        for words, link in re.findall(r"!\[([^\]]*)\]\(([^)\s]+)\)", page.read_text("utf-8")):
            shown[(page.parent / link).resolve()] = words
    sizes = {path: path.stat().st_size for path in (ROOT / "docs/images").iterdir()}
    assert set(sizes) == set(shown)
    assert min(len(words.split()) for words in shown.values()) >= 8
    assert max(sizes.values()) < 150_000
    assert sum(sizes.values()) < 1_000_000


def test_the_table_in_the_readme_is_what_the_command_prints():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"\$ blindspoon (compare [^\n]+)\n(.*?)\n\.\.\.\n```", text, re.DOTALL)
    done = blindspoon(*block[0].split(), cwd=ROOT)
    assert done.stdout.startswith(block[1])


def test_the_json_reference_names_every_field():
    text = (ROOT / "docs/reference/json.md").read_text(encoding="utf-8")
    words = set(re.findall(r"[a-z_]+", text))

    def fields(value):
        if isinstance(value, dict):
            for name, below in value.items():
                yield name.removesuffix("_reason")
                yield from fields(below)
        elif isinstance(value, list):
            for below in value:
                yield from fields(below)

    for trial in ("allotment-cucumbers", "randall-1989-wine"):
        done = blindspoon("compare", f"trials/{trial}", "--json", cwd=ROOT)
        assert set(fields(json.loads(done.stdout))) <= words
