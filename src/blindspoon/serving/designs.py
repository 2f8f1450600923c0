"""Which variants each taster gets, and in which order: designs made even by a search.

Sets: R. E. Bechhofer and A. C. Tamhane 1981, Technometrics 23:45-57: for comparing with a control,
the control is in every set, and the other variants form a plan in which each occurs equally often
and each pair of them together equally often. Where no such plan fits the number of tasters, the
search comes as near as it can.

Orders: the practice of H. J. H. MacFie, N. Bratchell, K. Greenhoff and L. V. Vallis 1989, Journal
of Sensory Studies 4:129-148: every product in every position and straight after every other product
equally often, by the squares of E. J. Williams 1949, Australian Journal of Scientific Research A
2:149-168.

The search: each row of a design (variants in a set, or cups in order) adds one to some cells of a
table of counts, and the design is the better, the smaller the weighted sum of squared deviations of
the cells. Given all other rows, the cost of every way to write one row is a sum over its cells, so
the best one is found by looking, and the search is a heat bath: each row in turn takes one of its
possible forms at random, good ones more often, and ever more so.
"""

import itertools
from collections.abc import Callable, Iterable, Iterator
from math import comb

import numpy as np

from blindspoon.arrays import FloatArray, IntArray

REPLICATION_WEIGHT = 2.0  # that each variant occurs equally often comes before the pairs

SETS_LISTED = 1000
TOO_MANY = 5000
MOST_BLOCKS = 6
SET_UPDATES = 1000


def choose_sets(
    tasters: int, variants: int, places: int, offset: FloatArray, rng: np.random.Generator
) -> IntArray:
    """Choose the sets of variants, other than the control, that the tasters get.

    `variants`, t, and their `places` in a set are counted without the control; `offset`, shape
    (t * (t + 1),), is where the counts stand before these sets, as `set_deviation` says. Gives
    shape (tasters, places): variants from 0, ascending in each row, the rows in random order.

    >>> choose_sets(3, 3, 2, np.zeros(12), np.random.default_rng(1)).tolist()
    [[0, 2], [0, 1], [1, 2]]
    """
    plan = known_plan(variants, places)
    whole, rest = divmod(tasters, len(plan))
    sets = [_relabelled(plan, variants, rng) for _ in range(whole)]
    weight = np.ones(variants * (variants + 1))
    weight[:variants] = REPLICATION_WEIGHT
    every = np.arange(weight.size)
    listed = comb(variants, places) <= SETS_LISTED
    others = _set_cells(_choices(variants, places), variants) if listed else every

    def forms(own: IntArray) -> tuple[IntArray, IntArray]:
        """Any set; where they are too many, those that differ in one variant, and itself."""
        if listed:
            return every, others
        out = np.setdiff1d(np.arange(variants), own[:places])
        ways = places * len(out)
        swapped = np.tile(own[:places], (ways + 1, 1))  # the last is the row as it is
        at = np.repeat(np.arange(places), len(out))
        swapped[np.arange(ways), at] = np.tile(out, places)
        return every, _set_cells(np.sort(swapped, axis=1), variants)

    def chunks() -> Iterator[tuple[IntArray, FloatArray]]:
        for first in range(0, rest, CHUNK):
            rows = np.arange(min(CHUNK, rest - first)) % len(plan)
            start = rng.permutation(_relabelled(plan, variants, rng))[rows]
            yield _set_cells(start, variants), _wanted(len(rows), variants, places)

    if rest:
        content = not offset.any()
        found = settle(
            chunks(), offset, forms=forms, weight=weight, rng=rng, updates=SET_UPDATES,
            content=content,
        )  # fmt: skip
        sets.append(found[:, :places])
    return rng.permutation(even_replication(np.concatenate(sets), variants))


def even_replication(sets: IntArray, variants: int) -> IntArray:
    """Exchange variants until none is in two sets more than another, with the least harm to pairs.

    Sets, shape (n, places), are ascending in each row; those that are even already come back as
    they are.

    >>> even_replication(np.array([[0, 1], [0, 2], [0, 3]]), 5).tolist()
    [[1, 4], [0, 2], [0, 3]]
    """
    even = sets.copy()
    while True:
        often = np.bincount(even.ravel(), minlength=variants)
        most, least = int(often.argmax()), int(often.argmin())
        if often[most] - often[least] < 2:
            return even
        # A set with the one and without the other: there is one, for the one is in more sets.
        able = (even == most).any(axis=1) & ~(even == least).any(axis=1)
        tried = []
        for row in np.flatnonzero(able):
            changed = even.copy()
            changed[row] = np.sort(np.where(even[row] == most, least, even[row]))
            tried.append(changed)
        even = min(tried, key=lambda sets: int((_counts(sets, variants) ** 2).sum()))


