"""Both procedures on one table: what is compared, what is not, and why."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.errors import ScoreError
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.scores.score_table import build_table
from blindspoon.stats.results import MixedContrast, NoResult, RankContrast

TOML = """
[trial]
title = "Crisp cucumbers"
control = "plain"
seed = 7
[scale]
low = 0
high = 10
[[attribute]]
name = "texture"
[[variant]]
name = "plain"
[[variant]]
name = "leaf"
[[variant]]
name = "calcium"
"""


TWO_PRIMARY = (
    TOML.replace("[[attribute]]", '[[attribute]]\nname = "salt"\n[[attribute]]', 1)
    + '\n[decision]\ndeclared = 2026-09-04\nprimary = ["salt", "texture"]\nalpha = 0.06\n'
)


def read(lines, toml=TOML):
    trial = parse_trial(toml)
    table, _ = build_table(
        trial, FolderTables(scores=(read_table("\n".join(lines).encode(), "scores.csv"),))
    )
    return trial, table


def compare(lines, toml=TOML):
    (result,) = compare_trial(*read(lines, toml))
    return result


def rows(effects, tasters=8, seed=3):
    rng = np.random.default_rng(seed)
    lines = ["taster,variant,texture"]
    for number in range(tasters):
        habit = rng.normal(0, 0.8)
        for name, effect in effects.items():
            score = np.clip(5 + habit + effect + rng.normal(0, 0.5), 0, 10)
            lines.append(f"T{number},{name},{score:.2f}")
    return lines


def test_means_and_counts_are_those_of_the_scores():
    result = compare(
        ["taster,variant,texture", "A,plain,4", "B,plain,5", "A,leaf,6", "B,leaf,8", "C,leaf,7"]
    )
    leaf = result.comparisons[0]
    assert (leaf.variant.name, leaf.tasters, leaf.servings) == ("leaf", 2, 3)
    assert (leaf.mean_control, leaf.mean_variant) == (4.5, 7.0)


def test_a_variant_nobody_tasted_has_a_reason():
    result = compare(rows({"plain": 0, "leaf": 1}))
    assert [each.variant.name for each in result.comparisons] == ["leaf"]
    (missing,) = result.not_compared
    assert (missing.variant.name, missing.reason) == ("calcium", "Nobody scored this variant.")


def test_a_variant_that_nobody_tasted_beside_the_control_is_compared_by_the_model_alone():
    head, *cups = rows({"plain": 0, "leaf": 1, "calcium": 2})
    early = [f"T{number}" for number in range(4)]
    kept = [cup for cup in cups if ("calcium" if cup[:2] in early else "plain") not in cup]
    _, calcium = compare([head, *kept]).comparisons
    assert (calcium.tasters, calcium.servings) == (0, 4)
    assert isinstance(calcium.mixed, MixedContrast)
    assert isinstance(calcium.ranks, NoResult)
    assert calcium.verdict_by_other is None


def test_alike_over_sittings_is_said_of_their_mean_and_of_each_of_them():
    rule = '[decision]\ndeclared = 2026-09-04\nprimary = ["texture"]\nmargin = 1\n'
    head, *first = rows({"plain": 0, "leaf": 0, "calcium": 3}, tasters=12)
    lines = [f"1,{row}" for row in first]
    lines += [f"2,{row}" for row in rows({"plain": 0, "leaf": 0, "calcium": 3}, 12, seed=4)[1:]]
    leaf, calcium = compare([f"session,{head}", *lines], TOML + rule).comparisons
    assert (leaf.verdict, calcium.verdict) == ("alike", "different")
    each = "on average over these sittings and at none of them 2 points off"
    assert each in leaf.because
    assert each not in calcium.because


def test_without_the_control_nothing_is_compared():
    result = compare(rows({"leaf": 0, "calcium": 1}))
    assert result.comparisons == ()
    assert {each.reason for each in result.not_compared} == {"Nobody scored the control."}


def test_one_round_of_one_taster_is_not_compared():
    result = compare(rows({"plain": 0, "leaf": 1, "calcium": 2}, tasters=1))
    assert (result.unit, result.comparisons) == ("round", ())
    assert {each.variant.name for each in result.not_compared} == {"leaf", "calcium"}
    assert all("Only one round" in each.reason for each in result.not_compared)


def rounds_of_one(rounds, effect=2.0, variants=("plain", "leaf", "calcium")):
    rng = np.random.default_rng(3)
    lines = ["session,taster,variant,position,texture"]
    for session in range(rounds):
        for place, variant in enumerate(rng.permutation(variants), 1):
            points = rng.normal(5 + effect * (variant == "leaf"), 0.5)
            lines.append(f"{session},Ada,{variant},{place},{points:.2f}")
    return lines


def test_one_taster_is_compared_over_rounds():
    result = compare(rounds_of_one(7))
    assert result.unit == "round"
    for each in result.comparisons:
        assert isinstance(each.mixed, NoResult)
        assert isinstance(each.ranks, RankContrast)
        assert (each.tasters, each.rounds, each.ranks.rounds) == (1, 7, 7)
    assert result.friedman.rounds == 7


@pytest.mark.parametrize("tasters", [2, 5, 17, 60])
def test_every_size_of_panel_gives_numbers(tasters):
    result = compare(rows({"plain": 0, "leaf": 0.2, "calcium": 2}, tasters=tasters))
    assert result.not_compared == ()
    for each in result.comparisons:
        assert isinstance(each.mixed, MixedContrast)
        assert 0 < each.mixed.p_value <= each.mixed.p_adjusted <= 1
        assert each.mixed.interval.low < each.mixed.difference < each.mixed.interval.high


def test_two_variants_agree_with_the_paired_t_test():
    from scipy import stats  # noqa: PLC0415

    lines = rows({"plain": 0, "leaf": 0.4}, tasters=10)
    cells = [line.split(",") for line in lines[1:]]
    plain, leaf = (
        np.array([float(cell[2]) for cell in cells if cell[1] == name])
        for name in ("plain", "leaf")
    )
    (found,) = compare(lines).comparisons
    oracle = stats.ttest_rel(leaf, plain)
    assert isinstance(found.mixed, MixedContrast)
    assert found.mixed.t == pytest.approx(oracle.statistic, rel=1e-8)
    assert found.mixed.p_adjusted == pytest.approx(oracle.pvalue, rel=1e-8)


def test_constant_scores_are_a_reason_and_not_a_crash():
    lines = [line.rsplit(",", 1)[0] + ",5" for line in rows({"plain": 0, "leaf": 0, "calcium": 0})]
    lines[0] = "taster,variant,texture"
    result = compare(lines)
    assert isinstance(result.mixed, NoResult)
    assert isinstance(result.friedman, NoResult)


def test_several_batches_enter_the_model():
    rng = np.random.default_rng(5)
    lines = ["taster,variant,batch,texture"]
    for number in range(8):
        for name in ("plain", "leaf", "calcium"):
            lines += [f"T{number},{name},{name} {jar},{rng.uniform(2, 8):.2f}" for jar in (1, 2)]
    result = compare(lines)
    assert not isinstance(result.mixed, NoResult)
    assert result.mixed.batch_sd is not None
    one_each = compare(rows({"plain": 0, "leaf": 0, "calcium": 0}))
    assert not isinstance(one_each.mixed, NoResult)
    assert one_each.mixed.batch_sd is None


def jars_of(control="", stray=False):
    rng = np.random.default_rng(5)
    lines = ["taster,variant,batch,texture"]
    for taster in range(8):
        for name, jars in (("plain", 1), ("leaf", 2), ("calcium", 2)):
            jar = control if name == "plain" else f"{name} {taster % jars}"
            lines.append(f"T{taster},{name},{jar},{rng.uniform(2, 8):.2f}")
    if stray:
        lines[2] = lines[2].replace("leaf 0", "")
    return lines


def test_a_variant_that_names_no_batch_counts_as_one():
    # one unnamed control used to take the batches out of the model: .005 for .639
    unnamed, named = compare(jars_of()), compare(jars_of(control="crock"))
    assert unnamed.mixed == named.mixed
    assert unnamed.mixed.batch_sd is not None


def test_a_stray_blank_batch_leaves_its_cup_out_with_the_reason():
    _, table = read(jars_of(stray=True))
    (left_out,) = table.left_out
    assert (left_out.file, left_out.line) == ("scores.csv", 3)
    assert "without a batch beside others" in left_out.text
    whole = jars_of()
    assert compare(jars_of(stray=True)).mixed == compare([*whole[:2], *whole[3:]]).mixed


def test_a_blank_batch_beside_the_only_one_of_its_variant_stays_in():
    lines = [re.sub(r"(leaf|calcium) 1,", r"\1 0,", line) for line in jars_of(stray=True)]
    assert read(lines)[1].left_out == ()


def test_where_only_unnamed_cups_were_scored_the_folder_says_so():
    with pytest.raises(ScoreError, match="no cup that names its batch has a score"):
        read(
            [
                "taster,variant,batch,texture",
                *(
                    f"T{t},leaf,{jar},{'5' if not jar else ''}"
                    for t in "12"
                    for jar in ("", "a", "b")
                ),
            ]
        )


@pytest.mark.parametrize("by", ["mixed", "ranks"])
def test_by_ranks_the_claim_is_about_these_jars(by):
    # ranks hold nothing against the jars: .21-.29 false "different" as a claim about the method
    found = compare(jars_of(), f'{TOML}[decision]\nby = "{by}"\n').comparisons[0].because
    assert ("in these batches" in found) == (by == "ranks")


def placed(tasters=9):
    rng = np.random.default_rng(4)
    lines = ["taster,variant,position,texture"]
    for taster in range(tasters):
        for place, variant in enumerate(rng.permutation(["plain", "leaf", "calcium"]), 1):
            lines.append(f"T{taster},{variant},{place},{rng.uniform(4, 8) - place:.2f}")
    return lines


@pytest.mark.parametrize("balanced", [True, False])
def test_the_place_of_a_cup_is_a_term_where_orders_were_drawn_balanced(balanced):
    trial, table = read(placed())
    (result,) = compare_trial(trial, replace(table, balanced=balanced))
    assert result.mixed.note.position is balanced
    bare = [",".join(line.split(",")[:2] + line.split(",")[3:]) for line in placed()]
    without = compare(bare).mixed.contrasts[0].difference
    assert (result.mixed.contrasts[0].difference == pytest.approx(without)) is not balanced


def test_means_are_of_the_scores_and_not_of_tasters():
    lines = ["session,taster,variant,texture", "1,A,plain,1", "2,A,plain,1", "1,B,plain,7"]
    leaf = compare([*lines, "1,A,leaf,4", "2,A,leaf,4", "1,B,leaf,10"]).comparisons[0]
    assert (leaf.mean_control, leaf.mean_variant) == (3.0, 6.0)


@pytest.mark.parametrize(
    "lines",
    [
        rows({"plain": 0, "leaf": 0.3, "calcium": 0}, tasters=24),
        rounds_of_one(20, 0.3, ("plain", "leaf")),
    ],
    ids=["tasters", "rounds"],
)
def test_chance_comes_from_the_seed_of_the_trial(lines):
    found = [
        compare(lines, TOML.replace("seed = 7", f"seed = {seed}")).comparisons[0].ranks
        for seed in (7, 7, 8)
    ]
    assert found[0].method == "sampled"
    assert found[0].p_value == found[1].p_value != found[2].p_value


@pytest.mark.parametrize("procedure", ["mixed", "ranks", "rounds"])
def test_primary_attributes_share_alpha(procedure):
    lines = rows({"plain": 0, "leaf": 0.3, "calcium": 1}, tasters=12)
    if procedure == "rounds":
        lines = rounds_of_one(12, variants=("plain", "leaf"))
    doubled = [f"{line},{line.rsplit(',', 1)[1]}" for line in lines]
    doubled[0] = f"{lines[0]},salt"
    name = "mixed" if procedure == "mixed" else "ranks"
    alone = getattr(compare(lines).comparisons[0], name)
    for result in compare_trial(*read(doubled, TWO_PRIMARY)):
        assert result.alpha == 0.03
        shared = getattr(result.comparisons[0], name)
        assert shared.p_adjusted == pytest.approx(alone.p_adjusted)
        assert shared.interval.low < alone.interval.low
        assert shared.interval.high > alone.interval.high
