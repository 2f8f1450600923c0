"""What the ways that were not taken would have cost (python -m pytest -m slow -s FILE).

Complete panels of 12 tasters and 5 variants, two cups each where it matters; cups scatter by 1
point and tasters by 1, and a taster's own opinion of a variant by 0.7.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.mixed import compare_mixed

TRIALS = 2000
TASTERS, VARIANTS = 12, 5
FAMILY = Dunnett(np.full((4, 4), 0.5) + 0.5 * np.eye(4))


def panels(cups, shifts, tasters=TASTERS):
    """Draw scores by taster, cup and variant."""
    rng = np.random.default_rng(20260905)
    shape = (tasters, cups, VARIANTS)
    for _ in range(TRIALS):
        opinion = 0.7 * rng.normal(size=(tasters, 1, VARIANTS))
        yield shifts + rng.normal(size=(tasters, 1, 1)) + opinion + rng.normal(size=shape)


def contrasts_of(scores):
    taster, _, variant = (each.ravel() for each in np.indices(scores.shape))
    return compare_mixed(scores.ravel(), taster, variant, control=0, alpha=0.05).contrasts


def false_alarm(p_values):
    return min(p_values) <= 0.05


def share(name, found):
    rate = float(np.mean(found))
    print(f"\n{name}: {rate:.3f}")  # noqa: T201
    return rate


@pytest.mark.slow
@pytest.mark.parametrize("tasters", [4, 12])
def test_single_p_values_and_a_normal_table_raise_false_alarms(tasters):
    fits = [contrasts_of(each) for each in panels(1, np.zeros(VARIANTS), tasters)]
    kept = [false_alarm(each.p_adjusted for each in fit) for fit in fits]
    single = [false_alarm(each.p_value for each in fit) for fit in fits]
    normal = [false_alarm(FAMILY.p_value(abs(each.t), 1e6) for each in fit) for fit in fits]
    assert share(f"{tasters} tasters, as it is", kept) < 0.065
    assert share(f"{tasters} tasters, single p values", single) > 0.1
    assert share(f"{tasters} tasters, normal table", normal) > 0.05


@pytest.mark.slow
def test_two_cups_of_a_taster_taken_for_two_tasters_raise_false_alarms():
    found = []
    for scores in panels(2, np.zeros(VARIANTS)):
        means = scores.mean(axis=(0, 1))
        fitted = scores.mean(axis=(1, 2), keepdims=True) + means - scores.mean()
        df = scores.size - TASTERS - VARIANTS + 1
        se = np.sqrt(((scores - fitted) ** 2).sum() / df * 2 / (2 * TASTERS))
        found.append(FAMILY.p_value(float(abs(means[1:] - means[0]).max() / se), df) <= 0.05)
    assert share("cups as tasters", found) > 0.1


@pytest.mark.slow
def test_friedman_first_and_single_pairs_then_raises_false_alarms():
    shifts, found = np.array([0.0, 0, 0, 0, 3]), []
    for scores in panels(1, shifts):
        means = scores[:, 0]
        pairs = [stats.wilcoxon(means[:, v] - means[:, 0]).pvalue for v in (1, 2, 3)]
        found.append(stats.friedmanchisquare(*means.T).pvalue <= 0.05 and false_alarm(pairs))
    assert share("Friedman, then single pairs", found) > 0.09


@pytest.mark.slow
def test_single_intervals_call_variants_alike_too_often():
    margin, found = 1.5, []
    for scores in panels(2, np.array([0.0, *[margin] * (VARIANTS - 1)])):
        shown = [
            abs(fit.difference) + stats.t.ppf(0.95, fit.df) * fit.se < margin
            for fit in contrasts_of(scores)
        ]
        found.append(any(shown))
    assert share("alike, single intervals", found) > 0.08
