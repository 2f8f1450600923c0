"""Findings told by name, one clause for all that share a verdict: answer, titles and verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeAlias

from blindspoon import wording
from blindspoon.findings.comparison import Kind, Other
from blindspoon.findings.naming import Naming
from blindspoon.stats.results import MixedContrast, Unanimous
from blindspoon.stats.unanimity import enough_to_be_alike, enough_to_differ
from blindspoon.trial import Scale

if TYPE_CHECKING:
    from blindspoon.findings.pool_checks import PooledComparison

    Told: TypeAlias = Other | PooledComparison
    """A variant on an attribute, of one kitchen or of several."""

ALL = 1000  # more variants than any trial has: all are named


GROUPS: tuple[tuple[Kind | None, int], ...] = (
    ("different", 1),
    ("different", -1),
    ("slight", 1),
    ("slight", -1),
    ("alike", 0),
    ("open", 0),
    (None, 0),
)
"""Verdicts, with the direction of a difference, in the order in which they are told."""


def clauses(
    others: Sequence[Told], names: Naming, *, sizes: bool, most: int = ALL, first: int = ALL
) -> list[str]:
    """Tell of one attribute, a clause for each group of variants with the same verdict.

    There is at least one. With `sizes` differences have theirs; a clause names `most` variants and
    counts the rest, and the `first` groups are told of. Without capital and full stop; the
    attribute is named where the first verdict does not tell of it: "crisper" does.
    """
    label = others[0].attribute.label.lower()
    groups = [[o for o in others if (o.verdict, o.direction) == group] for group in GROUPS]
    told = [members for members in groups if members]
    if told == [groups[5]] and len(others) > 2:
        number = wording.spelled(len(others))
        return [
            f"on {label}, nothing is settled: none of {number} could be told from {names.like}, "
            "or shown to be alike"
        ]
    kept = told[:first]
    on = "" if _tells(kept[0][0]) else f" on {label}"
    made = [
        _clause(members, names, sizes=sizes, most=most, on="" if place else on, first=not place)
        for place, members in enumerate(kept)
    ]
    if kept[-1] is groups[5] and len(kept) > 1 and kept[-2] is groups[4]:
        made[-2:] = [f"{made[-2]}; {made[-1]}"]
    return made


def _tells(other: Told) -> bool:
    """Whether the word of a verdict tells of which attribute it is: "crisper"."""
    up, attribute = other.direction, other.attribute
    return bool(up and (attribute.more if up > 0 else attribute.less))


def _clause(
    members: Sequence[Told], names: Naming, *, sizes: bool, most: int, on: str, first: bool
) -> str:
    """One group of variants by name: subject, verb, predicate and sizes; the largest first."""

    def smallness(other: Told) -> float:
        return -abs(other.found.difference) if other.direction and other.found else 0.0

    ordered = sorted(members, key=smallness)
    most = most if len(ordered) > most + 1 else ALL
    shown, rest = ordered[:most], len(ordered[most:])
    subject, many = names.subject([each.variant for each in shown], rest), len(ordered) > 1
    if members[0].verdict == "open":
        than = f" from {names.like}" if first else ""
        return f"whether {subject} {'differ' if many else 'differs'}{than}{on} is not settled"
    text = f"{subject} {predicate(members[0], names.like, many=many, first=first)}"
    found = [each for each in shown if each.direction]
    if not (sizes and found):
        return text + on
    scale = out_of(found[0].attribute.scale) if first else ""
    by = f"up to {size_of(found[:1])}" if rest else size_of(found)
    return f"{text}{on}, by {by}{scale}"


def size_of(others: Sequence[Told]) -> str:
    """Give the sizes of differences with like decimals: "2.2 and 1.7 points", "1 point"."""
    attribute, contrasts = others[0].attribute, [other.found for other in others if other.found]
    digits = max(wording.estimate_digits(c.difference, c.interval, attribute) for c in contrasts)
    shown = [wording.number(abs(contrast.difference), digits) for contrast in contrasts]
    if len(shown) == 1 and float(shown[0]) == 1:
        return "1 point"
    return f"{wording.listing(shown)} points"


def out_of(scale: Scale) -> str:
    """Say how long a scale is, where it starts at zero.

    >>> out_of(Scale(low=0, high=10)), out_of(Scale(low=1, high=9))
    (' out of 10', '')
    """
    return "" if scale.low else f" out of {wording.plain(scale.high)}"


def predicate(other: Told, control: str, *, many: bool, first: bool) -> str:
    """Say what variants are, with the verb in its number; in full where `first`."""
    was, attribute = "were" if many else "was", other.attribute
    if other.verdict is None:
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


def verdict_sentence(told: Told, subject: str, control: str, alpha: float) -> str:
    """Say one verdict with its size or reach, without capital and full stop.

    What was compared, and with what: "the calcium jar", "plain brine"; decided at `alpha`.
    """
    attribute, found, label = told.attribute, told.found, told.attribute.label.lower()
    if isinstance(found, Unanimous):
        return unanimous_sentence(told, found, subject, control)
    if told.verdict == "open" or found is None:
        reach = "there are too few scores of both for an interval"
        if found is not None and found.interval is not None:
            ends, span = found.interval, attribute.scale.high - attribute.scale.low
            nothing = ends.low <= -span and ends.high >= span
            anything = f"the difference could be anything from {wording.reach(ends, attribute)}"
            reach = "these scores rule nothing out" if nothing else anything
        return f"whether {subject} differs from {control} on {label} is not settled: {reach}"
    alike = told.verdict == "alike"
    interval = found.equivalence_interval if alike else found.interval
    level = wording.percent(1 - 2 * alpha if alike else 1 - alpha)
    within = f" ({level} interval {wording.span(interval, attribute)})" if interval else ""
    on = "" if _tells(told) else f" on {label}"
    text = f"{subject} {predicate(told, control, many=False, first=True)}{on}"
    if alike:
        return text + within
    small = f": a difference, but of less than {wording.margin(attribute)}"
    return f"{text}, by {size_of([told])}{within}" + small * (told.verdict == "slight")


def unanimous_sentence(told: Told, found: Unanimous, subject: str, control: str) -> str:
    """Say on what all tasters agree, and what the rounding of scores leaves of it."""
    attribute, n = told.attribute, found.tasters
    words = {1.0: "in whole points", 0.5: "in half points"}
    steps = words.get(found.step, f"in steps of {wording.plain(found.step)}")
    ends, size = found.interval, abs(round(found.difference, 6))
    means = f"{steps} that means {wording.reach(ends, attribute)}"
    everybody = wording.all_of(n)
    if found.difference:
        up = found.difference > 0
        word = (attribute.more if up else attribute.less) or (
            f"{'higher' if up else 'lower'} on {attribute.label.lower()}"
        )
        text = (
            f"{everybody} put {subject} exactly {wording.in_points(size)} {word} than {control} "
            f"({by_chance(n)})"
        )
    else:
        text = f"{everybody} put {subject} and {control} exactly level on {attribute.label.lower()}"
    if told.verdict in ("alike", "slight"):
        return f"{text}; {means}, within {wording.margin(attribute)}"
    if told.verdict == "open" and found.difference:
        return f"{text}; {wording.spelled(n)} cannot settle it"
    return f"{text}; {means}"


def by_chance(tasters: int) -> str:
    """Say how often as many would all agree in direction by chance: "1 in 128 by chance"."""
    return f"1 in {2 ** (tasters - 1):,} by chance"


def would_settle(told: Told, alpha: float) -> str:
    """Say how many tasters would settle it where all agree and are too few; may be empty.

    By ranks all agree in direction where the p value of the variant alone is the smallest there is.
    """
    found, margin, enough = told.found, told.attribute.margin, enough_to_differ(alpha)
    if told.verdict != "open" or isinstance(found, MixedContrast | None):
        return ""
    if isinstance(found, Unanimous):
        differ = f"{wording.spelled(enough)} who agree would" if found.difference else ""
        few = margin and enough_to_be_alike(found, margin)
        alike = f"{wording.spelled(few)} who agree would show it alike" if few else ""
        if differ and alike:
            differ += " show a difference"
        return "".join(f" {wording.sentence(text)}" for text in (differ, alike) if text)
    n, p = found.tasters, found.p_value * (1 - 1e-9)
    if found.rounds or not 1 < n < enough or found.zero_differences or p > 2.0 ** (1 - n):
        return ""
    up = "higher" if found.difference > 0 else "lower"
    would = "would" if found.p_adjusted * (1 - 1e-9) <= found.p_value else "could"
    return (
        f" {wording.capital(wording.all_of(n))} put it {up}; {wording.spelled(n)} cannot settle it "
        f"({by_chance(n)}). "
        f"{wording.capital(wording.spelled(enough))} who agree {would}."
    )
