"""Problems said in one line, and their documentation."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner

from blindspoon.cli.main import commands
from blindspoon.errors import LISTED, Note, Problem, TrialError, in_order, problems_of_rows
from blindspoon.examine import explanations

ROOT = Path(__file__).parents[1]
EXPLANATIONS = explanations()


@cache
def nodes() -> list[ast.AST]:
    """All of the package, parsed."""
    sources = (path.read_text(encoding="utf-8") for path in (ROOT / "src").rglob("*.py"))
    return [node for source in sources for node in ast.walk(ast.parse(source))]


def places_of_slug() -> dict[str, int]:
    """At which place each function or record of the package takes a slug."""
    places = {}
    for node in nodes():
        if isinstance(node, ast.FunctionDef):
            names = [each.arg for each in node.args.args if each.arg not in ("self", "cls")]
        elif isinstance(node, ast.ClassDef):
            fields = [each.target for each in node.body if isinstance(each, ast.AnnAssign)]
            names = [each.id for each in fields if isinstance(each, ast.Name)]
        else:
            continue
        if "slug" in names:
            places[node.name] = names.index("slug")
    return places


def texts(node: ast.AST) -> Iterator[str]:
    for each in ast.walk(node):
        if isinstance(each, ast.Constant) and isinstance(each.value, str):
            yield each.value


def slugs_in_source() -> set[str]:
    places, found = places_of_slug(), set()
    for node in nodes():
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            name = node.func.id if isinstance(node.func, ast.Name) else name
            found |= {t for word in node.keywords if word.arg == "slug" for t in texts(word.value)}
            if name in places and len(node.args) > places[name]:
                found |= set(texts(node.args[places[name]]))
        elif isinstance(node, ast.Assign):
            pairs = zip(_parts(node.targets[0]), _parts(node.value), strict=False)
            found |= {
                text
                for target, value in pairs
                if isinstance(target, ast.Name) and target.id == "slug"
                for text in texts(value)
            }
    return found


def _parts(node: ast.AST) -> list[ast.AST]:
    return list(node.elts) if isinstance(node, ast.Tuple) else [node]


def problem(line: int | None = 3, file: str = "scores.csv", **more: str) -> Problem:
    words = {"found": "f", "allowed": "a", "remedy": "R", "slug": "off-scale"} | more
    return Problem(file=file, line=line, **words)


def test_every_problem_is_documented():
    assert sorted(EXPLANATIONS) == sorted(slugs_in_source())


def test_every_explanation_has_an_example_and_a_remedy():
    for slug, text in EXPLANATIONS.items():
        assert re.search(r"^    \S", text, re.MULTILINE), f"{slug} has no example"
        assert len(text.split()) > 20, f"{slug} says too little"
        assert not re.search(r"^#", text, re.MULTILINE), f"{slug} runs into the next one"
        assert "](" not in text, f"{slug} links to a page that a reader at a terminal lacks"


def explain(*arguments):
    return CliRunner().invoke(commands, ["explain", *arguments], prog_name="blindspoon")


@pytest.mark.parametrize("slug", EXPLANATIONS)
def test_explain_prints_what_the_page_says_in_80_columns(slug):
    done = explain(slug)
    assert done.exit_code == 0
    assert done.output.split() == [slug, *EXPLANATIONS[slug].split()]
    assert max(map(len, done.output.splitlines())) <= 80


def test_explain_without_a_name_lists_them_all():
    assert explain().output.splitlines() == list(EXPLANATIONS)


def test_explain_of_an_unknown_name_is_a_wrong_use():
    done = explain("of-scale")
    assert done.exit_code == 2
    assert 'did you mean "off-scale"?' in done.output


def test_a_problem_says_where_what_and_what_to_do():
    said = str(problem(column="texture", found="score 11 is off the scale", allowed="0 to 10"))
    assert said == "scores.csv line 3, column texture: score 11 is off the scale; 0 to 10. R."
    assert str(problem(None, "trial.toml", column="title")) == "trial.toml, key title: f; a. R."


def test_a_note_says_where():
    assert str(Note(file="key.csv", line=1, text="not used")) == "key.csv line 1: not used"
    assert str(Note(file="key.csv", text="not used")) == "key.csv: not used"


def test_an_error_carries_all_its_problems():
    error = TrialError([problem(1), problem(2)])
    assert len(error.problems) == 2
    assert str(error).count("\n") == 1


def test_problems_are_sorted_by_file_and_line():
    mixed = [problem(9, "b"), problem(2, "a"), problem(None, "b"), problem(1, "c")]
    order = [(each.file, each.line) for each in in_order(mixed, ["a"])]
    assert order == [("a", 2), ("b", None), ("b", 9), ("c", 1)]


@pytest.mark.parametrize("count", [0, 1, LISTED + 1])
def test_few_problems_are_all_told(count):
    made = problems_of_rows(range(count), problem)
    assert [each.found for each in made] == ["f"] * count


def test_many_problems_are_counted():
    made = problems_of_rows(range(LISTED + 5), problem)
    assert len(made) == LISTED + 1
    assert made[-1].found == "f, and 4 rows more like it"
