"""From a request to a plan: draw the cups and the sets, deal the batches, put codes on them."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.errors import DesignError, Rule, quoted
from blindspoon.files.toml import LABEL_LIMIT, is_label
from blindspoon.serving.codes import draw_codes
from blindspoon.serving.designs import (
    arrange,
    choose_sets,
    complete_orders,
    order_deviation,
    set_deviation,
)
from blindspoon.serving.plan import (
    Serving,
    ServingPlan,
    ServingRequest,
    order_counts,
    rows_of,
)
from blindspoon.trial import Choice

TAKEN = Rule("duplicate-taster", "a late taster needs a name of their own", "Give another name")
LABEL = Rule(
    "bad-label",
    f"a taster has 1 to {LABEL_LIMIT} characters, none of them a control character",
    "Give another name",
)
TIE = 0.02  # what a count of another session weighs: it only decides between plans that are as even


def draw(request: ServingRequest, rng: np.random.Generator) -> ServingPlan:
    """Draw who gets which cup, when, and under which code.

    The request has passed `check_request`. The same state of `rng` gives the same plan.

    Where everybody gets every variant: Williams squares, as many as fit, and the most balanced
    rows for the tasters left over. Where they do not: sets after Bechhofer and Tamhane 1981,
    ordered by a search. Every session is drawn afresh; tasters get rows at random, but variants
    that they have not met come first.

    >>> request = ServingRequest(control="plain", others=("dill", "leaf"), cups=3,
    ...                          tasters=("T01", "T02", "T03", "T04", "T05", "T06"))
    >>> plan = draw(request, np.random.default_rng(7))
    >>> plan.servings_rows()[:3]
    [['session', 'taster', 'position', 'code'], ['1', 'T01', '1', '409'], ['1', 'T01', '2', '348']]
    >>> plan.balance[0].positions
    Span(low=2, high=2)
    """
    return _Dealer(request, (), rng).plan(request.sessions)


def add_taster(plan: ServingPlan, name: str, rng: np.random.Generator) -> ServingPlan:
    """Add a taster who comes late to all sessions; the cups of all others stay.

    The taster's are in the order that balances the session best, under codes that nobody has had
    so far while there are any. For `rng` see `taster_stream`. DesignError where there is a taster
    of that name, or it can be none.
    """
    if not is_label(name):
        raise DesignError([LABEL.broken(f"the name is {quoted(name)}", "servings.csv")])
    if name in plan.request.tasters:
        found = f'there is a taster "{name}" already'
        raise DesignError([TAKEN.broken(found, "servings.csv", column="taster")])
    request = replace(plan.request, tasters=(*plan.request.tasters, name))
    return _Dealer(request, plan.servings, rng).plan(request.sessions, late=name)


def add_session(plan: ServingPlan, name: str, rng: np.random.Generator) -> ServingPlan:
    """Add a session for every taster; the cups of all others stay as they are."""
    request = replace(plan.request, sessions=(*plan.request.sessions, name))
    return _Dealer(request, plan.servings, rng).plan((name,))


def taster_stream(seed: int, name: str) -> np.random.Generator:
    """Give the random stream of a late taster, from the seed of the trial and the name alone.

    >>> int(taster_stream(20260905, "Ada").integers(1000))
    205
    """
    return np.random.default_rng([seed, *name.encode("utf-8")])


def draw_session(
    request: ServingRequest, earlier: IntArray, met: IntArray, rng: np.random.Generator
) -> IntArray:
    """Draw the cups of a session afresh.

    `earlier`, shape (n_rows, cups), are the rows of the sessions drawn before, and `met`, shape
    (n_tasters, n_variants), says how often each taster has had each variant in them. Gives
    variants from 0, the control, in each taster's serving order, shape (n_tasters, cups).
    """
    count, kinds = len(request.tasters), len(request.variants)
    if request.complete and not request.alone:
        offset = TIE * order_deviation(earlier, kinds)
        rows = complete_orders(count, request.cups, request.controls, offset, rng)
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
        offset += share * set_deviation(sets, others_count)
    sets = choose_sets(count, others_count, request.places, offset, rng) + 1
    controls = np.zeros((count, request.controls), dtype=np.int64)
    rows = rng.permuted(np.concatenate([controls, sets], axis=1), axis=1)
    if request.alone:
        return rows
    off = order_deviation(session, kinds) + TIE * order_deviation(others, kinds)
    return arrange(rows, kinds, off, rng)


class _Dealer:
    """Deals sessions after what was `served`."""

    def __init__(
        self, request: ServingRequest, served: Iterable[Serving], rng: np.random.Generator
    ) -> None:
        self._request, self._served, self._rng = request, [*served], rng

    def plan(self, sessions: Iterable[str], late: str = "") -> ServingPlan:
        """Deal each session to all tasters, or to one who comes late: cups to score, then sets."""
        request, tasters = self._request, (late,) if late else self._request.tasters
        for session in sessions:
            if request.scored:
                others = (serving for serving in self._served if serving.session != session)
                here, earlier = (rows_of(request, cups) for cups in (self._here(session), others))
                if late:
                    rows = _draw_rows(request, 1, here, earlier, self._rng)
                else:
                    rows = draw_session(request, earlier, self._met(), self._rng)
                self._pour(session, tasters, rows)
            if request.choice:
                self._pour_sets(request.choice, session, tasters)
        return ServingPlan(request=request, servings=tuple(self._served))

    def _here(self, session: str) -> list[Serving]:
        return [serving for serving in self._served if serving.session == session]

    def _taken(self, session: str) -> frozenset[str]:
        return frozenset(serving.code for serving in self._here(session))

    def _met(self) -> IntArray:
        """How often each taster has had each variant, shape (n_tasters, n_variants)."""
        taster = {name: n for n, name in enumerate(self._request.tasters)}
        variant = {name: n for n, name in enumerate(self._request.variants)}
        met = np.zeros((len(taster), len(variant)), dtype=np.int64)
        for cup in (cup for cup in self._served if not cup.set):
            met[taster[cup.taster], variant[cup.variant]] += 1
        return met

    def _pour(self, session: str, tasters: Sequence[str], rows: IntArray) -> None:
        names = [[self._request.variants[variant] for variant in row] for row in rows]
        batches = self._batches(session, tasters, names)
        if self._request.codes == "per session":
            codes = self._codes_per_session(session, names)
        else:
            codes = self._codes_per_taster(session, tasters)
        self._served += [
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
        self, session: str, tasters: Sequence[str], names: Sequence[Sequence[str]]
    ) -> dict[tuple[str, str], str]:
        """Deal a batch to each taster and variant; both cups of the control come from one batch.

        Two cups of one batch differ by the taster's noise only, which is what the second is for.
        """
        chosen, poured = {}, self._request.poured.get(session, {})
        sets = {(s.session, s.taster, s.batch) for s in self._served}  # a batch is of one variant
        here = Counter(batch for where, _, batch in sets if where == session)
        everywhere = Counter(batch for _, _, batch in sets)
        had = Counter((taster, batch) for _, taster, batch in sets)
        for variant, batches in {**self._request.batches, **poured}.items():
            who = [t for t, row in zip(tasters, names, strict=True) if variant in row]
            # A late taster's session comes first, so that it stays as even as it can.
            used = [here[batch] * (len(sets) + 1) + everywhere[batch] for batch in batches]
            history = np.array([had[t, b] for t in who for b in batches], dtype=np.int64)
            history = history.reshape(len(who), len(batches))
            dealt = deal_batches(np.array(used), history, self._rng)
            for taster, batch in zip(who, dealt, strict=True):
                chosen[taster, variant] = batches[batch]
        return chosen

    def _codes_per_taster(self, session: str, tasters: Sequence[str]) -> list[list[str]]:
        """Draw codes, with none that a taster has had; for a late one, none of the whole plan."""
        taken = self._taken(session)
        met: dict[str, set[str]] = {taster: set() for taster in tasters}
        for serving in self._served:
            for taster in tasters if taken else (serving.taster,):
                met[taster].add(serving.code)
        known = [frozenset(codes) for codes in met.values()]
        return draw_codes([self._request.cups] * len(tasters), taken, self._rng, known)

    def _codes_per_session(self, session: str, names: Sequence[Sequence[str]]) -> list[list[str]]:
        """One code a variant, two where the control is served twice, which fall on it at random."""
        here, request = self._here(session), self._request
        of_variant: dict[str, list[str]] = {}
        for variant, code in dict.fromkeys((s.variant, s.code) for s in here if not s.set):
            of_variant.setdefault(variant, []).append(code)
        every = (*[request.control] * request.controls, *request.others)
        needed = [variant for variant in every if variant not in of_variant]
        known = [frozenset(s.code for s in self._served)]
        drawn = draw_codes([len(needed)], self._taken(session), self._rng, known)[0]
        for variant, code in zip(needed, drawn, strict=True):
            of_variant.setdefault(variant, []).append(code)
        dealt = []
        for row in names:
            left = {name: self._rng.permutation(own).tolist() for name, own in of_variant.items()}
            dealt.append([str(left[variant].pop()) for variant in row])
        return dealt

    def _pour_sets(self, choice: Choice, session: str, tasters: Sequence[str]) -> None:
        """Draw the sets of tasters in one session.

        Every order of the method is served as often as every other, give or take one, for each
        variant over all sessions; control and variant are the odd one equally often, as ISO 4120
        asks. Cups of one kind in a set come from one jar, so that jars do not tell them apart. They
        stand after the cups that are scored, and every set has codes of its own.
        """
        request, served, rng = self._request, self._served, self._rng
        cups, others = choice.how.cups, request.others
        found = order_counts(served, request.control)
        alone = found.get(request.control, Counter()) if len(others) == 1 else Counter()
        orders = {name: found.get(name, Counter()) + alone for name in others}
        jars = Counter((s.variant, s.batch) for s in served if s.set)
        start, here = request.cups if request.scored else 0, self._here(session)
        own = [frozenset(s.code for s in here if s.taster == taster) for taster in tasters]
        codes = draw_codes([choice.sets * cups] * len(tasters), self._taken(session), rng, own)
        first = sum(orders[name].total() for name in others) % len(others)
        poured: dict[str, list[Serving]] = {name: [] for name in tasters}
        for turn, place in enumerate(rng.permutation(len(tasters)).tolist()):
            turns = range(first + turn * choice.sets, first + (turn + 1) * choice.sets)
            about = [others[number % len(others)] for number in turns]
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
        self._served += [serving for servings in poured.values() for serving in servings]


def _seldom(often: Mapping[str, tuple[int, ...]], rng: np.random.Generator) -> str:
    """Take one of what was served least, the first number before the second."""
    least = min(often.values())
    return str(rng.choice([name for name, times in often.items() if times == least]))


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
