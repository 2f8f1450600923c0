"""The chances against closed forms that share no code with the simulation."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import chi2, nct, norm, t

from blindspoon.simulate import size as panels
from blindspoon.simulate.by_mixed import mixed_rule
from blindspoon.simulate.size import size_panel
from blindspoon.simulate.size_results import Question, Spread, common_practice
from blindspoon.simulate.trials import PanelSize, differing, serving_positions
from blindspoon.trial import Scale
from tests.simulate.size.drawing import as_listed, complete_cups, draw_scores

WIDE = Scale(low=-1000, high=1000)
SPREAD = Spread(residual_sd=1.2, taster_sd=50.0, taster_variant_sd=0.6)
"""Tasters' levels so far apart that no fit ends with their variance at zero."""
SCATTER = np.hypot(1.2, 0.6)
TRIALS = 20_000


def shares(panel, shift, margin, positions=None):
    """Share of trials that show the differing variant different, and inside the margin."""
    rule = mixed_rule(complete_cups(panel, positions), SPREAD, 0.05)
    rng = np.random.default_rng([panel.tasters, panel.variants])
    scores = draw_scores(panel, SPREAD, WIDE, shift, trials=TRIALS, rng=rng)
    rows = np.arange(TRIALS)
    column = differing(rows, panel.variants) - 1
    return [float(each[rows, column].mean()) for each in rule.decide(as_listed(scores), margin)]


def three_errors(chance):
    return 3 * np.sqrt(chance * (1 - chance) / TRIALS)


def two_sided_power(noncentrality, df, critical):
    return nct.sf(critical, df, noncentrality) + nct.cdf(-critical, df, noncentrality)


@pytest.mark.parametrize("tasters", [5, 8, 12, 24])
@pytest.mark.parametrize("shift", [1.0, 2.0])
def test_one_variant_has_the_power_of_the_paired_t_test(tasters, shift):
    """Noncentral t with n - 1 df: any text on power, such as J. Cohen 1988, section 2.3."""
    found, _ = shares(PanelSize(tasters=tasters, sessions=1, variants=2), shift, 1.0)
    noncentrality = shift / (SCATTER * np.sqrt(2 / tasters))
    exact = two_sided_power(noncentrality, tasters - 1, t.isf(0.025, tasters - 1))
    assert abs(found - exact) < three_errors(exact)


@pytest.mark.parametrize("tasters", [6, 12])
def test_balanced_positions_cost_one_degree_of_freedom(tasters):
    panel = PanelSize(tasters=tasters, sessions=1, variants=2)
    positions = serving_positions(panel, np.random.default_rng(1))
    found, _ = shares(panel, 1.5, 1.0, positions)
    noncentrality = 1.5 / (SCATTER * np.sqrt(2 / tasters))
    exact = two_sided_power(noncentrality, tasters - 2, t.isf(0.025, tasters - 2))
    assert abs(found - exact) < three_errors(exact)


def test_two_sessions_halve_the_cups_variance_only():
    found, _ = shares(PanelSize(tasters=10, sessions=2, variants=2), 1.5, 1.0)
    scatter = np.sqrt(1.2**2 / 2 + 0.6**2)
    exact = two_sided_power(1.5 / (scatter * np.sqrt(2 / 10)), 9, t.isf(0.025, 9))
    # Where the cells scatter less than the cups the fit puts both together, and df stay at 9:
    # the test gives a little away.
    assert exact - 0.03 < found < exact + three_errors(exact)


@pytest.mark.parametrize("tasters", [6, 11, 16])
def test_four_variants_have_the_power_of_dunnetts_test(tasters):
    """Noncentral t past the critical value of Dunnett's two-sided test (1964), by quadrature."""
    df = 4 * (tasters - 1)
    found, _ = shares(PanelSize(tasters=tasters, sessions=1, variants=5), 1.5, 1.0)
    noncentrality = 1.5 / (SCATTER * np.sqrt(2 / tasters))
    exact = two_sided_power(noncentrality, df, quadrature_critical(df, 4))
    assert abs(found - exact) < three_errors(exact)


def quadrature_critical(df, treatments):
    file = Path(__file__).parents[2] / "data" / "dunnett_quadrature.csv"
    with file.open(encoding="utf-8") as rows:
        for row in csv.DictReader(rows):
            if (row["df"], row["p_treatments"]) == (str(df), str(treatments)):
                return float(row["two_sided_0.05"])
    raise AssertionError(f"no row for {df}, {treatments}")


@pytest.mark.parametrize("tasters", [12, 24])
def test_one_variant_is_shown_alike_as_often_as_two_one_sided_tests_show_it(tasters):
    """The chance of Schuirmann's (1987) two one-sided tests, by integrating over the scatter."""
    margin, df, error = 1.5, tasters - 1, SCATTER * np.sqrt(2 / tasters)

    def given(square):
        room = margin / error - t.isf(0.05, df) * np.sqrt(square / df)
        return (2 * norm.cdf(room) - 1) * chi2.pdf(square, df) if room > 0 else 0.0

    exact = quad(given, 0, df * (margin / error / t.isf(0.05, df)) ** 2)[0]
    _, found = shares(PanelSize(tasters=tasters, sessions=1, variants=2), 0.0, margin)
    assert abs(found - exact) < three_errors(exact)


@pytest.mark.parametrize(("tasters", "sessions"), [(4, 1), (8, 1), (12, 2)])
def test_false_alarms_stay_at_alpha(monkeypatch, tasters, sessions):
    monkeypatch.setattr(panels, "_seen", lambda *_: None)  # it takes no part in these chances
    scale = Scale(low=0, high=10, step=0.5)
    question = Question(
        variants=4,
        scale=scale,
        margin=1.0,
        alpha=0.05,
        spread=common_practice(scale),
        trials=6000,
        seed=11,
        places=3,
    )
    for cell in size_panel(question, tasters, sessions):
        limit = 0.05 + 2 * np.sqrt(0.05 * 0.95 / question.trials)
        assert cell.chance_false.value <= limit, cell
