"""Units: NIST Handbook 44, Appendix C, and the fixed points of water."""

from __future__ import annotations

import pytest

from blindspoon.batches.log import unit_of


# NIST Handbook 44, Appendix C: 1 oz avdp = 28.349 523 125 g, 1 lb = 453.592 37 g, both exact.
@pytest.mark.parametrize(
    ("column", "value", "grams"),
    [
        ("salt_g", 18.9, 18.9),
        ("produce_kg", 0.62, 620.0),
        ("salt_oz", 1.0, 28.349523125),
        ("produce_lb", 25.0, 11339.80925),
        ("water_l", 1.0, 998.0),
    ],
)
def test_masses_are_converted(column, value, grams):
    unit = unit_of(column)
    assert unit.convert(value) == pytest.approx(grams, rel=1e-12)
    assert not unit.rough


def test_sixteen_ounces_are_a_pound():
    assert unit_of("salt_oz").convert(16) == pytest.approx(unit_of("salt_lb").convert(1), rel=1e-12)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32, 0), (212, 100), (68, 20), (-40, -40)])
def test_water_freezes_and_boils(fahrenheit, celsius):
    assert unit_of("temperature_f").convert(fahrenheit) == pytest.approx(celsius, abs=1e-12)


# NIST Handbook 44: 16 tablespoons or 48 teaspoons to a cup, 4 cups to a quart.
def test_spoons_and_cups_agree_with_one_another():
    cup = unit_of("salt_cups").convert(1)
    assert unit_of("salt_tbsp").convert(16) == pytest.approx(cup, rel=1e-9)
    assert unit_of("salt_tsp").convert(48) == pytest.approx(cup, rel=1e-9)
    assert unit_of("water_cups").convert(4) == pytest.approx(unit_of("water_qt").convert(1))


@pytest.mark.parametrize("column", ["salt_tbsp", "water_cups", "sugar_tsp"])
def test_spoons_and_cups_are_called_rough(column):
    assert unit_of(column).rough


@pytest.mark.parametrize("column", ["produce_cups", "acid_tsp", "leaf", "calcium_g", "salt", "_g"])
def test_what_has_no_known_weight_is_not_converted(column):
    assert unit_of(column) is None
