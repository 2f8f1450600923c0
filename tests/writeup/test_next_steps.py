"""What to try next follows from what was found."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from blindspoon.analysis import analyse
from blindspoon.writeup.next_steps import MOST_STEPS, next_steps

TRIALS = Path(__file__).parents[2] / "trials"


def part(content, name):
    return next(section for section in content.sections if section.name == name)


def heads(content):
    return [head for head, _ in part(content, "next").points]


def test_steps_are_few_and_never_twice(every_content):
    for name, content in every_content.items():
        found = heads(content)
        assert len(found) <= MOST_STEPS, name
        assert len(found) == len(set(found)), name


def test_what_is_open_asks_for_tasters_and_what_is_settled_does_not(content_of):
    assert not [head for head in heads(content_of("all alike")) if head.startswith("Ask more")]
    text = dict(part(content_of("nothing differs"), "next").points)
    asked = [value for head, value in text.items() if head.startswith("Ask more people about")]
    assert asked
    assert all(re.search(r"(few|About \S+) more tasters", value) for value in asked)


def test_a_lone_taster_is_told_to_ask_others(content_of):
    assert "Ask other people." in heads(content_of("one taster, many rounds"))


def test_a_rule_is_asked_for_only_where_there_is_none(content_of):
    assert "Declare the rule." in heads(content_of("no decision"))
    assert "Declare a margin." in heads(content_of("no margin"))
    assert not {"Declare the rule.", "Declare a margin."} & set(heads(content_of("usual")))


def test_codes_batches_and_sittings_are_asked_for_where_they_lack(content_of):
    assert "Serve under codes." in heads(content_of("uncoded"))
    assert "Serve under codes." not in heads(content_of("usual"))
    assert "Make each a second time." in heads(content_of("usual"))
    assert "Make each a second time." not in heads(content_of("several batches"))
    assert "Taste twice." in heads(content_of("several batches"))
    assert "Taste twice." not in heads(content_of("replicates"))


@pytest.fixture(scope="module")
def demo():
    return analyse(TRIALS / "allotment-cucumbers")


def test_batches_that_differ_otherwise_come_first(demo):
    head, text = next_steps(demo)[0]
    assert head == "Level “Calcium”."
    assert "alike in temperature" in text


def test_batches_that_differ_in_the_same_share_a_step(demo):
    (calcium,) = [each for each in demo.made.differs if each.undeclared]
    others = (variant.name for variant in demo.trial.variants if variant.name != "plain")
    made = replace(demo.made, differs=tuple(replace(calcium, variant=name) for name in others))
    found = [head for head, _ in next_steps(replace(demo, made=made))]
    (level,) = [head for head in found if head.startswith("Level")]
    assert level == "Level “Cool cellar”, “Calcium”, “Old brine” and “Vine leaf”."


def test_the_number_of_tasters_is_that_of_the_table(content_of):
    """The fewest more of the table's column, in words up to twelve."""
    content = content_of("nothing differs")
    cells = " ".join(cell for _, row in part(content, "unsettled").tables[0].rows for cell in row)
    asked = [
        text for head, text in part(content, "next").points if head.startswith("Ask more people")
    ]
    numbers = re.findall(r"About (\d+) more", " ".join(asked))
    assert all(f"about {number}" in cells for number in numbers)
