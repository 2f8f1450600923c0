"""Dealing things out to tasters so that nobody gets the same again while there is another."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linear_sum_assignment

from blindspoon.serving.settle import FloatArray, IntArray

CHUNK = 200
"""Tasters that are looked at together; the assignment takes the cube of their number."""


def deal(repeats: FloatArray, rng: np.random.Generator) -> IntArray:
    """Give each taster one thing, at random among the ways with the fewest repetitions.

    Parameters
    ----------
    repeats : float array, shape (n, n)
        How much of thing j taster i has had before.
    rng : numpy.random.Generator

    Returns
    -------
    int array, shape (n,)
        The thing of each taster, a permutation.

    Examples
    --------
    >>> deal(np.array([[1.0, 0.0], [0.0, 1.0]]), np.random.default_rng(1)).tolist()
    [1, 0]
    """
    count = len(repeats)
    tasters, things = rng.permutation(count), rng.permutation(count)
    given = np.empty(count, dtype=np.int64)
    for first in range(0, count, CHUNK):
        some, those = tasters[first : first + CHUNK], things[first : first + CHUNK]
        row, column = linear_sum_assignment(repeats[np.ix_(some, those)])
        given[some[row]] = those[column]
    return given


def deal_batches(served: IntArray, history: IntArray, rng: np.random.Generator) -> IntArray:
    """Deal the batches of one variant to the tasters who get it in a session.

    Parameters
    ----------
    served : int array, shape (n_batches,)
        How often each batch has been served so far, over all sessions.
    history : int array, shape (n, n_batches)
        How often each of the n tasters has had each batch before.
    rng : numpy.random.Generator

    Returns
    -------
    int array, shape (n,)
        A batch for each taster. The batches are dealt equally often, give or take one, in the
        session and in all.

    Examples
    --------
    >>> history = np.array([[1, 0], [0, 1], [1, 0]])
    >>> deal_batches(np.array([2, 1]), history, np.random.default_rng(1)).tolist()
    [1, 0, 1]
    """
    least_first = np.lexsort((rng.random(len(served)), served))
    slots = np.resize(least_first, len(history))
    chosen: IntArray = slots[deal(history[:, slots].astype(np.float64), rng)]
    return chosen
