"""What the answer hangs on, in words."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace

import pytest

from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.sensitivity import Alternative, Influence, NotDone, Outcome
from blindspoon.trial import Session
from blindspoon.writeup.further_sections import (
    MOST_ROWS,
    influence_section,
)

VARIANTS = ("plain", "oak-leaf", "vine", "clay")
TOML = """
trial = { title = "Crisp cucumbers", control = "plain" }
decision = { declared = 2026-09-04, primary = ["texture"], margin = 1 }
scale = { low = 0, high = 10 }
[[variant]]
name = "plain"
[[variant]]
name = "oak-leaf"
label = "Oak leaf"
[[variant]]
name = "vine"
[[variant]]
name = "clay"
[[attribute]]
name = "salt"
[[attribute]]
name = "texture"
less = "softer"
more = "crisper"
"""
TRIAL = parse_trial(TOML)


def outcome(attribute, variant, verdict, direction=0, *, changed=False, trial=TRIAL):
    return Outcome(
        attribute=trial.attribute(attribute),
        variant=trial.variant(variant),
        verdict=verdict,
        direction=direction,
        difference=0.5,
        p_adjusted=0.04,
        changed=changed,
        reason="",
    )


DECLARED = (
    outcome("salt", "oak-leaf", "alike"),
    outcome("salt", "vine", "open"),
    outcome("texture", "oak-leaf", "different", 1),
    outcome("texture", "vine", "open"),
    outcome("texture", "clay", "slight", -1),
)


def alternative(name, left_out="", **changes):
    """The verdicts as declared, but for some, given as attribute_variant=(verdict, direction)."""
    outcomes = []
    for each in DECLARED:
        new = changes.get("_".join(each.key).replace("-", "_"))
        verdict, direction = new or (each.verdict, each.direction)
        parts = {"verdict": verdict, "direction": direction, "changed": new is not None}
        outcomes.append(replace(each, **parts))
    return Alternative(name=name, left_out=left_out, outcomes=tuple(outcomes))


def influence(*alternatives, not_done=()):
    return Influence(
        declared=DECLARED,
        alternatives=alternatives,
        not_done=tuple(not_done),
    )


def section(*alternatives, shown=True, trial=TRIAL, **options):
    trial = replace(trial, tasters_shown=shown)
    made = influence_section(trial, influence(*alternatives, **options))
    assert made is not None
    return made


STILL = tuple(alternative("taster", f"T{k}") for k in range(11, 19))
"""Eight tasters who move nothing."""


def first(*alternatives, **options):
    return section(*alternatives, *STILL, **options).paragraphs[0]


OPEN = ("open", 0)


def test_where_nobody_moves_anything_it_says_so():
    assert first() == "No verdict hangs on a particular taster."


def test_verdicts_that_hang_on_one_taster_are_counted_and_named_the_primary_ones_first():
    changes = {"texture_clay": OPEN, "salt_vine": ("alike", 0)}
    assert first(alternative("taster", "T01", **changes)) == (
        "Two of five verdicts hang on particular tasters: “Clay” on texture and “Vine” on salt."
    )
    changes |= {"texture_vine": ("alike", 0), "texture_oak_leaf": OPEN}
    assert first(alternative("taster", "T01", **changes)).endswith(  # all four, and not "one other"
        ": “Oak leaf”, “Vine” and “Clay” on texture and “Vine” on salt."
    )


@pytest.mark.parametrize(
    ("names", "shown", "who"),
    [
        (("T02", "T05"), True, "T02 or T05"),
        (("T02",), False, "one taster"),
        (("T02", "T05"), False, "any one of two tasters"),
        (("T02", "T03", "T04", "T05"), True, "any one of four tasters"),
    ],
)
def test_the_table_tells_who_makes_the_difference(names, shown, who):
    moving = [alternative("taster", name, salt_vine=("alike", 0)) for name in names]
    ((_, (_, cell)),) = section(*moving, *STILL, shown=shown).tables[0].rows
    assert cell == f"alike without {who}"


def test_a_verdict_that_moves_without_most_tasters_hangs_on_their_number():
    most = [alternative("taster", f"T{k}", salt_vine=("alike", 0)) for k in range(9)]
    assert first(*most, shown=False) == (
        "No verdict hangs on a particular taster. “Vine” on salt is fragile: leaving out any one "
        "of more than half the tasters changes it."
    )
    assert "fragile" not in first(*most[:8])


def test_the_table_has_the_verdicts_that_move_and_no_others():
    made = section(
        alternative("taster", "T01", texture_clay=OPEN),
        alternative("session", "1", texture_clay=("different", -1), salt_oak_leaf=OPEN),
        alternative("session", "2", salt_oak_leaf=OPEN),
        alternative("procedure", texture_oak_leaf=("slight", 1)),
        alternative("ordinal", texture_vine=("different", 1), texture_clay=("not_shown", 0)),
    )
    (table,) = made.tables
    assert table.columns == (
        "As declared",
        "Without one taster",
        "Without one session",
        "By the rank comparison",
        "As ordered categories",
    )
    same = "the same"
    assert table.rows == (
        ("Oak leaf, texture", ("crisper", same, same, "slightly crisper", same)),
        ("Vine, texture", ("not settled", same, same, same, "crisper")),
        (
            "Clay, texture",
            (
                "slightly softer",
                "not settled without T01",
                "softer without session 1",
                same,
                "not shown different",
            ),
        ),
        ("Oak leaf, salt", ("alike", same, "not settled without session 1 or 2", same, same)),
    )
    assert made.paragraphs[1] == (
        "Four verdicts move under some alternative, the others under none; the table shows how."
    )


def test_sessions_are_called_by_their_labels():
    evening = Session(name="1", date=None, label="Friday evening")
    both = [alternative("session", name, salt_oak_leaf=OPEN) for name in ("1", "2")]
    made = section(*both, *STILL, trial=replace(TRIAL, sessions=(evening,)))
    assert "not settled without Friday evening or 2" in made.tables[0].rows[0][1]


def test_where_nothing_moves_there_is_no_table():
    made = section(alternative("taster", "T01"), alternative("procedure"))
    assert made.tables == ()
    assert made.paragraphs[1] == "All five verdicts stay the same under every alternative below."


def test_an_alternative_that_says_nothing_of_a_verdict_shows_a_dash():
    silent = alternative("ordinal")
    outcomes = tuple(replace(each, verdict=None) for each in silent.outcomes)
    made = section(
        alternative("taster", "T01", texture_clay=OPEN), replace(silent, outcomes=outcomes)
    )
    assert made.tables[0].rows[0][1][-1] == "–"


def test_what_was_not_done_says_why():
    lost = [
        NotDone(name="taster", reason="With 100 tasters one of them can hardly move an answer."),
        NotDone(name="session", reason="There was one session only."),
    ]
    made = section(alternative("procedure"), not_done=lost)
    assert made.paragraphs[0] == lost[0].reason
    points = dict(made.points)
    assert points["Without one session: not done."] == "There was one session only."
    assert not any(head.startswith("Without one taster") for head in points)


def test_many_verdicts_that_move_are_cut_and_counted():
    attributes = "".join(f'[[attribute]]\nname = "a{k}"\n' for k in range(20))
    head, *_ = TOML.replace('["texture"]', "[]").partition("[[attribute]]")
    trial = parse_trial(head + attributes)
    named = ((f"a{k}", variant) for k in range(20) for variant in VARIANTS[1:])
    declared = tuple(outcome(*names, "open", trial=trial) for names in named)
    moved = tuple(replace(each, verdict="alike", changed=True) for each in declared)
    alone = Alternative(name="taster", left_out="T01", outcomes=moved)
    every = Influence(declared=declared, alternatives=(alone,), not_done=())
    made = influence_section(trial, every)
    assert made is not None
    assert len(made.tables[0].rows) == MOST_ROWS
    assert made.paragraphs[-1] == (
        "Every verdict moves under some alternative; the table shows the first 30, "
        "tables/influence.csv all."
    )
    assert "“Oak leaf”, “Vine” and “Clay” on a0 and 57 others are fragile" in made.paragraphs[0]


def test_nothing_compared_makes_no_section():
    none = Influence(declared=(), alternatives=(), not_done=())
    assert influence_section(TRIAL, none) is None


def test_the_file_has_a_row_a_verdict_and_alternative():
    made = influence(alternative("taster", "T01", texture_clay=OPEN), alternative("procedure"))
    rows = list(csv.DictReader(io.StringIO(influence_section(TRIAL, made).files[0][1])))
    assert list(rows[0])[:3] == ["alternative", "left_out", "attribute"]
    assert len(rows) == 10
    assert rows[4] == {
        "alternative": "taster",
        "left_out": "T01",
        "attribute": "texture",
        "variant": "clay",
        "verdict": "open",
        "direction": "0",
        "difference": "0.5",
        "p_adjusted": "0.04",
        "changed": "yes",
        "reason": "",
    }
    assert rows[5]["left_out"] == ""
    hidden = influence_section(replace(TRIAL, tasters_shown=False), made)
    assert "T01" not in hidden.files[0][1]


def test_where_no_alternative_says_anything_nothing_is_said_to_stay():
    silent = alternative("procedure")
    reason = "Fewer than two tasters scored the control and another variant."
    outcomes = tuple(replace(each, verdict=None, reason=reason) for each in silent.outcomes)
    lost = [NotDone(name="taster", reason="There is one taster only, on whom everything hangs.")]
    made = section(replace(silent, outcomes=outcomes), not_done=lost)
    assert made.paragraphs == ("There is one taster only, on whom everything hangs.",)
    assert made.points == ()
    assert made.tables == ()


@pytest.mark.parametrize("shown", [True, False])
def test_no_forbidden_word_and_no_p_value(shown):
    made = section(
        alternative("taster", "T01", texture_clay=OPEN, salt_vine=("alike", 0)),
        alternative("session", "1", texture_oak_leaf=("different", -1)),
        alternative("ordinal", texture_oak_leaf=("not_shown", 0)),
        shown=shown,
    )
    text = " ".join(
        [*made.paragraphs, *(" ".join(each) for each in made.points)]
        + [" ".join([row, *cells]) for table in made.tables for row, cells in table.rows]
    )
    assert not re.search(r"significan|prove[ds]?\b|no difference|identical|\bp [=<>]|None", text)
    assert ("T01" in text) == shown
