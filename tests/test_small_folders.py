"""Small and bent folders: what `check` calls sound gets a result or problems, never a traceback."""

from __future__ import annotations

import itertools
import json
import re
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blindspoon.analysis import analyse, compose_report, to_record
from blindspoon.cli.printed import comparison_table
from blindspoon.errors import TrialError
from blindspoon.examine import doubts, examine
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.further import study_further
from blindspoon.packing.pack import pack
from blindspoon.scores.sets import ChoiceTable
from blindspoon.writeup.front import advice, make_boards, trust, weaknesses

VARIANTS = ("plain", "oak-leaf", "cool-cellar", "old-brine")
ATTRIBUTES = ("texture", "saltiness", "sourness", "bitterness")
RELAXED = {
    "deadline": None,
    "derandomize": True,
    "database": None,
    "suppress_health_check": [HealthCheck.too_slow],
}


class Cell(NamedTuple):
    """One score that could be given, by the places of what it belongs to."""

    taster: int
    session: int
    variant: int
    attribute: int = 0


GIVEN = {
    "all were given": lambda _: True,
    "everyone got one cup": lambda c: c.session == 0 and c.variant == c.taster % 2,
    "everyone got one cup a session": lambda c: c.variant == (c.taster + c.session) % 2,
    "only the control was scored": lambda c: c.variant == 0,
    "the control was never scored": lambda c: c.variant > 0,
    "an attribute was scored for one variant only": lambda c: c.attribute > 0 or c.variant == 1,
    "an attribute was scored for the control only": lambda c: c.attribute > 0 or c.variant == 0,
    "one taster came": lambda c: c.taster == 0,
    "the second session is still to come": lambda c: c.session == 0,
    "one taster came a second time": lambda c: c.session == 0 or c.taster == 0,
    "sessions had different variants": lambda c: c.session == c.variant % 2,
    "every taster scored another attribute": lambda c: c.taster % 2 == c.attribute % 2,
    "two panels had one variant each": lambda c: c.taster % 2 == c.variant % 2,
    "one score was given": lambda c: c == (0, 0, 0, 0),
}
SCORES = {
    "scattered": lambda _, rng: int(rng.integers(0, 11)),
    "all alike": lambda *_: 5,
    "alike within a variant": lambda c, *_: 2 * c.variant + 1,
}
COLUMNS = {
    "position": lambda c: c.variant + 1,
    "jar": lambda c: f"jar {c.variant}",
    "jars": lambda c: f"jar {c.variant} {c.taster % 2}",
}


def folder_of(
    bend, scores="scattered", *, shape=(3, 2, 3, 2), blanks=0.0, more=(), rule="", seed=7
):
    """The files of a trial whose scores are bent in one way; `shape` counts as `Cell` does."""
    rng = np.random.default_rng(seed)
    *cups, attributes = shape
    columns = [name.replace("jars", "batch").replace("jar", "batch") for name in more]
    rows = [["taster", "session", "variant", *columns, *ATTRIBUTES[:attributes]]]
    for cup in map(Cell._make, itertools.product(*map(range, cups), [0])):
        own = [str(COLUMNS[name](cup)) for name in more]
        told = [
            str(SCORES[scores](cup, rng))
            if GIVEN[bend](cup._replace(attribute=attribute)) and rng.random() >= blanks
            else ""
            for attribute in range(attributes)
        ]
        names = [f"T{cup.taster + 1}", str(cup.session + 1), VARIANTS[cup.variant]]
        rows.append([*names, *own, *told])
    head = '[trial]\ntitle = "Small"\ncontrol = "plain"\nseed = 7\n'
    scale = "[scale]\nlow = 0\nhigh = 10\nstep = 1\n"
    named = [("attribute", name) for name in ATTRIBUTES[:attributes]]
    named += [("variant", name) for name in VARIANTS[: shape[2]]]
    tables = "".join(f'[[{kind}]]\nname = "{name}"\n' for kind, name in named)
    return {
        "trial.toml": head + rule + scale + tables,
        "scores.csv": "".join(",".join(row) + "\n" for row in rows),
    }


@st.composite
def small_folders(draw):
    """Few tasters, variants and attributes; now and then a rule, jars and places."""
    by, primary, margin = draw(
        st.tuples(
            st.sampled_from(["mixed", "ranks"]),
            st.sampled_from(["", 'primary = ["texture"]\n']),
            st.sampled_from(["", "margin = 1.0\n"]),
        )
    )
    return folder_of(
        draw(st.sampled_from(sorted(GIVEN))),
        draw(st.sampled_from(sorted(SCORES))),
        shape=[draw(st.integers(low, high)) for low, high in ((1, 7), (1, 2), (2, 4), (1, 4))],
        blanks=draw(st.sampled_from([0.0, 0.3, 0.7])),
        more=draw(st.sampled_from([(), ("position",), ("jar",), ("position", "jars")])),
        rule=draw(st.sampled_from(["", f'[decision]\nby = "{by}"\n{primary}{margin}'])),
        seed=draw(st.integers(0, 99)),
    )


def outcome(files, *, packed=False):
    """Take a folder through the commands; the problems they end in, none where all gave results."""
    with tempfile.TemporaryDirectory() as place:
        for name, text in files.items():
            Path(place, name).write_text(text, encoding="utf-8")
        if problems := examine(Path(place)).problems:
            return problems
        try:
            found = analyse(Path(place))
            assert comparison_table(found)
            further = study_further(found) if found.results else None
            assert json.dumps(to_record(found, further), allow_nan=False)
            assert compose_report(found, further).answer
            if packed:
                assert {"index.html", "data/datapackage.json"} <= set(pack(found, jar_g=1000).files)
        except TrialError as error:
            return error.problems
    return ()


