"""Comparisons and the declared rule -> a verdict a variant and attribute, with its sentence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from blindspoon import wording
from blindspoon.batches.summary import Made, factor_name, softened
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.flags import Flag
from blindspoon.stats.results import (
    AttributeResult,
    Comparison,
    Interval,
    MixedContrast,
    NoResult,
    RankContrast,
)
from blindspoon.trial import Attribute, Trial

Kind = Literal["different", "slight", "alike", "open"]
By = Literal["mixed", "ranks"]

NAMES: dict[Kind, str] = {
    "different": "different",
    "slight": "slightly different",
    "alike": "alike within the margin",
    "open": "not settled",
}
SHORT_NAMES: dict[Kind, str] = {**NAMES, "alike": "alike"}
PROCEDURES: dict[By, str] = {"mixed": "the mixed model", "ranks": "the rank comparison"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What may be said of one variant on one attribute.

    Parameters
    ----------
    attribute, variant : str
        Names.
    kind : {"different", "slight", "alike", "open"}
        By the procedure that was declared to decide.
    other : {"different", "slight", "alike", "open"} or None
        By the other procedure; None where it gives no result.
    primary : bool
        Whether the trial was declared to answer this attribute.
    because : str
        One plain sentence.
    """

    attribute: str
    variant: str
    kind: Kind
    other: Kind | None
    primary: bool
    because: str


@dataclass(frozen=True, slots=True)
class Finding:
    """What one procedure says: the same fields for both, so that one rule judges them."""

    difference: float
    p_adjusted: float
    interval: Interval | None
    equivalence_interval: Interval | None


def finding(result: MixedContrast | RankContrast | NoResult) -> Finding | None:
    """Reduce a contrast to what the rule looks at; None where there is no result."""
    return None if isinstance(result, NoResult) else reduced(result)


def reduced(result: MixedContrast | RankContrast) -> Finding:
    """Reduce a contrast to what the rule looks at."""
    return Finding(
        difference=result.difference if isinstance(result, MixedContrast) else result.shift,
        p_adjusted=result.p_adjusted,
        interval=result.interval,
        equivalence_interval=result.equivalence_interval,
    )


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


def deciding(trial: Trial, result: AttributeResult) -> By:
    """Name the procedure that decides: the declared one, but ranks where one person tasted alone.

    A mixed model needs two tasters.
    """
    return "ranks" if result.unit == "round" else trial.decision.by


def decisive(trial: Trial, result: AttributeResult, comparison: Comparison) -> Finding | None:
    """Reduce a comparison to what the procedure that decides found; None where it found nothing."""
    by_mixed = deciding(trial, result) == "mixed"
    return finding(comparison.mixed if by_mixed else comparison.ranks)


