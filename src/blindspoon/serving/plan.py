"""The serving plan: every coded cup, who gets it when, and how balanced the whole is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from blindspoon.serving.balance import Balance, Span, measure
from blindspoon.serving.codes import RULES, CodeRule, rule_kept
from blindspoon.serving.request import ServingRequest
from blindspoon.serving.settle import IntArray

SERVINGS_COLUMNS = ("session", "taster", "position", "code")
KEY_COLUMNS = ("session", "taster", "code", "variant")


CODE_NOTES: dict[CodeRule, str] = {
    "unlike in the session": "Any two codes of a session are unlike: they differ in at least two "
    "of the three places, and are not the same digits in another order.",
    "unlike in the set": "No code occurs twice in a session, and any two codes of one taster are "
    "unlike: they differ in at least two of the three places, and are not the same digits in "
    "another order.",
    "shared": "There are more cups in a session than codes, so tasters have codes in common; any "
    "two codes of one taster are unlike.",
    "different in the set": "Codes of one taster are different, but some look alike: there are "
    "not enough codes.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Serving:
    """One coded cup; `position` counts from 1, `batch` is None where it is left open."""

    session: str
    taster: str
    position: int
    code: str
    variant: str
    batch: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingPlan:
    """All coded cups of a trial.

    Parameters
    ----------
    request : ServingRequest
        What was asked for, late tasters included.
    servings : tuple of Serving
        By session, taster and position; late tasters at the end.
    balance : tuple of Balance
        One a session, then one for all together where there are several.
    code_rule : CodeRule
        The rule that the codes of every session keep.
    """

    request: ServingRequest
    servings: tuple[Serving, ...]
    balance: tuple[Balance, ...]
    code_rule: CodeRule

    def servings_rows(self) -> list[list[str]]:
        """Rows of servings.csv, the heading first; no variant in them."""
        rows = [[s.session, s.taster, str(s.position), s.code] for s in self._in_order()]
        return [list(SERVINGS_COLUMNS), *rows]

    def key_rows(self) -> list[list[str]]:
        """Rows of key.csv, the heading first; by code, so that they do not tell the order."""
        batches = any(serving.batch is not None for serving in self.servings)
        rows = [
            [s.session, s.taster, s.code, s.variant, *([s.batch or ""] if batches else [])]
            for s in self._in_order(by_code=True)
        ]
        return [[*KEY_COLUMNS, *(["batch"] if batches else [])], *rows]

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences on the codes and on every count that could not be made even within one."""
        uneven = [
            f"{_where(balance)}: {text}, {span.low} to {span.high} times."
            for balance in self.balance
            for text, span in _uneven(balance)
        ]
        return (CODE_NOTES[self.code_rule], *uneven)

    def _in_order(self, *, by_code: bool = False) -> list[Serving]:
        session = {name: place for place, name in enumerate(self.request.sessions)}
        taster = {name: place for place, name in enumerate(self.request.tasters)}
        return sorted(
            self.servings,
            key=lambda s: (
                session[s.session],
                taster[s.taster],
                s.code if by_code else "",
                s.position,
            ),
        )


def plan_of(request: ServingRequest, servings: Iterable[Serving]) -> ServingPlan:
    """Make a plan of servings, and count how balanced it is.

    Parameters
    ----------
    request : ServingRequest
    servings : iterable of Serving
        Every taster who comes to a session gets ``request.cups`` of them in it.

    Returns
    -------
    ServingPlan
    """
    served = tuple(servings)
    held = [name for name in request.sessions if any(s.session == name for s in served)]
    kinds = len(request.variants)
    rows = {name: rows_of(request, served, name) for name in held}
    balance = [measure(rows[name], kinds, name) for name in held]
    if len(held) > 1:
        balance.append(measure(np.concatenate([rows[name] for name in held]), kinds))
    rules = [_rule(request, [s for s in served if s.session == name]) for name in held]
    return ServingPlan(
        request=request,
        servings=served,
        balance=tuple(balance),
        code_rule=max(rules, key=RULES.index),
    )


def plan_from_rows(
    request: ServingRequest, servings: Sequence[Sequence[str]], key: Sequence[Sequence[str]]
) -> ServingPlan:
    """Make the plan again from the rows of servings.csv and key.csv.

    Parameters
    ----------
    request : ServingRequest
        With every taster of the tables.
    servings, key : sequence of sequence of str
        The tables with their heading row, as `ServingPlan` gives them, already checked.

    Returns
    -------
    ServingPlan
    """
    behind = {}
    for cells in key[1:]:
        row = dict(zip(key[0], cells, strict=True))
        behind[row["session"], row["taster"], row["code"]] = (row["variant"], row.get("batch"))
    served = []
    for cells in servings[1:]:
        row = dict(zip(servings[0], cells, strict=True))
        variant, batch = behind[row["session"], row["taster"], row["code"]]
        served.append(
            Serving(
                session=row["session"],
                taster=row["taster"],
                position=int(row["position"]),
                code=row["code"],
                variant=variant,
                batch=batch or None,
            )
        )
    return plan_of(request, served)


def rows_of(
    request: ServingRequest, servings: Iterable[Serving], session: str | None = None
) -> IntArray:
    """Give the variants of each set in serving order.

    Parameters
    ----------
    request : ServingRequest
    servings : iterable of Serving
    session : str or None
        None is all sessions.

    Returns
    -------
    int array, shape (n_sets, cups)
        Positions in ``request.variants``, the control 0; sets in order of first appearance.
    """
    number = {name: place for place, name in enumerate(request.variants)}
    sets: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for serving in servings:
        if session in (None, serving.session):
            cup = (serving.position, number[serving.variant])
            sets.setdefault((serving.session, serving.taster), []).append(cup)
    rows = [[variant for _, variant in sorted(cups)] for cups in sets.values()]
    return np.array(rows, dtype=np.int64).reshape(len(rows), request.cups)


def _where(balance: Balance) -> str:
    return "All sessions together" if balance.session is None else f"Session {balance.session}"


def _uneven(balance: Balance) -> list[tuple[str, Span]]:
    counts = (
        ("the variants are not served equally often", balance.replication),
        ("pairs of variants are not in one set equally often", balance.concurrence),
        ("a variant is not in every position equally often", balance.positions),
        ("the control is not in every position equally often", balance.control_positions),
        ("not every variant follows every other equally often", balance.follows),
        ("not every variant is next to the control equally often", balance.control_follows),
    )
    return [(text, span) for text, span in counts if span and span.high - span.low > 1]


def _rule(request: ServingRequest, servings: Sequence[Serving]) -> CodeRule:
    sets: dict[str, list[str]] = {}
    for serving in servings:
        sets.setdefault(serving.taster, []).append(serving.code)
    return rule_kept(list(sets.values()), per_session=request.codes == "per session")
