"""Acids on one footing."""

from __future__ import annotations

import pytest

from blindspoon.batches.strengths import EQUIVALENT_MASS, acid_of


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