@pytest.mark.parametrize("bend", GIVEN)
def test_a_bent_folder_ends_well(bend):
    assert outcome(folder_of(bend)) == ()


# Each of these once ended `report`, `publish` and `compare --json` in a traceback.
@pytest.mark.parametrize(
    "bend",
    [
        "everyone got one cup",
        "only the control was scored",
        "an attribute was scored for one variant only",
        "one score was given",
    ],
)
def test_a_bent_folder_is_published(bend):
    assert outcome(folder_of(bend, shape=(2, 1, 2, 2)), packed=True) == ()


def written(place, files):
    for name, text in files.items():
        (place / name).write_text(text, encoding="utf-8")
    return place


@pytest.mark.parametrize(("margin", "asked"), [(9, True), (3, True), (2.5, False), (1, False)])
def test_a_margin_of_most_of_the_scale_is_questioned(tmp_path, margin, asked):
    rule = f"[decision]\nmargin = {margin}\n"
    notes = examine(written(tmp_path, folder_of("all were given", rule=rule))).notes
    assert any("really not matter" in note.text for note in notes) == asked


@pytest.mark.parametrize(("margin", "told"), [(5, True), (2.5, False)])
def test_a_page_tells_that_alike_means_little_where_the_margin_is_wide(tmp_path, margin, told):
    rule = f'[decision]\nprimary = ["texture"]\nmargin = {margin}\n'
    files = folder_of("all were given", "all alike", shape=(7, 2, 2, 1), rule=rule)
    analysis = analyse(written(tmp_path, files))
    weak = dict(weaknesses(analysis, None))
    said = "On texture alike means less than 5 points apart, on a scale from 0 to 10."
    assert (weak.get("A wide margin.") == said) is told
    assert {each.verdict for each in analysis.comparisons} == {"alike"}
    assert ("Leave it out" in str(advice(analysis))) is not told


@pytest.mark.parametrize(("cups", "asked"), [(6, False), (7, True)])
def test_many_cups_at_one_sitting_are_questioned_until_they_are_scored(cups, asked):
    toml = folder_of("all were given")["trial.toml"]
    trial = parse_trial(f"{toml}[tasting]\ntasters = 3\nservings = {cups}\n")
    assert any("tire the tongue" in text for text in doubts(trial)) == asked
    assert not any("tire the tongue" in text for text in doubts(trial, scored=True))


def test_two_tasters_are_two_people_in_the_answer(tmp_path):
    files = folder_of("all were given", shape=(2, 1, 3, 1))
    content = compose_report(analyse(written(tmp_path, files)))
    assert "To these two people, " in content.answer


def test_who_scored_and_who_chose_are_counted_apart(tmp_path):
    analysis = analyse(written(tmp_path, folder_of("all were given", shape=(2, 1, 3, 1))))
    sets = ChoiceTable(
        tasters=("T1", "T2", "T3"), taster=np.arange(3), variant=np.ones(3, np.int64),
        right=np.ones(3, bool), other=np.zeros(3, bool), orders={},
    )  # fmt: skip
    both = replace(analysis, table=replace(analysis.table, choices=sets))
    told = "Two people tasted one batch of each; three chose from sets of cups."
    assert trust(both).startswith(told)


def test_a_likely_range_wider_than_the_scale_fills_its_mark(tmp_path):
    rule = '[decision]\nprimary = ["texture"]\nmargin = 1.0\n'
    analysis = analyse(
        written(tmp_path, folder_of("all were given", shape=(2, 2, 3, 1), rule=rule))
    )
    intervals = [each.found.interval for each in analysis.comparisons]
    assert all(it.low < -10 and it.high > 10 for it in intervals)
    (board,) = make_boards(analysis.results * 2)  # of one attribute there is none
    drawn = [
        re.findall(r'<line x1="([0-9]+)" .*?x2="([0-9]+)"', it.mark) for _, (it, _) in board.rows
    ]
    assert [lines[1] for lines in drawn] == [("4", "68")] * 2


def test_a_range_wider_than_the_scale_rules_nothing_out(tmp_path):
    files = folder_of("all were given", shape=(2, 1, 2, 1))
    rows = ("T1,1,plain,7", "T1,1,oak-leaf,0", "T2,1,plain,3", "T2,1,oak-leaf,9")
    files["scores.csv"] = "\n".join(("taster,session,variant,texture", *rows))
    (found,) = analyse(written(tmp_path, files)).comparisons
    assert found.because.endswith("on texture is not settled: these scores rule nothing out.")


def test_what_could_not_be_compared_is_so_to_nobody_in_particular(tmp_path):
    files = folder_of("the control was never scored", shape=(2, 1, 2, 1))
    content = compose_report(analyse(written(tmp_path, files)))
    assert "To these two people" not in content.answer
    told = "“Oak leaf” was not compared: Nobody scored the control."
    assert [it.because for it in content.findings[0].result.others] == [told]


def test_a_single_score_is_one_score(tmp_path):
    files = folder_of("one score was given", shape=(2, 1, 2, 1))
    content = compose_report(analyse(written(tmp_path, files)))
    (told,) = (part for part in content.sections if part.name == "tasted")
    assert "The one score was given." in " ".join(told.paragraphs)


@given(files=small_folders())
@settings(max_examples=8, **RELAXED)
def test_a_small_folder_is_a_result_or_problems(files):
    for problem in outcome(files):
        assert problem.slug == "no-scores"


@pytest.mark.slow
@given(files=small_folders())
@settings(max_examples=100, **RELAXED)
def test_a_small_folder_is_published_or_has_problems(files):
    for problem in outcome(files, packed=True):
        assert problem.slug == "no-scores"
