"""The finding of a chart in words: its title."""

from __future__ import annotations

import math
from collections.abc import Sequence

from blindspoon import wording
from blindspoon.charts.outcome import AttributeOutcome
from blindspoon.findings.comparison import Kind
from blindspoon.findings.verdict import PROCEDURES

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
    return _to_whom(outcome, "; ".join(_clauses(outcome, len(compared))) + tail)


def _clauses(outcome: AttributeOutcome, total: int) -> list[str]:
    """One clause for each thing that was found, the first with its full subject."""
    clauses: list[str] = []
    for places, predicate in _groups(outcome):
        subject = _subject(outcome, places, total, first=not clauses)
        plural = len(places) > 1
        clauses.append(f"{subject} {_number_of_verb(predicate, plural=plural)}")
    return clauses


def _groups(outcome: AttributeOutcome) -> list[tuple[list[int], str]]:
    """Places of the variants of each finding, with what is said of one of them."""
    label, margin = outcome.attribute.label.lower(), wording.margin(outcome.attribute)
    higher, lower = (_of_kinds(outcome, ("different", "slight"), sign) for sign in (1, -1))
    alike, unsettled = (_of_kinds(outcome, (kind,), 0) for kind in ("alike", "open"))
    groups = list[tuple[list[int], str]]()
    for places in sorted((higher, lower), key=len, reverse=True):
        if places:
            groups.append((places, _differed(outcome, places, first=not groups)))
    said = bool(groups)
    if alike:
        where = "of it" if said else f"of the control on {label}"
        groups.append((alike, f"was within {margin} {where}"))
        said = True
    if unsettled:
        groups.append((unsettled, "is not settled" if said else f"is not settled on {label}"))
    return groups


def _of_kinds(outcome: AttributeOutcome, kinds: tuple[Kind, ...], sign: int) -> list[int]:
    """Places of the variants with one of these verdicts, and a difference of this sign if any."""
    return [
        place
        for place in outcome.others
        if (compared := outcome.comparison(place)) is not None
        and compared.verdict in kinds
        and (sign == 0 or (outcome.difference(place) > 0) == (sign > 0))
    ]


def _differed(outcome: AttributeOutcome, places: Sequence[int], *, first: bool) -> str:
    phrase = wording.comparative(outcome.difference(places[0]), outcome.attribute)
    phrase = f"{phrase} the control" if first else phrase.partition(" on ")[0].removesuffix(" than")
    small = sum(
        compared.verdict == "slight"
        for place in places
        if (compared := outcome.comparison(place)) is not None
    )
    if not small:
        return phrase
    who = "" if small == len(places) else f"{wording.spelled(small)} of them "
    return f"{phrase}, {who}by less than {wording.margin(outcome.attribute)}"


def _number_of_verb(predicate: str, *, plural: bool) -> str:
    if not plural:
        return predicate
    verb, _, rest = predicate.partition(" ")
    return f"{ {'was': 'were', 'is': 'are'}.get(verb, verb) } {rest}"


def _subject(outcome: AttributeOutcome, places: Sequence[int], total: int, *, first: bool) -> str:
    number, label = len(places), f"“{outcome.variants[places[0]].label}”"
    if not first:
        return wording.spelled(number)
    if total == 1:
        return label
    several = wording.count(total, outcome.noun, _plural(outcome.noun)).partition(" ")[2]
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
