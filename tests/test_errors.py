"""Problems said in one line, and their documentation."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from blindspoon.cli import commands
from blindspoon.errors import LISTED, Note, Problem, TrialError, in_order, problems_of_rows
from blindspoon.examine import explanations

EXPLANATIONS = explanations()


def problem(line: int | None = 3, file: str = "scores.csv", **more: str) -> Problem:
    words = {"found": "f", "allowed": "a", "remedy": "R", "slug": "off-scale"} | more
    return Problem(file=file, line=line, **words)


def test_every_explanation_has_an_example_and_a_remedy():
    for slug, text in EXPLANATIONS.items():
        assert re.search(r"^    \S", text, re.MULTILINE), f"{slug} has no example"
        assert len(text.partition("\n    ")[0].split()) > 5, f"{slug} says too little"
        assert not re.search(r"^#", text, re.MULTILINE), f"{slug} runs into the next one"
        assert "](" not in text, f"{slug} links to a page that a reader at a terminal lacks"


def explain(*arguments):
    return CliRunner().invoke(commands, ["explain", *arguments], prog_name="blindspoon")


def test_explain_prints_what_the_page_says_in_80_columns():
    for slug in EXPLANATIONS:
        done = explain(slug)
        assert done.exit_code == 0, slug
        assert done.output.split() == [slug, *EXPLANATIONS[slug].split()]
        assert max(map(len, done.output.splitlines())) <= 80, slug


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
