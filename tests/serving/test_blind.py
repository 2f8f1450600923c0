"""Whole plans: what must hold of any of them, whatever was asked for."""

import contextlib
import dataclasses
import itertools
import time
from collections import Counter, defaultdict

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy import stats

from blindspoon.errors import DesignError
from blindspoon.serving import designs
from blindspoon.serving.draw import add_taster, draw, draw_session, taster_stream
from blindspoon.serving.plan import ServingRequest, Span, plan_from_rows, rows_of
from blindspoon.trial import Choice


def request(kinds, tasters, cups, controls=1, sessions=1, codes="per taster", **more):
    return ServingRequest(
        control="plain",
        others=tuple(f"way-{number}" for number in range(1, kinds)),
        tasters=tuple(f"T{number:02d}" for number in range(1, tasters + 1)),
        sessions=tuple(str(number) for number in range(1, sessions + 1)),
        cups=cups,
        controls=controls,
        codes=codes,
        **more,
    )


def drawn(*args, seed=1, **more):
    return draw(request(*args, **more), np.random.default_rng(seed))


@st.composite
def requests(draw_from):
    kinds = draw_from(st.integers(2, 9))
    controls = draw_from(st.integers(1, 2))
    cups = draw_from(st.integers(controls + 1, kinds - 1 + controls))
    tasters, sessions = draw_from(st.integers(1, 10)), draw_from(st.integers(1, 3))
    assume(tasters * sessions * (cups - controls) >= kinds - 1)
    codes = draw_from(st.sampled_from(["per taster", "per session"]))
    return request(kinds, tasters, cups, controls, sessions, codes)


@pytest.fixture(scope="module")
def unsearched():
    """Orders and sets as first drawn: the search changes neither codes nor anybody else's cups."""

    @contextlib.contextmanager
    def patched():
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(
                designs,
                "settle",
                lambda chunks, _, **__: np.concatenate([rows for rows, _ in chunks]),
            )
            yield

    return patched


def joined(plan):
    """Sets of (position, variant, code) by session and taster, from the two tables alone."""
    key = {(s, t, c): v for s, t, c, v, *_ in plan.key_rows()[1:]}
    sets = defaultdict(list)
    for session, taster, position, code in plan.servings_rows()[1:]:
        sets[session, taster].append((int(position), key[session, taster, code], code))
    return sets


def recounted(sets, variants):
    """The counts of `Balance` once more, by dictionaries, and two more of whole designs."""
    control, *others = variants
    places, after, pairs, once = Counter(), Counter(), Counter(), Counter()
    for cups in sets:
        row = [variant for _, variant, _ in sorted(cups)]
        places.update(enumerate(row))
        after.update(itertools.pairwise(row))
        once.update(row)
        pairs.update(itertools.combinations(sorted(set(row)), 2))
    size = range(len(sets[0]))
    spans = {
        "replication": [once[v] for v in others],
        "concurrence": [pairs[pair] for pair in itertools.combinations(sorted(others), 2)],
        "positions": [places[i, v] for i in size for v in others],
        "control_positions": [places[i, control] for i in size],
        "follows": [after[pair] for pair in itertools.permutations(others, 2)],
        "control_follows": [after[pair] for v in others for pair in ((v, control), (control, v))],
    }
    return {name: Span(low=min(n), high=max(n)) if n else None for name, n in spans.items()}


def counted(plan):
    return recounted([*joined(plan).values()], plan.request.variants)


@settings(max_examples=12, deadline=None)
@given(requests(), st.integers(0, 2**32))
@example(request(12, 24, 13, controls=2, sessions=2), 7)
@example(request(12, 40, 7, codes="per session"), 7)
def test_every_plan_holds_what_it_promises(asked, seed):
    plan = draw(asked, np.random.default_rng(seed))
    sets = joined(plan)
    assert list(sets) == list(itertools.product(asked.sessions, asked.tasters))
    for cups in sets.values():
        assert [position for position, _, _ in cups] == list(range(1, asked.cups + 1))
        variants = Counter(variant for _, variant, _ in cups)
        assert variants.pop("plain") == asked.controls
        assert len(variants) == asked.places
        assert set(variants.values()) == {1}
        assert len({code for _, _, code in cups}) == asked.cups
    assert len(plan.balance) == (0 if asked.alone else len(asked.sessions))
    for balance in plan.balance:
        again = recounted([c for (s, _), c in sets.items() if s == balance.session], asked.variants)
        for name in ("positions", "control_positions", "follows"):
            assert getattr(balance, name) == again[name]
        for name in ("positions", "control_positions", "replication"):
            assert again[name].high - again[name].low <= 1
    assert all(cup.variant in asked.variants for cup in plan.servings)
    assert {cup.variant for cup in plan.servings} == set(asked.variants)


