"""A new tasting: its formula, and whether it comes true in simulated ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from blindspoon.findings.compare import compare_trial
from blindspoon.findings.further import Scatter, new_tasting, scatter_of
from tests.calibration.situations import SITUATIONS, make_trial, simulate, truths

EIGHT = Scatter(cell=1.0, jar=0.0, variants=4, tasters=8)


@pytest.mark.parametrize(("goal", "truth"), [("different", 22), ("alike", 24)])
def test_the_true_scatter_gives_the_true_number(goal, truth):
    # found by simulation of such tastings, 20,000 a size: no published table has it
    found = new_tasting(EIGHT, margin=1.0, alpha=0.05, goal=goal)
    assert found.tasters == truth
    # 21 degrees of freedom leave .71 to 1.59 of the mean square open (chi-squared, 80 %)
    low, high = (21 / stats.chi2(21).ppf(share) for share in (0.9, 0.1))
    assert found.fewest == pytest.approx(low * truth, abs=2)
    assert found.most == pytest.approx(high * truth, abs=2)


def test_so_many_find_the_margin_eight_times_in_ten():
    n, trials, rng = 22, 4000, np.random.default_rng(3)
    means = rng.normal(size=(trials, 4)) / np.sqrt(n)
    error = np.sqrt(2 / n * rng.chisquare(3 * (n - 1), trials) / (3 * (n - 1)))
    reach = EIGHT.half_width(n, 0.05) / EIGHT.se(n)[0]
    shown = means[:, 1] + 1.0 - means[:, 0] > reach * error
    assert shown.mean() == pytest.approx(0.8, abs=0.025)


@pytest.mark.parametrize(
    ("tasters", "jars", "jar_sd", "width"),
    [
        (8, 2, 0.6, 4.49),
        (16, 2, 0.6, 3.04),
        (8, 3, 0.6, 2.47),
        (8, 2, 0.0, 4.11),
        (16, 2, 0.0, 2.62),
    ],
)
def test_jars_widen_an_interval_of_the_method_even_where_none_differs(tasters, jars, jar_sd, width):
    # medians of 300 simulated tastings, a jar of each variant a taster, from the comparison itself
    scatter = Scatter(
        cell=1.09,
        jar=jar_sd**2,
        variants=3,
        tasters=tasters,
        jars=(jars, jars),
        all_jars=3 * jars,
    )
    assert scatter.half_width(tasters, 0.05) == pytest.approx(width, rel=0.2)


def test_where_jars_stand_in_the_way_no_number_of_tasters_is_given():
    scatter = Scatter(cell=1.0, jar=0.36, variants=3, tasters=8, jars=(2, 2), all_jars=6)
    found = new_tasting(scatter, margin=1.0, alpha=0.05, goal="alike")
    assert (found.tasters, found.jars) == (None, True)
    wide = Scatter(cell=400.0, jar=0.0, variants=3, tasters=8)
    assert not new_tasting(wide, margin=1.0, alpha=0.05, goal="alike").jars


@pytest.mark.parametrize("name", ["normal", "missing", "incomplete", "sittings", "jars"])
def test_as_many_again_would_be_told_as_closely_as_these_were(name):
    # a tasting of the same kind has the same cups left out: no fewer errors than this one had
    situation = next(known for known in SITUATIONS if known.name == name)
    true, rng = truths(situation, "none", 4), np.random.default_rng(1)
    for trial, table in simulate(make_trial(situation, 4, 12), situation, true, 3, rng):
        (result,) = compare_trial(trial, table)
        for each in result.comparisons:
            again, _ = scatter_of(trial, table, result, each).se(12)
            assert again == pytest.approx(each.mixed.se, rel=1e-4)
