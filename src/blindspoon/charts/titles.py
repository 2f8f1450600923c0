"""The finding of a chart in words: its title."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

from blindspoon import wording
from blindspoon.charts.outcome import AttributeOutcome
from blindspoon.findings.comparison import Kind
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.trial import Attribute

MOST_NAMES = 3
"""Attributes that a title names; more are counted."""


def differences_title(outcome: AttributeOutcome) -> str:
    """State what was found on one attribute.

    Returns
    -------
    str
        Without a full stop: "Two of four batches were crisper than the control; two are not
        settled". A verdict that the other procedure does not share is told of.
    """
    compared, label = outcome.result.comparisons, outcome.attribute.label.lower()
    if not compared:
        return f"Nothing could be compared on {label}"
    tail = _otherwise(outcome)
    if len(compared) > 1 and all(comparison.verdict == "open" for comparison in compared):
        return _to_whom(outcome, f"nothing is settled on {label}{tail}")
    judged = [(comparison.verdict, comparison.direction) for comparison in compared]
    labels = [comparison.variant.label for comparison in compared]
    clauses = finding_clauses(judged, outcome.attribute, partial(_subject, outcome.noun, labels))
    return _to_whom(outcome, "; ".join(clauses) + tail)


def finding_clauses(
    judged: Sequence[tuple[Kind, int]],
    attribute: Attribute,
    subject: Callable[[Sequence[int], bool], str],
) -> list[str]:
    """State each thing that was found in a clause, differences first, most variants first.

    Parameters
    ----------
    judged : sequence of (str, int)
        Of each variant: its verdict; 1 or -1 for a difference towards more or less, else 0.
    attribute : Attribute
    subject : callable
        Names variants by their places in `judged`; told whether the clause is the first.
    """
    label, margin, clauses = attribute.label.lower(), wording.margin(attribute), list[str]()

    def places(kinds: tuple[Kind, ...], way: int) -> list[int]:
        return [n for n, (kind, sign) in enumerate(judged) if kind in kinds and sign == way]

    def say(found: Sequence[int], predicate: str) -> None:
        verb, _, rest = predicate.partition(" ")
        verb = {"was": "were", "is": "are"}.get(verb, verb) if len(found) > 1 else verb
        clauses.append(f"{subject(found, not clauses)} {verb} {rest}")

    shown = [(places(("different", "slight"), way), way) for way in (1, -1)]
    for found, way in sorted(shown, key=lambda group: -len(group[0])):
        if found:
            small = sum(judged[place][0] == "slight" for place in found)
            phrase = wording.comparative(way, attribute)
            if clauses:
                phrase = phrase.partition(" on ")[0].removesuffix(" than")
            else:
                phrase += " the control"
            who = "" if small == len(found) else f"{wording.spelled(small)} of them "
            say(found, phrase + (f", {who}by less than {margin}" if small else ""))
    alike, unsettled = places(("alike",), 0), places(("open",), 0)
    if alike:
        say(alike, f"was within {margin} of {'it' if clauses else f'the control on {label}'}")
    if unsettled:
        say(unsettled, "is not settled" if clauses else f"is not settled on {label}")
    return clauses


def _subject(noun: str, labels: Sequence[str], places: Sequence[int], first: bool) -> str:
    """Name variants by their number; one of several by its label too."""
    number, total, label = len(places), len(labels), f"“{labels[places[0]]}”"
    if not first:
        return wording.spelled(number)
    if total == 1:
        return label
    several = wording.count(total, noun, _plural(noun)).partition(" ")[2]
    if number == total:
        return f"both {several}" if total == 2 else f"all {wording.spelled(total)} {several}"
    named = f", {label}," if number == 1 else ""
    return f"{wording.spelled(number)} of {wording.spelled(total)} {several}{named}"


def _plural(noun: str) -> str:
    return "batches" if noun == "batch" else f"{noun}s"


def _otherwise(outcome: AttributeOutcome) -> str:
    """Tell of the verdicts that the procedure that does not decide would not share."""
    disputed = [
        outcome.variants[place].label
        for place in outcome.others
        if (compared := outcome.comparison(place)) is not None
        and compared.verdict_by_other is not None
        and _stand(compared.verdict_by_other) != _stand(compared.verdict)
    ]
    if not disputed:
        return ""
    total = len(outcome.result.comparisons)
    them = f"{wording.spelled(len(disputed))} of them" if len(disputed) < total else "all of them"
    if len(disputed) == 1:
        them = "it" if total == 1 else f"“{disputed[0]}”"
    other = PROCEDURES["ranks" if outcome.result.by == "mixed" else "mixed"]
    return f"; {other} judges {them} otherwise"


def _stand(kind: Kind) -> Kind:
    return "different" if kind == "slight" else kind


def _to_whom(outcome: AttributeOutcome, sentence: str) -> str:
    if outcome.result.unit == "round":
        return f"To this taster, {sentence}"
    return sentence[:1].upper() + sentence[1:]


def scores_title(outcome: AttributeOutcome) -> str:
    """State between which means the scores of one attribute lay."""
    label, digits = outcome.attribute.label.lower(), wording.digits_for(outcome.attribute.scale)
    means = {place: outcome.mean(place) for place in range(len(outcome.variants))}
    scored = {place: mean for place, mean in means.items() if math.isfinite(mean)}
    if not scored:
        return f"Nothing was scored on {label}"
    ends = [min(scored, key=scored.__getitem__), max(scored, key=scored.__getitem__)]
    low, high = (wording.number(scored[place], digits) for place in ends)
    if low == high:
        return f"On average, {label} scored {low} throughout"
    first, last = (f"“{outcome.variants[place].label}”" for place in ends)
    return f"On average, {label} scored from {low} ({first}) to {high} ({last})"


def board_title(outcomes: Sequence[AttributeOutcome]) -> str:
    """State on which attributes something was found."""
    found: dict[str, list[str]] = {"shown": [], "alike": [], "open": []}
    for outcome in outcomes:
        found[_state(outcome)].append(outcome.attribute.label.lower())
    several = _plural(outcomes[0].noun)
    starts = {
        "shown": "differences from the control were shown on",
        "alike": f"all {several} were within the margin on",
        "open": "nothing is settled on",
    }
    if len(found["open"]) == len(outcomes) > MOST_NAMES:
        return _to_whom(outcomes[0], "nothing is settled on any attribute")
    clauses = [
        f"{starts[state]} {_where(labels, len(outcomes), 'or' if state == 'open' else 'and')}"
        for state, labels in found.items()
        if labels
    ]
    return _to_whom(outcomes[0], "; ".join(clauses))


def _state(outcome: AttributeOutcome) -> str:
    kinds = [comparison.verdict for comparison in outcome.result.comparisons]
    if "different" in kinds or "slight" in kinds:
        return "shown"
    alike = set(kinds) == {"alike"} and not outcome.result.not_compared
    return "alike" if alike else "open"


def _where(labels: Sequence[str], total: int, joined: str) -> str:
    if len(labels) <= MOST_NAMES:
        return wording.listing(labels, joined)
    every = len(labels) == total
    return ("all " if every else "") + wording.spelled(len(labels)) + " attributes"
