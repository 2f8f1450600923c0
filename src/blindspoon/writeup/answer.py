"""The short answer in fewer than 60 words, and the board: a word and a mark for every comparison.

The answer names variants and sizes where there is room for them, then names alone, then the first
names and how many others, and counts only where even that is too long.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.batches.summary import in_words
from blindspoon.charts.board import mark_limits, mark_svg
from blindspoon.charts.picks import picks_title
from blindspoon.findings.comparison import Analysis, AttributeResult, NotCompared, Other
from blindspoon.findings.verdict import ALL, clauses, in_a_word, otherwise
from blindspoon.wording import sentence
from blindspoon.writeup.days_section import days_answer
from blindspoon.writeup.tables import estimate
from blindspoon.writeup.words import dated, paragraphs

MOST_WORDS = 58


FORMS = (
    *((sizes, most, ALL) for sizes, most in ((True, ALL), (True, 3), (False, ALL), (False, 2))),
    *((False, 1, ALL), (True, 1, 1), (False, 1, 1)),
)
"""What is given up while an answer is too long: sizes, names of more variants, all but the first
group of verdicts."""
FEWEST = (False, 2, 1)  # of those attributes alone on which something differs


def short_answer(analysis: Analysis, answering: Sequence[AttributeResult]) -> str:
    """Answer the question in fewer than 60 words, without a p value.

    By the primary attributes, or all of them where none was declared.
    """
    standing, names, table = analysis.standing, analysis.names, analysis.table
    told = [NO_RULE] * (not analysis.trial.decision.declared)
    if standing.bent:  # which makes all of it exploratory
        told = [f"{dated(' '.join(standing.bent))} {ONLY_A_LEAD}"]
    asked = [found for found in analysis.choices if found.primary or not answering]
    if asked:
        told.append(sentence(picks_title(asked, names)) if len(asked) > 1 else asked[0].because)
    told += days_answer(analysis)
    if not answering or analysis.about_days:
        return " ".join(told)
    about, compared = list[str](), any(result.comparisons for result in answering)
    if answering[0].unit == "round":
        rounds = len(table.sessions)
        over = f", over {wording.spelled(rounds)} rounds" if rounds > 1 else ""
        about.append(f"to this taster{over}")
    elif len(table.tasters) == 2 and compared:
        about.append("to these two people")
    to = f"{', '.join([*about, *filter(None, [names.these])])}, " if about or names.these else ""
    answers = []
    differing = [result for result in answering if any(it.direction for it in result.others)]
    forms = (*((answering, form) for form in FORMS), (differing or answering, FEWEST))
    for kept, (sizes, most, first) in forms:
        parts = [
            clause
            for result in kept
            for clause in clauses(result.others, names, sizes=sizes, most=most, first=first)
        ]
        parts[0] = to + parts[0]
        answers.append(" ".join(map(sentence, parts)) + " The board has the rest." * (first < ALL))
    answers.append(sentence(to + _overall([it for result in answering for it in result.others])))
    catch = one_catch(analysis, answering)
    answers = [" ".join(filter(None, (*told, text, catch))) for text in answers]
    return next((text for text in answers if len(text.split()) <= MOST_WORDS), answers[-1])


NO_RULE = "No rule was written down before the tasting, so take all of this as a lead."
ONLY_A_LEAD = "So all of this is exploratory."


def one_catch(analysis: Analysis, results: Sequence[AttributeResult]) -> str:
    """Say what else differed in the variants that were found different; or nothing."""
    found = {it.variant.name for result in results for it in result.comparisons if it.differs}
    told = [
        f"{analysis.names.subject([analysis.trial.variant(what.variant)])} was also "
        f"{wording.listing(map(in_words, what.undeclared))}"
        for what in analysis.differs
        if what.undeclared and what.variant in found
    ]
    if len(told) > 1:
        return f"One catch: {wording.spelled(len(told))} of them differed in more than was meant."
    return f"One catch: {told[0]}." if told else ""


def tasted_by(analysis: Analysis) -> int:
    """Count the people who scored or chose; 0 where that is not known."""
    chosen = analysis.table.choices
    return max(len(analysis.table.tasters), chosen.people if chosen else 0)


def trust(analysis: Analysis) -> str:
    """Tell who tasted how much of what, and whether it was shown to be blind; two sentences."""
    table, names, people = analysis.table, analysis.names, tasted_by(analysis)
    sizes = [max(n, 1) for n in table.batches_tasted(len(analysis.trial.variants)).tolist()]
    fewest, most = (wording.spelled(end) for end in (min(sizes), max(sizes)))
    several = f"{most if fewest == most else f'{fewest} to {most}'} batches"
    told = paragraphs(
        "trust",
        scored=bool(analysis.results),
        people=people,
        who="one person" if people == 1 else f"{wording.spelled(people)} people",
        made=f"one {names.noun}" if most == "one" else several,
        times=len(table.sessions),
        sets=table.choices.right.size if table.choices else 0,
        coded=table.coded or (table.choices is not None and table.choices.coded),
        standing=analysis.standing,
    )
    return " ".join(told)


def _overall(others: Sequence[Other]) -> str:
    """Count the whole trial, where even the first names are too long."""
    kinds = [other.verdict for other in others]
    counts = [
        (kinds.count("different") + kinds.count("slight"), "was", "were", "different"),
        (kinds.count("alike"), "was", "were", "within the margin"),
        (kinds.count("open"), "is", "are", "not settled"),
        (kinds.count(None), "could", "could", "not be made"),
    ]
    words = wording.listing(
        f"{many} {one if many == 1 else more} {text}" for many, one, more, text in counts if many
    )
    return f"of {wording.count(len(others), 'comparison')}, {words}; the board names each"


# The board --------------------------------------------------------------------------------------

MOST_COLUMNS = 5  # attributes side by side; more are shared out over several boards


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardCell:
    """One variant on one attribute, the verdict as a word.

    `size` is the difference with its sign, `other` what the second procedure would call it, where
    that is something else; `mark` an inline SVG of the interval against zero and the margin; each
    may be empty. It is `fragile` where leaving out one taster often changes it. `kind` is the
    verdict's, or "none".
    """

    word: str
    size: str = ""
    other: str = ""
    fragile: bool = False
    mark: str = ""
    kind: str

    @property
    def notes(self) -> tuple[str, ...]:
        """What stands beside the word, where something does."""
        return ("fragile",) * self.fragile + (self.other,) * bool(self.other)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardColumn:
    """One attribute; `edge` where it is the first exploratory one beside primary ones."""

    label: str
    group: str
    edge: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Variants down, attributes across.

    Groups are "Primary" and "Exploratory" with the number of columns they span; a row is a
    variant's label and its cells.
    """

    groups: tuple[tuple[str, int], ...]
    columns: tuple[BoardColumn, ...]
    rows: tuple[tuple[str, tuple[BoardCell, ...]], ...]

    @property
    def rows_in_words(self) -> list[tuple[str, list[str]]]:
        """Give the cells without their marks."""
        return [
            (
                label,
                ["; ".join(filter(None, (f"{c.word} {c.size}".strip(), *c.notes))) for c in cells],
            )
            for label, cells in self.rows
        ]


