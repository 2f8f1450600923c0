"""What was found of a variant, or of all of an attribute, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

from blindspoon import wording
from blindspoon.batches.differences import WhatDiffers
from blindspoon.batches.summary import softened
from blindspoon.findings.comparison import AttributeResult, Comparison, NotCompared, Other
from blindspoon.findings.naming import Naming
from blindspoon.findings.rule import NAMES, PROCEDURES, Kind, kind_of
from blindspoon.stats.assumptions import ONE_SITTING, SPAN, Flag
from blindspoon.stats.mixed import enough_to_be_alike, enough_to_differ
from blindspoon.stats.results import (
    Contrast,
    MixedContrast,
    MixedFit,
    NoResult,
    SittingsWay,
    Unanimous,
)
from blindspoon.trial import Attribute, Trial

if TYPE_CHECKING:
    from blindspoon.findings.pool_checks import PooledComparison

    JudgedVariant: TypeAlias = Other | PooledComparison
    """A variant on an attribute, of one kitchen or of several."""


def in_a_word(kind: Kind, attribute: Attribute, *, up: bool, on: bool = False) -> str:
    """Say a verdict as the board does: "crisper", "slightly saltier", "alike", "not settled".

    `up` says whether a difference is towards more, by the attribute's own words; where it has none,
    "higher", or "higher on aroma" if `on`.
    """
    if kind in ("different", "slight"):
        higher = ("higher" if up else "lower") + f" on {attribute.label.lower()}" * on
        word = (attribute.more if up else attribute.less) or higher
        return f"slightly {word}" if kind == "slight" else word
    return "alike" if kind == "alike" else NAMES[kind]


def otherwise(other: Other) -> str:
    """Say what the second procedure would call it, where that is something else; or nothing."""
    if isinstance(other, NotCompared) or not other.verdict_by_other or not other.disputed:
        return ""
    by, second = "the mixed model" if other.by == "ranks" else "ranks", other.contrasts[1]
    up = not isinstance(second, NoResult) and second.difference > 0
    return f"{in_a_word(other.verdict_by_other, other.attribute, up=up)} by {by}"


def say_verdict(
    trial: Trial,
    result: AttributeResult,
    judged: Comparison,
    names: Naming,
    differs: WhatDiffers | None,
) -> str:
    """Say a verdict, softened by what else `differs`, and who would call it otherwise."""
    found, by_other = judged.contrasts[0], ""
    subject, label = names.subject([judged.variant]), judged.attribute.label.lower()
    if isinstance(found, NoResult):
        clause = f"whether {subject} differs from {names.like} on {label} is not settled"
        beside = [f"{found.reason.rstrip('.')}."]
    else:
        these = f", {names.these}" * bool(names.these)
        days = _days(result, judged)
        clause = f"{verdict_sentence(judged, subject, names.like, result.alpha)}{days}{these}"
        beside = [_would_settle(judged, result.alpha), _movement(result, found)]
    if judged.disputed:
        other = wording.capital(PROCEDURES["ranks" if judged.by == "mixed" else "mixed"])
        called = NAMES[judged.verdict_by_other or "open"]
        by_other = f"{other} would call it {called}{_trust(trial, result, judged)}."
    clause = f"To this taster, {clause}" if result.unit == "round" else wording.capital(clause)
    first = softened(f"{clause}.", judged.verdict, differs)
    return " ".join(filter(None, [first, *beside, by_other]))


DAYS: dict[SittingsWay, str] = {
    "": "",
    "each": ", on these days",
    "shared": ", on the days on which both were tasted",
    "steady": ", if these days differed in level only",
    "repeats": ", if these days did not differ",
}


def _days(result: AttributeResult, judged: Comparison) -> str:
    """Say of which days a verdict over several sittings speaks, and of each if it was held so."""
    if result.sittings == ONE_SITTING or result.unit == "round" or judged.verdict == "open":
        return ""
    way: SittingsWay = "each"
    if judged.by == "mixed" and isinstance(result.mixed, MixedFit):
        way = result.mixed.note.sittings
    alike = judged.verdict == "alike" and not isinstance(result.sittings, NoResult)
    if way == "each" and alike:
        twice = wording.plain(SPAN * (judged.attribute.margin or 0.0))
        return f", on average over these sittings and at none of them {twice} points off"
    return DAYS[way]


def farthest_apart(ends: Iterable[tuple[float, str]], attribute: Attribute) -> str:
    """Say how a difference moved: "2.1 more at the first (Friday), 0.4 less at the last"."""
    digits, parts = wording.digits_for(attribute.scale), []
    for value, sitting in ends:
        size = wording.number(abs(value), digits)
        side = "" if not float(size) else " less" if value < 0 else " more"
        parts.append(f"{size}{side} at {sitting}")
    return ", ".join(parts)


def _movement(result: AttributeResult, found: Contrast) -> str:
    """Say that a difference moved, or why its mean alone does not make it alike."""
    sittings, attribute = result.sittings, result.attribute
    if found.variant in result.aged:
        return "It was older from sitting to sitting, so look at its days one by one."
    if isinstance(sittings, NoResult):
        return ""
    if sittings.moved_of(found.variant):
        ends = farthest_apart(sittings.farthest_apart(found.variant), attribute)
        p_value = wording.p_value(sittings.p_value)
        return f"Differences moved from sitting to sitting ({p_value}): {ends}."
    if kind_of(found, margin=attribute.margin, alpha=result.alpha) == result.kind_of(found):
        return ""
    off = wording.plain(sittings.span * (attribute.margin or 0.0))
    return f"On average it lies within the margin; a single sitting could be {off} points off."


def _trust(trial: Trial, result: AttributeResult, judged: Comparison) -> str:
    """Say which procedure is safer where a flag of this variant or the control sets them apart.

    Another variant that spreads wide makes the pooled scatter too large for this comparison: the
    mixed model is then the more cautious one, and tells nothing.
    """
    own = (judged.variant.name, trial.control)
    flag = next((flag for flag in result.flags if flag.variant in own), None)
    if flag is None:
        return ""
    which = "but is the less safe one here"
    if judged.by == "mixed" and not isinstance(judged.ranks, NoResult):
        which = "and is the safer one here"
        if judged.ranks.smallest_p > result.alpha:
            which = "and could not call anything different; the mixed model is not safe here"
    return f", {which}: {flag_words(trial, flag)}"


def flag_note(trial: Trial, result: AttributeResult, flag: Flag) -> str:
    """Say what was flagged, and by how many tasters' or rounds' scores."""
    return f"{flag_words(trial, flag)} ({wording.count(flag.tasters, result.unit)})"


def flag_words(trial: Trial, flag: Flag) -> str:
    """Say what was flagged: "the control’s scores spread 1.8 times wider than the others’"."""
    of = f"the scores of “{trial.variant(flag.variant).label}”"
    scores = "the control’s scores" if flag.variant == trial.control else of
    if flag.kind == "spread":
        return f"{scores} spread {wording.number(flag.value, 1)} times wider than the others’"
    share = f"{wording.number(100 * flag.value, 0)}{wording.NO_BREAK}%"
    end = "low" if flag.kind == "low_end" else "high"
    return f"{share} of {scores} stand at the {end} end of the scale"


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
    attributes: Sequence[Sequence[JudgedVariant]],
    names: Naming,
    *,
    sizes: bool,
    most: int = ALL,
    first: int = ALL,
) -> list[str]:
    """Tell of attributes: a clause, without its full stop, for each verdict and its variants.

    What is alike on several attributes is told once. With `sizes` differences have theirs; a clause
    names `most` variants and counts the rest, and the `first` clauses of each attribute are given.
    """
    alike: dict[tuple[object, ...], list[Sequence[JudgedVariant]]] = {}
    texts, seen, before = [""], set[str](), ""
    for others in attributes:
        groups = [[o for o in others if (o.verdict, o.direction) == group] for group in GROUPS]
        for members in [members for members in groups if members][:first]:
            alike.setdefault(_likeness(members), []).append(members)
    joined = any(len(same) > 1 for same in alike.values())
    for same in alike.values():
        labels = {members[0].attribute.label for members in same}
        head = not seen if joined else seen.isdisjoint(labels)
        text = _clause(
            same, names, sizes=sizes, most=most, named=joined or head, first=head, of=len(others)
        )
        kind = same[0][0].verdict or ""
        goes_on = not head and before == "alike" and kind == "open"
        texts[-1:] = [f"{texts[-1]}; {text}"] if goes_on else [texts[-1], text]
        seen, before = seen | labels, kind
    return texts[1:]


def _likeness(members: Sequence[JudgedVariant]) -> tuple[object, ...]:
    """Give what findings on two attributes have to share so that one clause can tell of both."""
    head, who = members[0], frozenset(member.variant.name for member in members)
    kind = head.attribute.scale, head.attribute.margin, _tells(head)
    return head.verdict, head.direction, who, kind


def _tells(other: JudgedVariant) -> bool:
    """Whether the word of a verdict tells of which attribute it is: "crisper"."""
    up, attribute = other.direction, other.attribute
    return bool(up and (attribute.more if up > 0 else attribute.less))


def _clause(
    same: Sequence[Sequence[JudgedVariant]], names: Naming, *, sizes: bool, most: int, named: bool,
    first: bool, of: int,
) -> str:  # fmt: skip
    """One group of variants by name, out of so many: subject, verb, predicate and sizes.

    The largest difference comes first; on several attributes they are in the order of these.
    """
    ordered = sorted(same[0], key=by_size)
    most = most if len(ordered) > most + 1 else ALL
    shown, unnamed, heads = ordered[:most], len(ordered[most:]), [members[0] for members in same]
    subject, many = names.subject([each.variant for each in shown], unnamed), len(ordered) > 1
    towards = [wording.towards(it.direction, it.attribute) * (len(same) > 1) for it in heads]
    labels = wording.listing(
        f"{it.attribute.label.lower()}{to}" for it, to in zip(heads, towards, strict=True)
    )
    on = f" on {labels}" * (named and not _tells(heads[0]))
    if heads[0].verdict == "open" and len(ordered) == of > 2:
        none = f"none of {wording.spelled(of)} could be told from {names.like}"
        return f"on {labels}, nothing is settled: {none}, or shown to be alike"
    if heads[0].verdict == "open":
        than = f" from {names.like}" if first or many else ""  # else: from one another?
        return f"whether {subject} {'differ' if many else 'differs'}{than}{on} is not settled"
    text = f"{subject} {_predicate(heads, names.like, many=many, first=first)}"
    if not (sizes and heads[0].direction):
        return text + on
    ends, place = heads[0].attribute.scale, [each.variant for each in ordered].index
    scale = f" out of {wording.plain(ends.high)}" if first and not ends.low else ""
    if unnamed:
        by = [f"up to {size_of([min(members, key=by_size)])}" for members in same]
    else:  # of one variant all sizes together
        sizable = [sorted(members, key=lambda it: place(it.variant)) for members in same]
        by = [size_of(members) for members in (sizable if many else [heads])]
    return f"{text}{on}, by {', and by '.join(by)}{scale}"


def by_size(other: JudgedVariant) -> float:
    return -abs(other.found.difference) if other.direction and other.found else 0.0


def size_of(others: Sequence[JudgedVariant]) -> str:
    """Give the sizes of differences with like decimals: "2.2 and 1.7 points", "1 point"."""
    contrasts = [(other.attribute, other.found) for other in others if other.found]
    if len(contrasts) == 1:
        ((attribute, found),) = contrasts
        return wording.points(found.difference, attribute, found.interval)
    digits = max(wording.estimate_digits(c.difference, c.interval, of) for of, c in contrasts)
    shown = (wording.number(abs(contrast.difference), digits) for _, contrast in contrasts)
    return f"{wording.listing(shown)} points"


def _predicate(others: Sequence[JudgedVariant], control: str, *, many: bool, first: bool) -> str:
    """Say what variants are, with the verb in its number; in full where `first`."""
    was, other = "were" if many else "was", others[0]
    if other.verdict is None:
        return "could not be compared"
    if other.verdict == "alike":
        return f"came within {wording.margin(other.attribute)} of {control if first else 'it'}"
    up, slightly = other.direction, "slightly " if other.verdict == "slight" else ""
    kinds = [it.attribute for it in others]
    if len(kinds) > 1 and not _tells(other):  # which way that is stands with each attribute
        kinds = [replace(other.attribute, low="", high="")]
    way = wording.comparative(up, kinds[0], was=was, how=slightly, on=False)
    more = (f"{slightly}{it.more if up > 0 else it.less}" for it in kinds[1:])
    text = wording.listing([way, *more])
    return f"{text} than {control}" if first else text


def verdict_sentence(judged: JudgedVariant, subject: str, control: str, alpha: float) -> str:
    """Say one verdict, decided at `alpha`, with its size or reach; no capital and full stop."""
    attribute, found, label = judged.attribute, judged.found, judged.attribute.label.lower()
    if isinstance(found, Unanimous):
        return _unanimous_sentence(judged, found, subject, control)
    if judged.verdict == "open" or found is None:
        reach = "there are too few scores of both for an interval"
        if found is not None and found.interval is not None:
            ends, span = found.interval, attribute.scale.high - attribute.scale.low
            nothing = ends.low <= -span and ends.high >= span
            anything = f"the difference could be anything from {wording.reach(ends, attribute)}"
            reach = "these scores rule nothing out" if nothing else anything
        return f"whether {subject} differs from {control} on {label} is not settled: {reach}"
    alike = judged.verdict == "alike"
    interval = found.equivalence_interval if alike else found.interval
    level = wording.percent(1 - 2 * alpha if alike else 1 - alpha)
    within = f" ({level} interval {wording.span(interval, attribute)})" if interval else ""
    on = "" if _tells(judged) else f" on {label}"
    text = f"{subject} {_predicate([judged], control, many=False, first=True)}{on}"
    if alike:
        return text + within
    small = f": a difference, but of less than {wording.margin(attribute)}"
    return f"{text}, by {size_of([judged])}{within}" + small * (judged.verdict == "slight")


def _unanimous_sentence(judged: JudgedVariant, found: Unanimous, subject: str, control: str) -> str:
    """Say on what all tasters agree, and what the rounding of scores leaves of it."""
    attribute, n = judged.attribute, found.tasters
    words = {1.0: "in whole points", 0.5: "in half points"}
    steps = words.get(found.step, f"in steps of {wording.plain(found.step)}")
    ends, size = found.interval, abs(round(found.difference, 6))
    means = f"{steps} that means {wording.reach(ends, attribute)}"
    everybody = wording.all_of(n)
    if found.difference:
        word = in_a_word("different", attribute, up=found.difference > 0, on=True)
        text = (
            f"{everybody} put {subject} exactly {wording.in_points(size)} {word} than {control} "
            f"({by_chance(n)})"
        )
    else:
        text = f"{everybody} put {subject} and {control} exactly level on {attribute.label.lower()}"
    if judged.verdict in ("alike", "slight"):
        return f"{text}; {means}, within {wording.margin(attribute)}"
    if judged.verdict == "open" and found.difference:
        return f"{text}; {wording.spelled(n)} cannot settle it"
    return f"{text}; {means}"


def by_chance(tasters: int) -> str:
    """Say how often as many would all agree in direction by chance: "1 in 128 by chance"."""
    return f"1 in {2 ** (tasters - 1):,} by chance"


def _would_settle(judged: Comparison, alpha: float) -> str:
    """Say how many would settle it where all agree and are too few; empty where that is not so.

    By ranks all agree in direction where the p value of the variant alone is the smallest there is.
    """
    found, margin, enough = judged.found, judged.attribute.margin, enough_to_differ(alpha)
    if judged.verdict != "open" or isinstance(found, MixedContrast | None):
        return ""
    to_differ = f"{wording.spelled(enough)} who agree"
    if isinstance(found, Unanimous):
        alike = enough_to_be_alike(found, margin) if margin else None
        show = " show a difference" * bool(alike)
        texts = [f"{to_differ} would{show}"] * bool(found.difference)
        texts += [f"{wording.spelled(alike)} who agree would show it alike"] if alike else []
        return " ".join(map(wording.sentence, texts))
    n, p, up = found.tasters, found.p_value, "higher" if found.difference > 0 else "lower"
    if found.rounds or not 1 < n < enough or p * (1 - 1e-9) > 2.0 ** (1 - n):
        return ""
    # other variants may change it
    would = "would" if found.p_adjusted * (1 - 1e-9) <= p else "could"
    return (
        f"{wording.capital(wording.all_of(n))} put it {up}; {wording.spelled(n)} cannot settle "
        f"it ({by_chance(n)}). {wording.capital(to_differ)} {would}."
    )