def _set_cells(sets: IntArray, variants: int) -> IntArray:
    """Which counts each ascending set adds to: its variants, then its pairs; a flat table."""
    first, second = _pairs(sets.shape[1])
    pairs = variants + sets[:, first] * variants + sets[:, second]
    return np.concatenate([sets, pairs], axis=1)


def known_plan(variants: int, places: int) -> IntArray:
    """Give a balanced incomplete block plan, the smallest that cyclic development finds.

    Of t `variants`, from 0, and k `places` it has shape (b, k): each variant is in r, each pair in
    lambda of the blocks, with ``b k = r t`` and ``lambda (t - 1) = r (k - 1)``. Where there are
    more than 5,000 blocks of k from t, one block developed modulo t comes back.

    R. C. Bose 1939, Annals of Eugenics 9:353-399: initial blocks developed modulo t, or modulo
    t - 1 with one variant fixed. Failing these, the plan is all the blocks there are.

    >>> known_plan(7, 3).tolist()
    [[0, 1, 3], [1, 2, 4], [2, 3, 5], [3, 4, 6], [0, 4, 5], [1, 5, 6], [0, 2, 6]]
    """
    if comb(variants, places) > TOO_MANY:
        return _developed(tuple(range(places)), variants)
    subsets = _choices(variants, places)
    found = [_union(subsets, variants, modulus) for modulus in (variants, variants - 1)]
    return min((plan for plan in (*found, subsets) if plan is not None), key=len)


def _union(subsets: IntArray, variants: int, modulus: int) -> IntArray | None:
    """Find the fewest developed blocks whose union is balanced, if a few are enough."""
    if modulus < 2:
        return None
    kinds: dict[bytes, IntArray] = {}
    met: set[tuple[int, ...]] = set()
    for block in map(tuple, subsets.tolist()):
        if block not in met:  # its shifts give the same plan
            plan = _developed(block, modulus)
            met.update(map(tuple, plan.tolist()))
            kinds.setdefault(_counts(plan, variants).tobytes(), plan)
    plans = list(kinds.values())
    counts = np.array([_counts(plan, variants) for plan in plans])
    for size in range(1, min(MOST_BLOCKS, len(plans)) + 1):
        if comb(len(plans), size) > TOO_MANY:
            return None
        chosen = _choices(len(plans), size)
        summed = counts[chosen].sum(axis=1)
        apart = np.ptp(summed[:, :variants], axis=1)
        apart += np.ptp(summed[:, variants:][:, _upper(variants)], axis=1)
        if not apart.all():
            unions = [np.concatenate([plans[i] for i in choice]) for choice in chosen[apart == 0]]
            return min(unions, key=len)
    return None


def _developed(block: tuple[int, ...], modulus: int) -> IntArray:
    """Every shift of a block modulo a number; variants from there on stay fixed."""
    shifted = [
        tuple(sorted((item + shift) % modulus if item < modulus else item for item in block))
        for shift in range(modulus)
    ]
    return np.array(list(dict.fromkeys(shifted)))


def set_deviation(sets: IntArray, variants: int) -> FloatArray:
    """How far sets are from having every variant and every pair equally often, shape (t(t+1),)."""
    return _counts(sets, variants) - _wanted(len(sets), variants, sets.shape[1])


def _counts(sets: IntArray, variants: int) -> IntArray:
    return np.bincount(_set_cells(sets, variants).ravel(), minlength=variants * (variants + 1))


def _upper(variants: int) -> IntArray:
    return np.array([variants, 1]) @ _pairs(variants)


def _pairs(count: int) -> IntArray:
    """First and second of all pairs, shape (2, n_pairs)."""
    return np.stack(np.triu_indices(count, 1))


def _wanted(tasters: int, variants: int, places: int) -> FloatArray:
    """Give the counts of a plan in which every variant and every pair occurs equally often."""
    wanted = np.zeros(variants * (variants + 1))
    wanted[:variants] = tasters * places / variants
    if variants > 1:
        pairs = tasters * places * (places - 1) / (variants * (variants - 1))
        wanted[variants + _upper(variants)] = pairs
    return wanted


