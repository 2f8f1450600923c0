"""The largest of correlated normal deviates, against quadrature and printed tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

from blindspoon.stats.sign_flips import SMALLEST, JointNormal


def tail(value, correlation):
    return JointNormal(correlation).tail(value, range(len(correlation)))


def equicorrelated(d, rho):
    return np.full((d, d), rho) + (1 - rho) * np.eye(d)


def by_quadrature(value, d, rho):
    """Dunnett's one-factor integral for equal correlations."""

    def outside(common):
        high = (value + np.sqrt(rho) * common) / np.sqrt(1 - rho)
        low = (-value + np.sqrt(rho) * common) / np.sqrt(1 - rho)
        single = min(ndtr(-high) + ndtr(low), 1 - 1e-16)
        return np.exp(-(common**2) / 2) / np.sqrt(2 * np.pi) * -np.expm1(d * np.log1p(-single))

    return quad(outside, -14, 14, epsabs=0, epsrel=1e-9, limit=400)[0]


@pytest.mark.parametrize("d", [2, 4, 11])
@pytest.mark.parametrize("rho", [0.2, 0.5, 0.8])
def test_tail_keeps_its_relative_accuracy(d, rho):
    values = [1.5, 2.0, 2.5, 4.0, 8.0]
    found = [tail(value, equicorrelated(d, rho)) for value in values]
    assert found == pytest.approx([by_quadrature(value, d, rho) for value in values], rel=1e-7)


@pytest.mark.parametrize(
    ("d", "published"), [(1, 1.960), (2, 2.212), (3, 2.349), (4, 2.442), (5, 2.511), (6, 2.567)]
)
def test_dunnetts_critical_values_for_infinite_df(d, published):
    # C. W. Dunnett 1964, Biometrics 20:482, two-sided 5 %, infinite degrees of freedom, printed
    # to two decimals (from memory); the third by quadrature, tests/data/dunnett_quadrature.csv
    assert JointNormal(equicorrelated(d, 0.5)).critical(0.05) == pytest.approx(published, abs=6e-4)


@pytest.mark.parametrize("value", [0.0, 1e-9, 1.0, 3.0, 37.0, 300.0, 1e6])
@pytest.mark.parametrize("d", [1, 2, 11])
def test_tail_is_a_positive_probability_at_any_value(value, d):
    found = tail(value, equicorrelated(d, 0.5))
    assert SMALLEST <= found <= 1


def test_identical_deviates_count_once():
    assert tail(2.0, np.ones((4, 4))) == pytest.approx(0.0455003, rel=1e-6)
    assert JointNormal(np.ones((4, 4))).critical(0.05) == pytest.approx(1.959964, abs=1e-6)


def test_opposite_deviates_count_once():
    opposite = np.array([[1.0, -1.0], [-1.0, 1.0]])
    assert tail(2.0, opposite) == pytest.approx(0.0455003, rel=1e-6)


def test_nothing_need_be_exceeded_at_alpha_one():
    assert JointNormal(np.eye(3)).critical(1.0) == 0.0


def test_many_deviates_are_integrated_too():
    found = tail(3.5, equicorrelated(60, 0.5))
    assert found == pytest.approx(by_quadrature(3.5, 60, 0.5), rel=1e-7)
