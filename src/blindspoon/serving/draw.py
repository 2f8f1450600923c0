"""From a request to a plan: draw the cups and the sets, deal the batches, put codes on them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from blindspoon.arrays import IntArray
from blindspoon.errors import DesignError, Rule, quoted
from blindspoon.files.toml import LABEL_LIMIT, is_label
from blindspoon.serving import blocks, orders
from blindspoon.serving.codes import draw_codes
from blindspoon.serving.plan import Serving, ServingPlan, order_counts, plan_of, rows_of
from blindspoon.serving.request import ServingRequest, check_request
from blindspoon.serving.search import deal, deal_batches


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
    here = [s for s in served if s.session == session]
    taken = frozenset(s.code for s in here)
    own = [frozenset(s.code for s in here if s.taster == taster) for taster in tasters]
    codes = draw_codes([choice.sets * cups] * len(tasters), taken, rng, own)
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


TAKEN = Rule("duplicate-taster", "a late taster needs a name of their own", "Give another name")
LABEL = Rule(
    "bad-label",
    f"a taster has 1 to {LABEL_LIMIT} characters, none of them a control character",
    "Give another name",
)
TIE = 0.02
"""What a count of another session weighs: it only decides between plans that are as even."""


def draw_session(
    request: ServingRequest, earlier: IntArray, met: IntArray, rng: np.random.Generator
) -> IntArray:
    """Draw the cups of a session afresh.

    Parameters
    ----------
    earlier : int array, shape (n_rows, cups)
        Rows of the sessions drawn before.
    met : int array, shape (n_tasters, n_variants)
        How often each taster has had each variant in them.

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
    repeats = np.zeros((count, count))  # how often each taster has met the variants of each row
    if not request.complete:
        served = (rows[:, :, None] == np.arange(kinds)).sum(axis=1)
        repeats += met[:, 1:] @ served[:, 1:].T
    return rows[deal(repeats, rng)]


def _draw_rows(
    request: ServingRequest,
    count: int,
    session: IntArray,
    others: IntArray,
    rng: np.random.Generator,
) -> IntArray:
    """Draw sets first, then their orders; one person's are shuffled freely."""
    kinds, others_count = len(request.variants), len(request.others)
    offset = np.zeros(others_count * (others_count + 1))
    for rows, share in ((session, 1.0), (others, TIE)):
        sets = np.sort(rows, axis=1)[:, request.controls :] - 1
        offset += share * blocks.deviation(sets, others_count)
    sets = blocks.choose_sets(count, others_count, request.places, offset, rng) + 1
    controls = np.zeros((count, request.controls), dtype=np.int64)
    rows = rng.permuted(np.concatenate([controls, sets], axis=1), axis=1)
    if request.alone:
        return rows
    off = orders.deviation(session, kinds) + TIE * orders.deviation(others, kinds)
    return orders.arrange(rows, kinds, off, rng)


def draw(request: ServingRequest, rng: np.random.Generator) -> ServingPlan:
    """Draw who gets which cup, when, and under which code.

    The same state of `rng` gives the same plan.

    Raises
    ------
    DesignError
        If the cups, tasters and variants do not fit together, with every problem found.

    Notes
    -----
    Where everybody gets every variant: Williams squares, as many as fit, and the most balanced
    rows for the tasters left over. Where they do not: sets after Bechhofer and Tamhane 1981,
    ordered by a search. Every session is drawn afresh; tasters get rows at random, but variants
    that they have not met come first.

    Examples
    --------
    >>> request = ServingRequest(control="plain", others=("dill", "leaf"), cups=3,
    ...                          tasters=("T01", "T02", "T03", "T04", "T05", "T06"))
    >>> plan = draw(request, np.random.default_rng(7))
    >>> plan.servings_rows()[:3]
    [['session', 'taster', 'position', 'code'], ['1', 'T01', '1', '409'], ['1', 'T01', '2', '348']]
    >>> plan.balance[0].positions
    Span(low=2, high=2)
    """
    check_request(request)
    served: list[Serving] = []
    for session in request.sessions:
        served += _served_afresh(request, served, session, rng)
    return plan_of(request, served)


def _served_afresh(
    request: ServingRequest, served: Sequence[Serving], session: str, rng: np.random.Generator
) -> list[Serving]:
    """Draw a session of all tasters, after what was served in others."""
    cups: list[Serving] = []
    if request.scored:
        taster = {name: n for n, name in enumerate(request.tasters)}
        variant = {name: n for n, name in enumerate(request.variants)}
        met = np.zeros((len(taster), len(variant)), dtype=np.int64)
        for cup in (cup for cup in served if not cup.set):
            met[taster[cup.taster], variant[cup.variant]] += 1
        rows = draw_session(request, rows_of(request, served), met, rng)
        cups = _pour(request, served, session, request.tasters, rows, rng)
    return cups + pour_sets(request, [*served, *cups], session, request.tasters, rng)


