"""Serving orders: who gets which cup first, and what is tasted straight after what.

Items are numbers, 0 the control. The practice is that of H. J. H. MacFie, N. Bratchell,
K. Greenhoff and L. V. Vallis 1989, Journal of Sensory Studies 4:129-148: every product in every
position and straight after every other product equally often, by the squares of E. J. Williams
1949, Australian Journal of Scientific Research A 2:149-168.

The one search of this package: rows of a design are redrawn in turn until counts are even.

A design is a set of rows (cups in order, or variants in a set). Each row adds one to some cells
of a table of counts, and the design is the better, the smaller the weighted sum of squared
deviations of the cells. Given all other rows, the cost of every way to write one row is a sum
over its cells, so the best one is found by looking, and the search is a heat bath: each row in
turn takes one of its possible forms at random, good ones more often, and ever more so.

Dealing things out to tasters so that nobody gets the same again while there is another.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy.optimize import linear_sum_assignment

from blindspoon.arrays import FloatArray, IntArray

Rows = Callable[[IntArray], IntArray]

MOST_SWEEPS = 200
HOT, COLD = 6.0, 0.7
"""Temperatures at the start and the end, where 1 is the cost of one count too many."""


def settle(
    rows: IntArray,
    *,
    forms: Rows,
    cells: Rows,
    deviation: FloatArray,
    weight: FloatArray,
    rng: np.random.Generator,
    updates: int,
    content: bool,
) -> IntArray:
    """Redraw the rows of a design until its counts are as even as the search can make them.

    Parameters
    ----------
    rows : int array, shape (n_rows, width)
        A design to start from.
    forms : callable
        One row -> all its possible forms, shape (n_forms, width).
    cells : callable
        Forms -> the cells that each adds one to, shape (n_forms, n_cells_of_a_row); no cell
        twice in a row.
    deviation : float array, shape (n_cells,)
        Counts of rows that stay as they are, minus the wanted counts.
    weight : float array, shape (n_cells,)
        How much a squared deviation of a cell costs.
    rng : numpy.random.Generator
    updates : int
        About how often a row is redrawn, all in all; bounds the time.
    content : bool
        Whether to stop as soon as every cell is within one of what is wanted.

    Returns
    -------
    int array, shape (n_rows, width)
        The best design seen; never worse than the one at the start.
    """
    current, own = rows.copy(), cells(rows)
    off = deviation.copy()
    np.add.at(off, own, 1.0)
    cost = best_cost = float((weight * off**2).sum())
    best = current.copy()
    sweeps = int(np.clip(updates // len(rows), 3, MOST_SWEEPS))
    for heat in (*np.geomspace(HOT, COLD, sweeps), 1e-9, 1e-9):
        for row in rng.permutation(len(rows)):
            if content and np.abs(off).max() < 1:
                return current
            off[own[row]] -= 1
            options = forms(current[row])
            taken = cells(options)
            price = (weight * (2 * off + 1))[taken].sum(axis=1)
            choice = int(np.argmin(price - heat * rng.gumbel(size=len(price))))
            cost += price[choice] - (weight * (2 * off + 1))[own[row]].sum()
            current[row], own[row] = options[choice], taken[choice]
            off[own[row]] += 1
        if cost < best_cost - 1e-9:
            best_cost, best = cost, current.copy()
    return best


DEAL_CHUNK = 200
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
    for first in range(0, count, DEAL_CHUNK):
        some, those = tasters[first : first + DEAL_CHUNK], things[first : first + DEAL_CHUNK]
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


LISTED_UP_TO = 6
"""Rows up to this length are rewritten as any permutation, longer ones by small changes."""

POSITION_WEIGHT = 4.0
"""Evenness over positions comes before who follows whom: the analysis has positions in it."""

CHUNK = 60
UPDATES = 3000


def williams(items: int) -> IntArray:
    """Williams squares: balanced for position and for the item tasted just before.

    Parameters
    ----------
    items : int
        Number of items, k; at least 1.

    Returns
    -------
    int array, shape (k, k) or (2k, k)
        Items from 0, one row a taster: k rows for an even k, 2k for an odd one. Every item is
        in each position equally often, and every ordered pair of neighbours occurs once
        (even k) or twice (odd k).

    Notes
    -----
    E. J. Williams 1949, Australian Journal of Scientific Research A 2:149-168: the first row is
    0, 1, k-1, 2, k-2 ...; each next row adds 1 modulo k; for an odd k the reversed rows follow.

    Examples
    --------
    >>> williams(4).tolist()
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    >>> len(williams(5))
    10
    """
    first = [(place + 1) // 2 if place % 2 else -(place // 2) for place in range(items)]
    square = (np.array(first)[None, :] + np.arange(items)[:, None]) % items
    return square if items % 2 == 0 else np.concatenate([square, square[:, ::-1]])


def complete_orders(
    tasters: int, items: int, controls: int, offset: FloatArray, rng: np.random.Generator
) -> IntArray:
    """Orders for tasters who each get every item: whole Williams squares, then the best rest.

    Parameters
    ----------
    tasters, items : int
        Rows and cups a row; the control counts `controls` times among the items.
    controls : int
        1 or 2.
    offset : float array, shape (n_cells,)
        Deviations of earlier sessions, made small: they only break ties.
    rng : numpy.random.Generator

    Returns
    -------
    int array, shape (tasters, items)
        Items from 0, 0 being the control.
    """
    square = williams(items)
    squares = [_relabelled(square, rng) for _ in range(tasters // len(square) + 1)]
    whole, last = squares[:-1], squares[-1]
    count = tasters % len(square)
    if count:
        half = last if count > items else last[:items]
        whole.append(rng.permutation(half)[:count])
    orders = np.concatenate(whole)
    orders[orders >= items - controls + 1] = 0
    if count:
        # Where all counts are wanted alike, within one of them is as good as it gets.
        content = controls == 1 and not offset.any()
        kinds = items - controls + 1
        orders[-count:] = arrange(orders[-count:], kinds, offset, rng, content=content)
    return orders


def arrange(
    rows: IntArray,
    items: int,
    offset: FloatArray,
    rng: np.random.Generator,
    *,
    content: bool = False,
) -> IntArray:
    """Put the cups of each row into the order that is most even over all rows.

    Parameters
    ----------
    rows : int array, shape (n, cups)
        The cups that each taster gets.
    items : int
        Number of different items.
    offset : float array, shape (n_cells,)
        Where the counts stand before these rows, as `deviation` says.
    rng : numpy.random.Generator
    content : bool
        Whether to stop as soon as every count is within one of what is wanted.

    Returns
    -------
    int array, shape (n, cups)
        The same cups, each row in its order.
    """
    cups = rows.shape[1]
    off = offset.copy()
    weight = np.ones(len(off))
    weight[: items * cups] = POSITION_WEIGHT
    done = []
    chunks = np.array_split(rows, -(-len(rows) // CHUNK))
    for chunk in chunks:
        off -= expected(chunk, items)
        found = settle(
            chunk,
            forms=_rewritten,
            cells=lambda forms: cells(forms, items),
            deviation=off,
            weight=weight,
            rng=rng,
            updates=UPDATES // len(chunks),
            content=content,
        )
        np.add.at(off, cells(found, items), 1.0)
        done.append(found)
    return even_positions(np.concatenate(done), items)


def even_positions(rows: IntArray, items: int) -> IntArray:
    """Exchange cups within rows until no item's counts in two positions differ by two.

    Parameters
    ----------
    rows : int array, shape (n, cups)
    items : int
        Number of different items.

    Returns
    -------
    int array, shape (n, cups)
        The same cups in each row. Rows that are even already come back as they are.

    Notes
    -----
    It can always be done: where a position i has an item two times oftener than j, exchange i
    and j in a row with that item in i, go on with the item that came to i thereby, and stop at
    one that i had too seldom. It is the argument for the equitable edge colouring of bipartite
    graphs, D. de Werra 1971, INFOR 9:285-290.

    Examples
    --------
    >>> even_positions(np.array([[0, 1], [0, 2], [1, 0], [0, 3]]), 4)[:, 0].tolist().count(0)
    2
    """
    even = rows.copy()
    pairs = list(itertools.permutations(range(rows.shape[1]), 2))
    found = True
    while found:
        found = False
        for i, j in pairs:
            ahead = _ahead(even, items, i, j)
            if ahead.max() >= 2:
                found = True
                _exchange(even, i, j, int(ahead.argmax()), ahead)
    return even


def _ahead(rows: IntArray, items: int, i: int, j: int) -> IntArray:
    """Count how much oftener each item is in position i than in j."""
    return np.bincount(rows[:, i], minlength=items) - np.bincount(rows[:, j], minlength=items)


def _exchange(rows: IntArray, i: int, j: int, item: int, ahead: IntArray) -> None:
    """Walk as `even_positions` says, in place."""
    free = rows[:, i] != rows[:, j]
    while True:
        row = int(np.flatnonzero(free & (rows[:, i] == item))[0])
        rows[row, i], rows[row, j] = rows[row, j], rows[row, i]
        free[row] = False
        item = int(rows[row, i])
        if ahead[item] < 0:
            return


def cells(rows: IntArray, items: int) -> IntArray:
    """Which counts each row adds to: (item, position) first, then (item, next item).

    Parameters
    ----------
    rows : int array, shape (n, cups)
    items : int

    Returns
    -------
    int array, shape (n, 2 * cups - 1)
        Positions in one flat table of ``items * (cups + items)`` counts.
    """
    cups = rows.shape[1]
    positions = rows * cups + np.arange(cups)
    return np.concatenate([positions, items * cups + rows[:, :-1] * items + rows[:, 1:]], axis=1)


def expected(rows: IntArray, items: int) -> FloatArray:
    """Give the counts that the cells would have on average if every row were shuffled freely.

    Parameters
    ----------
    rows : int array, shape (n, cups)
    items : int

    Returns
    -------
    float array, shape (items * (cups + items),)
    """
    cups = rows.shape[1]
    times = (rows[:, :, None] == np.arange(items)).sum(axis=1)
    together = times.T @ times - np.diag(times.sum(axis=0))
    positions = np.repeat(times.sum(axis=0) / cups, cups)
    return np.concatenate([positions, together.ravel() / cups])


def deviation(rows: IntArray, items: int) -> FloatArray:
    """Say how far the counts of served rows are from `expected`, in the same order."""
    counts = np.bincount(cells(rows, items).ravel(), minlength=items * (rows.shape[1] + items))
    return counts - expected(rows, items)


def _relabelled(square: IntArray, rng: np.random.Generator) -> IntArray:
    labels: IntArray = rng.permutation(square.shape[1])
    return labels[square]


def _rewritten(row: IntArray) -> IntArray:
    return row[_changes(len(row))]


@lru_cache(maxsize=64)
def _changes(length: int) -> IntArray:
    """Permutations to try: all of them, or every swap, every move of one cup, every reversal."""
    if length <= LISTED_UP_TO:
        return np.array(list(itertools.permutations(range(length))))
    same = list(range(length))
    tried = {tuple(same)}
    for i, j in itertools.permutations(range(length), 2):
        rest = same[:i] + same[i + 1 :]
        tried.add((*rest[:j], i, *rest[j:]))
        if i < j:
            tried.add((*same[:i], j, *same[i + 1 : j], i, *same[j + 1 :]))
            tried.add((*same[:i], *same[i : j + 1][::-1], *same[j + 1 :]))
    return np.array(sorted(tried))
