from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.charts.dots import Size, density, dodge, height, outline, size_for
from blindspoon.charts.scene import INSET, WIDE

TALLEST = WIDE.style.tallest
PLACES = st.lists(st.integers(0, 90).map(float), min_size=1, max_size=40)


@given(places=PLACES)
def test_no_mark_hides_another(places):
    row = np.array(places)
    size = size_for([row], TALLEST)
    centres = np.array(dodge(row, size))
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=-1)
    apart[np.diag_indices(len(centres))] = np.inf
    assert apart.min() >= size.diameter - 1e-6


@given(places=PLACES)
def test_marks_stay_at_their_place_or_in_a_stack_about_it(places):
    row = np.array(places)
    size = size_for([row], TALLEST)
    xs = np.array([x for x, _ in dodge(row, size)])
    for place in np.unique(row):
        assert xs[row == place].mean() == pytest.approx(place, abs=size.diameter * size.abreast / 2)
        assert np.abs(xs[row == place] - place).max() <= INSET - size.diameter / 2 + 1e-6


def test_a_dozen_tasters_stand_one_on_the_other():
    row = np.array([0.0] * 5 + [40.0] * 4 + [80.0] * 3)
    assert size_for([row], TALLEST) == Size(8.0, 1)
    assert {x for x, _ in dodge(row, Size(8.0, 1))} == {0.0, 40.0, 80.0}


def test_forty_tied_tasters_keep_to_a_low_stack():
    row = np.zeros(40)
    assert height(row, size_for([row], TALLEST)) <= TALLEST
    assert len(set(dodge(row, size_for([row], TALLEST)))) == 40


def test_a_row_without_tasters_is_borne():
    assert dodge(np.array([]), size_for([np.array([])], TALLEST)) == ()


def test_a_density_holds_all_tasters_and_peaks_where_they_are():
    rng = np.random.default_rng(4)
    found = density(rng.normal(6, 1, 100_000), 0.0, 10.0, 0.0)
    assert found.sum() == pytest.approx(1, abs=1e-3)
    assert (found.argmax() + 0.5) / found.size * 10 == pytest.approx(6, abs=0.2)


def test_ties_on_a_stepped_scale_make_no_comb():
    scores = np.repeat([4.0, 5.0, 6.0], 30_000)
    found = density(scores, 0.0, 10.0, 1.0)
    between = found[[90, 110]]  # 4.5 and 5.5
    assert between.min() > 0.8 * found[100]


def test_an_outline_stands_on_its_base():
    edge = outline(density(np.full(100, 5.0), 0.0, 10.0, 1.0), 0.0, 200.0, 500.0)
    assert edge[0][1] == edge[-1][1] == 0.0
    assert min(y for _, y in edge) < -5.0
