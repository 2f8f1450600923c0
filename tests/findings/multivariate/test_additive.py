"""Tasters and variants taken out of a table, against least squares written out."""

from __future__ import annotations

import numpy as np
import pytest

from blindspoon.stats.two_way import fit_additive


def least_squares(means):
    """Effects and residuals by dummy columns, in numpy's own least squares."""
    taster, variant = np.nonzero(np.isfinite(means))
    dummies = np.hstack(
        [taster[:, None] == np.arange(len(means)), variant[:, None] == np.arange(means.shape[1])]
    )
    found = np.linalg.lstsq(dummies.astype(float), means[taster, variant], rcond=None)[0]
    effects = found[len(means) :]
    return effects - effects.mean(), means[taster, variant] - dummies @ found


@pytest.mark.parametrize("lost", [0.0, 0.25])
def test_it_is_least_squares(draw, lost):
    means = draw(3, 9, np.arange(4)[:, None], lost=lost)[:, :, 0]
    fit, (effects, residuals) = fit_additive(means), least_squares(means)
    assert fit.rank == 3
    assert fit.estimates == pytest.approx(effects, abs=1e-9)
    assert fit.residuals == pytest.approx(residuals, abs=1e-9)
    assert fit.rss == pytest.approx(residuals @ residuals)


def test_complete_tables_give_plain_means(draw):
    means = draw(4, 7, np.arange(3)[:, None])[:, :, 0]
    fit = fit_additive(means)
    assert fit.estimates == pytest.approx(means.mean(axis=0) - means.mean())
    assert (fit.residuals.size, fit.rank, fit.df) == (21, 2, 12)


def test_variants_that_no_taster_links_are_not_linked():
    means = np.array([[1.0, 2.0, np.nan, np.nan], [np.nan, np.nan, 3.0, 5.0]])
    assert fit_additive(means).rank == 2
    assert fit_additive(np.vstack([means, [np.nan, 1.0, 2.0, np.nan]])).rank == 3
