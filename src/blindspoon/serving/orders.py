"""Serving orders: who gets which cup first, and what is tasted straight after what.

Items are numbers, 0 the control. The practice is that of H. J. H. MacFie, N. Bratchell,
K. Greenhoff and L. V. Vallis 1989, Journal of Sensory Studies 4:129-148: every product in every
position and straight after every other product equally often, by the squares of E. J. Williams
1949, Australian Journal of Scientific Research A 2:149-168.
"""

import itertools
from functools import lru_cache, partial

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.serving.search import settle, settle_in_turn

LISTED_UP_TO = 6
"""Rows up to this length are rewritten as any permutation, longer ones by small changes."""

POSITION_WEIGHT = 4.0
"""Evenness over positions comes before who follows whom: the analysis has positions in it."""

CHUNK = 60
UPDATES = 3000


def williams(items: int) -> IntArray:
    """Williams squares: balanced for position and for the item tasted just before.

    Items from 0, one row a taster, shape (k, k) for an even number of items, k, and (2k, k) for an
    odd one. Every item is in each position equally often, and every ordered pair of neighbours
    occurs once (even k) or twice (odd k).

    E. J. Williams 1949, Australian Journal of Scientific Research A 2:149-168: the first row is
    0, 1, k-1, 2, k-2 ...; each next row adds 1 modulo k; for an odd k the reversed rows follow.

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

    The control, 0, counts `controls` times, 1 or 2, among the items. `offset`, shape (n_cells,),
    are deviations of earlier sessions, made small: they only break ties. Gives shape
    (tasters, items).
    """
    square, kinds = williams(items), items - controls + 1
    squares = [rng.permutation(items)[square] for _ in range(tasters // len(square) + 1)]
    whole, last = squares[:-1], squares[-1]
    count = tasters % len(square)
    if count:
        half = last if count > items else last[:items]
        whole.append(rng.permutation(half)[:count])
    orders = np.concatenate(whole)
    orders[orders >= kinds] = 0
    if count:
        # Where all counts are wanted alike, within one of them is as good as it gets.
        content = controls == 1 and not offset.any()
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
    """Put the cups of each row, shape (n, cups), into the order that is most even over all rows.

    `items` is how many different ones there are; `offset`, shape (n_cells,), is where the counts
    stand before these rows, as `deviation` says. `content` stops as soon as every count is within
    one of what is wanted.
    """
    cups = rows.shape[1]
    weight, places = np.ones(len(offset)), np.arange(cups)
    weight[: items * cups] = POSITION_WEIGHT
    changes = cells(_changes(cups), cups)  # as if a row's own cups were all the items

    def forms(own: IntArray) -> tuple[IntArray, IntArray]:
        row = own[:cups] // cups
        after = items * cups + row[:, None] * items + row
        return np.concatenate((row[:, None] * cups + places, after), axis=None), changes

    chunks = np.array_split(rows, -(-len(rows) // CHUNK))
    search = partial(
        settle, forms=forms, weight=weight, rng=rng, updates=UPDATES // len(chunks), content=content
    )
    rows_wanted = ((cells(chunk, items), expected(chunk, items)) for chunk in chunks)
    found = settle_in_turn(rows_wanted, offset, search)
    return even_positions(found[:, :cups] // cups, items)


def even_positions(rows: IntArray, items: int) -> IntArray:
    """Exchange cups within rows until no item's counts in two positions differ by two.

    Rows, shape (n, cups), that are even already come back as they are.

    It can always be done: where a position i has an item two times oftener than j, exchange i
    and j in a row with that item in i, go on with the item that came to i thereby, and stop at
    one that i had too seldom. It is the argument for the equitable edge colouring of bipartite
    graphs, D. de Werra 1971, INFOR 9:285-290.

    >>> even_positions(np.array([[0, 1], [0, 2], [1, 0], [0, 3]]), 4)[:, 0].tolist().count(0)
    2
    """
    even = rows.copy()
    pairs = list(itertools.permutations(range(rows.shape[1]), 2))
    found = True
    while found:
        found = False
        for i, j in pairs:
            often, seldom = (np.bincount(even[:, at], minlength=items) for at in (i, j))
            ahead, free = often - seldom, even[:, i] != even[:, j]
            if ahead.max() < 2:
                continue
            found, item = True, int(ahead.argmax())
            while ahead[item] >= 0:
                row = int(np.flatnonzero(free & (even[:, i] == item))[0])
                even[row, i], even[row, j] = even[row, j], even[row, i]
                free[row] = False
                item = int(even[row, i])
    return even


def cells(rows: IntArray, items: int) -> IntArray:
    """Which counts each row adds to: (item, position) first, then (item, next item).

    Rows, shape (n, cups), give positions, shape (n, 2 * cups - 1), in one flat table of
    ``items * (cups + items)`` counts.
    """
    cups = rows.shape[1]
    positions = rows * cups + np.arange(cups)
    return np.concatenate([positions, items * cups + rows[:, :-1] * items + rows[:, 1:]], axis=1)


def expected(rows: IntArray, items: int) -> FloatArray:
    """Give the counts of the `cells` on average if every row were shuffled freely."""
    cups = rows.shape[1]
    times = (rows[:, :, None] == np.arange(items)).sum(axis=1)
    together = times.T @ times - np.diag(times.sum(axis=0))
    positions = np.repeat(times.sum(axis=0) / cups, cups)
    return np.concatenate([positions, together.ravel() / cups])


def deviation(rows: IntArray, items: int) -> FloatArray:
    """Say how far the counts of served rows are from `expected`, in the same order."""
    counts = np.bincount(cells(rows, items).ravel(), minlength=items * (rows.shape[1] + items))
    return counts - expected(rows, items)


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
