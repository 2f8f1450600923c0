"""Wrong pooled claims (python -m pytest -m slow -s tests/findings/pooling/test_size.py).

Nothing differs between variants on average over kitchens. What a kitchen makes of a variant
scatters with an SD of 0 or of half the residual SD.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from blindspoon.findings.pooling import pool_scores

PUBLISHED = Path(__file__).parents[3] / "docs" / "explanation" / "kitchens.csv"
TRIALS = 2000
SEED = 20260905
TASTERS = 12


def draw(rng, kitchens, variants, spread):
    """Scores of all kitchens, and the mean difference that is true in these kitchens only."""
    shape = (kitchens, TASTERS, variants)
    kitchen, taster, variant = (each.ravel() for each in np.indices(shape))
    own = spread * rng.normal(size=(kitchens, variants))
    score = rng.normal(size=shape) + rng.normal(size=(kitchens, TASTERS, 1)) + own[:, None]
    rows = (score.ravel(), kitchen * TASTERS + taster, kitchen, variant)
    return rows, (own - own[:, :1]).mean(axis=0)[1:]


def misses(contrasts, truth):
    """Whether any simultaneous interval misses what is true."""
    return any(
        not each.interval.low <= value <= each.interval.high
        for each, value in zip(contrasts, truth, strict=True)
    )


def simulate(kitchens, variants, spread):
    """Shares of trials in which the wider claim, and the narrower as either, is wrong."""
    rng = np.random.default_rng([SEED, kitchens, variants, round(10 * spread)])
    none = np.zeros(variants - 1)
    found = []
    for _ in range(TRIALS):
        rows, truth = draw(rng, kitchens, variants, spread)
        fit = pool_scores(*rows, control=0, alpha=0.05)
        half = [fit.contrasts[0].interval.high - fit.contrasts[0].difference]
        half += [fit.these[0].interval.high - fit.these[0].difference]
        found.append(
            (
                misses(fit.contrasts, none),
                misses(fit.these, none),
                misses(fit.these, truth),
                fit.disagreement.p_value < 0.05,
                *half,
            )
        )
    return np.array(found, dtype=float)


def published(*cell):
    """The row of the documentation's table: four shares and two half widths."""
    with PUBLISHED.open(encoding="utf-8", newline="") as file:
        rows = {tuple(map(float, row[:3])): row[3:] for row in list(csv.reader(file))[1:]}
    return [float(text) for text in rows[cell]]


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.0, 0.5])
@pytest.mark.parametrize("variants", [2, 5])
@pytest.mark.parametrize("kitchens", [2, 3, 5, 8])
def test_pooled_claims_are_wrong_as_rarely_as_they_say(kitchens, variants, spread):
    found = simulate(kitchens, variants, spread)
    wider, misused, these, apart = found[:, :4].mean(axis=0)
    widths = np.median(found[:, 4:], axis=0)
    print(  # noqa: T201
        f"\n{kitchens} kitchens, {variants} variants, SD {spread}: like these {wider:.3f}, "
        f"these as such {misused:.3f}, these {these:.3f}, disagreement {apart:.3f}, "
        f"half widths {widths[0]:.2f} {widths[1]:.2f}"
    )
    # three standard errors of 2,000 trials; with few kitchens, or at SD 0, a variance that keeps
    # its place at zero makes for caution, and so does each of several variants by its own spread
    assert wider < 0.065
    assert wider > 0.025 or spread == 0 or kitchens < (5 if variants == 2 else 8)
    assert 0.035 < these < 0.065
    assert (apart < 0.065) if spread == 0 else (apart > 0.15)
    assert spread == 0 or misused > 0.15
    told = [wider, misused, these, apart, *widths]
    assert told[:4] == pytest.approx(published(kitchens, variants, spread)[:4], abs=0.006)
    assert widths == pytest.approx(published(kitchens, variants, spread)[4:], rel=0.01, abs=0.006)
