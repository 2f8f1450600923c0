"""What to try next, from what was found: a few steps, the most telling first."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison
from blindspoon.findings.naming import most_batches, names_of
from blindspoon.writeup.limits import MOST_TASTERS, blocks, more_tasters
from blindspoon.writeup.section import Points

MOST_STEPS = 6
MOST_NAMED = 3
MOST_ATTRIBUTES = 3
Step = tuple[str, str]


def next_steps(analysis: Analysis) -> Points:
    """Say what the next tasting should do otherwise, in a head and one or two sentences each."""
    ordered = sorted(analysis.results, key=lambda result: not result.primary)
    steps = (
        *_level(analysis),
        *(step for result in ordered[:MOST_ATTRIBUTES] for step in _more_tasters(result)),
        *(step for lacking, step in _lacking(analysis) if lacking),
    )
    return steps[:MOST_STEPS]


def _level(analysis: Analysis) -> Iterator[Step]:
    """Ask for batches that differ in the one thing; those that were found different first."""
    found = {each.variant.name for each in analysis.comparisons if each.differs}
    differs = analysis.made.differs if analysis.made else ()
    confounded = [what for what in differs if what.undeclared]
    alike: dict[str, list[str]] = {}
    for what in sorted(confounded, key=lambda what: what.variant not in found):
        also = wording.listing(summary.factor_name(each.factor) for each in what.undeclared)
        label = analysis.trial.variant(what.variant).label
        alike.setdefault(also, []).append(f"“{label}”")
    for also, named in alike.items():
        rest = len(named) - MOST_NAMED
        first = [*named[:MOST_NAMED], f"{wording.spelled(rest)} others"] if rest > 1 else named
        them = "it" if len(named) == 1 else "them"
        yield (
            f"Level {wording.listing(first)}.",
            f"Make {them} and the control alike in {also}, and taste again: until then nobody can "
            "say what made the difference, or hid it.",
        )


def _more_tasters(result: AttributeResult) -> Iterator[Step]:
    """Say which open comparison the fewest more tasters would settle."""
    needed = sorted(_needed(each) for each in result.comparisons if each.verdict == "open")
    if not needed:
        return
    label = result.attribute.label.lower()
    more, name, how = needed[0]
    alone = result.unit == "round"
    people, panel = ("rounds", "more of them") if alone else ("tasters", "a larger panel")
    if more > MOST_TASTERS:
        yield (
            f"Leave {label}, or change more.",
            f"What is not settled on {label} would take more than {MOST_TASTERS} more {people}: a "
            f"bolder change shows sooner than {panel}.",
        )
        return
    rest = len(needed) - 1
    others = f" The other {wording.spelled(rest)} would take more." if rest else ""
    some = "A few" if more <= 5 else f"About {wording.spelled(int(more))}"
    yield (
        f"Taste more rounds of {label}." if alone else f"Ask more people about {label}.",
        f"{some} more {people} like these could settle “{name}”, by showing {how}, if difference "
        f"and spread stay as they are.{others}",
    )


def _needed(comparison: Comparison) -> tuple[float, str, str]:
    """Count the more tasters that would show a difference, or show the two alike."""
    found, margin, now = comparison.found, comparison.attribute.margin, blocks(comparison)
    label = comparison.variant.label
    ways = [(float("inf"), label, "")]
    if found is None or not now:
        return ways[0]
    size = abs(found.difference)
    for interval, target, how in (
        (found.interval, size, "a difference"),
        (found.equivalence_interval, 0.0 if margin is None else margin - size, "it alike"),
    ):
        if interval is not None and target > 0:
            half = (interval.high - interval.low) / 2
            ways.append((float(more_tasters(now, half, target)), label, how))
    return min(ways)


def _lacking(analysis: Analysis) -> Iterator[tuple[bool, Step]]:
    """Say of everything that a tasting may lack whether it does, and what to do about it."""
    trial, table = analysis.trial, analysis.table
    declared, alone = trial.decision.declared is not None, len(table.tasters) == 1
    noun = names_of(analysis).noun
    yield (
        not declared,
        (
            "Declare the rule.",
            "Write down the attribute that matters, the margin and the date before anybody tastes: "
            "only then is the answer to the question that was asked.",
        ),
    )
    yield (
        declared and all(attribute.margin is None for attribute in trial.attributes),
        (
            "Declare a margin.",
            "Without the smallest difference that would matter to you, nothing can be shown to be "
            "alike.",
        ),
    )
    yield (
        not table.coded,
        (
            "Serve under codes.",
            "These cups had no codes: whoever knows which jar a cup is from may taste what they "
            "expect.",
        ),
    )
    yield (
        alone,
        (
            "Ask other people.",
            "Every round more tells about the same palate. Six or more tasters tell about people.",
        ),
    )
    yield (
        most_batches(trial, table) < 2,
        (
            "Make each a second time.",
            f"One {noun} of each was tasted. A second one of each, or a repeat in another kitchen, "
            f"tells the method from the {noun}.",
        ),
    )
    yield (
        len(table.sessions) == 1 and not alone,
        (
            "Taste twice.",
            "A second sitting with the same people shows how well they repeat themselves, and "
            "makes every interval narrower.",
        ),
    )
