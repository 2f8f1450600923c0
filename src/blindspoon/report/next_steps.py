"""What to try next, from what was found: a few steps, the most telling first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.summary import Made
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.report.limits import MOST_TASTERS, more_tasters
from blindspoon.report.short_answer import most_batches
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial

MOST_STEPS = 6
MOST_NAMED = 3
MOST_ATTRIBUTES = 3
Step = tuple[str, str]


def next_steps(
    trial: Trial, table: ScoreTable, made: Made | None, results: Sequence[AttributeResult]
) -> tuple[Step, ...]:
    """Say what the next tasting should do otherwise.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    made : Made or None
        What was written down of the batches.
    results : sequence of AttributeResult
        Every attribute, the primary ones first.

    Returns
    -------
    tuple of (str, str)
        A head and one or two sentences each.
    """
    steps = (
        *_level(trial, made, results),
        *_more_tasters(results),
        *_rule(trial),
        *_blind(table),
        *_others(table),
        *_second_batch(trial, table),
        *_second_session(table),
    )
    return steps[:MOST_STEPS]


def _level(trial: Trial, made: Made | None, results: Sequence[AttributeResult]) -> Iterator[Step]:
    """Ask for batches that differ in the one thing; those that were found different first."""
    found = {item.variant.label for each in results for item in each.comparisons if item.direction}
    confounded = [each for each in (made.differs if made else ()) if each.undeclared]
    labels = {each.variant: trial.variant(each.variant).label for each in confounded}
    alike: dict[str, list[str]] = {}
    for what in sorted(confounded, key=lambda each: labels[each.variant] not in found):
        also = wording.listing(summary.factor_name(each.factor) for each in what.undeclared)
        alike.setdefault(also, []).append(f"“{labels[what.variant]}”")
    for also, named in alike.items():
        them = "it" if len(named) == 1 else "them"
        yield (
            f"Level {wording.listing(_first(named))}.",
            f"Make {them} and the control alike in {also}, and taste again: until then nobody can "
            "say what made the difference, or hid it.",
        )


def _first(named: list[str]) -> list[str]:
    """Name a few, and count the rest."""
    rest = len(named) - MOST_NAMED
    return named if rest < 2 else [*named[:MOST_NAMED], f"{wording.spelled(rest)} others"]


def _more_tasters(results: Sequence[AttributeResult]) -> Iterator[Step]:
    """Say for each attribute which open comparison the fewest more tasters would settle."""
    for result in results[:MOST_ATTRIBUTES]:
        open_ = [item for item in result.comparisons if item.verdict == "open"]
        needed = sorted(_needed(item) for item in open_)
        if not needed:
            continue
        label = result.attribute.label
        more, name, how = needed[0]
        alone = any(item.rounds for item in open_)
        blocks, panel = ("rounds", "more of them") if alone else ("tasters", "a larger panel")
        if more > MOST_TASTERS:
            yield (
                f"Leave {label.lower()}, or change more.",
                f"What is not settled on {label.lower()} would take more than {MOST_TASTERS} more "
                f"{blocks}: a bolder change shows sooner than {panel}.",
            )
            continue
        rest = len(open_) - 1
        others = f" The other {wording.spelled(rest)} would take more." if rest else ""
        people = "A few" if more <= 5 else f"About {wording.spelled(int(more))}"
        yield (
            f"Taste more rounds of {label.lower()}."
            if alone
            else f"Ask more people about {label.lower()}.",
            f"{people} more {blocks} like these could settle “{name}”, by showing {how}, if "
            f"difference and spread stay as they are.{others}",
        )


def _needed(item: Comparison) -> tuple[float, str, str]:
    """Count the more tasters that would show a difference, or show the two alike."""
    found, margin = item.found, item.attribute.margin
    now = item.rounds or item.tasters
    ways: list[tuple[float, str, str]] = [(float("inf"), item.variant.label, "")]
    if found is None or not now:
        return ways[0]
    size = abs(found.difference)
    for interval, target, how in (
        (found.interval, size, "a difference"),
        (found.equivalence_interval, 0.0 if margin is None else margin - size, "it alike"),
    ):
        if interval is not None and target > 0:
            half = (interval.high - interval.low) / 2
            ways.append((float(more_tasters(now, half, target)), item.variant.label, how))
    return min(ways)


def _rule(trial: Trial) -> Iterator[Step]:
    if trial.decision.declared is None:
        yield (
            "Declare the rule.",
            "Write down the attribute that matters, the margin and the date before anybody tastes: "
            "only then is the answer to the question that was asked.",
        )
    elif all(attribute.margin is None for attribute in trial.attributes):
        yield (
            "Declare a margin.",
            "Without the smallest difference that would matter to you, nothing can be shown to be "
            "alike.",
        )


def _blind(table: ScoreTable) -> Iterator[Step]:
    if not table.coded:
        yield (
            "Serve under codes.",
            "These cups had no codes: whoever knows which jar a cup is from may taste what they "
            "expect.",
        )


def _others(table: ScoreTable) -> Iterator[Step]:
    if len(table.tasters) == 1:
        yield (
            "Ask other people.",
            "Every round more tells about the same palate. Six or more tasters tell about people.",
        )


def _second_batch(trial: Trial, table: ScoreTable) -> Iterator[Step]:
    if most_batches(trial, table) < 2:
        yield (
            "Make each a second time.",
            "One jar of each was tasted. A second jar of each, or a repeat in another kitchen, "
            "tells the method from the jar.",
        )


def _second_session(table: ScoreTable) -> Iterator[Step]:
    if len(table.sessions) == 1 and len(table.tasters) > 1:
        yield (
            "Taste twice.",
            "A second sitting with the same people shows how well they repeat themselves, and "
            "makes every interval narrower.",
        )
