"""The board: every variant on every attribute, a word and a mark in each cell."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from blindspoon import charts, wording
from blindspoon.compare.results import AttributeResult
from blindspoon.report.answer import Judged, by_ranks
from blindspoon.trial import Trial
from blindspoon.verdict import SHORT_NAMES, in_a_word

MOST_COLUMNS = 5
"""Attributes side by side; more are shared out over several boards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardCell:
    """One variant on one attribute.

    Parameters
    ----------
    word, size : str
        The verdict; the difference with its sign, or empty.
    other : str
        What the second procedure would call it, where that is something else; or empty.
    mark : str
        An inline SVG of the interval against zero and the margin; empty where there is none.
    kind : str
        The verdict's kind, or "none".
    """

    word: str
    size: str
    other: str
    mark: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One attribute; `edge` where it is the first exploratory one beside primary ones."""

    label: str
    group: str
    edge: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Variants down, attributes across.

    Parameters
    ----------
    groups : tuple of (str, int)
        "Primary" and "Exploratory" with the number of columns they span.
    columns : tuple of Column
    rows : tuple of (str, tuple of BoardCell)
        A variant's label and its cells.
    """

    groups: tuple[tuple[str, int], ...]
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, tuple[BoardCell, ...]], ...]


def make_boards(
    trial: Trial, results: Iterable[AttributeResult], items: Mapping[str, tuple[Judged, ...]]
) -> tuple[Board, ...]:
    """Lay out the verdicts, primary attributes first.

    Parameters
    ----------
    trial : Trial
    results : iterable of AttributeResult
    items : mapping of str to tuple of Judged
        The variants but the control, by attribute name.
    """
    ordered = sorted(results, key=lambda result: not result.primary)
    several = math.ceil(len(ordered) / MOST_COLUMNS)
    width = math.ceil(len(ordered) / several)
    return tuple(
        _board(trial, ordered[start : start + width], items)
        for start in range(0, len(ordered), width)
    )


def _board(
    trial: Trial, results: list[AttributeResult], items: Mapping[str, tuple[Judged, ...]]
) -> Board:
    primary = sum(result.primary for result in results)
    groups = (("Primary", primary), ("Exploratory", len(results) - primary))
    cells = [_cells(result, items[result.attribute]) for result in results]
    labels = [variant.label for variant in trial.variants if variant.name != trial.control]
    return Board(
        groups=tuple(group for group in groups if group[1]),
        columns=tuple(
            Column(
                label=trial.attribute(result.attribute).label,
                group="primary" if result.primary else "exploratory",
                edge=0 < primary == place,
            )
            for place, result in enumerate(results)
        ),
        rows=tuple(zip(labels, zip(*cells, strict=True), strict=True)),
    )


def _cells(result: AttributeResult, items: tuple[Judged, ...]) -> list[BoardCell]:
    limit = _limit(result, items)
    return [_cell(item, result.margin, limit) for item in items]


def _limit(result: AttributeResult, items: tuple[Judged, ...]) -> float:
    """How far from zero the marks of one attribute reach, so that they can be compared."""
    ends = [result.margin or 0.0]
    for item in items:
        if item.found is not None:
            interval = item.found.interval
            ends.append(abs(item.found.difference))
            ends += [] if interval is None else [abs(interval.low), abs(interval.high)]
    return max(ends)


def _cell(item: Judged, margin: float | None, limit: float) -> BoardCell:
    if item.verdict is None:
        return BoardCell(word="not compared", size="", other="", mark="", kind="none")
    size, mark = "", ""
    if item.found is not None:
        found = item.found
        digits = wording.estimate_digits(found.difference, found.interval, item.attribute)
        size = wording.signed(found.difference, digits)
        if item.found.interval is not None:
            low, high = item.found.interval.low, item.found.interval.high
            mark = charts.mark_svg(low, item.found.difference, high, margin, limit)
    return BoardCell(
        word=_word(item),
        size=size,
        other=_other(item),
        mark=mark,
        kind=item.verdict.kind,
    )


def _word(item: Judged) -> str:
    kind, sign = item.group
    return in_a_word(kind or "open", item.attribute, up=sign > 0)


def _other(item: Judged) -> str:
    if item.verdict is None or item.verdict.other is None or not item.disputed:
        return ""
    by = "the mixed model" if by_ranks(item) else "ranks"
    return f"{SHORT_NAMES[item.verdict.other]} by {by}"
