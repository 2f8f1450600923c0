"""How often the mixed model calls variants different that are not (python -m pytest -m slow)."""

from __future__ import annotations

import numpy as np
import pytest

from blindspoon.stats.mixed import compare_mixed

TRIALS = 2000
VARIANTS = 5


def alarms(draw, alpha=0.05, **options):
    """Share of trials with a false difference, by contrast and by F."""
    rng = np.random.default_rng(20260905)
    found = []
    for _ in range(TRIALS):
        rows = draw(rng)
        fit = compare_mixed(**rows, control=0, alpha=alpha, **options)
        smallest = min(each.p_adjusted for each in fit.contrasts)
        found.append((smallest < alpha, fit.p_value < alpha))
    return np.mean(found, axis=0)


def null(tasters, sessions, sds, *, missing=0.0, position=False, step=0.0):
    """Draw trials in which tasters differ, and in how they see each variant, but nothing else."""

    def draw(rng):
        grid = np.meshgrid(range(tasters), range(sessions), range(VARIANTS), indexing="ij")
        t, _, v = (each.ravel() for each in grid)
        score = 5 + sds[0] * rng.normal(size=tasters)[t] + sds[2] * rng.normal(size=t.size)
        score += sds[1] * rng.normal(size=(tasters, VARIANTS))[t, v]
        score = np.round(score / step) * step if step else score
        score[rng.random(t.size) < missing] = np.nan
        rows = {"score": score, "taster": t, "variant": v}
        orders = np.tile(np.arange(VARIANTS), (tasters * sessions, 1))
        place = rng.permuted(orders, axis=1).ravel()
        return rows | ({"position": place} if position else {})

    return draw


CASES = {
    "6 tasters twice": null(6, 2, (1.0, 0.7, 1.0)),
    "12 tasters twice": null(12, 2, (1.0, 0.7, 1.0)),
    "12 tasters twice, no interaction": null(12, 2, (1.0, 0.0, 1.0)),
    "6 tasters once": null(6, 1, (1.0, 0.7, 1.0)),
    "6 tasters twice, gaps": null(6, 2, (1.0, 0.7, 1.0), missing=0.15),
    "8 tasters twice, positions": null(8, 2, (1.0, 0.7, 1.0), position=True),
    "8 tasters twice, whole points": null(8, 2, (1.0, 0.7, 1.0), step=1.0),
}


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_false_alarms_stay_at_alpha(case):
    found = alarms(CASES[case])
    print(f"\n{case}: contrasts {found[0]:.4f}, F {found[1]:.4f}")  # noqa: T201
    # three standard errors; a variance that is zero but keeps its place makes for caution
    least = 0.02 if "no interaction" in case else 0.035
    assert (found > least).all()
    assert (found < 0.065).all()
