"""The part of the page about all attributes together, from trials of the other reports."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blindspoon.analysis import analyse
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.further import study_joint
from blindspoon.findings.rule import NAMES
from blindspoon.stats.results import as_record
from blindspoon.trial import Trial
from blindspoon.writeup.further_sections import joint_section

TRIALS = Path(__file__).parents[2] / "trials"
KEY = ("sourness", "old-brine")


@pytest.fixture(scope="module")
def cucumbers(analysis_of):
    return analysis_of("allotment-cucumbers")


def section(analysis, **changes):
    """The section of a trial, and of the same with another rule."""
    trial: Trial = replace(analysis.trial, decision=replace(analysis.trial.decision, **changes))
    results = compare_trial(trial, analysis.table) if changes else analysis.results
    joint = study_joint(trial, analysis.table, results)
    return joint_section(replace(analysis, trial=trial, results=results), joint), joint


def rows(found, name):
    return list(csv.DictReader(io.StringIO(dict(found.files)[f"tables/{name}.csv"])))


def test_the_demo_has_correlations_and_shares_alpha_already(cucumbers):
    found, joint = section(cucumbers)
    assert (found.head, found.role) == ("Attributes together", "Exploratory")
    assert found.paragraphs[0].startswith("Within a variant, ")
    assert "not settled which attributes go together" in found.paragraphs[0]
    assert len(rows(found, "correlations")) == 6
    assert "share alpha" in as_record(joint)["overall_reason"]
    assert "tables/overall.csv" not in dict(found.files)


def test_of_attributes_that_go_together_the_strongest_pair_comes_first(cucumbers):
    _, joint = section(cucumbers)
    weak, strong = (
        replace(pair, within=replace(pair.within, r=r, interval=(r - 0.05, r + 0.05)))
        for pair, r in zip(joint.correlations[:2], (-0.5, -0.8), strict=True)
    )
    told = joint_section(cucumbers, replace(joint, correlations=(weak, strong))).paragraphs[0]
    names = (weak.first, strong.second, weak.second)
    both, one, other = (cucumbers.trial.attribute(name).label.lower() for name in names)
    assert f"{both} and {one}, {both} and {other} went against each other" in told


def test_without_a_primary_attribute_it_says_which_differences_hold(cucumbers):
    found, joint = section(cucumbers, primary=())
    first = found.paragraphs[0]
    assert "one false alarm in 20 trials over all four attributes" in first
    assert "five of the six differences are still shown" in first
    assert first.endswith("No longer shown: “Old brine” on sourness.")
    assert len(rows(found, "overall")) == len(joint.overall.comparisons) == 16
    table = next(each for each in found.numbers if each.name == "together-overall")
    held = {cells[1] for head, cells in table.rows if head == "Old brine, sourness"}
    assert held == {NAMES["alike"]}  # by itself it is slightly different


def test_a_single_difference_that_no_longer_holds_is_told_of_as_one(cucumbers):
    trial = replace(cucumbers.trial, decision=replace(cucumbers.trial.decision, primary=()))
    results = compare_trial(trial, cucumbers.table)
    joint = study_joint(trial, cucumbers.table, results)
    (sour,) = (found for found in results if found.attribute.name == "sourness")
    brine = replace(sour, others=sour.others[-1:])
    told = [it for it in joint.overall.comparisons if (it.attribute, it.variant) == KEY]
    alone = replace(joint, overall=replace(joint.overall, comparisons=tuple(told)))
    found = joint_section(replace(cucumbers, trial=trial, results=(brine,)), alone)
    assert found.paragraphs[0].endswith(
        "none of the differences is shown any longer: “Old brine” on sourness."
    )


def test_what_is_adjusted_over_all_attributes_is_told_by_its_name(cucumbers):
    found, _ = section(cucumbers, primary=())
    text = dict(found.points)["How all attributes were held together."]
    assert "multiplied by the number of attributes (Bonferroni)" in text


def test_ranks_decide_where_they_are_declared_to(cucumbers):
    by_mixed, _ = section(cucumbers, primary=())
    by_ranks, _ = section(cucumbers, primary=(), by="ranks")
    assert any("go by the mixed model" in text for _, text in by_mixed.points)
    assert any("go by ranks" in text for _, text in by_ranks.points)


def test_the_wine_has_one_attribute_and_no_section():
    analysis = analyse(TRIALS / "randall-1989-wine")
    joint = study_joint(analysis.trial, analysis.table, analysis.results)
    assert joint_section(analysis, joint) is None
    record = as_record(joint)
    assert [record[name] for name in ("correlations", "overall")] == [None] * 2
    assert record["correlations_reason"].endswith(".")


def test_where_the_days_are_primary_no_attribute_is_said_to_be(analysis_of):
    _, joint = section(analysis_of("carrot-days"))
    assert joint.overall.reason.startswith("The rule names another question as primary")


def test_the_record_is_json_without_gaps(cucumbers):
    for primary in ((), ("texture",)):
        text = json.dumps(as_record(section(cucumbers, primary=primary)[1]), allow_nan=False)
        for name, value in _items(json.loads(text)):
            assert value is not None or name in ("overall", "correlations", "interval")


def _items(value):
    if isinstance(value, dict):
        for name, each in value.items():
            yield name, each
            yield from _items(each)
    elif isinstance(value, list):
        for each in value:
            yield from _items(each)


def test_the_same_trial_gives_the_same_section(cucumbers):
    assert section(cucumbers)[0] == section(cucumbers)[0]


def some(analysis, *, attributes=4, tasters=12, noise=False):
    """The demo with fewer attributes or tasters, or with scores that hold nothing."""
    table, kept = analysis.table, analysis.table.taster < tasters
    scores = table.scores[kept, :attributes]
    if noise:
        scores = np.random.default_rng(3).normal(5, 1, scores.shape)
    fields = ("taster", "session", "variant", "batch", "position")
    part = {name: getattr(table, name)[kept] for name in fields}
    fewer = replace(table, **part, scores=scores, tasters=table.tasters[:tasters], balanced=False)
    decision = replace(analysis.trial.decision, primary=())
    trial = replace(
        analysis.trial, attributes=analysis.trial.attributes[:attributes], decision=decision
    )
    return replace(analysis, trial=trial, table=fewer, results=compare_trial(trial, fewer))


def test_one_taster_leaves_no_correlation(cucumbers):
    found, joint = section(some(cucumbers, tasters=1))
    for pair in as_record(joint)["correlations"]:
        assert "Too few tasters" in pair["within_reason"]
    assert "no correlation could be computed" in " ".join(found.paragraphs)


def test_nobody_reads_a_p_value_outside_tables_and_methods(cucumbers):
    for found in (section(cucumbers, primary=())[0], section(some(cucumbers, noise=True))[0]):
        said = " ".join((*found.paragraphs, *(chart.title + chart.alt for chart in found.charts)))
        assert not re.search(r"\bp [=<>]|significan|prove|identical|no difference\b", said)


def test_where_nothing_was_shown_nothing_is_taken_away(cucumbers):
    found, _ = section(some(cucumbers, noise=True))
    assert "a stricter level has none to take away" in found.paragraphs[0]
