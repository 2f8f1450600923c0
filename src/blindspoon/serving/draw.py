"""Drawing the cups of one session: which variants each taster gets, in which order."""

from __future__ import annotations

import numpy as np

from blindspoon.serving import blocks, orders
from blindspoon.serving.deal import deal
from blindspoon.serving.request import ServingRequest
from blindspoon.serving.settle import FloatArray, IntArray

TIE = 0.02
"""What a count of another session weighs: it only decides between plans that are as even."""


def draw_session(
    request: ServingRequest, earlier: IntArray, met: IntArray, rng: np.random.Generator
) -> IntArray:
    """Draw the cups of a session afresh.

    Parameters
    ----------
    request : ServingRequest
    earlier : int array, shape (n_rows, cups)
        Rows of the sessions drawn before.
    met : int array, shape (n_tasters, n_variants)
        How often each taster has had each variant in them.
    rng : numpy.random.Generator

    Returns
    -------
    int array, shape (n_tasters, cups)
        Variants from 0, the control, in each taster's serving order.
    """
    count, kinds = len(request.tasters), len(request.variants)
    if request.complete and not request.alone:
        offset = TIE * orders.deviation(earlier, kinds)
        rows = orders.complete_orders(count, request.cups, request.controls, offset, rng)
    else:
        rows = _draw_rows(request, count, earlier[:0], earlier, rng)
    return rows[deal(_repeats(request, rows, met), rng)]


def draw_late(
    request: ServingRequest, session: IntArray, others: IntArray, rng: np.random.Generator
) -> IntArray:
    """Draw the cups of one more taster, so that the session is as balanced as it can still be.

    Parameters
    ----------
    request : ServingRequest
    session, others : int array, shape (n_rows, cups)
        Rows of this session, and of all the others.
    rng : numpy.random.Generator

    Returns
    -------
    int array, shape (cups,)
    """
    row: IntArray = _draw_rows(request, 1, session, others, rng)[0]
    return row


def _draw_rows(
    request: ServingRequest,
    count: int,
    session: IntArray,
    others: IntArray,
    rng: np.random.Generator,
) -> IntArray:
    """Draw sets first, then their orders; one person's are shuffled freely."""
    kinds = len(request.variants)
    offset = _sets_offset(request, session) + TIE * _sets_offset(request, others)
    sets = blocks.choose_sets(count, kinds - 1, request.places, offset, rng) + 1
    controls = np.zeros((count, request.controls), dtype=np.int64)
    rows = rng.permuted(np.concatenate([controls, sets], axis=1), axis=1)
    if request.alone:
        return rows
    off = orders.deviation(session, kinds) + TIE * orders.deviation(others, kinds)
    return orders.arrange(rows, kinds, off, rng)


def _sets_offset(request: ServingRequest, rows: IntArray) -> FloatArray:
    others = len(request.others)
    sets = np.sort(rows, axis=1)[:, request.controls :] - 1
    return blocks.deviation(sets, others)


def _repeats(request: ServingRequest, rows: IntArray, met: IntArray) -> FloatArray:
    """How often each taster has met the variants of each row, shape (n_tasters, n_rows)."""
    if request.complete:
        return np.zeros((len(met), len(rows)))
    served = (rows[:, :, None] == np.arange(len(request.variants))).sum(axis=1)
    repeats: FloatArray = (met[:, 1:] @ served[:, 1:].T).astype(np.float64)
    return repeats
