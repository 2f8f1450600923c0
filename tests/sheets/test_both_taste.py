"""Two people pour and both taste: each sheet holds one half, and both together are the key."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.files.trial_toml import parse_trial
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import request_for
from blindspoon.sheets.pouring import pouring_sheets, session_line, two_marks
from blindspoon.sheets.printing import print_sheets
from tests.sheets.conftest import portioned

TRIAL = parse_trial("""
trial = { title = "Crisp cucumbers", control = "brined", seed = 3 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "texture" }]
variant = [{ name = "brined" }, { name = "oak-leaf" }, { name = "cool" }]
session = [{ name = "1" }, { name = "2" }]
tasting = { tasters = ["Ada", "Ben"] }
""")


@pytest.fixture(scope="module")
def plan():
    return draw(request_for(TRIAL), np.random.default_rng(1))


def test_both_halves_together_are_the_key_and_neither_alone(plan):
    made = print_sheets(*portioned((TRIAL, plan), 15), roles=True)
    pages = {name: page.decode() for name, page in made.items()}
    bowls, cups = (pages[f"both-taste/{name}.html"] for name in ("bowls", "cups"))
    labels = {variant.name: variant.label for variant in TRIAL.variants}
    codes = {cup.code for cup in plan.servings}
    assert "For Ada only. Ben must not see it" in bowls
    assert "For Ben only. Ada must not see it" in cups
    assert "the bowl of its letter, 15 g in each" in cups
    assert not [label for label in labels.values() if label in cups]
    assert not codes & set(re.findall(r"<b>(\d{3})</b>", bowls))
    inside, letters = {}, {}
    for text, held, what in ((bowls, inside, r"</b> <bdi>([^<]+)"), (cups, letters, "<b>(\\d{3})")):
        for session, sheet in enumerate(text.split('class="head"')[1:], 1):
            for part in sheet.split('<b class="mark">')[1:]:
                held[str(session), part[0]] = re.findall(what, part)
    joined = {(s, code): inside[s, m][0] for (s, m), own in letters.items() for code in own}
    assert joined == {(cup.session, cup.code): labels[cup.variant] for cup in plan.servings}


def test_letters_are_drawn_for_every_session_and_are_not_those_of_the_pouring_sheet(plan):
    sheets = pouring_sheets(TRIAL, plan)
    drawn = [
        tuple("".join(pour.mark for pour in sheet.pours) for sheet in two_marks(sheets, seed))
        for seed in range(20)
    ]
    assert len({order for orders in drawn for order in orders}) == 6
    assert all(sorted(order) == ["A", "B", "C"] for orders in drawn for order in orders)
    assert {len({*orders}) for orders in drawn} == {1, len(sheets)}


def test_a_control_that_is_hidden_twice_would_be_known_by_its_cups():
    request = request_for(replace(TRIAL, tasting=replace(TRIAL.tasting, controls=2)))
    pages = print_sheets(TRIAL, draw(request, np.random.default_rng(1)), roles=True)
    assert not [name for name in pages if "both-taste" in name]


def test_the_label_of_a_session_stands_on_the_sheets():
    text = 'trial = { title = "Crisp", control = "a" }\nscale = { low = 0, high = 9 }\n'
    text += 'attribute = [{ name = "texture" }]\nvariant = [{ name = "a" }, { name = "b" }]\n'
    trial = parse_trial(text + 'session = [{ name = "1", label = "Friday evening" }]')
    assert session_line(trial, "1") == "Friday evening"


@pytest.mark.parametrize("method", ["triangle", "a-not-a"])
def test_of_sets_each_fills_the_cups_of_the_other_so_that_no_letter_tells_the_odd_one(method):
    choice = parse_trial(f"""
trial = {{ title = "Two salts", control = "sea", seed = 3 }}
decision = {{ primary = ["choice"] }}
choice = {{ method = "{method}", sets = 4 }}
variant = [{{ name = "sea" }}, {{ name = "rock" }}]
session = [{{ name = "1" }}, {{ name = "2" }}]
tasting = {{ tasters = ["Ada", "Ben"] }}
""")
    plan = draw(request_for(choice), np.random.default_rng(1))
    made = print_sheets(choice, plan, roles=True)
    ada, ben = (made[f"both-taste/{name}.html"].decode() for name in ("bowls", "cups"))
    of = {who: [c.code for c in plan.servings if c.taster == who] for who in ("Ada", "Ben")}
    assert sorted(re.findall(r"<b>(\d{3})</b>", ada)) == sorted(of["Ben"])
    assert sorted(re.findall(r"<b>(\d{3})</b>", ben)) == sorted(of["Ada"])
    assert "Sea" in ada
    assert not re.search("Sea|Rock", ben)
    reference = "For each set of Ada also a cup without a code from bowl"
    assert (reference in ben) is (method == "a-not-a")