def add_taster(
    plan: ServingPlan, name: str, rng: np.random.Generator, sessions: Sequence[str] = ()
) -> ServingPlan:
    """Add a taster who comes late, to all sessions or to some; the cups of all others stay.

    The taster's are in the order that balances the session best, under codes that nobody has had
    so far while there are any. For `rng` see `taster_stream`.

    Raises
    ------
    DesignError
        If there is a taster of that name, or it can be none.
    """
    if not is_label(name):
        raise DesignError([LABEL.broken(f"the name is {quoted(name)}", "servings.csv")])
    if name in plan.request.tasters:
        found = f'there is a taster "{name}" already'
        raise DesignError([TAKEN.broken(found, "servings.csv", column="taster")])
    request = replace(plan.request, tasters=(*plan.request.tasters, name))
    served = list(plan.servings)
    for session in sessions or request.sessions:
        if request.scored:
            here = rows_of(request, served, session)
            others = rows_of(request, [s for s in served if s.session != session])
            row = _draw_rows(request, 1, here, others, rng)
            served += _pour(request, served, session, (name,), row, rng)
        served += pour_sets(request, served, session, (name,), rng)
    return plan_of(request, served)


def add_session(plan: ServingPlan, name: str, rng: np.random.Generator) -> ServingPlan:
    """Add a session for every taster; the cups of all others stay as they are."""
    request = replace(plan.request, sessions=(*plan.request.sessions, name))
    served = [*plan.servings]
    return plan_of(request, served + _served_afresh(request, served, name, rng))


def taster_stream(seed: int, name: str) -> np.random.Generator:
    """Give the random stream of a late taster, from the seed of the trial and the name alone.

    Examples
    --------
    >>> int(taster_stream(20260905, "Ada").integers(1000))
    205
    """
    return np.random.default_rng([seed, *name.encode("utf-8")])


def _pour(
    request: ServingRequest,
    served: Sequence[Serving],
    session: str,
    tasters: Sequence[str],
    rows: IntArray,
    rng: np.random.Generator,
) -> list[Serving]:
    """Rows of cups -> servings, each with its batch and its code."""
    names = [[request.variants[variant] for variant in row] for row in rows]
    batches = _batches(request, served, session, tasters, names, rng)
    if request.codes == "per session":
        codes = _codes_per_session(request, served, session, names, rng)
    else:
        taken = frozenset(s.code for s in served if s.session == session)
        # A late taster passes over every code of the plan, the others over those they have had.
        met: dict[str, set[str]] = {taster: set() for taster in tasters}
        for serving in served:
            for taster in tasters if taken else (serving.taster,):
                met[taster].add(serving.code)
        known = [frozenset(codes) for codes in met.values()]
        codes = draw_codes([request.cups] * len(tasters), taken, rng, known)
    return [
        Serving(
            session=session,
            taster=taster,
            position=place + 1,
            code=codes[number][place],
            variant=variant,
            batch=batches.get((taster, variant)),
        )
        for number, taster in enumerate(tasters)
        for place, variant in enumerate(names[number])
    ]


def _batches(
    request: ServingRequest,
    served: Sequence[Serving],
    session: str,
    tasters: Sequence[str],
    names: Sequence[Sequence[str]],
    rng: np.random.Generator,
) -> dict[tuple[str, str], str]:
    """Deal a batch to each taster and variant; both cups of the control come from one batch.

    Two cups of one batch differ by the taster's noise only, which is what the second is for.
    """
    chosen = {}
    for variant, batches in {**request.batches, **request.poured.get(session, {})}.items():
        who = [t for t, row in zip(tasters, names, strict=True) if variant in row]
        sets = {(s.session, s.taster, s.batch) for s in served if s.variant == variant}
        here = Counter(batch for where, _, batch in sets if where == session)
        everywhere = Counter(batch for _, _, batch in sets)
        had = Counter((taster, batch) for _, taster, batch in sets)
        # A late taster's session comes first, so that it stays as even as it can.
        used = [here[batch] * (len(sets) + 1) + everywhere[batch] for batch in batches]
        history = np.array([had[t, b] for t in who for b in batches], dtype=np.int64)
        history = history.reshape(len(who), len(batches))
        for taster, batch in zip(who, deal_batches(np.array(used), history, rng), strict=True):
            chosen[taster, variant] = batches[batch]
    return chosen


def _codes_per_session(
    request: ServingRequest,
    served: Sequence[Serving],
    session: str,
    names: Sequence[Sequence[str]],
    rng: np.random.Generator,
) -> list[list[str]]:
    """One code a variant, two where the control is served twice, which fall on it at random."""
    of_variant: dict[str, list[str]] = {}
    for variant, code in dict.fromkeys(
        (cup.variant, cup.code) for cup in served if cup.session == session and not cup.set
    ):
        of_variant.setdefault(variant, []).append(code)
    needed = [
        variant
        for variant in (*[request.control] * request.controls, *request.others)
        if variant not in of_variant
    ]
    taken = frozenset(s.code for s in served if s.session == session)
    known = [frozenset(s.code for s in served)]
    for variant, code in zip(needed, draw_codes([len(needed)], taken, rng, known)[0], strict=True):
        of_variant.setdefault(variant, []).append(code)
    dealt = []
    for row in names:
        left = {variant: rng.permutation(codes).tolist() for variant, codes in of_variant.items()}
        dealt.append([str(left[variant].pop()) for variant in row])
    return dealt
