"""Rows and batches are dealt at random, and nobody gets the same again without need."""

import numpy as np
import pytest

from blindspoon.serving.draw import deal, deal_batches, draw
from blindspoon.serving.plan import ServingRequest


def test_nobody_gets_a_thing_again_while_there_is_another():
    repeats = np.eye(7)[np.random.default_rng(1).permutation(7)]
    for seed in range(10):
        given = deal(repeats, np.random.default_rng(seed))
        assert sorted(given) == list(range(7))
        assert repeats[np.arange(7), given].sum() == 0


def test_without_a_history_every_deal_is_as_likely():
    drawn = [tuple(deal(np.zeros((3, 3)), np.random.default_rng(seed))) for seed in range(1200)]
    often = [drawn.count(one) for one in set(drawn)]
    assert len(often) == 6
    assert min(often) > 150  # 200 expected, standard deviation 13


def test_more_tasters_than_are_looked_at_together_still_get_one_each():
    assert sorted(deal(np.zeros((450, 450)), np.random.default_rng(1))) == list(range(450))


@pytest.mark.parametrize(("tasters", "batches"), [(7, 2), (12, 3), (2, 4), (10, 1)])
def test_batches_are_dealt_equally_in_each_session_and_in_all(tasters, batches):
    rng = np.random.default_rng(2)
    history = np.zeros((tasters, batches), dtype=np.int64)
    for _ in range(3):
        dealt = deal_batches(history.sum(axis=0), history, rng)
        assert np.ptp(np.bincount(dealt, minlength=batches)) <= 1
        history[np.arange(tasters), dealt] += 1
        assert np.ptp(history.sum(axis=0)) <= 1


def test_a_second_session_brings_the_other_batch():
    history = np.array([[1, 0], [0, 1], [1, 0], [0, 1]])
    dealt = deal_batches(history.sum(axis=0), history, np.random.default_rng(3))
    assert dealt.tolist() == [1, 0, 1, 0]


def test_over_a_plan_every_taster_gets_both_jars_of_every_variant():
    jars = {name: (f"{name} 1", f"{name} 2") for name in ("plain", "leaf", "cool")}
    tasters = ("Ada", "Ben", "Cem", "Dot")
    asked = ServingRequest(
        control="plain", others=("leaf", "cool"), tasters=tasters, sessions=("1", "2"), cups=3,
        batches=jars,
    )  # fmt: skip
    for seed in range(5):
        served = draw(asked, np.random.default_rng(seed)).servings
        got = {(cup.taster, cup.batch) for cup in served}
        assert got == {(taster, jar) for taster in tasters for own in jars.values() for jar in own}