def make_boards(
    ordered: Sequence[AttributeResult], fragile: Collection[tuple[str, str]] = ()
) -> tuple[Board, ...]:
    """Lay out the verdicts of attributes, the primary ones first.

    Those that one taster more or less often changes are `fragile`: attribute and variant.
    """
    several = math.ceil(len(ordered) / MOST_COLUMNS) or 1
    width, limits = math.ceil(len(ordered) / several) or 1, mark_limits(ordered)
    boards = []
    for start in range(0, len(ordered), width):
        results = ordered[start : start + width]
        primary = sum(result.primary for result in results)
        groups = (("Primary", primary), ("Exploratory", len(results) - primary))
        columns = [
            [
                _cell(other, limits, fragile=(result.attribute.name, other.variant.name) in fragile)
                for other in result.others
            ]
            for result in results
        ]
        heads = (
            BoardColumn(
                label=result.attribute.label,
                group="primary" if result.primary else "exploratory",
                edge=0 < primary == place,
            )
            for place, result in enumerate(results)
        )
        labels = [other.variant.label for other in results[0].others]
        board = Board(
            groups=tuple(group for group in groups if group[1]),
            columns=tuple(heads),
            rows=tuple(zip(labels, zip(*columns, strict=True), strict=True)),
        )
        boards.append(board)
    return tuple(boards)


def _cell(other: Other, limits: Mapping[str, float], *, fragile: bool) -> BoardCell:
    if isinstance(other, NotCompared):
        return BoardCell(word="not compared", kind="none")
    size, mark, attribute, found = "", "", other.attribute, other.found
    if found is not None:
        size = estimate(found, attribute)
        if found.interval is not None:
            mark = mark_svg(other, limits[attribute.name])
    word = in_a_word(other.verdict, attribute, up=other.direction > 0)
    return BoardCell(
        word=word, size=size, other=otherwise(other), fragile=fragile, mark=mark, kind=other.verdict
    )
