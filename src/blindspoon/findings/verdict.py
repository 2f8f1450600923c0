"""Comparisons and the declared rule -> a verdict a variant and attribute, with its sentence."""

from collections.abc import Iterable
from dataclasses import replace

from blindspoon import wording
from blindspoon.batches.differences import WhatDiffers
from blindspoon.batches.summary import Made, softened
from blindspoon.findings.comparison import (
    AttributeResult,
    By,
    Comparison,
    Kind,
    NotCompared,
    Other,
    kind_of,
)
from blindspoon.findings.naming import Naming, naming
from blindspoon.findings.sentences import verdict_sentence, would_settle
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.flags import Flag
from blindspoon.stats.results import Contrast, MixedFit, NoResult, SittingsWay
from blindspoon.stats.sittings import ONE_SITTING, SPAN
from blindspoon.trial import Attribute, Trial

NAMES: dict[Kind, str] = {
    "different": "different",
    "slight": "slightly different",
    "alike": "alike within the margin",
    "open": "not settled",
}
SHORT_NAMES: dict[Kind, str] = {**NAMES, "alike": "alike"}
PROCEDURES: dict[By, str] = {"mixed": "the mixed model", "ranks": "the rank comparison"}


def in_a_word(kind: Kind, attribute: Attribute, *, up: bool) -> str:
    """Say a verdict as the board does: "crisper", "slightly saltier", "alike", "not settled".

    `up` says whether a difference is towards more, by the attribute's own words.
    """
    if kind in ("different", "slight"):
        word = (attribute.more if up else attribute.less) or ("higher" if up else "lower")
        return f"slightly {word}" if kind == "slight" else word
    return SHORT_NAMES[kind]


def otherwise(other: Other) -> str:
    """Say what the second procedure would call it, where that is something else; or nothing."""
    if isinstance(other, NotCompared) or not other.verdict_by_other or not other.disputed:
        return ""
    by = "the mixed model" if other.by == "ranks" else "ranks"
    return f"{SHORT_NAMES[other.verdict_by_other]} by {by}"


def judge(
    trial: Trial, table: ScoreTable, result: AttributeResult, made: Made | None = None
) -> AttributeResult:
    """Give every comparison of an attribute its verdict, by the rule of the trial.

    The table tells how many batches a sentence may speak of; what else set a batch apart from the
    control's, by `made`, softens it.
    """
    what = {} if made is None else {differs.variant: differs for differs in made.differs}
    names = naming(trial, table, made)
    return replace(
        result,
        others=tuple(
            _judged(trial, result, other, names, what.get(other.variant.name))
            if isinstance(other, Comparison)
            else other
            for other in result.others
        ),
    )


def _judged(
    trial: Trial,
    result: AttributeResult,
    comparison: Comparison,
    names: Naming,
    what: WhatDiffers | None,
) -> Comparison:
    attribute, (first, second) = comparison.attribute, comparison.contrasts
    kind, other = (
        None if isinstance(contrast, NoResult) else result.kind_of(contrast)
        for contrast in (first, second)
    )
    judged = replace(comparison, verdict=kind or "open", verdict_by_other=other)
    subject = names.subject([comparison.variant])
    if isinstance(first, NoResult):
        label = attribute.label.lower()
        said = f"whether {subject} differs from {names.like} on {label} is not settled"
    else:
        said = verdict_sentence(judged, subject, names.like, result.alpha)
        said += _on_these_days(result, judged)
        said += f", {names.these}" * bool(names.these)
    told = would_settle(judged, result.alpha) if result.unit == "taster" else ""
    said = f"To this taster, {said}" if result.unit == "round" else wording.capital(said)
    said = softened(f"{said}.", judged.verdict, what)
    if isinstance(first, NoResult):
        said += f" {first.reason.rstrip('.')}."
    else:
        said += told + _movement(result, first)
    if judged.disputed:
        by_other = wording.capital(PROCEDURES["ranks" if comparison.by == "mixed" else "mixed"])
        trust = _which_to_trust(trial, result, comparison)
        said += f" {by_other} would call it {NAMES[other or 'open']}{trust}."
    return replace(judged, because=said)


