"""The head of the page: the short answer, the board, what weakens the answer, what to do with it.

The answer names variants and sizes where there is room for them, then names alone, then the first
names and how many others, and counts only where even that is too long.
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.batches.summary import in_words
from blindspoon.charts.board import mark_limits, mark_svg
from blindspoon.charts.picks import picks_title
from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison, NotCompared, Other
from blindspoon.findings.sensitivity import Influence
from blindspoon.findings.verdict_in_words import (
    ALL,
    by_size,
    clauses,
    farthest_apart,
    in_a_word,
    otherwise,
    size_of,
)
from blindspoon.stats.results import NoResult
from blindspoon.wording import capital, sentence
from blindspoon.writeup.asked_sections import days_answer
from blindspoon.writeup.limits import caution_for_readers
from blindspoon.writeup.methods import days_ahead
from blindspoon.writeup.templating import Points, paragraphs, points

MOST_WORDS = 58
FORMS = (
    (True, ALL, ALL), (True, 3, ALL), (False, ALL, ALL), (False, 2, ALL), (False, 1, ALL),
    (True, 1, 1), (False, 1, 1),
)  # fmt: skip
"""What an answer holds, the first that is short enough: sizes, how many variants a clause names,
and how many groups of verdicts are told of."""
FEWEST = (False, 2, 1)  # of those attributes alone on which something differs


def short_answer(analysis: Analysis, answering: Sequence[AttributeResult]) -> str:
    """Answer the question in fewer than 60 words, without a p value.

    By the primary attributes, or all of them where none was declared.
    """
    standing, names, table = analysis.standing, analysis.names, analysis.table
    no_rule = "No rule was written down before the tasting, so take all of this as a lead."
    opening = [no_rule] * (not analysis.trial.decision.declared)
    if standing.bent:  # which makes all of it exploratory
        opening = [f"{wording.dated(' '.join(standing.bent))} So all of this is exploratory."]
    sets = [found for found in analysis.choices if found.primary or not answering]
    if sets:
        opening.append(sentence(picks_title(sets, names)) if len(sets) > 1 else sets[0].because)
    opening += days_answer(analysis)
    if not answering or analysis.about_days:
        return " ".join(opening)
    about, compared = list[str](), any(result.comparisons for result in answering)
    if answering[0].unit == "round":
        rounds = len(table.sessions)
        over = f", over {wording.spelled(rounds)} rounds" if rounds > 1 else ""
        about.append(f"to this taster{over}")
    elif len(table.tasters) == 2 and compared:
        about.append("to these two people")
    to = f"{', '.join([*about, *filter(None, [names.these])])}, " if about or names.these else ""
    answers, where = list[str](), "board"
    if len(analysis.results) == 1 and not analysis.about_sets:
        where = "picture"
    differing = [result for result in answering if any(it.direction for it in result.others)]
    forms = (*((answering, form) for form in FORMS), (differing or answering, FEWEST))
    for kept, (sizes, most, first) in forms:
        others = [result.others for result in kept]
        parts = clauses(others, names, sizes=sizes, most=most, first=first)
        parts[0] = to + parts[0]
        answers.append(
            " ".join(map(sentence, parts)) + f" The {where} has the rest." * (first < ALL)
        )
    every = [other for result in answering for other in result.others]
    answers.append(sentence(f"{to}{_overall(every)}; the {where} names each"))
    catch = one_catch(analysis, answering)
    answers = [" ".join(filter(None, (*opening, text, catch))) for text in answers]
    return next((text for text in answers if len(text.split()) <= MOST_WORDS), answers[-1])


def one_catch(analysis: Analysis, results: Sequence[AttributeResult]) -> str:
    """Say what else differed in the variants that were found different; or nothing."""
    found = {it.variant.name for result in results for it in result.comparisons if it.differs}
    caught = [what for what in analysis.differs if what.undeclared and what.variant in found]
    if len(caught) > 1:
        return f"One catch: {wording.spelled(len(caught))} of them differed in more than was meant."
    told = [
        f"One catch: {analysis.names.subject([analysis.trial.variant(what.variant)])} was also "
        f"{wording.listing(map(in_words, what.undeclared))}."
        for what in caught
    ]
    return "".join(told)


def trust(analysis: Analysis) -> str:
    tasted = analysis.table.batches_tasted(len(analysis.trial.variants)).tolist()
    sizes = [max(number, 1) for number in tasted]
    return " ".join(paragraphs("trust", analysis=analysis, fewest=min(sizes), most=max(sizes)))


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
    return f"of {wording.count(len(others), 'comparison')}, {words}"


# The board --------------------------------------------------------------------------------------

BEFOREHAND, ALONG = "Asked beforehand", "Seen along the way"
FRAGILE = "fragile"
MOST_COLUMNS = 5  # attributes side by side; more are shared out over several boards


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardCell:
    """One variant on one attribute, the verdict as a word.

    `size` is the difference with its sign, `notes` whether it is fragile, and what the second
    procedure would call it, where that is something else; `mark` an inline SVG of the interval
    against zero and the margin; each may be empty. `kind` is the verdict's, or "none".
    """

    word: str
    size: str = ""
    notes: tuple[str, ...] = ()
    mark: str = ""
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Variants down, attributes across, by their labels.

    The first columns are the `primary` ones, that many; a row is a variant's label and its cells.
    """

    primary: int
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[BoardCell, ...]], ...]

    @property
    def groups(self) -> tuple[tuple[str, int], ...]:
        """What columns have in common, and how many they are."""
        spans = (BEFOREHAND, self.primary), (ALONG, len(self.columns) - self.primary)
        return tuple((label, span) for label, span in spans if span)