@settings(max_examples=12, deadline=None)
@given(requests(), st.integers(0, 2**32))
def test_codes_are_shared_with_nobody_but_where_they_are_to_be(unsearched, asked, seed):
    with unsearched():
        plan = draw(asked, np.random.default_rng(seed))
    sets = joined(plan)
    for session in asked.sessions:
        codes = [[code for *_, code in cups] for (s, _), cups in sets.items() if s == session]
        if asked.codes == "per session":
            of = {code: v for (s, _), cups in sets.items() if s == session for _, v, code in cups}
            assert len(of) <= len(asked.variants) + asked.controls - 1
            assert len({code for code, v in of.items() if v == "plain"}) == asked.controls
        elif len(asked.tasters) * asked.cups <= 780:
            everything = list(itertools.chain(*codes))
            assert len(set(everything)) == len(everything)


def test_the_same_stream_gives_the_same_plan_and_another_a_different_one():
    for asked in (request(5, 12, 5, sessions=2), request(7, 9, 4, batches={"plain": ("a", "b")})):
        plans = [draw(asked, np.random.default_rng([seed, 4])) for seed in (1, 1, 2)]
        assert plans[0] == plans[1]
        assert plans[0].servings_rows() != plans[2].servings_rows()
        orders = [[cup.variant for cup in plan.servings] for plan in plans]
        assert orders[0] != orders[2]


def test_sessions_are_drawn_afresh():
    plan = drawn(6, 12, 6, sessions=2)
    first, second = ([c for c in plan.servings if c.session == s] for s in ("1", "2"))
    assert [c.variant for c in first] != [c.variant for c in second]
    assert {(c.taster, c.code) for c in first}.isdisjoint((c.taster, c.code) for c in second)


def test_variants_are_as_likely_for_every_taster_and_position():
    """Of the orders that a plan is made of; a plan writes them down as they are."""

    def orders_of(tasters, seed):
        nobody, met = np.empty((0, 4), dtype=np.int64), np.zeros((tasters, 4), dtype=np.int64)
        asked = request(4, tasters, 4)
        rows = draw_session(asked, nobody, met, np.random.default_rng(seed))
        if seed < 20:
            whole = drawn(4, tasters, 4, seed=seed)
            assert np.array_equal(rows, rows_of(asked, whole.servings))
        return rows

    firsts = Counter(int(orders_of(1, seed)[0, 0]) for seed in range(600))
    seconds = Counter(int(orders_of(2, seed)[1, 2]) for seed in range(600))
    for often in (firsts, seconds):
        assert len(often) == 4
        assert stats.chisquare(list(often.values())).pvalue > 0.001


def test_one_person_alone_gets_every_order_as_often_in_the_long_run():
    plan = drawn(3, 1, 3, sessions=300)
    orders = Counter(tuple(v for _, v, _ in cups) for cups in joined(plan).values())
    assert len(orders) == 6
    assert stats.chisquare(list(orders.values())).pvalue > 0.001


def test_few_cups_over_sessions_bring_every_taster_new_variants():
    for seed in range(3):
        plan = drawn(7, 5, 3, sessions=2, seed=seed)
        met = defaultdict(dict)
        for cup in plan.servings:
            met[cup.session].setdefault(cup.taster, set()).add(cup.variant)
        first, second = (list(sets.values()) for sets in met.values())
        again = [
            sum(len(one & two) for one, two in zip(first, others, strict=True))
            for others in itertools.permutations(second)
        ]
        assert again[0] == min(again)
        assert again[0] < np.mean(again)
        replication = counted(plan)["replication"]
        assert replication.high - replication.low <= 1


def test_servings_rows_hold_no_variant_and_the_key_does_not_tell_the_order():
    plan = drawn(5, 10, 5, sessions=2)
    cells = {cell for row in plan.servings_rows() for cell in row}
    assert cells.isdisjoint(plan.request.variants)
    assert plan.key_rows()[0] == ["session", "taster", "code", "variant"]
    for _, rows in itertools.groupby(plan.key_rows()[1:], key=lambda row: row[:2]):
        codes = [row[2] for row in rows]
        assert codes == sorted(codes)


def test_batches_are_dealt_equally_and_both_control_cups_share_one():
    batches = {"plain": ("jar 1", "jar 2"), "way-1": ("jar 3", "jar 4", "jar 5")}
    plan = drawn(4, 9, 5, controls=2, sessions=2, batches=batches)
    for variant, names in batches.items():
        for sessions in (("1",), ("2",), ("1", "2")):
            had = {(c.session, c.taster, c.batch) for c in plan.servings if c.variant == variant}
            often = Counter(batch for session, _, batch in had if session in sessions)
            assert len(had) == 18
            assert set(often) == set(names)
            assert max(often.values()) - min(often.values()) <= 1
    twice = defaultdict(list)
    for cup in plan.servings:
        twice[cup.session, cup.taster, cup.variant].append(cup.batch)
    assert all(len(set(jars)) == 1 for jars in twice.values())
    assert plan.key_rows()[0][-1] == "batch"
    assert all(c.batch is None for c in plan.servings if c.variant in {"way-2", "way-3"})


