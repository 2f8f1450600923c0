"""Comparisons and the declared rule -> a verdict a variant and attribute, with its sentence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from blindspoon import wording
from blindspoon.batches.differences import WhatDiffers
from blindspoon.batches.summary import Made, factor_name, softened
from blindspoon.findings.comparison import AttributeResult, By, Comparison, Kind
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.flags import Flag
from blindspoon.stats.results import Contrast, Interval, NoResult
from blindspoon.trial import Attribute, Trial, Variant

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

    Parameters
    ----------
    kind : {"different", "slight", "alike", "open"}
    attribute : Attribute
        Has the words for less and more.
    up : bool
        Whether a difference is towards more.
    """
    if kind in ("different", "slight"):
        word = (attribute.more if up else attribute.less) or ("higher" if up else "lower")
        return f"slightly {word}" if kind == "slight" else word
    return SHORT_NAMES[kind]


def kind_of(found: Contrast, *, margin: float | None, alpha: float) -> Kind:
    """Apply the rule to one procedure's finding.

    Parameters
    ----------
    found : MixedContrast or RankContrast
    margin : float or None
        In points; without one nothing can be slight or alike.
    alpha : float
        The attribute's share.

    Notes
    -----
    Alike and slight by two one-sided tests at alpha: the simultaneous interval at level
    1 - 2 alpha lies inside the margin. D. J. Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    equivalence = found.equivalence_interval
    inside = margin is not None and equivalence is not None and equivalence.within(margin)
    if found.p_adjusted <= alpha:
        return "slight" if inside else "different"
    return "alike" if inside else "open"


def judge(
    trial: Trial, table: ScoreTable, result: AttributeResult, made: Made | None = None
) -> AttributeResult:
    """Give every comparison of an attribute its verdict, by the rule of the trial.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
        Tells how many batches a sentence may speak of.
    result : AttributeResult
    made : Made, optional
        What else set a batch apart from the control's softens the sentence.
    """
    what = {} if made is None else {differs.variant: differs for differs in made.differs}
    return replace(
        result,
        others=tuple(
            _judged(trial, table, result, other, what.get(other.variant.name))
            if isinstance(other, Comparison)
            else other
            for other in result.others
        ),
    )


def _judged(
    trial: Trial,
    table: ScoreTable,
    result: AttributeResult,
    comparison: Comparison,
    what: WhatDiffers | None,
) -> Comparison:
    attribute, (first, second) = comparison.attribute, comparison.contrasts
    kind, other = (
        None
        if isinstance(contrast, NoResult)
        else kind_of(contrast, margin=attribute.margin, alpha=result.alpha)
        for contrast in (first, second)
    )
    subject = _subject(trial, table, result, comparison.variant)
    if kind is None or isinstance(first, NoResult):
        reason = first.reason.rstrip(".") if isinstance(first, NoResult) else ""
        said = f"{subject} is not settled on {attribute.label.lower()}. {reason}"
    else:
        said = sentence(kind, subject, attribute, first, result.alpha)
    if other is not None and other != (kind or "open"):
        by_other = PROCEDURES["ranks" if comparison.by == "mixed" else "mixed"]
        said += f"; {by_other} would call it {NAMES[other]}"
        said += _which_to_trust(trial, result, comparison)
    return replace(
        comparison,
        verdict=kind or "open",
        verdict_by_other=other,
        because=softened(f"{said}.", kind or "open", what),
    )


def _subject(trial: Trial, table: ScoreTable, result: AttributeResult, variant: Variant) -> str:
    """Name what the sentence is about: one batch, unless several batches of it were tasted."""
    the, to_whom = ("the", "To this taster, ") if result.unit == "round" else ("The", "")
    label = f"“{variant.label}”"
    several = table.batches_tasted(len(trial.variants))[trial.variants.index(variant)] > 1
    return to_whom + (label if several else f"{the} {label} batch")


def sentence(kind: Kind, subject: str, attribute: Attribute, found: Contrast, alpha: float) -> str:
    """Say a verdict with its size or reach, without a full stop.

    Parameters
    ----------
    kind : {"different", "slight", "alike", "open"}
    subject : str
        What was compared with the control, as the sentence begins: "The Oak leaf batch".
    attribute : Attribute
    found : MixedContrast or RankContrast
    alpha : float
        At which it was decided.
    """
    label, margin = attribute.label.lower(), wording.margin(attribute)
    if kind == "open":
        could_be = "there are too few scores of both for an interval"
        if found.interval is not None:
            could_be = f"the difference could be anything from {reach(found.interval, attribute)}"
        return f"{subject} is not settled on {label}: {could_be}"
    level = wording.percent(1 - 2 * alpha if kind == "alike" else 1 - alpha)
    interval = found.equivalence_interval if kind == "alike" else found.interval
    within = f" ({level} interval {wording.span(interval, attribute)})" if interval else ""
    if kind == "alike":
        return (
            f"{subject} was within {margin} of the control on {label}, so alike for our "
            f"purpose{within}"
        )
    said = (
        f"{subject} {wording.comparative(found.difference, attribute)} the control, "
        f"by about {wording.points(found.difference, attribute, found.interval)}{within}"
    )
    return f"{said}, shown to be less than {margin}" if kind == "slight" else said


def reach(interval: Interval, attribute: Attribute) -> str:
    """Say how far a difference could reach either way: "0.8 less to 1.1 more"."""
    ends = (interval.low, interval.high)
    digits = wording.telling_digits(ends, [0.0], wording.digits_for(attribute.scale))
    low, high = (wording.number(abs(end), digits) for end in ends)
    if interval.low >= 0:
        return f"{low} to {high} more"
    if interval.high <= 0:
        return f"{high} to {low} less"
    return f"{low} less to {high} more"


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


def flag_words(trial: Trial, flag: Flag) -> str:
    """Say what was flagged, as a clause.

    Parameters
    ----------
    trial : Trial
        Names the variants.
    flag : Flag

    Returns
    -------
    str
        "the control’s scores spread 1.8 times wider than the others’", "40 % of the scores of
        “Oak leaf” stand at the low end of the scale".
    """
    of = f"the scores of “{trial.variant(flag.variant).label}”"
    scores = "the control’s scores" if flag.variant == trial.control else of
    if flag.kind == "spread":
        return f"{scores} spread {wording.number(flag.value, 1)} times wider than the others’"
    share = f"{wording.number(100 * flag.value, 0)}{wording.NO_BREAK}%"
    end = "low" if flag.kind == "low_end" else "high"
    return f"{share} of {scores} stand at the {end} end of the scale"


def weakened(trial: Trial, made: Made | None, comparisons: Iterable[Comparison]) -> str:
    """Name the variants found different whose batches also differed otherwise; a sentence.

    Blank where there is none.
    """
    found = {one.variant.name for one in comparisons if one.differs}
    named = [
        f"“{trial.variant(what.variant).label}” in "
        + wording.listing(factor_name(own.factor) for own in what.undeclared)
        for what in (made.differs if made else ())
        if what.undeclared and what.variant in found
    ]
    return f"Not only the method differed: {wording.listing(named)} too." if named else ""