def make_boards(
    ordered: Sequence[AttributeResult],
    fragile: Collection[tuple[str, str]] = (),
    *,
    pictured: bool = True,
) -> tuple[Board, ...]:
    """Lay out the verdicts of attributes, the primary ones first.

    Those that one taster more or less often changes are `fragile`: attribute and variant. There is
    none of one attribute that is `pictured` at the head, where it says no more.
    """
    several = math.ceil(len(ordered) / MOST_COLUMNS) or 1
    width, limits = math.ceil(len(ordered) / several) or 1, mark_limits(ordered)
    boards = []
    for start in range(0, len(ordered), width):
        results = ordered[start : start + width]
        rows = tuple(
            (others[0].variant.label, tuple(_cell(other, limits, fragile) for other in others))
            for others in zip(*(result.others for result in results), strict=True)
        )
        primary = sum(result.primary for result in results)
        labels = tuple(result.attribute.label for result in results)
        boards.append(Board(primary=primary, columns=labels, rows=rows))
    cells = [cell for board in boards for _, row in board.rows for cell in row]
    again = pictured and len(ordered) == 1 and all(cell.mark and not cell.notes for cell in cells)
    return () if again else tuple(boards)


def legend_of(analysis: Analysis, boards: Sequence[Board]) -> tuple[str, ...]:
    """Say what the marks and words of boards mean, as far as they have them."""
    cells = [cell for board in boards for _, row in board.rows for cell in row]
    notes = [note for cell in cells for note in cell.notes]
    return paragraphs(
        "legend",
        control=analysis.names.short(analysis.names.control),
        marked=any(cell.mark for cell in cells),
        hollow=any(cell.mark and cell.kind == "open" for cell in cells),
        margin=any(attribute.margin is not None for attribute in analysis.trial.attributes),
        along=any(board.primary < len(board.columns) for board in boards) and ALONG,
        fragile=FRAGILE in notes,
        others=dict.fromkeys(note.partition(" by ")[2] for note in notes if note != FRAGILE),
    )


def _cell(
    other: Other, limits: Mapping[str, float], fragile: Collection[tuple[str, str]]
) -> BoardCell:
    if isinstance(other, NotCompared):
        return BoardCell(word="not compared", kind="none")
    attribute, found = other.attribute, other.found
    pair = (attribute.name, other.variant.name)
    return BoardCell(
        word=in_a_word(other.verdict, attribute, up=other.direction > 0),
        size=wording.estimate(found, attribute) if found else "",
        notes=tuple(filter(None, (FRAGILE * (pair in fragile), otherwise(other)))),
        mark=mark_svg(other, limits[attribute.name]) if found and found.interval else "",
        kind=other.verdict,
    )


# What weakens the answer ------------------------------------------------------------------------

MOST_WEAK, MOST_NAMED, MOST_ADVICE = 5, 2, 5
MOST_MISSING = 0.1  # share of the cups that may lack a score without a word; this project's choice
URGENT = ("ph-above-limit", "ph-not-falling", "ph-rising")


