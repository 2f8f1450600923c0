"""Codes: three digits, none with a meaning, unlike one another, none twice."""

import itertools

import numpy as np
import pytest

from blindspoon.serving.codes import CODES, draw_codes


def drawn(sizes, taken=frozenset(), seed=1, known=()):
    known = known or [frozenset()] * len(sizes)
    return draw_codes(sizes, frozenset(taken), np.random.default_rng(seed), known)


def differ(one, other):
    return sum(a != b for a, b in zip(one, other, strict=True)) >= 2 and set(
        map("".join, itertools.permutations(one))
    ).isdisjoint({other})


def test_codes_have_three_digits_and_no_leading_zero():
    assert all(len(code) == 3 and code.isdecimal() and code[0] != "0" for code in CODES)
    assert tuple(sorted(set(CODES))) == CODES


@pytest.mark.parametrize("code", ["111", "999", "123", "987", "200", "911", "112", "420", "666"])
def test_memorable_numbers_are_never_drawn(code):
    assert code not in CODES


def test_codes_of_a_small_session_are_unlike_throughout():
    sets = drawn([5] * 8)
    assert all(differ(a, b) for a, b in itertools.combinations(list(itertools.chain(*sets)), 2))


@pytest.mark.parametrize(("tasters", "shared"), [(140, False), (150, True)])
def test_codes_are_unlike_in_a_set_and_shared_only_where_there_are_fewer_than_cups(tasters, shared):
    sets = drawn([6] * tasters)
    codes = list(itertools.chain(*sets))
    assert (len(set(codes)) < len(codes)) is shared
    assert all(differ(a, b) for one in sets for a, b in itertools.combinations(one, 2))


def test_a_huge_set_has_different_codes_at_least():
    sets = drawn([400])
    assert len(set(sets[0])) == 400


def test_taken_codes_stay_out_and_nothing_looks_like_them():
    taken = {"347", "518", "690"}
    codes = drawn([5], taken)[0]
    assert all(differ(code, other) for code in codes for other in taken)


def test_known_codes_are_passed_over_while_there_are_others():
    known = frozenset(CODES[::2])
    assert known.isdisjoint(drawn([5], known=[known])[0])
    assert len(drawn([5], known=[frozenset(CODES)])[0]) == 5


def test_every_first_digit_is_drawn():
    codes = [code for seed in range(60) for code in drawn([6], seed=seed)[0]]
    firsts = np.bincount([int(code[0]) for code in codes], minlength=10)[1:]
    assert firsts.min() > 20
