"""Acids on one footing."""

from __future__ import annotations

import pytest

from blindspoon.batches.strengths import (
    BOTTLED_JUICE,
    EQUIVALENT_MASS,
    FRESH_JUICE,
    JUICE_DENSITY,
    acid_of,
    times_natural_juice,
)

MILLILITRES_IN_AN_OUNCE = 29.5735


# Grams a mole of H+, as tables of titratable acidity give them (from memory).
@pytest.mark.parametrize(
    ("acid", "grams"),
    [
        ("citric acid", 64.04),
        ("citric acid monohydrate", 70.05),
        ("acetic acid", 60.05),
        ("lactic acid", 90.08),
        ("malic acid", 67.05),
        ("tartaric acid", 75.04),
    ],
)
def test_equivalent_masses(acid, grams):
    assert EQUIVALENT_MASS[acid] == pytest.approx(grams, abs=0.01)


def test_lactic_acid_counts_less_than_citric():
    assert acid_of("lactic acid").citric_per_g == pytest.approx(64.04 / 90.08, rel=1e-4)
    assert acid_of("Lactic acid 80 %").citric_per_g == pytest.approx(0.8 * 64.04 / 90.08, rel=1e-4)


# Penniston et al. 2008, J. Endourol. 22:567: 48.0 g/l in fresh juice; its abstract says 1.44 g an
# ounce, where 48.0 g/l are 1.42.
def test_fresh_juice_is_one_time_natural_juice():
    juice = acid_of("fresh sour fruit juice").citric_per_g
    assert times_natural_juice(100 * juice) == pytest.approx(1.0)
    assert juice * JUICE_DENSITY * MILLILITRES_IN_AN_OUNCE == pytest.approx(1.44, abs=0.03)


def test_bottled_juice_is_weaker():
    bottled = acid_of("bottled sour fruit juice").citric_per_g * JUICE_DENSITY * 1000
    assert BOTTLED_JUICE == (34.1, 39.2)
    assert BOTTLED_JUICE[0] < bottled < BOTTLED_JUICE[1] < FRESH_JUICE


# National Center for Home Food Preservation: for a quart of tomatoes 2 tablespoons of bottled
# juice, or 1/2 teaspoon of citric acid (2 to 2.5 g, from memory), or 4 tablespoons of 5 % vinegar.
# They are no equal masses of acid: that is why spoons are not converted.
def test_the_canning_equivalents_are_not_equal_in_mass():
    tablespoon = 14.787
    bottled = acid_of("bottled sour fruit juice").citric_per_g * JUICE_DENSITY
    juice = 2 * tablespoon * bottled
    vinegar = 4 * tablespoon * 1.01 * acid_of("vinegar 5 %").citric_per_g
    assert 2 * tablespoon * BOTTLED_JUICE[0] / 1000 == pytest.approx(1.01, abs=0.005)
    assert juice < 1.2
    assert vinegar > 3.0
    assert vinegar / juice == pytest.approx(2.9, abs=0.1)


@pytest.mark.parametrize(
    "text",
    [
        "vinegar 5 %",
        "5% vinegar",
        "Cider vinegar 5 %",
        "vinegar 5,0%",
        "vinegar (5 %)",
        "vinegar, 5 %",
    ],
)
def test_vinegar_by_its_strength(text):
    found = acid_of(text)
    assert found.citric_per_g == pytest.approx(0.05 / 1.01 * 64.04 / 60.05, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("vinegar", "without its strength"),
        ("rhubarb juice", "not known"),
        ("vinegar 500 %", "above 100 %"),
    ],
)
def test_what_is_not_known_says_why(text, reason):
    assert acid_of(text).citric_per_g is None
    assert reason in acid_of(text).reason


@pytest.mark.parametrize("text", ["", "none", " None "])
def test_no_acid_is_no_acid(text):
    assert acid_of(text).citric_per_g == 0
