"""The short answer in fewer than 60 words, and the board: a word and a mark for every comparison.

The answer names variants and sizes where there is room for them, then names alone, then the first
names and how many others, and counts only where even that is too long.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.batches.summary import in_words
from blindspoon.charts.board import mark_svg
from blindspoon.files.seal import KEPT
from blindspoon.findings.comparison import (
    Analysis,
    AttributeResult,
    Comparison,
    NotCompared,
    Other,
)
from blindspoon.findings.verdict import SHORT_NAMES, in_a_word
from blindspoon.trial import Attribute, Scale
from blindspoon.writeup.naming import Naming, naming
from blindspoon.writeup.words import sentence

MOST_WORDS = 58
MANY = 1000
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


def short_answer(analysis: Analysis, answering: Sequence[AttributeResult]) -> str:
    """Answer the question in fewer than 60 words, without a p value.

    Parameters
    ----------
    analysis : Analysis
    answering : sequence of AttributeResult
        The primary attributes, or all of them where none was declared.
    """
    names, alone = naming(analysis), answering[0].unit == "round"
    forms = [(True, MANY), (True, 3), (False, MANY), (False, 2), (False, 1), (True, 1), (False, 1)]
    candidates = [
        " ".join(
            _about(result, names, sizes=sizes, most=most, brief=number > 4) for result in answering
        )
        + " The board has the rest." * (number > 4)
        for number, (sizes, most) in enumerate(forms)
    ]
    candidates.append(_overall([other for result in answering for other in result.others]))
    rounds = len(analysis.table.sessions)
    over = f", over {wording.spelled(rounds)} rounds" if rounds > 1 else ""
    first = "" if analysis.trial.decision.declared else NO_RULE
    catch = one_catch(analysis, names, answering)
    if alone:
        candidates = [f"To this taster{over}, {text[:1].lower()}{text[1:]}" for text in candidates]
    answers = [" ".join(filter(None, (first, text, catch))) for text in candidates]
    return next((text for text in answers if len(text.split()) <= MOST_WORDS), answers[-1])


NO_RULE = "No rule was written down before the tasting, so take all of this as a lead."


def one_catch(analysis: Analysis, names: Naming, results: Sequence[AttributeResult]) -> str:
    """Say what else differed in the variants that were found different; or nothing."""
    found = {each.variant.name for result in results for each in result.comparisons if each.differs}
    told = [
        f"{names.subject([analysis.trial.variant(what.variant)])} was also "
        f"{wording.listing(map(in_words, what.undeclared))}"
        for what in (analysis.made.differs if analysis.made else ())
        if what.undeclared and what.variant in found
    ]
    if len(told) > 1:
        return f"One catch: {len(told)} of them differed in more than was meant."
    return f"One catch: {told[0]}." if told else ""


def trust(analysis: Analysis) -> str:
    """Tell who tasted how much of what, and whether it was shown to be blind; two sentences."""
    table, names = analysis.table, naming(analysis)
    people, rounds = len(table.tasters), len(table.sessions)
    sizes = [max(n, 1) for n in table.batches_tasted(len(analysis.trial.variants)).tolist()]
    fewest, most = (wording.spelled(end) for end in (min(sizes), max(sizes)))
    several = f"{most if fewest == most else f'{fewest} to {most}'} batches"
    made = f"one {names.noun}" if most == "one" else several
    who = "one person" if people == 1 else f"{wording.spelled(people)} people"
    kind = "rounds" if people == 1 else "sittings"
    times = f", in {wording.spelled(rounds)} {kind}" if rounds > 1 else ""
    return f"{sentence(f'{who} tasted {made} of each{times}')} {blinding(analysis)}"


def blinding(analysis: Analysis) -> str:
    """Say whether the folder shows that the tasting was blind; a sentence."""
    if not analysis.table.coded:
        return "Not shown to be blind: no codes are recorded."
    if not analysis.sealed:
        return "Not shown to be blind: cups carried codes, but their key was not sealed."
    first = analysis.sealed[0]
    if first.startswith(KEPT):
        return f"Tasted blind, under codes. {first}"
    return f"Not shown to be blind: {first[:1].lower()}{first[1:]}"


def _about(result: AttributeResult, names: Naming, *, sizes: bool, most: int, brief: bool) -> str:
    """Tell of one attribute, a clause a group of variants with the same verdict.

    It is named where the first verdict does not tell of it; a brief text has the first group only.
    """
    label = result.attribute.label.lower()
    groups = [[each for each in result.others if _group(each) == group] for group in GROUPS]
    *settled, open_, _ = groups
    if not any(settled) and len(open_) == len(result.others) > 2:
        return (
            f"On {label}, nothing is settled: none of {wording.spelled(len(open_))} could be told "
            f"from {names.like}, or shown to be alike."
        )
    told = [members for members in groups if members][: 1 if brief else None]
    on = "" if _tells(told[0][0]) else f" on {label}"
    clauses = [
        _clause(members, names, sizes=sizes, most=most, on="" if place else on, first=not place)
        for place, members in enumerate(told)
    ]
    if groups[4] and groups[5] and not groups[6] and len(clauses) > 1:
        clauses[-2:] = [f"{clauses[-2]}; {clauses[-1]}"]
    return " ".join(map(sentence, clauses))


def _tells(other: Other) -> bool:
    """Whether the word of a verdict tells of which attribute it is: "crisper"."""
    up, attribute = _group(other)[1], other.attribute
    return bool(up and (attribute.more if up > 0 else attribute.less))


def _group(other: Other) -> tuple[str, int]:
    if isinstance(other, NotCompared):
        return "not compared", 0
    return other.verdict, other.direction


def _clause(
    members: Sequence[Other], names: Naming, *, sizes: bool, most: int, on: str, first: bool
) -> str:
    """One group of variants by name: subject, verb, predicate and sizes; the largest first."""
    ordered = sorted(members, key=_smallness)
    most = most if len(ordered) > most + 1 else MANY
    shown, rest = ordered[:most], len(ordered[most:])
    subject, many = names.subject([each.variant for each in shown], rest), len(ordered) > 1
    if _group(members[0])[0] == "open":
        return f"whether {subject} {'differ' if many else 'differs'}{on} is not settled"
    text = f"{subject} {_predicate(members[0], names.like, many=many, first=first)}"
    found = [each for each in shown if isinstance(each, Comparison) and each.direction]
    if not (sizes and found):
        return text + on
    scale = out_of(found[0].attribute.scale) if first else ""
    by = f"up to {size_of(found[:1])}" if rest else size_of(found)
    return f"{text}{on}, by {by}{scale}"


def _smallness(other: Other) -> float:
    found = other.found if isinstance(other, Comparison) and other.direction else None
    return 0.0 if found is None else -abs(found.difference)


def size_of(found: Sequence[Comparison]) -> str:
    """Give the sizes of differences with like decimals: "2.2 and 1.7 points", "1 point"."""
    attribute, contrasts = found[0].attribute, [each.found for each in found if each.found]
    digits = max(wording.estimate_digits(c.difference, c.interval, attribute) for c in contrasts)
    shown = [wording.number(abs(contrast.difference), digits) for contrast in contrasts]
    if len(shown) == 1 and float(shown[0]) == 1:
        return "1 point"
    return f"{wording.listing(shown)} points"


def out_of(scale: Scale) -> str:
    """Say how long a scale is, where it starts at zero.

    Examples
    --------
    >>> out_of(Scale(low=0, high=10)), out_of(Scale(low=1, high=9))
    (' out of 10', '')
    """
    return "" if scale.low else f" out of {wording.plain(scale.high)}"


def _predicate(other: Other, control: str, *, many: bool, first: bool) -> str:
    """Say what a group is, with the verb in its number; in full where it comes first."""
    was, attribute = "were" if many else "was", other.attribute
    if isinstance(other, NotCompared):
        return "could not be compared"
    if other.verdict == "alike":
        return f"came within {wording.margin(attribute)} of {control if first else 'it'}"
    slightly = "slightly " if other.verdict == "slight" else ""
    than = f" than {control}" if first else ""
    up = other.direction > 0
    word = attribute.more if up else attribute.less
    if word:
        return f"{was} {slightly}{word}{than}"
    towards = attribute.high if up else attribute.low
    end = f" (towards “{towards}”)" if towards else ""
    return f"scored {slightly}{'higher' if up else 'lower'}{end}{than}"


def _overall(others: Sequence[Other]) -> str:
    """Count the whole trial, where even the first names are too long."""
    kinds = [_group(other)[0] for other in others]
    counts = {
        "were different": kinds.count("different") + kinds.count("slight"),
        "were within the margin": kinds.count("alike"),
        "are not settled": kinds.count("open"),
        "could not be made": kinds.count("not compared"),
    }
    words = wording.listing(f"{count} {text}" for text, count in counts.items() if count)
    return f"Of {len(others)} comparisons, {words}; the board names each."


def otherwise(other: Other) -> str:
    """Say what the second procedure would call it, where that is something else; or nothing."""
    if isinstance(other, NotCompared) or other.verdict_by_other is None or not other.disputed:
        return ""
    by = "the mixed model" if other.by == "ranks" else "ranks"
    return f"{SHORT_NAMES[other.verdict_by_other]} by {by}"


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
    fragile : bool
        Whether leaving out one taster often changes it.
    mark : str
        An inline SVG of the interval against zero and the margin; empty where there is none.
    kind : str
        The verdict's kind, or "none".
    """

    word: str
    size: str = ""
    other: str = ""
    fragile: bool = False
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


