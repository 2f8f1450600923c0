"""Which trials can be pooled, and what is said of those that cannot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest

from blindspoon.analysis import analyse
from blindspoon.files.seal import Seal
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.findings.pool_checks import (
    caveats,
    common,
    matching_problems,
    not_common,
    rule_differences,
)
from blindspoon.scores.standing import Standing

TRIALS = Path(__file__).parents[3] / "trials"


def slugs(*kitchens):
    return [problem.slug for problem in matching_problems(kitchens)]


def test_repeats_of_one_trial_fit(three):
    assert matching_problems(three) == ()
    assert rule_differences(three) == ()
    assert not_common(three) == ()


def test_the_same_files_are_the_same_trial(kitchen):
    one = kitchen("mill")
    again = replace(kitchen("copy", seed=2), fingerprint=one.fingerprint)
    (problem,) = matching_problems([one, again])
    assert (problem.slug, problem.file) == ("same-trial", "copy")
    assert "the same trial as mill" in problem.found


def test_the_same_scores_are_the_same_trial_whatever_the_files(kitchen):
    assert slugs(kitchen("mill"), kitchen("copy")) == ["same-trial"]
    assert slugs(kitchen("mill"), kitchen("copy", seed=2)) == []


def test_a_copy_with_other_names_of_its_tasters_is_the_same_trial(kitchen):
    one = kitchen("mill")
    hidden = replace(one.table, tasters=tuple(f"P{at}" for at, _ in enumerate(one.table.tasters)))
    copy = replace(one, name="harbour", fingerprint="another", table=hidden)
    assert [problem.slug for problem in matching_problems([one, copy])] == ["same-trial"]


def test_a_trial_that_was_corrected_since_is_the_same_trial_sealed_or_not(kitchen):
    key = read_table(b"taster,code,variant\nT01,512,plain\nT01,347,oak\n", "key.csv")
    sealed = Standing(published=Seal(date=date(2026, 9, 1), key="one", rule={}))
    one = replace(kitchen("mill"), standing=sealed, tables=FolderTables(scores=(), key=key))
    scores = one.table.scores.copy()
    scores[0, 0] += 1
    later = replace(one, fingerprint="other", table=replace(one.table, scores=scores), name="later")
    assert [problem.slug for problem in matching_problems([one, later])] == ["same-trial"]
    assert slugs(replace(later, standing=Standing()), one) == ["same-trial"]
    half = read_table(b"taster,code,variant\nT01,512,plain\nT01,803,oak\n", "key.csv")
    assert slugs(one, replace(later, tables=FolderTables(scores=(), key=half))) == ["same-trial"]
    others = replace(kitchen("harbour", seed=2), standing=sealed, tables=one.tables)
    assert matching_problems([one, others]) == ()  # drew the same kit
    key = read_table(b"taster,code,variant\nT01,118,plain\nT01,803,oak\n", "key.csv")
    drawn = replace(later, tables=FolderTables(scores=(), key=key))
    assert matching_problems([one, drawn]) == ()  # scored alike under codes of its own


def test_a_kitchen_that_is_not_shown_to_be_blind_is_named(three):
    late = Standing(facts=(("the rule came late", "The rule is declared late."),))
    bare = Standing(facts=(("unsealed", "Nothing was sealed."),))
    found = (Standing(), late, bare)
    kitchens = [replace(k, standing=it) for k, it in zip(three, found, strict=True)]
    assert caveats(kitchens) == (
        "harbour: The rule is declared late.",
        "hilltop: Nothing was sealed.",
    )


def test_jars_that_differed_in_more_are_told_of_variants_that_all_made(kitchen, analysis_of):
    (what,) = [it for it in analysis_of("allotment-cucumbers").made.differs if it.undeclared]
    made = SimpleNamespace(differs=[replace(what, variant=name) for name in ("oak", "cool")])
    one = replace(kitchen("mill"), made=made, standing=Standing())
    other = kitchen("harbour", variants=("plain", "oak"), shifts=(0.0, 2.0), seed=2)
    (told,) = caveats([one, other])
    assert "“Oak” was also" in told
    assert "ool" not in told.replace("cooler", "")


def test_a_copy_is_found_among_any_two(kitchen):
    assert slugs(kitchen("a", seed=5), kitchen("b"), kitchen("c")) == ["same-trial"]


def test_another_control(kitchen):
    other = kitchen("harbour", control="oak", seed=2)
    (problem,) = matching_problems([kitchen("mill"), other])
    assert problem.slug == "other-control"
    assert str(problem).startswith('harbour/trial.toml, key control: the control is "oak"')


@pytest.mark.parametrize(
    "scale", ["scale = { low = 1, high = 9 }", "scale = { low = 0, high = 100 }"]
)
def test_another_scale(kitchen, scale):
    other = kitchen("harbour", scale=scale, seed=2)
    (problem,) = matching_problems([kitchen("mill"), other])
    assert (problem.slug, problem.column) == ("other-scale", "texture")
    assert "0 (soft) to 10 (crisp)" in problem.allowed


def test_a_scale_whose_words_changed_places(kitchen):
    one = kitchen("mill")
    (texture,) = one.trial.attributes
    turned = replace(texture, low="Crisp", high="Soft")
    other = kitchen("harbour", seed=2)
    other = replace(other, trial=replace(other.trial, attributes=(turned,)))
    assert slugs(one, other) == ["other-scale"]


def test_words_of_another_language_or_another_step_are_pooled_and_said(kitchen):
    other = kitchen("harbour", seed=2, scale="scale = { low = 0, high = 10, step = 0.01 }")
    (texture,) = other.trial.attributes
    words = replace(texture, low="weich", high="knackig")
    other = replace(other, trial=replace(other.trial, attributes=(words,)))
    assert slugs(kitchen("mill"), other) == []
    assert rule_differences([kitchen("mill"), other]) == (
        "The rule of mill decides; harbour scored texture in steps of 0.01 and wrote “weich” and "
        "“knackig” at the ends of texture.",
    )


def test_nothing_in_common(kitchen):
    one = kitchen("mill")
    other = kitchen(
        "harbour",
        variants=("plain", "leaf"),
        attributes=("salt",),
        shifts=(0, 2),
        rule="",
        seed=2,
    )
    assert slugs(one, other) == ["no-common-variant", "no-common-attribute"]


def test_answers_to_sets_stay_with_each_kitchen_and_it_is_said_what_to_do(kitchen):
    asked = analyse(TRIALS / "two-salts").trial
    both = [kitchen(name, seed=seed) for seed, name in enumerate(("mill", "harbour"))]
    both = [replace(each, trial=replace(each.trial, choice=asked.choice)) for each in both]
    assert slugs(*both) == []
    (lost,) = not_common(both)
    assert lost.attribute == "choice"
    assert "look at each by itself" in lost.reason
    (problem,) = matching_problems([both[0], replace(both[1], trial=asked)])
    assert problem.file == "harbour"
    assert problem.slug == "no-common-attribute"
    assert "put the answers of all into one folder" in problem.remedy


def test_all_problems_at_once(kitchen):
    one, copy = kitchen("mill"), kitchen("copy")
    other = kitchen("harbour", control="oak", scale="scale = { low = 0, high = 20 }", seed=2)
    assert slugs(one, copy, other) == ["same-trial", "other-control", "other-scale"]


def test_what_only_some_have_is_listed_with_who_has_it(kitchen):
    one = kitchen("mill", attributes=("texture", "salt"), seed=1)
    two = kitchen("harbour", variants=("oak", "plain", "leaf", "cool"), shifts=(0,) * 4, seed=2)
    three = kitchen("hilltop", variants=("plain", "oak"), shifts=(0, 0), seed=3)
    kitchens = [one, two, three]
    assert common(kitchens, "variants") == ("plain", "oak")
    assert common(kitchens, "attributes") == ("texture",)
    found = {(each.attribute, each.variant): each.reason for each in not_common(kitchens)}
    assert found == {
        ("salt", None): "Only mill scored it.",
        (None, "cool"): "Only mill and harbour made it.",
        (None, "leaf"): "Only harbour made it.",
    }


def test_where_the_rules_differ_is_said(kitchen):
    strict = 'decision = { declared = 2026-09-04, by = "ranks", margin = 0.5, alpha = 0.01 }'
    other = kitchen("harbour", rule=strict, seed=2)
    (sentence,) = rule_differences([kitchen("mill"), other])
    assert sentence.replace("\N{NO-BREAK SPACE}", " ") == (
        "The rule of mill decides; harbour declared alpha 0.01, declared that the rank comparison "
        "decides, declared as primary: nothing and declared 0.5 points as the margin of texture."
    )


def test_a_variant_that_a_kitchen_labels_otherwise_is_said(kitchen):
    first, other = kitchen("mill"), kitchen("harbour", seed=2)
    vine = tuple(replace(it, label=it.label.replace("Oak", "Vine")) for it in other.trial.variants)
    other = replace(other, trial=replace(other.trial, variants=vine))
    (sentence,) = rule_differences([first, other])
    assert sentence == "The rule of mill decides; harbour wrote “Vine” for “Oak”."


def test_a_kitchen_without_a_rule_is_said(kitchen):
    others = [kitchen(name, rule="", seed=seed) for name, seed in (("harbour", 2), ("oak", 5))]
    (sentence,) = rule_differences([kitchen("mill"), *others])
    assert sentence == "The rule of mill decides; harbour and oak declared none."
    (sentence,) = rule_differences([others[0], kitchen("mill")])
    assert sentence.startswith("The rule of harbour decides, and it declared none; mill declared")