def kind_of(found: Finding, *, margin: float | None, alpha: float) -> Kind:
    """Apply the rule to one procedure's finding.

    Parameters
    ----------
    found : Finding
    margin : float or None
        In points; without one nothing can be slight or alike.
    alpha : float
        The attribute's share.

    Notes
    -----
    Alike and slight by two one-sided tests at alpha: the simultaneous interval at level
    1 - 2 alpha lies inside the margin. D. J. Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    different = found.p_adjusted <= alpha
    equivalence = found.equivalence_interval
    inside = margin is not None and equivalence is not None and equivalence.within(margin)
    if different:
        return "slight" if inside else "different"
    return "alike" if inside else "open"


def judge(
    trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]
) -> tuple[Verdict, ...]:
    """Judge every comparison by the rule of the trial.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
        Tells how many batches and tasters a sentence may speak of.
    results : tuple of AttributeResult

    Returns
    -------
    tuple of Verdict
        One a comparison, in the order of the attributes and then of the variants.
    """
    return tuple(
        _verdict(trial, table, result, comparison)
        for result in results
        for comparison in result.comparisons
    )


def _verdict(
    trial: Trial, table: ScoreTable, result: AttributeResult, comparison: Comparison
) -> Verdict:
    mixed, ranks = finding(comparison.mixed), finding(comparison.ranks)
    by_mixed = deciding(trial, result) == "mixed"
    first, second = (mixed, ranks) if by_mixed else (ranks, mixed)
    kind, other = (
        None if each is None else kind_of(each, margin=result.margin, alpha=result.alpha)
        for each in (first, second)
    )
    subject = _subject(trial, table, result, comparison.variant)
    attribute = trial.attribute(comparison.attribute)
    if first is None or kind is None:
        missing = comparison.mixed if by_mixed else comparison.ranks
        said = _undecided(subject, attribute, missing)
    else:
        said = sentence(kind, subject, attribute, first, result.alpha)
    if other is not None and other != (kind or "open"):
        said += _dissent(other, "ranks" if by_mixed else "mixed")
        said += _which_to_trust(trial, result, comparison)
    return Verdict(
        attribute=comparison.attribute,
        variant=comparison.variant,
        kind=kind or "open",
        other=other,
        primary=result.primary,
        because=f"{said}.",
    )


def _subject(trial: Trial, table: ScoreTable, result: AttributeResult, variant: str) -> str:
    """Name what the sentence is about: one batch, unless several batches of it were tasted."""
    the, to_whom = ("the", "To this taster, ") if result.unit == "round" else ("The", "")
    position = [each.name for each in trial.variants].index(variant)
    label = f"“{trial.variants[position].label}”"
    several = table.batches_tasted(len(trial.variants))[position] > 1
    return to_whom + (label if several else f"{the} {label} batch")


def _undecided(
    subject: str, attribute: Attribute, missing: MixedContrast | RankContrast | NoResult
) -> str:
    reason = missing.reason.rstrip(".") if isinstance(missing, NoResult) else ""
    return f"{subject} is not settled on {attribute.label.lower()}. {reason}"


def _different(subject: str, attribute: Attribute, found: Finding, alpha: float) -> str:
    level = wording.percent(1 - alpha)
    interval = (
        f" ({level} interval {wording.span(found.interval, attribute)})" if found.interval else ""
    )
    return (
        f"{subject} {wording.comparative(found.difference, attribute)} the control, "
        f"by about {wording.points(found.difference, attribute, found.interval)}{interval}"
    )


def _slight(subject: str, attribute: Attribute, found: Finding, alpha: float) -> str:
    limit = wording.margin(attribute)
    return f"{_different(subject, attribute, found, alpha)}, shown to be less than {limit}"


def _alike(subject: str, attribute: Attribute, found: Finding, alpha: float) -> str:
    level = wording.percent(1 - 2 * alpha)
    span = wording.span(found.equivalence_interval, attribute) if found.equivalence_interval else ""
    return (
        f"{subject} was within {wording.margin(attribute)} of the control on "
        f"{attribute.label.lower()}, so alike for our purpose ({level} interval {span})"
    )


def _open(subject: str, attribute: Attribute, found: Finding, alpha: float) -> str:
    del alpha
    could_be = "there are too few scores of both for an interval"
    if found.interval is not None:
        could_be = f"the difference could be anything from {reach(found.interval, attribute)}"
    return f"{subject} is not settled on {attribute.label.lower()}: {could_be}"


_SENTENCES: dict[Kind, Callable[[str, Attribute, Finding, float], str]] = {
    "different": _different,
    "slight": _slight,
    "alike": _alike,
    "open": _open,
}


def sentence(kind: Kind, subject: str, attribute: Attribute, found: Finding, alpha: float) -> str:
    """Say a verdict with its size or reach, without a full stop.

    Parameters
    ----------
    kind : {"different", "slight", "alike", "open"}
    subject : str
        What was compared with the control, as the sentence begins: "The Oak leaf batch".
    attribute : Attribute
    found : Finding
    alpha : float
        At which it was decided.
    """
    return _SENTENCES[kind](subject, attribute, found, alpha)


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


def _dissent(other: Kind, other_by: By) -> str:
    return f"; {PROCEDURES[other_by]} would call it {NAMES[other]}"


def _which_to_trust(trial: Trial, result: AttributeResult, comparison: Comparison) -> str:
    """Say which of two procedures that disagree is the safer one, where a flag tells."""
    flag = _telling_flag(trial, result, comparison.variant)
    if flag is None:
        return ""
    why = flag_words(trial, flag)
    ranks = comparison.ranks
    if isinstance(ranks, NoResult) or trial.decision.by == "ranks":
        return f", but is the less safe one here: {why}"
    if ranks.smallest_p > result.alpha:
        return f", and could not call anything different; the mixed model is not safe here: {why}"
    return f", and is the safer one here: {why}"


def _telling_flag(trial: Trial, result: AttributeResult, variant: str) -> Flag | None:
    """Choose a flag of this variant or the control; spreads come first in the flags.

    Another variant that spreads wide makes the pooled scatter too large for this comparison: the
    mixed model is then the more cautious one, and nothing is said.
    """
    own = (variant, trial.control)
    return next((flag for flag in result.flags if flag.variant in own), None)


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


def soften(verdicts: tuple[Verdict, ...], made: Made | None) -> tuple[Verdict, ...]:
    """Say beside each verdict what else set its batch apart from the control's."""
    if made is None:
        return verdicts
    what = {each.variant: each for each in made.differs}
    return tuple(
        replace(each, because=softened(each.because, each.kind, what.get(each.variant)))
        for each in verdicts
    )


def weakened(trial: Trial, made: Made | None, verdicts: tuple[Verdict, ...]) -> str:
    """Name the variants found different whose batches also differed otherwise; a sentence.

    Blank where there is none.
    """
    found = {each.variant for each in verdicts if each.kind in ("different", "slight")}
    named = [
        f"“{trial.variant(what.variant).label}” in "
        + wording.listing(factor_name(each.factor) for each in what.undeclared)
        for what in (made.differs if made else ())
        if what.undeclared and what.variant in found
    ]
    return f"Not only the method differed: {wording.listing(named)} too." if named else ""
