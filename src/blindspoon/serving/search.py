"""The searches of the drawing: making rows of a design even, and dealing out what is new.

A design is a set of rows (cups in order, or variants in a set). Each row adds one to some cells
of a table of counts, and the design is the better, the smaller the weighted sum of squared
deviations of the cells. Given all other rows, the cost of every way to write one row is a sum
over its cells, so the best one is found by looking, and the search is a heat bath: each row in
turn takes one of its possible forms at random, good ones more often, and ever more so.
"""

from collections.abc import Callable, Iterable

import numpy as np

from blindspoon.arrays import FloatArray, IntArray

MOST_SWEEPS = 200
HOT, COLD = 6.0, 0.7
"""Temperatures at the start and the end, where 1 is the cost of one count too many."""


def settle(
    design: IntArray,
    deviation: FloatArray,
    *,
    forms: Callable[[IntArray], tuple[IntArray, IntArray]],
    weight: FloatArray,
    rng: np.random.Generator,
    updates: int,
    content: bool,
) -> IntArray:
    """Redraw the rows of a design until its counts are as even as the search can make them.

    Gives the best design seen, shape (n_rows, width), never worse than the one at the start.

    Parameters
    ----------
    design : int array, shape (n_rows, width)
        The cells that each row of a design to start from adds one to; no cell twice in a row.
    deviation : float array, shape (n_cells,)
        Counts of rows that stay as they are, minus the wanted counts.
    forms : callable
        One row -> some cells, shape (m,), and which of them each possible form of the row adds
        one to, shape (n_forms, width).
    weight : float array, shape (n_cells,)
        How much a squared deviation of a cell costs.
    updates : int
        About how often a row is redrawn, all in all; bounds the time.
    content : bool
        Whether to stop as soon as every cell is within one of what is wanted.
    """
    current, off = design.copy(), deviation.copy()
    np.add.at(off, current, 1.0)
    cost = best_cost = float((weight * off**2).sum())
    best = current.copy()
    sweeps = int(np.clip(updates // len(current), 3, MOST_SWEEPS))
    for heat in (*np.geomspace(HOT, COLD, sweeps), 1e-9, 1e-9):
        for row in rng.permutation(len(current)):
            if content and np.abs(off).max() < 1:
                return current
            own = current[row]
            off[own] -= 1
            one_more = weight * (2 * off + 1)
            near, used = forms(own)
            price = one_more[near].take(used).sum(axis=1)
            choice = int(np.argmin(price - heat * rng.gumbel(size=len(price))))
            cost += price[choice] - one_more[own].sum()
            current[row] = near[used[choice]]
            off[current[row]] += 1
        if cost < best_cost - 1e-9:
            best_cost, best = cost, current.copy()
    return best


def settle_in_turn(
    chunks: Iterable[tuple[IntArray, FloatArray]],
    deviation: FloatArray,
    search: Callable[[IntArray, FloatArray], IntArray],
) -> IntArray:
    """Settle the rows of a large design a chunk at a time, each beside those before it.

    A chunk is the cells of its rows, as `settle` takes them, and the counts that are wanted of it,
    shape (n_cells,); `search` is `settle` with all but design and deviation. All rows come back.
    """
    off, done = deviation.copy(), list[IntArray]()
    for design, wanted in chunks:
        off -= wanted
        done.append(search(design, off))
        np.add.at(off, done[-1], 1.0)
    return np.concatenate(done)


DEAL_CHUNK = 200
"""Tasters that are looked at together; the assignment takes the cube of their number."""


def deal(repeats: FloatArray, rng: np.random.Generator) -> IntArray:
    """Give each taster one thing, at random among the ways with the fewest repetitions.

    `repeats`, shape (n, n), is how much of thing j taster i has had before; gives a permutation,
    the thing of each taster.

    >>> deal(np.array([[1.0, 0.0], [0.0, 1.0]]), np.random.default_rng(1)).tolist()
    [1, 0]
    """
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415 - takes half a second to load

    count = len(repeats)
    tasters, things = rng.permutation(count), rng.permutation(count)
    given = np.empty(count, dtype=np.int64)
    for first in range(0, count, DEAL_CHUNK):
        some, those = tasters[first : first + DEAL_CHUNK], things[first : first + DEAL_CHUNK]
        row, column = linear_sum_assignment(repeats[np.ix_(some, those)])
        given[some[row]] = those[column]
    return given


def deal_batches(served: IntArray, history: IntArray, rng: np.random.Generator) -> IntArray:
    """Deal the batches of one variant to the tasters who get it in a session.

    `served`, shape (n_batches,), is how often each batch has been served so far, over all sessions,
    and `history`, shape (n, n_batches), how often each taster has had it before. Gives a batch
    each, dealt equally often, give or take one, in the session and in all.

    >>> history = np.array([[1, 0], [0, 1], [1, 0]])
    >>> deal_batches(np.array([2, 1]), history, np.random.default_rng(1)).tolist()
    [1, 0, 1]
    """
    least_first = np.lexsort((rng.random(len(served)), served))
    slots = np.resize(least_first, len(history))
    return slots[deal(history[:, slots].astype(np.float64), rng)]
