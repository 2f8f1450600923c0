"""The short answer in fewer than 60 words, and the board: a word and a mark for every comparison.

The answer names variants and sizes where there is room for them, then names alone, then counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from blindspoon import wording
from blindspoon.charts.board import mark_svg
from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison, NotCompared, Other
from blindspoon.findings.verdict import SHORT_NAMES, in_a_word, weakened
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial
from blindspoon.writeup.words import sentence

MOST_WORDS = 58
GROUPS = (
    ("different", 1),
    ("different", -1),
    ("slight", 1),
    ("slight", -1),
    ("alike", 0),
    ("open", 0),
    ("not compared", 0),
)
"""Verdicts, with the direction of a difference, in the order in which they are told."""


def short_answer(
    analysis: Analysis, answering: Sequence[AttributeResult], titles: Iterable[str]
) -> str:
    """Answer the question in fewer than 60 words, without a p value.

    Parameters
    ----------
    analysis : Analysis
    answering : sequence of AttributeResult
        The primary attributes, or all of them where none was declared.
    titles : iterable of str
        Titles of their charts, which count the verdicts.
    """
    trial, table = analysis.trial, analysis.table
    told = [comparison for result in answering for comparison in result.comparisons]
    tail = f"{weakened(trial, analysis.made, told)} {_tail(trial, table)}".strip()
    candidates = [
        " ".join(_about(result, noun_for(trial, table), sizes=sizes) for result in answering)
        for sizes in (True, False)
    ]
    candidates.append(" ".join(sentence(title) for title in titles))
    candidates.append(_overall([other for result in answering for other in result.others]))
    answers = [f"{answer} {tail}" for answer in candidates]
    return next((text for text in answers if len(text.split()) <= MOST_WORDS), answers[-1])


def noun_for(trial: Trial, table: ScoreTable) -> str:
    """Call them batches where no variant was tasted from several of them, otherwise variants."""
    return "batch" if most_batches(trial, table) < 2 else "variant"


def most_batches(trial: Trial, table: ScoreTable) -> int:
    """Count the named batches of the variant that was tasted from most."""
    return int(table.batches_tasted(len(trial.variants)).max())


def _tail(trial: Trial, table: ScoreTable) -> str:
    """Tell who tasted how many batches, and whether a rule had been declared."""
    people, rounds = wording.count(len(table.tasters), "person", "people"), len(table.sessions)
    if len(table.tasters) == 1:
        people = "one person" + (f" in {wording.spelled(rounds)} rounds" if rounds > 1 else "")
    sizes = np.maximum(table.batches_tasted(len(trial.variants)), 1).tolist()
    fewest, most = (wording.spelled(end) for end in (min(sizes), max(sizes)))
    batches = f"{most if fewest == most else f'{fewest} to {most}'} batches of each were"
    if most == "one":
        batches = "one batch of each was"
    rule = "" if trial.decision.declared else " No rule was declared before tasting."
    return sentence(f"{batches} tasted, by {people}") + rule


def _about(result: AttributeResult, noun: str, *, sizes: bool) -> str:
    """Tell of one attribute, a clause a group of variants with the same verdict."""
    place = f"on {result.attribute.label.lower()}, "
    if result.unit == "round":
        place = f"to this taster, {place}"
    groups = [[each for each in result.others if _group(each) == group] for group in GROUPS]
    *settled, open_, _ = groups
    if not any(settled) and len(open_) == len(result.others) > 2 and not any(map(_doubt, open_)):
        return sentence(
            f"{place}nothing is settled: none of the {wording.spelled(len(open_))} "
            f"{_plural(noun)} could be told from the control, or shown to be alike"
        )
    clauses: list[str] = []
    for members in filter(None, groups):
        clause = _clause(members, noun, sizes=sizes, first=not clauses)
        clauses.append(sentence(clause if clauses else place + clause))
    return " ".join(clauses)


def _group(other: Other) -> tuple[str, int]:
    if isinstance(other, NotCompared):
        return "not compared", 0
    return other.verdict, other.direction


def _clause(members: Sequence[Other], noun: str, *, sizes: bool, first: bool) -> str:
    """One group of variants by name: subject, verb, predicate and sizes."""
    names, many = wording.listing(map(_name, members)), len(members) > 1
    if noun == "batch":
        names = f"the {names} {_plural(noun) if many else noun}"
    text = f"{names} {_predicate(members[0], many=many, first=first)}"
    found = [each.found for each in members if isinstance(each, Comparison) and each.direction]
    if sizes and found:
        digits = wording.digits_for(members[0].attribute.scale)
        shown = (wording.number(abs(each.difference), digits) for each in found if each)
        text += f", by about {wording.listing(shown)} points"
    return text


def _name(other: Other) -> str:
    doubt = _doubt(other)
    return f"“{other.variant.label}”" + (f" ({doubt})" if doubt else "")


def _doubt(other: Other) -> str:
    """Say what the second procedure would call it, where that is something else; or nothing."""
    if isinstance(other, NotCompared) or other.verdict_by_other is None or not other.disputed:
        return ""
    by = "the mixed model" if other.by == "ranks" else "ranks"
    return f"{SHORT_NAMES[other.verdict_by_other]} by {by}"


def _predicate(other: Other, *, many: bool, first: bool) -> str:
    """Say what a group is, with the verb in its number; in full where it comes first."""
    was, attribute = "were" if many else "was", other.attribute
    if isinstance(other, NotCompared):
        return "could not be compared"
    if other.verdict == "open":
        return f"{'are' if many else 'is'} not settled"
    if other.verdict == "alike":
        margin = wording.margin(attribute)
        in_full = f"{was} within {margin} of the control, so alike for our purpose"
        return in_full if first else f"{was} alike within {margin}"
    slightly = "slightly " if other.verdict == "slight" else ""
    than = " than the control" if first else ""
    up = other.direction > 0
    word = attribute.more if up else attribute.less
    if word:
        return f"{was} {slightly}{word}{than}"
    towards = attribute.high if up else attribute.low
    end = f" (towards “{towards}”)" if towards else ""
    return f"scored {slightly}{'higher' if up else 'lower'}{end}{than}"


def _overall(others: Sequence[Other]) -> str:
    """Count the whole trial, where even counts an attribute are too long."""
    kinds = [_group(other)[0] for other in others]
    counts = {
        "were different": kinds.count("different") + kinds.count("slight"),
        "were alike within the margin": kinds.count("alike"),
        "are not settled": kinds.count("open"),
        "could not be made": kinds.count("not compared"),
    }
    words = wording.listing(f"{count} {text}" for text, count in counts.items() if count)
    disputed = sum(bool(_doubt(other)) for other in others)
    otherwise = f" ({disputed} otherwise by the second procedure)" if disputed else ""
    return f"Of {len(others)} comparisons, {words}{otherwise}; the board shows each."


def _plural(noun: str) -> str:
    return "batches" if noun == "batch" else f"{noun}s"


# The board --------------------------------------------------------------------------------------

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
    size: str = ""
    other: str = ""
    mark: str = ""
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardColumn:
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
    columns : tuple of BoardColumn
    rows : tuple of (str, tuple of BoardCell)
        A variant's label and its cells.
    """

    groups: tuple[tuple[str, int], ...]
    columns: tuple[BoardColumn, ...]
    rows: tuple[tuple[str, tuple[BoardCell, ...]], ...]

    @property
    def rows_in_words(self) -> list[tuple[str, list[str]]]:
        """Give the cells without their marks."""
        return [
            (label, [" ".join(filter(None, (c.word, c.size, c.other))) for c in cells])
            for label, cells in self.rows
        ]


