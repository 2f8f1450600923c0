"""The mixed model over several sittings: each has its own differences, and their mean counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.kenward_roger import ContrastTest, against, kenward_roger
from blindspoon.stats.reml import RemlFit, fit_reml
from blindspoon.stats.results import NoResult, SittingsWay
from blindspoon.stats.strata import (
    Grid,
    Layout,
    Strata,
    make_grid,
    make_sitting_strata,
    make_strata,
    slots,
)

TOO_LITTLE = "The scores say too little about how much sittings vary."
MOST_GAPS = 300
"""Missing cups, each a column, up to which ``(1 | taster:session)`` is fitted."""


def fit_over_sittings(
    layout: Layout, session: IntArray, control: int
) -> tuple[RemlFit, ContrastTest, SittingsWay] | None:
    """Fit variant by session as fixed, or, where that cannot be, sessions that differ in level.

    Parameters
    ----------
    session : int array, shape (n,)
        Codes from 0, each occurring.

    Returns
    -------
    tuple of RemlFit, ContrastTest and SittingsWay, or None
        The test is of every variant but the control, the way that of `FitNote`; None where sittings
        can be taken only as repeats.

    Notes
    -----
    ``score ~ variant * session [+ position] + (1 | taster) + (1 | taster:variant) +
    (1 | taster:session) [+ (1 | batch)]``: a movement of the differences from sitting to sitting
    is no error of their mean over these sittings. Terms that a design cannot tell apart are left
    out: those of tasters by variant where no taster had one twice, and by session where tasters
    came once.
    """
    k = int(layout.variant.max()) + 1
    tasted = np.zeros((k, int(session.max()) + 1), dtype=bool)
    tasted[layout.variant, session] = True
    both = tasted & tasted[control]
    ways: tuple[tuple[SittingsWay, FloatArray], ...] = (("steady", _levels(tasted)),)
    if both.any(axis=1).all():
        ways = (("each" if tasted.all() else "shared", _cells(tasted)), *ways)
    for way, codes in ways:
        rows = replace(layout, fixed=np.hstack([layout.fixed, codes[layout.variant, session]]))
        found = _fit(rows, session, _contrasts(codes, both, control, layout.fixed.shape[1]))
        if found is not None:
            return *found, way
    return None


def fit_days(layout: Layout, session: IntArray, control: int) -> ContrastTest | NoResult:
    """Test the differences with sittings as a sample of days, ``(1 | session:variant)``.

    Parameters are those of `fit_over_sittings`.
    """
    tasted = np.zeros((int(layout.variant.max()) + 1, int(session.max()) + 1), dtype=bool)
    cell = np.unique(layout.variant * tasted.shape[1] + session, return_inverse=True)[1]
    tasted[layout.variant, session] = True
    codes = _levels(tasted)
    rows = replace(
        layout,
        fixed=np.hstack([layout.fixed, codes[layout.variant, session]]),
        random=np.eye(int(cell.max()) + 1)[cell],
    )
    contrasts = _contrasts(codes, tasted, control, layout.fixed.shape[1])
    found = _fit(rows, session, contrasts)
    return NoResult(TOO_LITTLE) if found is None else found[1]


def _cells(tasted: BoolArray) -> FloatArray:
    """Code each variant's sittings to sum to zero; shape (variants, sessions, columns)."""
    codes = np.zeros((*tasted.shape, int(tasted.sum()) - len(tasted)))
    column = 0
    for variant, sessions in enumerate(map(np.flatnonzero, tasted)):
        for session in sessions[:-1].tolist():
            codes[variant, [session, sessions[-1]], column] = 1.0, -1.0
            column += 1
    return codes


def _levels(tasted: BoolArray) -> FloatArray:
    """Code sittings alike for all variants, in the shape of `_cells`."""
    sessions = tasted.shape[1]
    codes = np.vstack([np.eye(sessions - 1), -np.ones(sessions - 1)])
    return np.broadcast_to(codes, (len(tasted), *codes.shape))


def _contrasts(codes: FloatArray, both: BoolArray, control: int, between: int) -> FloatArray:
    """Average each variant's difference from the control over the sittings of both."""
    k, _, columns = codes.shape
    contrasts = against(control, k, k + between + columns)
    weights = both / np.maximum(both.sum(axis=1, keepdims=True), 1)
    mean = np.einsum("vs,vsm->vm", weights, codes - codes[control])
    contrasts[:, k + between :] = np.delete(mean, control, axis=0)
    return contrasts


def _fit(
    layout: Layout, session: IntArray, contrasts: FloatArray
) -> tuple[RemlFit, ContrastTest] | None:
    """Fit with taster:session, or without where it cannot be told from the tasters themselves."""
    grid = make_grid(layout)
    for strata in _strata(grid, layout, session):
        fit = fit_reml(strata, interaction=bool(grid.servings.max() > 1))
        if isinstance(fit, NoResult) or not fit.converged:
            continue
        padded = np.zeros((len(contrasts), strata.n_fixed))
        padded[:, : contrasts.shape[1]] = contrasts
        test = kenward_roger(fit.at, padded)
        if test.usable:
            return fit, test
    return None


def _strata(grid: Grid, layout: Layout, session: IntArray) -> Iterator[Strata]:
    repeats = slots(layout.taster, layout.variant, session).max() + 1
    cells = np.unique(layout.taster).size * len(grid.servings) * (int(session.max()) + 1)
    if cells * repeats - layout.score.size <= MOST_GAPS:
        yield make_sitting_strata(layout, session)
    yield make_strata(grid)