CLAIMS: dict[SittingsWay, str] = {
    "": "",
    "each": ", on these days",
    "shared": ", on the days on which both were tasted",
    "steady": ", if these days differed in level only",
    "repeats": ", if these days did not differ",
}


def _on_these_days(result: AttributeResult, judged: Comparison) -> str:
    """Say what a verdict over several sittings speaks about."""
    if result.sittings == ONE_SITTING or result.unit == "round" or judged.verdict == "open":
        return ""
    way: SittingsWay = "each"
    if judged.by == "mixed" and isinstance(result.mixed, MixedFit):
        way = result.mixed.note.sittings
    held = not isinstance(result.sittings, NoResult)
    if way == "each" and held and judged.verdict == "alike" and result.attribute.margin is not None:
        twice = wording.plain(SPAN * result.attribute.margin)
        return f", on average over these sittings and at none of them {twice} points off"
    return CLAIMS[way]


def farthest_apart(ends: Iterable[tuple[float, str]], attribute: Attribute) -> str:
    """Say how a difference moved: "2.1 more at the first (Friday), 0.4 less at the last"."""
    digits, said = wording.digits_for(attribute.scale), []
    for value, sitting in ends:
        size = wording.number(abs(value), digits)
        side = "" if not float(size) else " less" if value < 0 else " more"
        said.append(f"{size}{side} at {sitting}")
    return ", ".join(said)


def _movement(result: AttributeResult, found: Contrast) -> str:
    """Say that a difference moved, or why its mean alone does not make it alike."""
    sittings, attribute = result.sittings, result.attribute
    if found.variant in result.aged:
        return " It was older from sitting to sitting, so look at its days one by one."
    if isinstance(sittings, NoResult):
        return ""
    if sittings.moved_of(found.variant):
        ends = farthest_apart(sittings.farthest_apart(found.variant), attribute)
        p_value = wording.p_value(sittings.p_value)
        return f" Differences moved from sitting to sitting ({p_value}): {ends}."
    plain = kind_of(found, margin=attribute.margin, alpha=result.alpha)
    if attribute.margin is None or plain == result.kind_of(found):
        return ""
    off = wording.plain(sittings.span * attribute.margin)
    return f" On average it lies within the margin; a single sitting could be {off} points off."


def _which_to_trust(trial: Trial, result: AttributeResult, comparison: Comparison) -> str:
    """Say which of two procedures that disagree is the safer one, where a flag tells.

    A flag of this variant or the control tells; spreads come first. Another variant that spreads
    wide makes the pooled scatter too large for this comparison: the mixed model is then the more
    cautious one, and nothing is said.
    """
    own = (comparison.variant.name, trial.control)
    flag = next((flag for flag in result.flags if flag.variant in own), None)
    if flag is None:
        return ""
    why = flag_words(trial, flag)
    ranks = comparison.ranks
    if isinstance(ranks, NoResult) or comparison.by == "ranks":
        return f", but is the less safe one here: {why}"
    if ranks.smallest_p > result.alpha:
        return f", and could not call anything different; the mixed model is not safe here: {why}"
    return f", and is the safer one here: {why}"


def flag_note(trial: Trial, result: AttributeResult, flag: Flag) -> str:
    """Say what was flagged, and by how many tasters' or rounds' scores."""
    return f"{flag_words(trial, flag)} ({wording.count(flag.tasters, result.unit)})"


def flag_words(trial: Trial, flag: Flag) -> str:
    """Say what was flagged, as a clause.

    "the control’s scores spread 1.8 times wider than the others’", "40 % of the scores of “Oak
    leaf” stand at the low end of the scale".
    """
    of = f"the scores of “{trial.variant(flag.variant).label}”"
    scores = "the control’s scores" if flag.variant == trial.control else of
    if flag.kind == "spread":
        return f"{scores} spread {wording.number(flag.value, 1)} times wider than the others’"
    share = f"{wording.number(100 * flag.value, 0)}{wording.NO_BREAK}%"
    end = "low" if flag.kind == "low_end" else "high"
    return f"{share} of {scores} stand at the {end} end of the scale"