def _relabelled(plan: IntArray, variants: int, rng: np.random.Generator) -> IntArray:
    labels: IntArray = rng.permutation(variants)
    return np.sort(labels[plan], axis=1)


def _choices(count: int, size: int) -> IntArray:
    """All ways to choose so many, shape (n_ways, size)."""
    return np.array(list(itertools.combinations(range(count), size)))


ORDERS_LISTED = 6
"""Rows up to this length are rewritten as any permutation, longer ones by small changes."""

POSITION_WEIGHT = 4.0
"""Evenness over positions comes before who follows whom: the analysis has positions in it."""

ORDER_UPDATES = 3000


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
    stand before these rows, as `order_deviation` says. `content` stops as soon as every count is
    within one of what is wanted.
    """
    cups = rows.shape[1]
    weight, places = np.ones(len(offset)), np.arange(cups)
    weight[: items * cups] = POSITION_WEIGHT
    changes = _order_cells(_changes(cups), cups)  # as if a row's own cups were all the items

    def forms(own: IntArray) -> tuple[IntArray, IntArray]:
        row = own[:cups] // cups
        after = items * cups + row[:, None] * items + row
        return np.concatenate((row[:, None] * cups + places, after), axis=None), changes

    chunks = np.array_split(rows, -(-len(rows) // CHUNK))
    found = settle(
        ((_order_cells(chunk, items), _expected(chunk, items)) for chunk in chunks), offset,
        forms=forms, weight=weight, rng=rng, updates=ORDER_UPDATES // len(chunks), content=content,
    )  # fmt: skip
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


def _order_cells(rows: IntArray, items: int) -> IntArray:
    """Which counts each row adds to: (item, position), then (item, next item); a flat table."""
    cups = rows.shape[1]
    positions = rows * cups + np.arange(cups)
    return np.concatenate([positions, items * cups + rows[:, :-1] * items + rows[:, 1:]], axis=1)


def _expected(rows: IntArray, items: int) -> FloatArray:
    """Give the counts of the `_order_cells` on average if every row were shuffled freely."""
    cups = rows.shape[1]
    times = (rows[:, :, None] == np.arange(items)).sum(axis=1)
    together = times.T @ times - np.diag(times.sum(axis=0))
    positions = np.repeat(times.sum(axis=0) / cups, cups)
    return np.concatenate([positions, together.ravel() / cups])


def order_deviation(rows: IntArray, items: int) -> FloatArray:
    """Say how far the counts of served rows are from `_expected`, in the same order."""
    counts = np.bincount(
        _order_cells(rows, items).ravel(), minlength=items * (rows.shape[1] + items)
    )
    return counts - _expected(rows, items)


def _changes(length: int) -> IntArray:
    """Permutations to try: all of them, or every swap, every move of one cup, every reversal."""
    if length <= ORDERS_LISTED:
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


CHUNK = 60  # rows of a large design that are searched together
MOST_SWEEPS = 200
HOT, COLD = 6.0, 0.7
"""Temperatures at the start and the end, where 1 is the cost of one count too many."""


def settle(
    chunks: Iterable[tuple[IntArray, FloatArray]],
    deviation: FloatArray,
    *,
    forms: Callable[[IntArray], tuple[IntArray, IntArray]],
    weight: FloatArray,
    rng: np.random.Generator,
    updates: int,
    content: bool,
) -> IntArray:
    """Redraw the rows of a design until its counts are as even as the search can make them.

    A chunk of a large design is settled beside those before it: the cells that each row adds one
    to, shape (n_rows, width), no cell twice in a row, and the counts that are wanted of it. The
    best rows seen come back, never worse than those at the start. `deviation`, shape (n_cells,),
    are the counts of rows that stay as they are, minus the wanted counts, and `weight` what a
    squared deviation of each cell costs. `forms` gives for a row some cells, shape (m,), and which
    of them each possible form of it adds one to, shape (n_forms, width). A row is redrawn about so
    often in all (`updates`); where the caller is `content`, only until every cell is within one of
    what is wanted.
    """

    def settled(design: IntArray, off: FloatArray) -> IntArray:
        current = design.copy()
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

    total, done = deviation.copy(), list[IntArray]()
    for design, wanted in chunks:
        total -= wanted
        done.append(settled(design, total.copy()))
        np.add.at(total, done[-1], 1.0)
    return np.concatenate(done)