def weaknesses(analysis: Analysis, influence: Influence | None) -> Points:
    """Say in at most five short points what weakens the answer, the gravest first."""
    if analysis.about_days:  # what a single one showed against the control is no answer
        analysis, influence = replace(analysis, results=()), None
    trial, table, made, names = analysis.trial, analysis.table, analysis.made, analysis.names
    fragile, lift = influence.fragile if influence else (), analysis.standing.lift
    told = points(
        "weak",
        urgent=[
            capital(caution_for_readers(trial, made, found))
            for found in (made.cautions if made else ())
            if made and found.kind in URGENT and found.batches
        ],
        lost=dict.fromkeys(_lost(analysis)),
        changes=[
            (
                names.subject([trial.variant(what.variant)]),
                "" if what.meant else "also ",
                [*map(in_words, what.differences)],
            )
            for what in sorted(analysis.differs, key=lambda what: not what.undeclared)
            if what.variant in analysis.different
            if what.undeclared or len(what.meant) > 1
        ][:MOST_NAMED],
        analysis=analysis,
        tasted=table.batches_tasted(len(trial.variants)).tolist(),
        ahead=days_ahead(trial, table),
        missing=lift if lift and lift.scored < (1 - MOST_MISSING) * lift.cups else None,
        wide=[
            result.attribute
            for result in analysis.results
            if result.primary and result.attribute.wide
            if any(other.verdict in ("alike", "slight") for other in result.comparisons)
        ],
        moved=_moved(analysis),
        repeated=any(found.repeated for found in analysis.choices),
        fragile=len(fragile),
        firm=_firm(analysis, influence) if influence and fragile else "",
        disputed=sum(found.disputed for found in analysis.comparisons),
        powerless=all(
            result.by == "mixed"
            and not isinstance(other.ranks, NoResult)
            and other.ranks.smallest_p > result.alpha
            for result in analysis.results
            for other in result.comparisons
            if other.disputed
        ),
    )
    return told[:MOST_WEAK]


def _lost(analysis: Analysis) -> Iterator[tuple[str, str]]:
    """Say why there is no answer, of the first attribute."""
    for other in (other for result in analysis.ordered[:1] for other in result.others):
        if isinstance(other, NotCompared):
            yield "Not compared.", other.reason
        elif isinstance(decides := other.contrasts[0], NoResult):
            yield "No estimate.", decides.reason


def _moved(analysis: Analysis) -> str:
    """Tell where sittings disagreed, by what moved most; primary attributes first."""
    for result in analysis.ordered:
        sittings = result.moved
        if sittings:
            place = sittings.widest
            subject = analysis.names.subject([analysis.trial.variants[place]])
            told = farthest_apart(sittings.farthest_apart(place), result.attribute)
            of, on = analysis.names.like, result.attribute.label.lower()
            return f"{subject} against {of} on {on}, in points: {told}"
    return ""


def _firm(analysis: Analysis, influence: Influence) -> str:
    """Name what does not hang on single tasters: of one attribute, in one direction."""
    moved = influence.moved("taster")
    firm = [
        found
        for result in analysis.ordered
        for found in result.comparisons
        if found.differs and (found.attribute.name, found.variant.name) not in moved
    ]
    if not firm:
        return ""
    like = [
        it for it in firm if (it.attribute, it.direction) == (firm[0].attribute, firm[0].direction)
    ]
    subject = analysis.names.subject([found.variant for found in like[:3]], len(like[3:]))
    return f"{subject} stayed {_word(firm[0])} whoever was left out"


def _word(found: Comparison) -> str:
    return in_a_word("different", found.attribute, up=found.direction > 0, on=True)


# What to do with it -----------------------------------------------------------------------------


def advice(analysis: Analysis) -> Points:
    """Say what to do, and what to leave, if the results hold; empty where nothing follows."""
    names, found, kinds = analysis.names, list[tuple[str, str]](), dict[str, set[str | None]]()
    primary = analysis.trial.decision.primary
    for result in analysis.ordered:
        lead = "as a lead: " if primary and result.attribute.name not in primary else ""
        for way in (1, -1):  # what went one way on an attribute, the largest difference first
            strong = [
                other
                for other in sorted(result.comparisons, key=by_size)
                if other.direction == way and other.verdict == "different"
            ]
            told = [f"{names.short(it.variant)}, by {size_of([it])}" for it in strong[:3]]
            rest = f"; and {wording.spelled(len(strong) - 3)} more" if len(strong) > 3 else ""
            if strong:
                text = sentence(f"{lead}{', or '.join(told)}{rest}")
                found.append((f"{capital(_word(strong[0]))}?", text))
        for other in result.others:
            kind = None if result.attribute.wide else other.verdict  # alike would mean little
            kinds.setdefault(other.variant.name, set()).add(kind)
    hidden = {what.variant for what in analysis.differs if what.undeclared}  # in what else differed
    alike = [name for name, kind in kinds.items() if kind == {"alike"} and name not in hidden]
    useless = [analysis.trial.variant(name) for name in alike]
    if useless:
        asked = [result.attribute.label.lower() for result in analysis.results]
        on = asked[0] if len(asked) == 1 else f"{wording.all_of(len(asked))} questions"
        label = f"{capital(wording.listing(map(names.short, useless)))}?"
        text = f"Leave {'it' if len(useless) == 1 else 'them'} out: within the margin on {on}."
        found[MOST_ADVICE - 1 :] = [(label, text)]
    return tuple(found[:MOST_ADVICE])
