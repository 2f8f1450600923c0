"""What a difference may be blamed on, in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blindspoon.batches import summary
from blindspoon.batches.differences import Amounts, Difference, NoAmounts, WhatDiffers
from blindspoon.batches.log import BatchLog
from blindspoon.batches.summary import TasteAgainst, TastePoint
from blindspoon.files.trial_toml import parse_trial

TRIAL = parse_trial(
    'trial = { title = "t", control = "plain" }\nscale = { low = 0, high = 10 }\n'
    'attribute = [{ name = "saltiness", more = "saltier", less = "less salty" }]\n'
    'variant = [{ name = "plain" }, { name = "oak-leaf" }, { name = "cool-cellar" }]\n'
)


def difference(factor, amount, unit="", *, declared=False, values=(0.0, 0.0)):
    return Difference(
        factor=factor,
        control_value=values[0],
        variant_value=values[1],
        amount=amount,
        unit=unit,
        declared=declared,
    )


def what(*differences, batches=1, **more):
    known = {"alike": (), "not_known": (), "declared_but_alike": (), "not_recorded": (), **more}
    return WhatDiffers(
        variant="oak-leaf", batches=batches, control_batches=1, differences=differences, **known
    )


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (difference("sugar", 1.0, "%"), "higher in added sugar by 1 percentage point"),
        (difference("age", -9.0, "days"), "started 9 days later"),
        (difference("age", 1.0, "days"), "started 1 day earlier"),
        (difference("temperature_c", 2.54, "°C"), "2.54 °C warmer"),
        (difference("temperature_c", -12.0, "°C"), "12 °C cooler"),
        (difference("fermented", 7.0, "days"), "fermented 7 days longer"),
        (difference("fermented", 2.5, "days"), "fermented 3 days longer"),
        (difference("fermented", -0.5, "days"), "fermented 1 day less"),
        (difference("salt", 0.31, "%"), "0.31 percentage points higher in salt"),
        (difference("calcium_g", 1.3, "g"), "higher in calcium by 1.3 g"),
        (difference("lot", 1.0), "higher in lot by 1"),
        (
            difference("vessel", None, values=("crock", "clip jar")),
            "different in vessel (clip jar, not crock)",
        ),
        (
            difference("stirred", None, values=("no", "yes")),
            "marked “stirred: yes”, not “no”",
        ),
        (difference("oak_leaf", None, values=("no", "3 g")), "made with oak leaf (3 g)"),
        (difference("oak_leaf", None, values=("3 g", "No")), "made without oak leaf"),
    ],
)
def test_differences_in_words(found, words):
    assert summary.in_words(found).replace("\xa0", " ") == words


AGE = difference("age", -9.0, "days")
COOL = difference("temperature_c", -3.0, "°C")


@pytest.mark.parametrize(
    ("kind", "end"),
    [
        ("different", ", which may be the reason."),
        ("slight", ", which may be the reason."),
        ("alike", ", which may hide a difference."),
        ("open", "cooler."),
    ],
)
def test_a_verdict_is_softened_by_its_kind(kind, end):
    said = summary.softened("It was crisper.", kind, what(AGE, COOL)).replace("\xa0", " ")
    assert said.startswith("It was crisper; it was also started 9 days later and 3 °C cooler")
    assert said.endswith(end)


def test_what_was_declared_does_not_soften():
    declared = difference("age", -9.0, "days", declared=True)
    for each in (what(declared), what(), None):
        assert summary.softened("It was crisper.", "different", each) == "It was crisper."


def test_several_batches_are_spoken_of_as_such():
    assert summary.also_differed(what(AGE, batches=2)).startswith("they were also")


def test_remarks_name_what_is_not_known_and_not_as_declared():
    both = [difference(name, 1.0, "", declared=True) for name in ("age", "starter")]
    found = list(
        summary.remarks(
            TRIAL,
            what(
                *both,
                not_known=("vessel",),
                declared_but_alike=("temperature_c",),
                not_recorded=("leaf",),
            ),
        )
    )
    assert found == [
        "“Oak leaf” differs in age and starter at once: the tasting cannot tell which mattered.",
        "Whether “Oak leaf” differs in vessel is not known: it is not written of every batch.",
        "“Oak leaf” is meant to differ in temperature, but its batches are like the control’s.",
        "“Oak leaf” is meant to differ in leaf, which is not written down.",
    ]
    assert list(summary.remarks(TRIAL, what(batches=0))) == [
        "What else differs is not known of “Oak leaf”: no batch of “Oak leaf” is written down."
    ]


def amounts(salt=0.0, acid=0.0, water=0.0, *, near=False):
    return Amounts(
        batch="jar 2",
        variant="oak-leaf",
        salt_percent=2.5,
        citric_g_per_100_g=0.1,
        acid="vinegar",
        weigh_salt_g=25.64,
        weigh_acid_g=0.0,
        add_salt_g=salt,
        add_acid_g=acid,
        add_water_g=water,
        near=near,
        declared=(),
    )


ANEW = " Made anew: 25.6 g salt for this produce and water."


@pytest.mark.parametrize(
    ("found", "sentence"),
    [
        (amounts(6.2), f"add 6.2 g salt, to match “Plain”.{ANEW}"),
        (amounts(6.2, 120.4), f"add 6.2 g salt and 120 g vinegar, to match “Plain”.{ANEW}"),
        (amounts(), "as salty and as sour as “Plain”, by the salt and acid weighed in."),
        (
            replace(amounts(), citric_g_per_100_g=0.0),
            "as salty as “Plain”, by the salt weighed in.",
        ),
        (
            amounts(water=250.0),
            "add 250 g water, to match “Plain”. It is too strong now, so the water thins it."
            f"{ANEW}",
        ),
        (
            amounts(0.3, near=True),
            "near enough to “Plain”; 0.3 g salt would bring it there to the gram.",
        ),
        (NoAmounts(batch="jar 2", variant="oak-leaf", reason="a mass of it is not known"),
         "no amounts, as a mass of it is not known."),
    ],
)  # fmt: skip
def test_what_to_add(found, sentence):
    said = summary.what_to_add(TRIAL, found).replace("\xa0", " ")
    assert said == f"jar 2 (oak-leaf): {sentence}"


def against(perceived):
    points = tuple(
        TastePoint(variant=name, measured=2.5, perceived=score, tasters=9)
        for name, score in (("plain", 5.0), ("oak-leaf", perceived))
    )
    return TasteAgainst(
        attribute="saltiness",
        quantity="salt_percent",
        points=points,
        same_strength=("oak-leaf",),
    )


def test_same_salt_and_another_saltiness_names_the_literature():
    (said,) = summary.as_strong(TRIAL, against(6.5), {"oak-leaf": "different"})
    said = said.replace("\xa0", " ")
    assert said.startswith(
        "“Oak leaf” had about the control’s salt (2.50 %, the control 2.50 %), yet was saltier than"
    )
    assert "Breslin 1996" in said
    assert "Wilkie" in said


def test_nothing_is_said_of_what_was_not_settled():
    assert [*summary.as_strong(TRIAL, against(6.5), {"oak-leaf": "open"})] == []
    (said,) = summary.as_strong(TRIAL, against(5.1), {"oak-leaf": "alike"})
    assert "scored alike" in said


def test_nothing_is_said_where_nobody_scored_the_control():
    found = against(6.5)
    alone = found._replace(points=found.points[1:], same_strength=())
    assert [*summary.as_strong(TRIAL, alone, {})] == []


def test_where_nothing_can_be_compared_nothing_is_said_to_be_alike():
    lost = what(not_known=("salt",))
    (said,) = summary.differences_in_words(TRIAL, made_of(lost))
    assert said.startswith("Whether “Oak leaf” differs in salt is not known")
    hidden = what(not_known=("leaf",), alike=("vessel",))  # the point of it, and that is not known
    plain, oak, cool = TRIAL.variants
    trial = replace(TRIAL, variants=(plain, replace(oak, differs=("leaf",)), cool))
    (said,) = summary.differences_in_words(trial, made_of(hidden))
    assert said.startswith("Whether “Oak leaf” differs in leaf is not known")


def made_of(*differs):
    log = BatchLog(
        batches=(), readings={}, columns=frozenset(), own=(), first_tasted=None, last_tasted=None
    )
    none = dict.fromkeys(("strengths", "amounts", "cautions"), ())
    return summary.Made(log=log, differs=differs, **none)
