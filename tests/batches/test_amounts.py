"""Amounts that bring a batch to the control's salt and acid."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.batches.differences import NoAmounts, amounts
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.strengths import acid_of
from blindspoon.files.trial_toml import parse_trial

COLUMNS = frozenset({"produce_g", "water_g", "salt_g", "acid_g", "sugar_g"})


def test_salt_that_lacks_is_added(trial, log_of, jar):
    log = log_of(jar(salt_g=25.0), jar("jar 2", "oak-leaf", salt_g=18.8))
    (found,) = amounts(trial, log)
    assert found.add_salt_g == pytest.approx(6.2)
    assert found.weigh_salt_g == pytest.approx(25.0)
    assert (found.add_acid_g, found.add_water_g) == (0.0, 0.0)


def test_too_much_salt_is_thinned_with_water(trial, log_of, jar):
    log = log_of(jar(salt_g=20.0), jar("jar 2", "oak-leaf", salt_g=25.0))
    (found,) = amounts(trial, log)
    assert found.add_water_g == pytest.approx(250.0)
    assert found.add_salt_g == 0
    assert found.weigh_salt_g == pytest.approx(20.0)


def test_the_mean_of_the_control_is_the_aim(trial, log_of, jar):
    log = log_of(jar(salt_g=20.0), jar("b", salt_g=30.0), jar("c", "oak-leaf", salt_g=20.0))
    (found,) = amounts(trial, log)
    assert found.salt_percent == pytest.approx(50 * (20 / 1020 + 30 / 1030))


def test_what_is_meant_to_differ_is_said(log_of, jar):
    trial = parse_trial(
        'trial = { title = "t", control = "plain" }\nscale = { low = 0, high = 9 }\n'
        'attribute = [{ name = "a" }]\n'
        'variant = [{ name = "plain" }, { name = "salty", differs = ["salt_g"] }]\n'
    )
    log = log_of(jar(salt_g=20.0), jar("jar 2", "salty", salt_g=30.0))
    assert amounts(trial, log)[0].declared == ("salt",)


@pytest.mark.parametrize(
    ("control", "variant", "reason"),
    [
        ({"salt_g": 20.0}, {"salt_g": None}, "the weight of salt is not written"),
        ({"salt_g": None}, {"salt_g": 20.0}, "of the control the weight of salt is not written"),
        ({"salt_g": 0.0}, {"salt_g": 20.0}, "no addition brings them together"),
        (
            {"salt_g": 20.0, "acid_g": 0.0},
            {"salt_g": 20.0, "acid_g": 5.0, "acid": "vinegar"},
            "how sour its acid is",
        ),
    ],
)
def test_what_cannot_be_levelled_says_why(trial, log_of, jar, control, variant, reason):
    log = log_of(jar(**control), jar("jar 2", "oak-leaf", **variant))
    (found,) = amounts(trial, log)
    assert isinstance(found, NoAmounts)
    assert reason in found.reason


def test_without_a_control_there_is_no_aim(trial, log_of, jar):
    (found,) = amounts(trial, log_of(jar("jar 2", "oak-leaf", salt_g=20.0)))
    assert found.reason == "the control has no batch"


mass = st.floats(1.0, 2000.0)
salt = st.floats(0.5, 60.0)
sour = st.floats(0.1, 80.0)
acid = st.sampled_from(["citric acid", "lactic acid", "vinegar 5 %"])


@given(
    produce=mass, water=mass, salts=st.tuples(salt, salt), sours=st.tuples(sour, sour), kind=acid
)
def test_the_amounts_bring_it_there(produce, water, salts, sours, kind):
    trial = parse_trial(
        'trial = { title = "t", control = "plain" }\nscale = { low = 0, high = 9 }\n'
        'attribute = [{ name = "a" }]\nvariant = [{ name = "plain" }, { name = "other" }]\n'
    )
    control = Batch(
        name="c", variant="plain", line=2, produce_g=700, water_g=500, salt_g=salts[0], own={},
        acid="citric acid", acid_g=sours[0], sugar_g=0,
    )  # fmt: skip
    other = Batch(
        name="o", variant="other", line=3, produce_g=produce, water_g=water, salt_g=salts[1],
        acid=kind, acid_g=sours[1], sugar_g=0, own={},
    )  # fmt: skip
    log = BatchLog(
        batches=(control, other), readings={}, columns=COLUMNS, own=(),
        first_tasted=None, last_tasted=None,
    )  # fmt: skip
    (found,) = amounts(trial, log)
    if isinstance(found, NoAmounts):  # a weak acid cannot reach a strong one's sourness
        strength = acid_of(kind).citric_per_g
        total = 1200 + salts[0] + sours[0]
        assert (salts[0] + sours[0] / strength) / total >= 1
        return
    assert min(found.add_salt_g, found.add_acid_g, found.add_water_g) >= 0
    after = replace(
        other,
        salt_g=other.salt_g + found.add_salt_g,
        acid_g=other.acid_g + found.add_acid_g,
        water_g=other.water_g + found.add_water_g,
    )
    (again,) = amounts(trial, replace(log, batches=(control, after)))
    assert again.near
    assert again.add_salt_g + again.add_acid_g + again.add_water_g < 1e-6 * (produce + water)
    weighed = replace(other, salt_g=found.weigh_salt_g, acid_g=found.weigh_acid_g)
    (again,) = amounts(trial, replace(log, batches=(control, weighed)))
    assert again.add_salt_g + again.add_acid_g + again.add_water_g < 1e-6 * (produce + water)