def make_boards(ordered: Sequence[AttributeResult]) -> tuple[Board, ...]:
    """Lay out the verdicts of attributes, the primary ones first."""
    several = math.ceil(len(ordered) / MOST_COLUMNS)
    width = math.ceil(len(ordered) / several)
    starts = range(0, len(ordered), width)
    return tuple(_board(ordered[start : start + width]) for start in starts)


def _board(results: Sequence[AttributeResult]) -> Board:
    primary = sum(result.primary for result in results)
    groups = (("Primary", primary), ("Exploratory", len(results) - primary))
    columns = [_cells(result) for result in results]
    labels = [other.variant.label for other in results[0].others]
    return Board(
        groups=tuple(group for group in groups if group[1]),
        columns=tuple(
            BoardColumn(
                label=result.attribute.label,
                group="primary" if result.primary else "exploratory",
                edge=0 < primary == place,
            )
            for place, result in enumerate(results)
        ),
        rows=tuple(zip(labels, zip(*columns, strict=True), strict=True)),
    )


def _cells(result: AttributeResult) -> list[BoardCell]:
    """Draw the marks of one attribute on one scale, so that they can be compared."""
    ends = [result.attribute.margin or 0.0]
    for comparison in result.comparisons:
        if comparison.found is not None:
            interval = comparison.found.interval
            ends.append(abs(comparison.found.difference))
            ends += [] if interval is None else [abs(interval.low), abs(interval.high)]
    return [_cell(other, max(ends)) for other in result.others]


def _cell(other: Other, limit: float) -> BoardCell:
    if isinstance(other, NotCompared):
        return BoardCell(word="not compared", kind="none")
    size, mark, attribute, found = "", "", other.attribute, other.found
    if found is not None:
        digits = wording.estimate_digits(found.difference, found.interval, attribute)
        size = wording.signed(found.difference, digits)
        if found.interval is not None:
            low, high = found.interval.low, found.interval.high
            mark = mark_svg(low, found.difference, high, attribute.margin, limit)
    word = in_a_word(other.verdict, attribute, up=other.direction > 0)
    return BoardCell(word=word, size=size, other=_doubt(other), mark=mark, kind=other.verdict)
