"""The reference page says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from blindspoon.batches.cautions import ALCOHOL_LIMIT, CAUTIONS, FRESH_DAYS, PH_LIMIT, PH_RISE
from blindspoon.batches.differences import STANDARD
from blindspoon.batches.strengths import EQUIVALENT_MASS, Strengths, acid_of

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "batches.md"


@pytest.fixture
def rows():
    """First cells of the tables' rows with the rest of their row, and what lists say of a name."""
    lines = PAGE.read_text(encoding="utf-8").splitlines()
    cells = [re.split(r"\s*\|\s*", line.strip("| ")) for line in lines if line.startswith("|")]
    cells += [line[2:].split(": ", 1) for line in lines if line.startswith("- ") and ": " in line]
    return {name: row[1:] for row in cells for name in row[0].replace("`", "").split(", ")}


def test_every_strength_is_explained():
    items = re.findall(r"^- (`.+?`): \S", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    names = set(Strengths.__slots__) - {"batch", "variant", "unknown"}
    assert names - set(re.findall(r"\w+", " ".join(items))) == set()


def test_every_factor_has_its_tolerance_and_names(rows):
    for factor in STANDARD:
        room, names = rows[factor.name]
        assert set(re.findall(r"`(\w+)`", names)) >= set(factor.also)
        assert room == "the same words" or float(room.split()[0]) == factor.tolerance


def test_every_caution_has_its_rule_and_source(rows):
    assert set(CAUTIONS) - {"pressure", "vacuum", "mould"} - set(rows) == set()
    assert {"pressure", "vacuum", "mould"} <= set(rows)
    for kind, limit in (
        ("ph-above-limit", PH_LIMIT),
        ("ph-rising", PH_RISE),
        ("ph-read-early", FRESH_DAYS),
        ("alcohol", ALCOHOL_LIMIT),
    ):
        assert f"{limit:g}" in rows[kind][0]


def test_every_acid_has_its_strength(rows):
    names = set(EQUIVALENT_MASS) - {"acetic acid"} | {"lactic acid 80 %"}
    for name in names:
        assert float(rows[name][0].split()[0]) == pytest.approx(
            acid_of(name).citric_per_g, abs=5e-4
        )
