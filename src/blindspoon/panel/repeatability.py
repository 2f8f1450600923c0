"""How closely tasters repeat themselves: ISO 11132's repeatability."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri, stdtrit

from blindspoon.compare.results import Interval, NoResult
from blindspoon.panel.cells import Cells
from blindspoon.panel.results import LEVEL, ControlPair, Repeatability
from blindspoon.scores import FloatArray, IntArray, ScoreTable
from blindspoon.tables import BoolArray

NO_REPLICATES = NoResult("No taster scored a variant twice.")
NONE_OF_OWN = NoResult("This taster scored no variant twice.")
NO_PAIRS = NoResult("No taster scored two cups of the control in one session.")
NO_ORDER = NoResult("It is not known which of two control cups came first.")
ONE_TASTER = NoResult("Only one taster scored two control cups, which gives no interval.")


def repeatability(cells: Cells, table: ScoreTable, scored: BoolArray) -> Repeatability | NoResult:
    """Pool the spread of each taster's scores of the same variant.

    Parameters
    ----------
    cells : Cells
    table : ScoreTable
        Tells the sessions and batches that replicates come from.
    scored : bool array, shape (n_servings,)
        Servings that were scored on the attribute.

    Notes
    -----
    The residual standard deviation of ISO 8586 and ISO 11132: the root of the pooled mean square
    within taster and variant. The interval takes the sum of squares as chi-squared.
    """
    df = int(cells.df.sum())
    if df == 0:
        return NO_REPLICATES
    total = float(cells.within.sum())
    low, high = (total / float(chdtri(df, tail)) for tail in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return Repeatability(
        sd=float(np.sqrt(total / df)),
        interval=Interval(float(np.sqrt(low)), float(np.sqrt(high))),
        df=df,
        tasters=int((cells.df > 0).sum()),
        across_sessions=_differ(table.session, table, scored, cells),
        across_batches=_differ(table.batch, table, scored, cells),
    )


def _differ(label: IntArray, table: ScoreTable, scored: BoolArray, cells: Cells) -> bool:
    """Tell whether any cell holds two labels; -1 is not known and no label."""
    known = scored & (label >= 0)
    cell = (table.taster * cells.count.shape[1] + table.variant)[known]
    first = np.full(cells.count.size, -1)
    first[cell] = label[known]
    return bool((first[cell] != label[known]).any())


def own_repeatability(cells: Cells, taster: int) -> float | NoResult:
    """Give one taster's spread over their scores of the same variant, in points."""
    df = int(cells.df[taster])
    return float(np.sqrt(cells.within[taster].sum() / df)) if df else NONE_OF_OWN


def control_pair(score: FloatArray, table: ScoreTable, control: int) -> ControlPair | NoResult:
    """Compare the two control cups that a taster got in one session.

    Parameters
    ----------
    score : float array, shape (n_servings,)
        NaN where none was given.
    table : ScoreTable
        Its two rows of one taster, session and the control are such a pair.
    control : int
        Position in ``Trial.variants``.
    """
    rows = np.flatnonzero((table.variant == control) & np.isfinite(score))
    rows = rows[np.lexsort((table.position[rows], table.session[rows], table.taster[rows]))]
    sitting = table.taster[rows] * len(table.sessions) + table.session[rows]
    _, start, cups = np.unique(sitting, return_index=True, return_counts=True)
    early, late = rows[start[cups == 2]], rows[start[cups == 2] + 1]
    if not early.size:
        return NO_PAIRS
    if (table.position[early] == 0).any():
        return NO_ORDER
    moved = score[late] - score[early]
    tasters, place = np.unique(table.taster[early], return_inverse=True)
    if tasters.size < 2:
        return ONE_TASTER
    own = np.bincount(place, moved) / np.bincount(place)
    reach = float(stdtrit(own.size - 1, (1 + LEVEL) / 2) * own.std(ddof=1) / np.sqrt(own.size))
    difference = float(own.mean())
    batches = table.batch[early], table.batch[late]
    return ControlPair(
        difference=difference,
        interval=Interval(difference - reach, difference + reach),
        mean_absolute=float(np.abs(moved).mean()),
        tasters=own.size,
        pairs=moved.size,
        across_batches=bool(((batches[0] != batches[1]) & (np.minimum(*batches) >= 0)).any()),
    )
