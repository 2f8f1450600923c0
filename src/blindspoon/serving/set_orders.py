"""Sets of cups to choose from: which variant, in which order, from which jar, under which codes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

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
            used, kinds = orders[variant], Counter[int]()
            for order, times in used.items():
                kinds[order.count("A")] += times
            often = {it: (used[it], kinds[it.count("A")]) for it in choice.how.orders}
            order = _seldom(often, rng)
            used[order] += 1
            batch: dict[str, str | None] = {}
            for name in (request.control, variant):
                known = {it: (jars[name, it],) for it in request.batches.get(name, ())}
                batch[name] = _seldom(known, rng) if known else None
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


def _seldom(often: Mapping[str, tuple[int, ...]], rng: np.random.Generator) -> str:
    """Take one of what was served least, the first number before the second."""
    least = min(often.values())
    return str(rng.choice([name for name, times in often.items() if times == least]))
