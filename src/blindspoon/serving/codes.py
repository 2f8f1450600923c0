"""Three-digit blind codes: random, without a meaning, and hard to mistake for one another.

Three-digit random codes are the practice of ISO 13299 and ISO 4120. That memorable numbers are
passed over and that the codes of one tray look unlike is common practice, no source. Codes start
at 100: a spreadsheet would turn 037 into 37.
"""

import itertools
from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from blindspoon.arrays import BoolArray

CodeRule = Literal["unlike in the session", "unlike in the set", "shared", "different in the set"]
"""How unlike codes are, best first.

Two codes are unlike when they differ in at least two of the three places and are not the same
digits in another order. *unlike in the session*: any two codes of a session; *unlike in the
set*: any two that one taster gets in a session, and no code twice in the session; *shared*: the
same, but tasters may have codes in common; *different in the set*: a taster gets no code twice.
"""

RULES: tuple[CodeRule, ...] = get_args(CodeRule)

KNOWN_NUMBERS = frozenset({"101", "112", "404", "420", "911"})
"""Emergency numbers and the like; common practice, no source."""

ATTEMPTS = 20


CODES = tuple(
    code
    for code in map(str, range(100, 1000))
    if {int(b) - int(a) for a, b in itertools.pairwise(code)} not in ({0}, {1}, {-1})
    and not (code.endswith("00") or code in KNOWN_NUMBERS)
)
"""All that may be drawn: none with a digit three times (111), no run (123, 987), no hundred."""


def draw_codes(
    sizes: Sequence[int],
    taken: frozenset[str],
    rng: np.random.Generator,
    known: Sequence[frozenset[str]],
) -> list[list[str]]:
    """Draw the codes of one session under the best rule that can be kept, a set for each taster.

    `taken` are in use in this session already. Codes that each taster has `known` are passed over
    as long as that breaks neither of the first two rules. No set has more codes than there are.

    >>> draw_codes([3, 2], frozenset(), np.random.default_rng(4), [frozenset(), frozenset()])
    [['754', '949', '879'], ['531', '935']]
    """
    fresh = {met: np.array([code not in met for code in CODES]) for met in {*known}}
    new_first = [*((rule, True) for rule in RULES[:2]), *((rule, False) for rule in RULES)]
    attempts = (
        _draw(sizes, taken, [fresh[met] for met in known], rule, rng, new_only=new_only)
        for rule, new_only in new_first
        for _ in range(ATTEMPTS)
    )
    return next(drawn for drawn in attempts if drawn is not None)  # the last rule can be kept


@lru_cache(maxsize=1)
def _likeness() -> BoolArray:
    """Whether each pair of usable codes is alike, shape (n_codes, n_codes)."""
    digits = np.array([[int(digit) for digit in code] for code in CODES])
    same_places = (digits[:, None] == digits[None]).sum(axis=2)
    ordered = np.sort(digits, axis=1)
    same_digits = (ordered[:, None] == ordered[None]).all(axis=2)
    return (same_places >= 2) | same_digits


def _draw(
    sizes: Sequence[int],
    taken: frozenset[str],
    fresh: Sequence[BoolArray],
    rule: CodeRule,
    rng: np.random.Generator,
    *,
    new_only: bool,
) -> list[list[str]] | None:
    """One attempt, code by code; None where it ran out of codes."""
    near = np.eye(len(CODES), dtype=bool) if rule == RULES[3] else _likeness()
    left_out = taken if rule in RULES[:2] else frozenset()
    free = np.array([code not in left_out for code in CODES])
    if rule == "unlike in the session":
        free &= ~near[~free].any(axis=0)
    sets = []
    for size, new in zip(sizes, fresh, strict=True):
        open_, chosen = free.copy(), []
        for _ in range(size):
            better = open_ & new
            if not better.any():
                if new_only or not open_.any():
                    return None
                better = open_
            usable = np.flatnonzero(better)
            code = int(usable[rng.integers(usable.size)])
            chosen.append(code)
            open_ &= ~near[code]
        if rule == "unlike in the session":
            free = open_
        elif rule == "unlike in the set":
            free[chosen] = False
        sets.append([CODES[code] for code in chosen])
    return sets
