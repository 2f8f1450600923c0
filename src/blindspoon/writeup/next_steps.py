"""What to try next, from what was found: a few steps, the most telling first.

The sentences stand in templates/next.txt.j2.
"""

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.batches.summary import factor_name
from blindspoon.findings.advice import MOST_TASTERS
from blindspoon.findings.comparison import Analysis, AttributeResult
from blindspoon.trial import Variant
from blindspoon.writeup.limits import advised, people
from blindspoon.writeup.words import Points, points

MOST_STEPS = 6
MOST_NAMED = 3


def next_steps(analysis: Analysis) -> Points:
    """Say what the next tasting should do otherwise, in a head and one or two sentences each.

    What tells most comes first: batches alike in all but one thing, a second one of the control and
    of the variant that matters, one that parts two factors, another sitting, more tasters.
    """
    trial, table, names = analysis.trial, analysis.table, analysis.names
    found = [(result, it) for result in analysis.ordered for it in result.comparisons]
    matters = [it for _, it in found if it.differs] or [it for _, it in found]
    sets = {what.variant: [it.factor for it in what.differences] for what in analysis.differs}
    apart = [  # what parts two factors that a variant has both of, as it was meant to
        (what.variant, sets[what.variant], lacking)
        for what in analysis.differs
        if len(sets[what.variant]) == 2
        and not what.undeclared
        and what.variant in analysis.different
        if (lacking := [it for it in sets[what.variant] if [it] not in sets.values()])
    ]
    more = (step for result in analysis.ordered for step in _more_tasters(analysis, result))
    steps = points(
        "next",
        confounded=list(_confounded(analysis)),
        several=analysis.names.batches,
        matters=f"of {names.like} and of {names.subject([matters[0].variant])}" if matters else "",
        of_control=table.batches_tasted(len(trial.variants))[trial.control_index],
        of_methods=analysis.names.of_methods,
        names=names,
        jars=analysis.names.batches > 1
        and any(
            tasting.jars
            for result, it in found
            if it.verdict == "open" and (tasting := advised(analysis, result, it, "alike"))
        ),
        apart=[
            (
                names.subject([trial.variant(variant)]),
                [*map(factor_name, both)],
                [*map(factor_name, alone)],
            )
            for variant, both, alone in apart[:1]
        ],
        moved=[it.attribute.label.lower() for it in analysis.ordered if it.moved][:MOST_NAMED],
        sittings=len(table.sessions),
        tasters=len(table.tasters),
        more=next(more, None),
        declared=trial.decision.declared,
        margin=any(attribute.margin is not None for attribute in trial.attributes),
        coded=table.coded,
    )
    return steps[:MOST_STEPS]


def _confounded(analysis: Analysis) -> Iterator[tuple[str, str, bool]]:
    """Name batches that differ in more than the one thing; those that were found different first.

    Who they are, in what else they differ, and whether they are several.
    """
    alike: dict[str, list[Variant]] = {}
    for what in sorted(analysis.differs, key=lambda what: what.variant not in analysis.different):
        if what.undeclared:
            also = wording.listing(factor_name(difference.factor) for difference in what.undeclared)
            alike.setdefault(also, []).append(analysis.trial.variant(what.variant))
    for also, variants in alike.items():
        most = MOST_NAMED if len(variants) > MOST_NAMED + 1 else len(variants)
        subject = analysis.names.subject(variants[:most], len(variants[most:]))
        yield subject, also, len(variants) > 1


def _more_tasters(analysis: Analysis, result: AttributeResult) -> Iterator[tuple[str, str]]:
    """Say how many people a new tasting takes, for the comparison that takes fewest."""
    label = result.attribute.label.lower()
    left = [it for it in result.comparisons if it.verdict == "open" and not result.moved]
    if left and result.unit == "round":
        yield (
            f"Taste more rounds of {label}.",
            "Four times the rounds halve an interval, if this taster stays as steady.",
        )
    reckoned = [(advised(analysis, result, it, "alike"), it) for it in left]
    found = [(by.tasters, it) for by, it in reckoned if by is not None and not by.jars]
    able = [(tasters, it.variant.label, it) for tasters, it in found if tasters]
    if found and not able:
        yield (
            f"Leave {label}, or change more.",
            f"What is not settled on {label} would take more than {MOST_TASTERS:,} people: a "
            "bolder change shows sooner than a larger panel.",
        )
    if able:
        *_, it = min(able, key=lambda way: way[:2])
        alike, differ = (
            people(advised(analysis, result, it, goal)) for goal in ("alike", "different")
        )
        number, bracket, reach = alike.partition(" (")
        rest = len(left) - 1
        others = f" The other {wording.spelled(rest)} would take as many or more." if rest else ""
        yield (
            f"Ask again about {label}.",
            f"If {analysis.names.short(it.variant)} is alike, a new tasting of {number} "
            f"people{bracket}{reach} shows it eight times in ten; if it differs by "
            f"{wording.margin(result.attribute)}, one of {differ} does.{others}",
        )
