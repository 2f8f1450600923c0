"""The documentation is true: links lead somewhere, commands exist, tables are what is printed."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import textwrap
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from blindspoon.analysis import analyse
from blindspoon.cli import commands
from blindspoon.errors import TrialError
from blindspoon.files import shipped
from blindspoon.files.trial_toml import parse_trial

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *ROOT.glob("trials/*/*.md")])
COMMANDS = ROOT / "docs" / "reference" / "commands.md"
ERRORS = ROOT / "docs" / "reference" / "errors.md"
BATCHES = ROOT / "docs" / "reference" / "batches.md"
FOLDER_PAGE = ROOT / "docs" / "reference" / "trial-folder.md"
JSON_PAGE = ROOT / "docs" / "reference" / "json.md"
GENERATED = {"trial folder": FOLDER_PAGE, "batches": BATCHES, "json": JSON_PAGE}

COMMANDS_INTRO = """\
Type `blindspoon` before each. `--help` says the same."""

TWO_JARS = """\
[trial]
title = "Leaf"
control = "plain"
[decision]
margin = 1
[scale]
low = 0
high = 10
[[attribute]]
name = "texture"
[[variant]]
name = "plain"
[[variant]]
name = "leaf"
"""


def generator():
    path = ROOT / "tests" / "reference" / "pages.py"
    spec = importlib.util.spec_from_file_location("pages", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands_page() -> str:
    """The reference of the commands, from their own help."""
    parts = ["# Commands", COMMANDS_INTRO]
    for name in sorted(commands.commands):
        asked = CliRunner().invoke(commands, [name, "--help"], prog_name="blindspoon").output
        said, _, options = re.sub(r"\n  -h, --help .*", "", asked).partition("\n\nOptions:\n")
        usage, _, said = textwrap.dedent(said).partition("\n\n")
        usage = usage.replace(" [OPTIONS]", "").removeprefix("Usage: blindspoon ")
        kept = [f"## {usage}", textwrap.dedent(said)]
        kept.append(textwrap.indent(textwrap.dedent(options).strip(), " " * 4))
        parts += kept if options.strip() else kept[:-1]
    return "\n\n".join(parts) + "\n"


def test_the_reference_of_commands_is_their_own_help(request):
    if request.config.getoption("--renew"):
        COMMANDS.write_text(commands_page(), encoding="utf-8")
    assert COMMANDS.read_text(encoding="utf-8") == commands_page()


def test_the_page_of_errors_is_what_the_package_explains(request):
    text = shipped.text("errors.md")
    if request.config.getoption("--renew"):
        ERRORS.write_text(text, encoding="utf-8")
    assert ERRORS.read_text(encoding="utf-8") == text


def keys_of(page: str) -> dict[str, list[str]]:
    """The names at the head of the items under each heading of a page."""
    parts = re.split(r"^##+ ", page, flags=re.MULTILINE)[1:]
    heads = r"^- ((?:`[a-z_]+`(?:, )?)+)"
    return {
        part.split("\n")[0]: re.findall(r"[a-z_]+", " ".join(re.findall(heads, part, re.MULTILINE)))
        for part in parts
    }


def test_the_trial_folders_page_lists_the_keys_that_trial_toml_takes():
    sections = "[[session]]\n[tasting]\n[choice]\n[course]\n[publish]\n[story]\n[[photo]]"
    asked = TWO_JARS.replace("[decision]", f"{sections}\n[decision]")
    with pytest.raises(TrialError) as error:
        parse_trial(re.sub(r"^(\[.*)$", r"\1\nbogus = 1", asked, flags=re.MULTILINE))
    said = {
        re.sub(r"\[.*|\.bogus", "", each.column): each.allowed.removeprefix("keys here are ")
        for each in error.value.problems
        if each.slug == "unknown-key"
    }
    page = keys_of(FOLDER_PAGE.read_text(encoding="utf-8"))
    keys = {name.strip("[]"): names for name, names in page.items() if name[0] == "["}
    assert {name: set(taken.split(", ")) for name, taken in said.items()} == {
        name: set(names) for name, names in keys.items()
    }


@pytest.mark.parametrize("path", GENERATED.values(), ids=GENERATED)
def test_lists_of_columns_and_fields_and_tables_of_batches_are_what_the_code_has(path, request):
    pages, text = generator(), path.read_text(encoding="utf-8")
    if request.config.getoption("--renew"):
        path.write_text(text := pages.fill(text), encoding="utf-8")
    assert text == pages.fill(text)


def test_every_generated_table_stands_in_a_page():
    pages = "".join(path.read_text(encoding="utf-8") for path in GENERATED.values())
    assert set(re.findall(r"<!--(\w+)-->", pages)) == set(generator().MADE)


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
                kept = [re.sub(r"[^\w\- ]", "", heading.lower()) for heading in headings]
                assert anchor in {heading.replace(" ", "-") for heading in kept}, link


def test_the_guide_to_unequal_jars_shows_what_is_printed(blindspoon, tmp_path):
    toml = TWO_JARS.replace('name = "plain"', 'name = "plain"\nlabel = "Plain brine"')
    more = 'name = "leaf"\nlabel = "Vine leaf"\ndiffers = ["leaf"]\n[[session]]\nname = "1"\n'
    toml = toml.replace('name = "leaf"', more + "date = 2026-10-16")
    (tmp_path / "trial.toml").write_text(toml, encoding="utf-8")
    jars = "batch,variant,produce_g,water_g,salt_g,started,finished,temperature_c,leaf\n"
    jars += "jar 1,plain,600,400,26,2026-10-02,2026-10-16,20,none\n"
    jars += "jar 2,leaf,600,400,34,2026-09-25,2026-10-12,23,1 vine leaf\n"
    (tmp_path / "batches.csv").write_text(jars, encoding="utf-8")
    page = (ROOT / "docs/how-to/unequal-jars.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"```text\n(.*?)```", page, re.DOTALL)
    assert shown.strip() in blindspoon("batches", tmp_path).stdout


def test_a_table_with_a_column_a_variant_becomes_rows_as_the_guide_shows(tmp_path, monkeypatch):
    page = (ROOT / "docs/how-to/old-spreadsheet.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    Path("cucumbers").mkdir()
    Path("cucumbers-2024.csv").write_text("taster,Plain,Oak leaf\nAda,4,5\nBen,,6\n", "utf-8")
    Path("cucumbers/trial.toml").write_text(TWO_JARS.replace('"leaf"', '"oak-leaf"'), "utf-8")
    exec(code)  # noqa: S102 - our own page
    scores = analyse(Path("cucumbers")).table
    assert (len(scores.tasters), scores.variant.tolist()) == (2, [0, 1, 1])


def test_tests_that_re_run_a_number_exist():
    text = "\n".join(page.read_text(encoding="utf-8") for page in PAGES)
    named = set(re.findall(r"\btests/[\w/]+(?:\.py)?", text))
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


def test_the_table_in_the_readme_is_what_the_command_prints(blindspoon):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"\$ blindspoon (compare [^\n]+)\n(.*?)\n\.\.\.\n```", text, re.DOTALL)
    done = blindspoon(*block[0].split())
    assert done.stdout.startswith(block[1])


FEW = "--tasters 6 --sessions 1 --trials 100"
PRINTED = {
    "compare": [  # and the demonstration
        "compare trials/randall-1989-wine",
        "compare trials/carrot-days",
        "compare trials/two-salts",
        "compare alone",
        "compare two-jars",
    ],
    "compare with several folders": ["compare trials/allotment-cucumbers repeat"],
    "check": ["check trials/allotment-cucumbers", "check spoilt"],
    "batches": ["batches trials/allotment-cucumbers", "batches two-jars"],
    "size": [
        f"size trials/carrot-days {FEW}",
        "size two-jars --tasters 3 --sessions 1 --trials 100",
        "size trials/two-salts",
    ],
}


def documented(command: str) -> tuple[dict[str, set[str]], set[tuple[str, str]]]:
    """The fields of every object that a command prints, and which of them not always.

    From the lists of the reference: on the line of the object, or below it, a line each.
    """
    parts = re.split(r"^## ", JSON_PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    names = "(?:`[^`]+`(?:, )?)+"
    fields, optional = dict[str, set[str]](), set[tuple[str, str]]()
    for part in parts:
        if re.match(rf"{command}(:.*)?\n", part):
            for line in part.splitlines():
                if row := re.match(rf"- \*\*(the object|{names})\*\*(?:: ({names}))?", line):
                    places = re.findall("`([^`]+)`", row[1]) or [""]
                    for at in places:
                        named = re.findall(r"`(\w+)`", row[2] or "")
                        fields[at] = fields.get(at, set()).union(named)
                elif row := re.match(r"  - `(\w+)`( \(not always\))?", line):
                    for at in places:
                        fields[at].add(row[1])
                        optional |= {(at, row[1])} if row[2] else set()
    return fields, optional


def objects(value, at=""):
    """Yield where every object of a JSON value stands, with its fields.

    Chances, and reasons by the name of what is not known, have no row of their own.
    """
    if isinstance(value, dict):
        if not {"value", "se"} <= set(value) and not at.endswith(".unknown"):
            yield at, {name.removesuffix("_reason") for name in value}
        for name, below in value.items():
            yield from objects(below, f"{at}.{name}".lstrip("."))
    elif isinstance(value, list):
        for below in value:
            yield from objects(below, f"{at}[]")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """The trials; copies of the demonstration with other scores, a fault, one taster; two jars."""
    place = tmp_path_factory.mktemp("json")
    shutil.copytree(ROOT / "trials", place / "trials")
    for name in ("repeat", "spoilt", "alone"):
        shutil.copytree(place / "trials/allotment-cucumbers", place / name)
    for name, score in (("repeat", ",7,"), ("spoilt", ",61,")):
        scores = (place / name / "scores.csv").read_text(encoding="utf-8")
        (place / name / "scores.csv").write_text(scores.replace(",6,", score), encoding="utf-8")
    for name in ("scores.csv", "servings.csv", "key.csv"):
        head, *rows = (place / "alone" / name).read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [row for row in rows if row.split(",")[1] == "T02"]
        (place / "alone" / name).write_text("".join([head, *kept]), encoding="utf-8")
    (place / "two-jars").mkdir()
    (place / "two-jars/trial.toml").write_text(TWO_JARS, encoding="utf-8")
    (place / "two-jars/batches.csv").write_text(
        "batch,variant,temperature_c,leaf\n1,plain,20,no\n2,leaf,10,yes\n", encoding="utf-8"
    )
    agreed = "".join(f"T{level},plain,{level}\nT{level},leaf,{level + 2}\n" for level in range(6))
    (place / "two-jars/scores.csv").write_text(f"taster,variant,texture\n{agreed}", "utf-8")
    return place


@pytest.mark.parametrize("command", PRINTED)
def test_the_json_reference_has_the_fields_of_every_object(blindspoon, command, place, printed):
    said = (blindspoon(*words.split(), "--json", cwd=place).stdout for words in PRINTED[command])
    records = [*map(json.loads, said), *[printed] * (command == "compare")]
    fields: dict[str, set[str]] = {}
    for record in records:
        for at, names in objects(record):
            fields.setdefault(at, set()).update(names)
    named, optional = documented(command)
    unlike = {(at, name) for at, names in fields.items() for name in names ^ named.get(at, set())}
    assert unlike - optional == set()
