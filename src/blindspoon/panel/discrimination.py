"""Who tells the variants apart: ISO 8586's discriminating ability."""

from __future__ import annotations

import numpy as np

from blindspoon.compare.results import NoResult
from blindspoon.panel.cells import Cells
from blindspoon.panel.least_squares import Factor, equations, f_test
from blindspoon.panel.repeatability import NO_REPLICATES, NONE_OF_OWN
from blindspoon.panel.results import FTest
from blindspoon.scores import FloatArray, IntArray

ONE_VARIANT = NoResult("This taster scored one variant only.")
ADDITIVE = NoResult(
    "No taster scored enough variants to differ from the others in how they see them."
)


def discrimination(cells: Cells, taster: int) -> FTest | NoResult:
    """Compare a taster's spread between variants with the spread within them.

    Parameters
    ----------
    cells : Cells
    taster : int

    Notes
    -----
    The one-way analysis of variance of ISO 8586: variants over the residual.

    Examples
    --------
    >>> from blindspoon.panel.cells import gather
    >>> scores = np.array([1, 2, 2, 3, 6, 7.0])
    >>> cells = gather(scores, np.zeros(6, int), np.repeat(np.arange(3), 2), 1, 3)
    >>> round(discrimination(cells, 0).f, 1)
    28.0
    """
    count = cells.count[taster]
    variants, df = int((count > 0).sum()), int(cells.df[taster])
    if variants < 2:
        return ONE_VARIANT
    if df == 0:
        return NONE_OF_OWN
    mean = np.nan_to_num(cells.mean[taster])
    middle = count @ mean / count.sum()
    between = float(count @ (mean - middle) ** 2)
    return f_test(between, variants - 1, float(cells.within[taster].sum()), df)


def interaction(
    cells: Cells, score: FloatArray, taster: IntArray, variant: IntArray
) -> FTest | NoResult:
    """Ask whether tasters differ in how they see the variants by more than they scatter.

    Parameters
    ----------
    cells : Cells
        Of the scores.
    score : float array, shape (n,)
        In points, finite.
    taster, variant : int array, shape (n,)

    Notes
    -----
    Taster by variant over the residual, the test with which ISO 8586 begins a panel's analysis of
    variance. Sums of squares are those of the interaction after tasters and variants.
    """
    df = int(cells.df.sum())
    if df == 0:
        return NO_REPLICATES
    additive = equations(score, taster, Factor(variant, cells.count.shape[1])).solve()
    within = float(cells.within.sum())
    if additive.df <= df:
        return ADDITIVE
    return f_test(additive.rss - within, additive.df - df, within, df)
