"""From kitchens to what they found together, in values, sentences and JSON."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.findings.pooling import pool, pool_scores
from blindspoon.findings.rule import kind_of
from blindspoon.scores.standing import Standing
from blindspoon.stats.results import NoResult
from blindspoon.writeup.kitchens import compose_kitchens, forest_plot, kitchens_page
from blindspoon.writeup.records import pool_record

from .conftest import RULE, SCALE

NO_BREAK = "\N{NO-BREAK SPACE}"


def by_variant(found, attribute=0):
    return {each.variant.name: each for each in found.attributes[attribute].comparisons}


def test_kitchens_keep_their_own_differences_on_every_attribute(kitchen):
    both = ("texture", "sourness")
    two = [kitchen(name, attributes=both, seed=n) for n, name in enumerate(("mill", "harbour"))]
    for place, attribute in enumerate(both):
        for name, comparison in by_variant(pool(two), place).items():
            for own, each in zip(comparison.own, two, strict=True):
                result = each.results[both.index(attribute)]
                mine = next(it.mixed for it in result.comparisons if it.variant.name == name)
                assert (own.kitchen, own.alpha, own.mixed) == (each.name, 0.05, mine)


def test_the_pooled_difference_is_that_of_the_model(three):
    score = np.concatenate([kitchen.table.scores[:, 0] for kitchen in three])
    taster = np.concatenate([8 * n + kitchen.table.taster for n, kitchen in enumerate(three)])
    variant = np.concatenate([kitchen.table.variant for kitchen in three])
    fit = pool_scores(score, taster, np.repeat([0, 1, 2], 24), variant, control=0, alpha=0.05)
    found = pool(three)
    assert tuple(each.pooled for each in found.attributes[0].comparisons) == fit.contrasts
    assert tuple(each.these for each in found.attributes[0].comparisons) == fit.these


def test_a_variant_is_the_same_whatever_its_place_in_a_kitchen(three, kitchen):
    turned = kitchen("hilltop", variants=("cool", "plain", "oak"), shifts=(0.0, 0.0, 2.0), seed=2)
    found = by_variant(pool([*three[:2], turned]))
    assert found["oak"].pooled.difference == pytest.approx(2, abs=0.5)
    assert found["cool"].pooled.difference == pytest.approx(0, abs=0.5)


def test_verdicts_follow_the_rule_of_the_first(three):
    found = by_variant(pool(three))
    assert found["oak"].verdict == "different"
    assert found["cool"].verdict == "alike"
    for each in found.values():
        assert each.verdict == kind_of(each.pooled, margin=1.0, alpha=0.05)
    loose = by_variant(pool([without_margin(three[0]), *three[1:]]))
    assert loose["cool"].verdict == "open"


def without_margin(kitchen):
    bare = tuple(replace(each, margin=None) for each in kitchen.trial.attributes)
    return replace(kitchen, trial=replace(kitchen.trial, attributes=bare))


def test_what_was_declared_comes_first_also_where_all_is_exploratory(kitchen):
    both, rule = ("texture", "sourness"), RULE.replace("texture", "sourness")
    two = [kitchen(name, attributes=both, rule=rule, seed=3) for name in ("mill", "hilltop")]
    bent = [
        replace(each, standing=Standing(facts=(("not as sealed", "Changed."),))) for each in two
    ]
    for kitchens, primary in ((two, True), (bent, False)):
        first, second = pool(kitchens).attributes
        assert (first.attribute.name, first.primary, second.primary) == ("sourness", primary, False)
        content = compose_kitchens(pool(kitchens))
        for said in (content.answer, content.spoken):
            assert said.startswith("As a lead, for no kitchen’s rule was made") is not primary


def test_sentences_say_what_they_are_about(three):
    found = {name: each.because for name, each in by_variant(pool(three)).items()}
    said = {name: text.replace(NO_BREAK, " ") for name, text in found.items()}
    assert said["oak"].startswith(
        "In kitchens like these, oak scored higher (towards “crisp”) than plain on texture"
    )
    assert said["cool"].startswith("In kitchens like these, cool came within 1 point of plain")
    assert "(90 % interval " in said["cool"]
    loose = by_variant(pool([without_margin(three[0]), *three[1:]]))["cool"].because
    assert "whether cool differs from plain on texture is not settled: the difference" in loose


def test_two_kitchens_speak_for_themselves_only(three):
    two = pool(three[:2])
    assert any("Two kitchens speak for themselves only" in text for text in two.remarks)
    assert not any("Two kitchens" in text for text in pool(three).remarks)
    for found in by_variant(two).values():
        assert found.verdict == kind_of(found.these, margin=1.0, alpha=0.05)
        assert found.because.startswith("In these two kitchens, ")


def test_how_kitchens_are_pooled_stands_with_the_numbers_not_with_what_weakens_the_answer(three):
    content = compose_kitchens(pool(three))
    weak = " ".join(text for _, text in content.weak)
    assert "The verdicts are about kitchens like these three" in weak
    assert "These kitchens only" not in weak
    assert "no verdict stands on it" in kitchens_page(content).partition('id="record"')[2]


def test_dates_of_single_kitchens_are_told_in_words(three):
    late = "mill: Rule and key were sealed on 2026-11-30."
    content = compose_kitchens(replace(pool(three), caveats=(late,)))
    assert content.weak[0] == ("", "mill: Rule and key were sealed on 30 November 2026.")


def test_a_first_kitchen_that_dated_no_rule_is_not_said_to_have_one(kitchen):
    two = [kitchen(name, rule=RULE.replace("declared = 2026-09-04, ", "")) for name in "ab"]
    content = compose_kitchens(pool(two))
    assert content.trust.endswith("The rule is that of a, which did not date it.")


def test_where_all_in_each_kitchen_agree_exactly_the_answer_says_why_nothing_is_pooled(kitchen):
    scale = SCALE.replace("10", "10, step = 0.01")
    exact = [kitchen(name, shifts=(0.0, up, 0.0), noise=0.0, seed=seed, scale=scale)
             for seed, (name, up) in enumerate((("mill", 1.0), ("hilltop", 2.0)))]  # fmt: skip
    assert {it.verdict for own in exact for it in own.comparisons} == {"different", "alike"}
    found = pool(exact)
    assert by_variant(found)["oak"].verdict == "open"
    content = compose_kitchens(found)
    assert content.picture is None  # it would be empty
    assert content.trust.endswith(" The rule is that of mill.")
    assert content.answer == (
        "In these two kitchens, nothing could be pooled on texture. In each kitchen all agreed "
        "exactly, so pooling has nothing to weigh differences against; each kitchen’s own report "
        "says what it found."
    )


def test_a_kitchen_in_which_all_agreed_exactly_shows_what_they_agreed_on(three, kitchen):
    scale = SCALE.replace("10", "10, step = 0.01")
    exact = kitchen("mill", shifts=(0.0, 2.0, 0.0), noise=0.0, scale=scale)
    found = pool([exact, *three[1:]])
    content = compose_kitchens(found)
    rows = [row for row in forest_plot(found, found.attributes[0]).rows if row.label == "mill"]
    assert [row.notes for row in rows] == [
        ("+2.0", "all agreed exactly"),
        ("0.0", "all agreed exactly"),
    ]
    assert [(row.dots[0].estimate, row.dots[0].interval) for row in rows] == [
        (pytest.approx(2.0), None),
        (0.0, None),
    ]
    assert [table.notes[0].rpartition(": ")[2] for table in content.findings[0].tables] == [
        "+2.00.",
        "0.00.",
    ]


def test_a_rule_by_ranks_is_not_followed_in_silence(three, kitchen):
    rule = 'decision = { declared = 2026-09-04, primary = ["texture"], by = "ranks" }'
    found = pool([kitchen("mill", rule=rule), *three[1:]])
    assert any("kitchens are pooled by the mixed model only" in text for text in found.remarks)


def test_a_variant_without_scores_in_one_kitchen_is_not_pooled(three, kitchen):
    found = pool([*three[:2], kitchen("hilltop", blank=("cool",), seed=2)])
    assert list(by_variant(found)) == ["oak"]
    (lost,) = found.not_pooled
    assert (lost.attribute, lost.variant) == ("texture", "cool")
    assert lost.reason == "No taster of hilltop links it with the control."


def test_the_place_of_a_cup_is_a_term_where_every_cup_is_pooled(three, kitchen):
    # orders are balanced over all variants of a kitchen; without one of them they no longer are
    def fit(*kitchens):
        drawn = [replace(k, table=placed(k.table)) for k in kitchens]
        return pool(drawn).attributes[0].fit

    def placed(table):
        orders = np.tile([1, 2, 3], (len(table.tasters), 1))
        place = np.random.default_rng(1).permuted(orders, axis=1)
        return replace(table, position=place[table.taster, table.variant], balanced=True)

    assert fit(*three).note.position
    assert not fit(*three[:2], kitchen("hilltop", blank=("cool",), seed=2)).note.position


def test_without_any_control_nothing_is_pooled(three, kitchen):
    found = pool([*three[:2], kitchen("hilltop", blank=("plain",), seed=2)])
    (attribute,) = found.attributes
    assert attribute.comparisons == ()
    assert attribute.fit == NoResult("No variant but the control was scored in all kitchens.")
    assert [each.variant for each in found.not_pooled] == ["oak", "cool"]


def test_what_only_some_kitchens_have_does_not_touch_the_rest(three, kitchen):
    wide = kitchen("mill", variants=("plain", "oak", "cool", "leaf"), shifts=(0, 2, 0, 1), seed=0)
    found = pool([wide, *three[1:]])
    assert [variant.name for variant in found.variants] == ["plain", "oak", "cool"]
    assert [each.variant for each in found.not_pooled] == ["leaf"]
    assert list(by_variant(found)) == ["oak", "cool"]


def test_primary_attributes_share_alpha(kitchen):
    rule = 'decision = { declared = 2026-09-04, primary = ["texture", "salt"], margin = 1.0 }'
    kitchens = [
        kitchen(name, attributes=("texture", "salt"), rule=rule, seed=seed)
        for seed, name in enumerate(("mill", "harbour"))
    ]
    assert [each.alpha for each in pool(kitchens).attributes] == [0.025, 0.025]


def test_the_record_is_finite_json_with_a_reason_for_every_null(three, kitchen):
    for kitchens in (three, [*three[:2], kitchen("hilltop", blank=("plain",), seed=2)]):
        text = json.dumps(pool_record(pool(kitchens)), allow_nan=False)
        nulls = list(unexplained(json.loads(text)))
        assert nulls == []
    record = pool_record(pool(three))
    assert [each["kitchen"] for each in record["pooled"]["kitchens"]] == [k.name for k in three]
    first = record["comparisons"][0]
    assert (
        first["pooled"]["difference"] == pool(three).attributes[0].comparisons[0].pooled.difference
    )
    assert first["verdict"] == "different"


def unexplained(value):
    """Fields that are null without a reason beside them; what is not pooled may lack one name."""
    if isinstance(value, dict):
        for key, below in value.items():
            if below is None and f"{key}_reason" not in value and "reason" not in value:
                yield key
            yield from unexplained(below)
    elif isinstance(value, list):
        for below in value:
            yield from unexplained(below)
