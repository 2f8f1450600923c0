"""What to try next, from what was found: a few steps, the most telling first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.findings.advice import MOST_TASTERS
from blindspoon.findings.comparison import Analysis, AttributeResult
from blindspoon.findings.naming import most_batches, names_of, of_methods
from blindspoon.trial import Variant
from blindspoon.writeup.limits import advised, people
from blindspoon.writeup.section import Points

MOST_STEPS = 6
MOST_NAMED = 3
Step = tuple[str, str]


def next_steps(analysis: Analysis) -> Points:
    """Say what the next tasting should do otherwise, in a head and one or two sentences each.

    What tells most comes first: batches alike in all but one thing, a second one of the control and
    of the variant that matters, one that parts two factors, another sitting, more tasters.
    """
    ordered = sorted(analysis.results, key=lambda result: not result.primary)
    steps = (
        *_level(analysis),
        *_batches(analysis, ordered),
        *_square(analysis),
        *_sitting(analysis, ordered),
        *islice((step for result in ordered for step in _tasters(analysis, result)), 1),
        *_lacking(analysis),
    )
    return steps[:MOST_STEPS]


def _level(analysis: Analysis) -> Iterator[Step]:
    """Ask for batches that differ in the one thing; those that were found different first."""
    found = {each.variant.name for each in analysis.comparisons if each.differs}
    differs = analysis.made.differs if analysis.made else ()
    confounded = [what for what in differs if what.undeclared]
    alike: dict[str, list[Variant]] = {}
    for what in sorted(confounded, key=lambda what: what.variant not in found):
        also = wording.listing(summary.factor_name(each.factor) for each in what.undeclared)
        alike.setdefault(also, []).append(analysis.trial.variant(what.variant))
    for also, variants in alike.items():
        most = MOST_NAMED if len(variants) > MOST_NAMED + 1 else len(variants)
        subject = names_of(analysis).subject(variants[:most], len(variants[most:]))
        yield (
            f"Change one thing in {subject}.",
            f"Make {'it' if len(variants) == 1 else 'them'} again with the control’s {also}: what "
            "was not meant can make a difference, or hide one.",
        )


def _batches(analysis: Analysis, ordered: Sequence[AttributeResult]) -> Iterator[Step]:
    """Ask for more batches where one each was tasted, or where they stand in the way."""
    trial, names = analysis.trial, names_of(analysis)
    tasted = analysis.table.batches_tasted(len(trial.variants))
    found = [each for result in ordered for each in result.comparisons]
    matters = [each.variant for each in found if each.differs] or [each.variant for each in found]
    them = f"of {names.like} and of {names.subject(matters[:1])}" if matters else "of each"
    if most_batches(trial, analysis.table) < 2:
        yield (
            "Make each a second time.",
            f"A second one {them} would tell most, as would a repeat in another kitchen.",
        )
    elif tasted[trial.control_index] < 2 and of_methods(trial, analysis.table):
        yield (
            "Make the control a second time.",
            f"{wording.capital(names.like)} was one batch, and how far its batches would differ is "
            "taken from the others’. A second one of it would tell most.",
        )
    elif any(
        tasting is not None and tasting.jars
        for result in ordered
        for each in result.comparisons
        if each.verdict == "open"
        for tasting in [advised(analysis, result, each, "alike")]
    ):
        yield (
            "Make one more of each.",
            "Batches of one variant differ so much that no number of tasters can settle what is "
            "open: only more batches can.",
        )


def _square(analysis: Analysis) -> Iterator[Step]:
    """Ask for what parts two factors that a variant has both of, as it was meant to."""
    made = analysis.made.differs if analysis.made else ()
    sets = {what.variant: [each.factor for each in what.differences] for what in made}
    for what in made:
        factors = sets[what.variant]
        if len(factors) != 2 or what.undeclared:
            continue
        lacking = [factor for factor in factors if [factor] not in sets.values()]
        if not lacking:
            continue
        alone = wording.listing(
            f"one that differs in {summary.factor_name(name)} alone" for name in lacking
        )
        subject = names_of(analysis).subject([analysis.trial.variant(what.variant)])
        one, two = map(summary.factor_name, factors)
        yield (
            f"Take {one} and {two} apart.",
            f"{wording.capital(subject)} differs in both. Make {alone}: with the control, the four "
            "show what each of the two does.",
        )
        return


def _sitting(analysis: Analysis, ordered: Sequence[AttributeResult]) -> Iterator[Step]:
    """Ask for a second sitting, or for what sets those apart that disagreed."""
    moved = [result.attribute.label.lower() for result in ordered if result.moved]
    if moved:
        yield (
            "Find out what changed between the sittings.",
            f"They disagreed on {wording.listing(moved[:MOST_NAMED])}: look at warmth, age and "
            "portions first, for more people cannot settle it.",
        )
    if len(analysis.table.sessions) == 1 and len(analysis.table.tasters) > 1:
        yield (
            "Taste twice.",
            "A second sitting with the same people shows how well they repeat themselves, and "
            "makes every interval narrower.",
        )


def _tasters(analysis: Analysis, result: AttributeResult) -> Iterator[Step]:
    """Say how many people a new tasting takes, for the comparison that takes fewest."""
    label, alone = result.attribute.label.lower(), result.unit == "round"
    left = [each for each in result.comparisons if each.verdict == "open" and not result.moved]
    if left and alone:
        yield (
            f"Taste more rounds of {label}.",
            "Four times the rounds halve an interval, if this taster stays as steady.",
        )
    reckoned = [(advised(analysis, result, each, "alike"), each) for each in left]
    found = [(each, by) for by, each in reckoned if by is not None and not by.jars]
    able = [(by.tasters, each.variant, each) for each, by in found if by.tasters]
    if found and not able:
        yield (
            f"Leave {label}, or change more.",
            f"What is not settled on {label} would take more than {MOST_TASTERS:,} people: a "
            "bolder change shows sooner than a larger panel.",
        )
    if not able:
        return
    _, variant, each = min(able, key=lambda way: (way[0], way[1].label))
    alike, differ = (
        people(advised(analysis, result, each, goal)) for goal in ("alike", "different")
    )
    number, bracket, reach = alike.partition(" (")
    rest = len(left) - 1
    others = f" The other {wording.spelled(rest)} would take as many or more." if rest else ""
    yield (
        f"Ask again about {label}.",
        f"If {names_of(analysis).short(variant)} is alike, a new tasting of {number} "
        f"people{bracket}{reach} shows it eight times in ten; if it differs by "
        f"{wording.margin(result.attribute)}, one of {differ} does.{others}",
    )


def _lacking(analysis: Analysis) -> Iterator[Step]:
    """Say what to do about everything that the tasting lacked."""
    trial, table = analysis.trial, analysis.table
    if trial.decision.declared is None:
        yield (
            "Declare the rule.",
            "Write down the attribute that matters, the margin and the date before anybody tastes: "
            "otherwise the question may have been chosen after the answer.",
        )
    elif all(attribute.margin is None for attribute in trial.attributes):
        yield (
            "Declare a margin.",
            "Without the smallest difference that would matter to you, nothing can be shown to be "
            "alike.",
        )
    if not table.coded:
        yield (
            "Serve under codes.",
            "These cups had no codes: whoever knows what is in a cup may taste what they expect.",
        )
    if len(table.tasters) == 1:
        yield (
            "Ask other people.",
            "Every round more tells about the same palate. Six or more tasters tell about people.",
        )