def test_a_plan_can_be_read_back_from_its_rows():
    for asked in (request(5, 7, 4, sessions=2), request(3, 4, 3, batches={"plain": ("a", "b")})):
        plan = draw(asked, np.random.default_rng(5))
        tables = plan.servings_rows(), plan.key_rows()
        rows = [[dict(zip(head, row, strict=True)) for row in rows] for head, *rows in tables]
        assert plan_from_rows(asked, *rows) == plan


@settings(max_examples=12, deadline=None)
@given(requests(), st.integers(0, 2**32))
def test_a_late_taster_changes_nothing_for_the_others(unsearched, asked, seed):
    with unsearched():
        plan = draw(asked, np.random.default_rng(seed))
    later = add_taster(plan, "Ada", taster_stream(seed, "Ada"))
    assert later.servings[: len(plan.servings)] == plan.servings
    assert later == add_taster(plan, "Ada", taster_stream(seed, "Ada"))
    sets = joined(later)
    for session in asked.sessions:
        cups = sets[session, "Ada"]
        variants = Counter(variant for _, variant, _ in cups)
        assert variants.pop("plain") == asked.controls
        assert len(variants) == asked.places
        assert set(variants.values()) == {1}
        known = {c.code for c in plan.servings}
        own = [code for *_, code in cups]
        assert len(set(own)) == asked.cups
        if asked.codes == "per taster" and len(plan.servings) < 500:
            assert known.isdisjoint(own)
        if asked.codes == "per session":
            of = {c.code: c.variant for c in plan.servings if c.session == session}
            assert all(of.get(code, variant) == variant for _, variant, code in cups)


def test_the_missing_row_of_a_square_goes_to_the_late_taster():
    for seed in range(5):
        plan = drawn(6, 5, 6, seed=seed)
        later = add_taster(plan, "Ada", taster_stream(seed, "Ada"))
        assert later.balance[0].positions == Span(low=1, high=1)
        even = counted(later)
        assert even["follows"] == even["control_follows"] == Span(low=1, high=1)


def test_the_missing_set_of_a_plan_goes_to_the_late_taster():
    plan = drawn(8, 6, 4)
    later = add_taster(plan, "Ada", taster_stream(1, "Ada"))
    assert counted(later)["replication"] == Span(low=3, high=3)
    assert counted(later)["concurrence"] == Span(low=1, high=1)


def test_late_tasters_have_streams_of_their_own():
    plan = drawn(5, 10, 5)
    ada, ben = (add_taster(plan, name, taster_stream(1, name)) for name in ("Ada", "Ben"))
    assert [c.code for c in ada.servings[-5:]] != [c.code for c in ben.servings[-5:]]
    both = add_taster(ada, "Ben", taster_stream(1, "Ben"))
    assert both.servings[: len(ada.servings)] == ada.servings


def test_a_name_that_is_taken_is_refused():
    with pytest.raises(DesignError, match='there is a taster "T01" already'):
        add_taster(drawn(3, 2, 3), "T01", np.random.default_rng(1))


def test_the_plan_is_frozen():
    plan = drawn(3, 2, 3)
    with pytest.raises(dataclasses.FrozenInstanceError, match="servings"):
        plan.servings = ()


@pytest.mark.bench
@pytest.mark.parametrize("cups", [4, 6, 7, 9, 12])
def test_twelve_variants_forty_tasters_three_sessions_take_under_two_seconds(cups):
    start = time.perf_counter()
    drawn(12, 40, cups, sessions=3)
    assert time.perf_counter() - start < 2


def test_a_late_taster_gets_the_shared_codes_and_none_of_a_set():
    asked = request(3, 4, 3, codes="per session", choice=Choice(method="triangle", sets=2))
    plan = add_taster(draw(asked, np.random.default_rng(3)), "Late", np.random.default_rng(4))
    codes = defaultdict(set)
    for cup in plan.servings:
        if not cup.set:
            codes[cup.variant].add(cup.code)
    assert all(len(own) == 1 for own in codes.values())
    late = [cup.code for cup in plan.servings if cup.taster == "Late"]
    assert len(set(late)) == len(late)


def test_no_code_of_a_set_is_that_of_a_cup_of_the_same_taster():
    plan = drawn(6, 110, 6, choice=Choice(method="triangle", sets=2))
    cups = Counter((cup.session, cup.taster, cup.code) for cup in plan.servings)
    assert set(cups.values()) == {1}
