"""The board: every variant on every attribute, a word and a mark in each cell.

The short answer, in fewer than 60 words.

It names variants and sizes where there is room for them, then names alone, then counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from blindspoon import wording
from blindspoon.charts.board import mark_svg
from blindspoon.findings.comparison import AttributeResult, Kind, NotCompared, Other
from blindspoon.findings.verdict import SHORT_NAMES, in_a_word
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial

MOST_WORDS = 58
Detail = Literal["sizes", "names"]
Group = tuple[Kind | None, int]
GROUPS: tuple[Group, ...] = (
    ("different", 1),
    ("different", -1),
    ("slight", 1),
    ("slight", -1),
    ("alike", 0),
    ("open", 0),
    (None, 0),
)
DETAILS: tuple[Detail, ...] = ("sizes", "names")


def group_of(item: Other) -> Group:
    """Give the verdict, and for a difference its direction."""
    return (None, 0) if isinstance(item, NotCompared) else (item.verdict, item.direction)


def short_answer(
    trial: Trial,
    table: ScoreTable,
    results: Sequence[AttributeResult],
    titles: Iterable[str],
    weakened: str = "",
) -> str:
    """Answer the question in fewer than 60 words, without a p value.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    results : sequence of AttributeResult
        The primary attributes, or all of them where none was declared.
    titles : iterable of str
        Titles of their charts, which count the verdicts.
    weakened : str
        Whose batches also differed otherwise; may be blank.
    """
    tail = f"{weakened} {_tail(trial, table)}".strip()
    candidates = [
        " ".join(_about(result.others, trial, table, detail) for result in results)
        for detail in DETAILS
    ]
    candidates.append(" ".join(sentence(title) for title in titles))
    candidates.append(_overall([item for result in results for item in result.others]))
    answers = [f"{answer} {tail}" for answer in candidates]
    return next((text for text in answers if len(text.split()) <= MOST_WORDS), answers[-1])


def noun_for(trial: Trial, table: ScoreTable) -> str:
    """Call them batches where no variant was tasted from several of them, otherwise variants."""
    return "batch" if most_batches(trial, table) < 2 else "variant"


def most_batches(trial: Trial, table: ScoreTable) -> int:
    """Count the named batches of the variant that was tasted from most."""
    return int(table.batches_tasted(len(trial.variants)).max())


def sentence(text: str) -> str:
    """Give a clause its capital and its full stop."""
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _tail(trial: Trial, table: ScoreTable) -> str:
    """Tell who tasted how many batches, and whether a rule had been declared."""
    tasters = len(table.tasters)
    people = wording.count(tasters, "person", "people")
    if tasters == 1:
        rounds = len(table.sessions)
        people = "one person" + (f" in {wording.spelled(rounds)} rounds" if rounds > 1 else "")
    rule = "" if trial.decision.declared else " No rule was declared before tasting."
    return sentence(f"{_batches(trial, table)} tasted, by {people}") + rule


def _batches(trial: Trial, table: ScoreTable) -> str:
    sizes = np.maximum(table.batches_tasted(len(trial.variants)), 1).tolist()
    fewest, most = (wording.spelled(end) for end in (min(sizes), max(sizes)))
    if most == "one":
        return "one batch of each was"
    return f"{most if fewest == most else f'{fewest} to {most}'} batches of each were"


def _about(items: tuple[Other, ...], trial: Trial, table: ScoreTable, detail: Detail) -> str:
    noun = noun_for(trial, table)
    place = f"on {items[0].attribute.label.lower()}, "
    if len(table.tasters) == 1:
        place = f"to this taster, {place}"
    if len(items) > 2 and all(
        group_of(item) == ("open", 0) and not _disputed(item) for item in items
    ):
        return sentence(place + _all_open(len(items), noun))
    groups = [[item for item in items if group_of(item) == group] for group in GROUPS]
    clauses: list[str] = []
    for members in filter(None, groups):
        clause = _named(members, noun, detail, first=not clauses)
        clauses.append(sentence(clause if clauses else place + clause))
    return " ".join(clauses)


def _all_open(many: int, noun: str) -> str:
    return (
        f"nothing is settled: none of the {wording.spelled(many)} {_plural(noun)} could be told "
        "from the control, or shown to be alike"
    )


def _named(members: list[Other], noun: str, detail: Detail, *, first: bool) -> str:
    """One group of variants by name: subject, verb, predicate and sizes."""
    names = wording.listing(_name(item) for item in members)
    many = len(members) > 1
    if noun == "batch":
        names = f"the {names} {_plural(noun) if many else noun}"
    text = f"{names} {_predicate(members[0], many=many, first=first)}"
    if detail == "sizes" and group_of(members[0])[1]:
        text += f", by about {_sizes(members)}"
    return text


def _name(item: Other) -> str:
    other = _other(item)
    return f"“{item.variant.label}”" + (f" ({other})" if other else "")


def _disputed(item: Other) -> bool:
    return not isinstance(item, NotCompared) and item.disputed


def _sizes(members: list[Other]) -> str:
    digits = wording.digits_for(members[0].attribute.scale)
    sizes = [
        wording.number(abs(item.found.difference), digits)
        for item in members
        if not isinstance(item, NotCompared) and item.found
    ]
    return f"{wording.listing(sizes)} points"


def _predicate(item: Other, *, many: bool, first: bool) -> str:
    """Say what a group is, with the verb in its number; in full where it comes first."""
    kind, sign = group_of(item)
    was, is_ = ("were", "are") if many else ("was", "is")
    if kind is None:
        return "could not be compared"
    if kind == "open":
        return f"{is_} not settled"
    if kind == "alike":
        margin = wording.margin(item.attribute)
        in_full = f"{was} within {margin} of the control, so alike for our purpose"
        return in_full if first else f"{was} alike within {margin}"
    slightly = "slightly " if kind == "slight" else ""
    than = " than the control" if first else ""
    word = item.attribute.more if sign > 0 else item.attribute.less
    if word:
        return f"{was} {slightly}{word}{than}"
    towards = item.attribute.high if sign > 0 else item.attribute.low
    end = f" (towards “{towards}”)" if towards else ""
    return f"scored {slightly}{'higher' if sign > 0 else 'lower'}{end}{than}"


def _overall(items: list[Other]) -> str:
    """Count the whole trial, where even counts an attribute are too long."""
    kinds = [group_of(item)[0] for item in items]
    different = sum(kind in ("different", "slight") for kind in kinds)
    words = [
        f"{count} {text}"
        for count, text in (
            (different, "were different"),
            (kinds.count("alike"), "were alike within the margin"),
            (kinds.count("open"), "are not settled"),
            (kinds.count(None), "could not be made"),
        )
        if count
    ]
    disputed = sum(map(_disputed, items))
    otherwise = f" ({disputed} otherwise by the second procedure)" if disputed else ""
    return (
        f"Of {len(items)} comparisons, {wording.listing(words)}{otherwise}; the board shows each."
    )


def _plural(noun: str) -> str:
    return "batches" if noun == "batch" else f"{noun}s"


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


def make_boards(trial: Trial, results: Iterable[AttributeResult]) -> tuple[Board, ...]:
    """Lay out the verdicts, primary attributes first.

    Parameters
    ----------
    trial : Trial
    results : iterable of AttributeResult
    """
    ordered = sorted(results, key=lambda result: not result.primary)
    several = math.ceil(len(ordered) / MOST_COLUMNS)
    width = math.ceil(len(ordered) / several)
    return tuple(
        _board(trial, ordered[start : start + width]) for start in range(0, len(ordered), width)
    )


def _board(trial: Trial, results: list[AttributeResult]) -> Board:
    primary = sum(result.primary for result in results)
    groups = (("Primary", primary), ("Exploratory", len(results) - primary))
    cells = [_cells(result) for result in results]
    labels = [variant.label for variant in trial.variants if variant.name != trial.control]
    return Board(
        groups=tuple(group for group in groups if group[1]),
        columns=tuple(
            Column(
                label=result.attribute.label,
                group="primary" if result.primary else "exploratory",
                edge=0 < primary == place,
            )
            for place, result in enumerate(results)
        ),
        rows=tuple(zip(labels, zip(*cells, strict=True), strict=True)),
    )


def _cells(result: AttributeResult) -> list[BoardCell]:
    limit = _limit(result)
    return [_cell(item, limit) for item in result.others]


def _limit(result: AttributeResult) -> float:
    """How far from zero the marks of one attribute reach, so that they can be compared."""
    ends = [result.attribute.margin or 0.0]
    for item in result.comparisons:
        if item.found is not None:
            interval = item.found.interval
            ends.append(abs(item.found.difference))
            ends += [] if interval is None else [abs(interval.low), abs(interval.high)]
    return max(ends)


def _cell(item: Other, limit: float) -> BoardCell:
    if isinstance(item, NotCompared):
        return BoardCell(word="not compared", size="", other="", mark="", kind="none")
    size, mark = "", ""
    if item.found is not None:
        found = item.found
        digits = wording.estimate_digits(found.difference, found.interval, item.attribute)
        size = wording.signed(found.difference, digits)
        if item.found.interval is not None:
            low, high = item.found.interval.low, item.found.interval.high
            mark = mark_svg(low, item.found.difference, high, item.attribute.margin, limit)
    return BoardCell(
        word=in_a_word(item.verdict, item.attribute, up=item.direction > 0),
        size=size,
        other=_other(item),
        mark=mark,
        kind=item.verdict,
    )


def _other(item: Other) -> str:
    """Name the verdict of the second procedure, where it is another one."""
    if isinstance(item, NotCompared) or item.verdict_by_other is None or not item.disputed:
        return ""
    by = "the mixed model" if item.by == "ranks" else "ranks"
    return f"{SHORT_NAMES[item.verdict_by_other]} by {by}"
