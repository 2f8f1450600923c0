"""Sets of cups to choose from: which variant, in which order, from which jar, under which codes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from blindspoon.serving.codes import draw_codes
from blindspoon.serving.plan import Serving, order_counts
from blindspoon.serving.request import ServingRequest


def pour_sets(
    request: ServingRequest,
    served: Sequence[Serving],
    session: str,
    tasters: Sequence[str],
    rng: np.random.Generator,
) -> list[Serving]:
    """Draw the sets of tasters in one session; none where the trial has no choice.

    Notes
    -----
    Every order of the method is served as often as every other, give or take one, for each
    variant over all sessions; control and variant are the odd one equally often, as ISO 4120 asks.
    Cups of one kind in a set come from one jar, so that jars do not tell them apart. They stand
    after the cups that are scored, and every set has codes of its own.
    """
    choice = request.choice
    if choice is None:
        return []
    cups, others = choice.how.cups, request.others
    found = order_counts(served, request.control)
    alone = found.get(request.control, Counter()) if len(others) == 1 else Counter()
    orders = {name: found.get(name, Counter()) + alone for name in others}
    jars = Counter((s.variant, s.batch) for s in served if s.set)
    start = request.cups if request.scored else 0
    taken = frozenset(s.code for s in served if s.session == session)
    codes = draw_codes([choice.sets * cups] * len(tasters), taken, rng)
    first = sum(orders[name].total() for name in others) % len(others)
    poured: dict[str, list[Serving]] = {name: [] for name in tasters}
    for turn, place in enumerate(rng.permutation(len(tasters)).tolist()):
        about = [others[(first + turn * choice.sets + k) % len(others)] for k in range(choice.sets)]
        for number, variant in enumerate(rng.permutation(about).tolist()):
            order = _next_order(choice.how.orders, orders[variant], rng)
            orders[variant][order] += 1
            batch = {name: _jar(request, jars, name, rng) for name in (request.control, variant)}
            jars.update(batch.items())
            for cup, kind in enumerate(order):
                name, at = (request.control, variant)[kind == "B"], number * cups + cup
                poured[tasters[place]].append(
                    Serving(
                        session=session, taster=tasters[place], set=str(number + 1),
                        position=start + at + 1, code=codes[place][at], variant=name,
                        batch=batch[name],
                    )
                )  # fmt: skip
    return [serving for servings in poured.values() for serving in servings]


def _next_order(orders: Sequence[str], used: Counter[str], rng: np.random.Generator) -> str:
    """Take one of the orders that were served least; of these one whose kind was served least."""
    least = min(used[order] for order in orders)
    kinds = Counter[int]()
    for order, times in used.items():
        kinds[order.count("A")] += times
    free = [order for order in orders if used[order] == least]
    rarest = min(kinds[order.count("A")] for order in free)
    return str(rng.choice([order for order in free if kinds[order.count("A")] == rarest]))


def _jar(
    request: ServingRequest,
    jars: Counter[tuple[str, str | None]],
    variant: str,
    rng: np.random.Generator,
) -> str | None:
    """Take one of the jars of a variant that were poured from least; None where it is open."""
    known = request.batches.get(variant, ())
    if not known:
        return None
    least = min(jars[variant, batch] for batch in known)
    return str(rng.choice([batch for batch in known if jars[variant, batch] == least]))
