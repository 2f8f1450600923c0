import re
from dataclasses import replace

import pytest

from blindspoon.batches.cautions import CAUTIONS, cautions
from blindspoon.findings.further import NewTasting
from blindspoon.writeup import limits
from blindspoon.writeup.page import page
from tests.writeup.conftest import part


def said(content, name):
    return part(content, name).paragraphs


def needed(content):
    (table,) = part(content, "unsettled").tables
    return table


def test_a_new_tasting_is_reckoned_for_every_open_comparison(content_of):
    content = content_of("nothing differs")
    assert "a new tasting of the same kind" in said(content, "unsettled")[0]
    assert len(needed(content).rows) == 8
    for _, row in needed(content).rows:
        for cell in row:
            tasters, low, high = map(
                int, re.fullmatch(r"about (\d+) \((\d+) to (\d+)\)", cell).groups()
            )
            assert low < tasters < high


def test_the_difference_so_far_does_not_move_the_number(content_of):
    rows = needed(content_of("usual", effects=(1.2, 1.2, 0.0, 1.2), noise=3.0)).rows
    assert len({row for _, row in rows}) < len(rows)  # one an attribute, whatever was seen


def test_without_a_margin_nothing_can_become_alike(content_of):
    content = content_of("no margin")
    assert "Without a margin nothing can be shown to be alike" in said(content, "unsettled")[0]
    assert part(content, "unsettled").tables == ()


def test_where_all_is_settled_nothing_is_told_to_settle_it(content_of):
    assert "unsettled" not in [part.name for part in content_of("all alike").sections]


def test_ranks_that_could_not_reach_alpha_are_told_of(content_of):
    text = said(content_of("three tasters"), "unsettled")[-1]
    assert "the rank comparison, which decides, could not have called anything different" in text
    assert "its adjusted p value cannot be below 0.250, and 0.05 was asked for" in text


def test_ranks_that_could_not_reach_their_share_of_alpha_are_told_of(content_of):
    # six tasters and four variants: 2 / 2**6 is below 0.05 and not below half of it
    text = said(content_of("two primary", tasters=6), "unsettled")[-1]
    assert "the rank comparison, which is shown beside the verdict, could not have called" in text
    assert "its adjusted p value cannot be below 0.031, and 0.025 was asked for" in text


def test_that_batches_are_not_the_method_is_said_in_the_open_and_not_again(content_of):
    for name, weak in (("usual", "The next batch may"), ("several batches", "So few, made by one")):
        content = content_of(name)
        told = [text for _, text in content.weak if text.startswith(weak)]
        assert len(told) == 1
        assert told[0] not in page(content).partition('id="record"')[2]


@pytest.mark.parametrize("source", ["21 CFR 114.3", "Snyder et al. 2020", "Local codes"])
def test_cautions_name_their_sources_and_defer_to_local_rules(demo, source):
    assert source in " ".join(text for _, text in limits.cautions(demo.trial, None))


@pytest.fixture(scope="module")
def demo(analysis_of):
    return analysis_of("allotment-cucumbers")


def warned(demo, trial=None, **vessels):
    """The cautions by head, where some jars stood open: those of an empty vessel."""
    named = {name.replace("_", " "): vessel for name, vessel in vessels.items()}
    batches = tuple(
        replace(jar, vessel=named.get(jar.name, jar.vessel)) for jar in demo.made.log.batches
    )
    log = replace(demo.made.log, batches=batches)
    made = replace(demo.made, log=log, cautions=cautions(log))
    return dict(limits.cautions(trial or demo.trial, made))


def test_jars_that_could_build_pressure_are_named_with_what_was_in_them(demo):
    assert "In this trial, by the vessels: all five." in warned(demo)["Pressure."]
    jars = {f"jar_{number}": "crock" for number in (1, 3, 4)}
    named = "In this trial, by the vessels: jar 2 (“Cool cellar”) and jar 5 (“Old brine”)."
    assert named in warned(demo, **jars)["Pressure."]
    log = replace(demo.made.log, readings={})
    unread = replace(demo.made, log=log, cautions=cautions(log))
    own = [text for text, _ in limits.cautions(demo.trial, unread)]
    assert any(text.startswith("All five: no pH was read") for text in own)
    no_log = dict(limits.cautions(demo.trial, None))
    assert "In this trial" not in no_log["Pressure."]


@pytest.mark.parametrize("note", ["", "slimy, once vacuum packed"])
def test_the_page_says_what_the_commands_say_in_general_and_once(demo, note):
    first, *others = demo.made.log.batches
    log = replace(demo.made.log, batches=(replace(first, note=note), *others))
    made = replace(demo.made, log=log, cautions=cautions(log))
    page = " ".join(map(" ".join, limits.cautions(demo.trial, made))).lower()
    for kind in ("pressure", "vacuum", "mould", "allergens", "local-rules"):
        assert page.count(CAUTIONS[kind].said.lower().rstrip(".")) == 1


def test_variants_that_hold_an_allergen_or_alcohol_are_named(demo):
    plain, *others, last = demo.trial.variants
    spiced = replace(others[0], method="With mustard seed and wine vinegar")
    soured = replace(last, method="The same brine with a spoon of whey")
    tasting = replace(demo.trial.tasting, allergens="celery.")
    variants = (plain, spiced, *others[1:], soured)
    trial = replace(demo.trial, variants=variants, tasting=tasting)
    said = warned(demo, trial)["Allergens and alcohol."]
    assert "may contain celery." in said
    assert "mustard in “Cool cellar” and milk in “Old brine”." in said
    assert "in “" not in warned(demo)["Allergens and alcohol."]


def test_what_is_the_same_as_the_control_holds_what_the_control_holds(demo):
    plain, *others = demo.trial.variants
    trial = replace(demo.trial, variants=(replace(plain, method="Brine with fish sauce"), *others))
    assert "fish in all." in warned(demo, trial)["Allergens and alcohol."]


def test_what_else_differed_weakens_a_comparison_of_single_batches(content_of):
    assert "cannot be told from it" in said(content_of("usual"), "differed")[0]
    assert "Variants were made more than once" in said(content_of("several batches"), "differed")[0]


@pytest.mark.parametrize(
    ("tasters", "fewest", "most", "jars", "said"),
    [
        (24, 17, 35, False, "about 24 (17 to 35)"),
        (900, 600, None, False, "about 900 (600 or more)"),
        (None, 600, None, False, "more than 1,000"),
        (None, None, None, True, "no number, with these jars"),
    ],
)
def test_a_new_tasting_without_a_known_end_is_told_as_such(tasters, fewest, most, jars, said):
    found = NewTasting(tasters=tasters, fewest=fewest, most=most, jars=jars)
    assert limits._people(found) == said