def make_boards(
    ordered: Sequence[AttributeResult], fragile: Collection[tuple[str, str]] = ()
) -> tuple[Board, ...]:
    """Lay out the verdicts of attributes, the primary ones first.

    Parameters
    ----------
    ordered : sequence of AttributeResult
    fragile : collection of (str, str)
        Attribute and variant of the verdicts that one taster more or less often changes.
    """
    several = math.ceil(len(ordered) / MOST_COLUMNS)
    width = math.ceil(len(ordered) / several)
    starts = range(0, len(ordered), width)
    limits = _limits(ordered)
    return tuple(_board(ordered[start : start + width], limits, fragile) for start in starts)


def _board(
    results: Sequence[AttributeResult],
    limits: Mapping[object, float],
    fragile: Collection[tuple[str, str]],
) -> Board:
    primary = sum(result.primary for result in results)
    groups = (("Primary", primary), ("Exploratory", len(results) - primary))
    columns = [
        [
            _cell(
                other,
                limits[_like(result.attribute)],
                fragile=(result.attribute.name, other.variant.name) in fragile,
            )
            for other in result.others
        ]
        for result in results
    ]
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


def _like(attribute: Attribute) -> tuple[Scale, float | None]:
    return attribute.scale, attribute.margin


def _limits(results: Sequence[AttributeResult]) -> Mapping[object, float]:
    """How far marks reach from zero; attributes of one scale and margin share it."""
    ends: dict[object, float] = {}
    for result in results:
        kind = _like(result.attribute)
        seen = [ends.get(kind, 0.0), result.attribute.margin or 0.0]
        contrasts = [each.found for each in result.comparisons if each.found]
        for contrast in contrasts:
            seen.append(abs(contrast.difference))
            interval = contrast.interval
            seen += [] if interval is None else [abs(interval.low), abs(interval.high)]
        ends[kind] = max(seen)
    return ends


def _cell(other: Other, limit: float, *, fragile: bool) -> BoardCell:
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
    return BoardCell(
        word=word,
        size=size,
        other=otherwise(other),
        fragile=fragile,
        mark=mark,
        kind=other.verdict,
    )
