from __future__ import annotations

import datetime

import numpy as np
import pytest

from blindspoon.charts.board import outcome_of
from blindspoon.findings.comparison import AttributeResult, NotCompared
from blindspoon.findings.naming import naming
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import NoResult
from blindspoon.trial import Attribute, Decision, Scale, Session, Tasting, Trial, Variant


def table(batch=(0, 1, 0, 1, 0)) -> ScoreTable:
    """Two tasters, two variants; T01 tasted the second twice, T02 left one cup without score."""
    return ScoreTable(
        tasters=("T01", "T02"),
        sessions=("1", "2"),
        taster=np.array([0, 0, 1, 1, 0]),
        session=np.array([0, 0, 0, 0, 1]),
        variant=np.array([0, 1, 0, 1, 1]),
        batch=np.array(batch),
        batches=("A", "B", "C"),
        position=np.zeros(5, dtype=np.int64),
        scores=np.array([[4.0], [6.0], [5.0], [np.nan], [7.0]]),
        coded=False,
        balanced=False,
        remarks=(),
        left_out=(),
    )


@pytest.fixture
def trial() -> Trial:
    return Trial(
        title="Crisp?",
        question="",
        product="",
        host="Kitchen",
        licence="",
        dates="",
        control="plain",
        seed=1,
        decision=Decision(declared=None, primary=(), alpha=0.05, by="ranks"),
        attributes=(
            Attribute(
                name="texture",
                label="Texture",
                low="",
                high="",
                less="",
                more="",
                scale=Scale(low=0, high=10),
                margin=None,
            ),
        ),
        variants=tuple(
            Variant(name=name, label=name, method="", differs=()) for name in ("oak", "plain")
        ),
        sessions=tuple(
            Session(name=str(day), date=datetime.date(2026, 9, day)) for day in (26, 19)
        ),
        tasting=Tasting(tasters=(), servings=None, codes="per taster", cleanser=""),
    )


@pytest.fixture
def result(trial) -> AttributeResult:
    none, attribute = NoResult(""), trial.attributes[0]
    return AttributeResult(
        attribute=attribute,
        primary=False,
        alpha=0.05,
        friedman=none,
        mixed=none,
        others=(NotCompared(attribute=attribute, variant=trial.variants[0], reason=""),),
        by="ranks",
    )


def drawn(trial, result):
    return outcome_of(trial, table(), result, naming(trial, table(), None))


def test_replicates_are_averaged_and_gaps_stay(trial, result):
    expected = np.array([[4.0, 6.5], [5.0, np.nan]])
    np.testing.assert_array_equal(drawn(trial, result).means, expected)


def test_a_difference_is_variant_minus_control(trial, result):
    picture = drawn(trial, result)
    np.testing.assert_array_equal(picture.differences[:, 0], [-2.5, np.nan])
    assert [*picture.others] == [0]
    assert (picture.result.by, picture.control) == ("ranks", 1)
    assert picture.scored[0] == 4.5


def test_the_source_names_trial_host_and_days(trial, result):
    picture = drawn(trial, result)
    assert picture.source == "“Crisp?”, Kitchen, 19 to 26 September 2026"
