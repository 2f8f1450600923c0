"""The finding of a chart as its title, and the sentence for people who do not see it.

What the charts of one attribute are drawn from.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray
from blindspoon.findings.compare import means_of
from blindspoon.findings.comparison import AttributeResult, Comparison, Kind
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Contrast
from blindspoon.trial import Attribute, Trial, Variant


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One attribute, as the tasters scored it and as it was judged.

    Parameters
    ----------
    attribute : Attribute
    variants : tuple of Variant
        In the order of the trial.
    control : int
        Position of the control in `variants`.
    means : float array, shape (n_tasters, n_variants)
        Each taster's mean over replicates, in points; NaN where nothing was scored. Of one
        person alone, a row is a round.
    result : AttributeResult
    noun : {"batch", "variant"}
        "batch" where no variant was tasted from several batches.
    source : str
        Where the data come from; stands under the figures that are files of their own.
    """

    attribute: Attribute
    variants: tuple[Variant, ...]
    control: int
    means: FloatArray
    result: AttributeResult
    noun: str
    source: str

    @property
    def differences(self) -> FloatArray:
        """Each taster's means minus their mean of the control, shape (n_tasters, n_variants)."""
        return self.means - self.means[:, [self.control]]

    @property
    def others(self) -> tuple[int, ...]:
        """Positions of all variants but the control."""
        return tuple(place for place in range(len(self.variants)) if place != self.control)

    def comparison(self, place: int) -> Comparison | None:
        """Look up a variant's comparison with its verdict; None where it was not compared."""
        name = self.variants[place].name
        return next((each for each in self.result.comparisons if each.variant.name == name), None)

    def found(self, place: int) -> Contrast | None:
        """Look up what the procedure that decides found; None where it gave no result."""
        comparison = self.comparison(place)
        return None if comparison is None else comparison.found

    def mean(self, place: int) -> float:
        """Give the plain mean of a variant's scores, in points; NaN where nobody scored it."""
        if place != self.control:
            comparison = self.comparison(place)
            if comparison is not None:
                return comparison.mean_variant
        elif self.result.comparisons:
            return self.result.comparisons[0].mean_control
        scored = self.means[np.isfinite(self.means[:, place]), place]
        return float(scored.mean()) if scored.size else float("nan")


def picture_of(trial: Trial, table: ScoreTable, result: AttributeResult) -> Picture:
    """Gather what the charts of one attribute need.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    result : AttributeResult
        Of the attribute.
    """
    return Picture(
        attribute=result.attribute,
        variants=trial.variants,
        control=trial.control_index,
        means=means_of(trial, table, trial.attributes.index(result.attribute)),
        result=result,
        noun=_noun(trial, table),
        source=_source(trial),
    )


def _noun(trial: Trial, table: ScoreTable) -> str:
    return "variant" if (table.batches_tasted(len(trial.variants)) > 1).any() else "batch"


def _source(trial: Trial) -> str:
    days = [session.date.isoformat() for session in trial.sessions if session.date]
    when = trial.dates or (" to ".join(sorted({min(days), max(days)})) if days else "")
    return ", ".join(part for part in (f"“{trial.title}”", trial.host, when) if part)


MOST_NAMES = 3
"""Attributes that a title names; more are counted."""


def differences_title(picture: Picture) -> str:
    """State what was found on one attribute.

    Returns
    -------
    str
        Without a full stop: "Two of four batches were crisper than the control; two are not
        settled". A verdict that the other procedure does not share is told of.
    """
    compared, label = picture.result.comparisons, picture.attribute.label.lower()
    if not compared:
        return f"Nothing could be compared on {label}"
    tail = _otherwise(picture)
    if len(compared) > 1 and all(each.verdict == "open" for each in compared):
        return _to_whom(picture, f"nothing is settled on {label}{tail}")
    return _to_whom(picture, "; ".join(_clauses(picture, len(compared))) + tail)


def _clauses(picture: Picture, total: int) -> list[str]:
    """One clause for each thing that was found, the first with its full subject."""
    clauses: list[str] = []
    for places, predicate in _groups(picture):
        subject = _subject(picture, places, total, first=not clauses)
        plural = len(places) > 1
        clauses.append(f"{subject} {_number_of_verb(predicate, plural=plural)}")
    return clauses


def _groups(picture: Picture) -> list[tuple[list[int], str]]:
    """Places of the variants of each finding, with what is said of one of them."""
    label, margin = picture.attribute.label.lower(), wording.margin(picture.attribute)
    higher, lower = (_of_kinds(picture, ("different", "slight"), sign) for sign in (1, -1))
    alike, unsettled = (_of_kinds(picture, (kind,), 0) for kind in ("alike", "open"))
    groups = list[tuple[list[int], str]]()
    for places in sorted((higher, lower), key=len, reverse=True):
        if places:
            groups.append((places, _differed(picture, places, first=not groups)))
    said = bool(groups)
    if alike:
        where = "of it" if said else f"of the control on {label}"
        groups.append((alike, f"was within {margin} {where}"))
        said = True
    if unsettled:
        groups.append((unsettled, "is not settled" if said else f"is not settled on {label}"))
    return groups


def _of_kinds(picture: Picture, kinds: tuple[Kind, ...], sign: int) -> list[int]:
    """Places of the variants with one of these verdicts, and a difference of this sign if any."""
    return [
        place
        for place in picture.others
        if (compared := picture.comparison(place)) is not None
        and compared.verdict in kinds
        and (sign == 0 or (_difference(picture, place) > 0) == (sign > 0))
    ]


def _difference(picture: Picture, place: int) -> float:
    found = picture.found(place)
    return 0.0 if found is None else found.difference


def _differed(picture: Picture, places: Sequence[int], *, first: bool) -> str:
    phrase = wording.comparative(_difference(picture, places[0]), picture.attribute)
    phrase = f"{phrase} the control" if first else phrase.partition(" on ")[0].removesuffix(" than")
    small = sum(
        compared.verdict == "slight"
        for place in places
        if (compared := picture.comparison(place)) is not None
    )
    if not small:
        return phrase
    who = "" if small == len(places) else f"{wording.spelled(small)} of them "
    return f"{phrase}, {who}by less than {wording.margin(picture.attribute)}"


def _number_of_verb(predicate: str, *, plural: bool) -> str:
    if not plural:
        return predicate
    verb, _, rest = predicate.partition(" ")
    return f"{ {'was': 'were', 'is': 'are'}.get(verb, verb) } {rest}"


def _subject(picture: Picture, places: Sequence[int], total: int, *, first: bool) -> str:
    number, label = len(places), f"“{picture.variants[places[0]].label}”"
    if not first:
        return wording.spelled(number)
    if total == 1:
        return label
    several = wording.count(total, picture.noun, _plural(picture.noun)).partition(" ")[2]
    if number == total:
        return f"both {several}" if total == 2 else f"all {wording.spelled(total)} {several}"
    named = f", {label}," if number == 1 else ""
    return f"{wording.spelled(number)} of {wording.spelled(total)} {several}{named}"


def _plural(noun: str) -> str:
    return "batches" if noun == "batch" else f"{noun}s"


def _otherwise(picture: Picture) -> str:
    """Tell of the verdicts that the procedure that does not decide would not share."""
    disputed = [
        picture.variants[place].label
        for place in picture.others
        if (compared := picture.comparison(place)) is not None
        and compared.verdict_by_other is not None
        and _stand(compared.verdict_by_other) != _stand(compared.verdict)
    ]
    if not disputed:
        return ""
    total = len(picture.result.comparisons)
    them = f"{wording.spelled(len(disputed))} of them" if len(disputed) < total else "all of them"
    if len(disputed) == 1:
        them = "it" if total == 1 else f"“{disputed[0]}”"
    other = PROCEDURES["ranks" if picture.result.by == "mixed" else "mixed"]
    return f"; {other} judges {them} otherwise"


def _stand(kind: Kind) -> Kind:
    return "different" if kind == "slight" else kind


def _to_whom(picture: Picture, sentence: str) -> str:
    if picture.result.unit == "round":
        return f"To this taster, {sentence}"
    return sentence[:1].upper() + sentence[1:]


def scores_title(picture: Picture) -> str:
    """State between which means the scores of one attribute lay."""
    label, digits = picture.attribute.label.lower(), wording.digits_for(picture.attribute.scale)
    means = {place: picture.mean(place) for place in range(len(picture.variants))}
    scored = {place: mean for place, mean in means.items() if math.isfinite(mean)}
    if not scored:
        return f"Nothing was scored on {label}"
    ends = [min(scored, key=scored.__getitem__), max(scored, key=scored.__getitem__)]
    low, high = (wording.number(scored[place], digits) for place in ends)
    if low == high:
        return f"On average, {label} scored {low} throughout"
    first, last = (f"“{picture.variants[place].label}”" for place in ends)
    return f"On average, {label} scored from {low} ({first}) to {high} ({last})"


def board_title(pictures: Sequence[Picture]) -> str:
    """State on which attributes something was found."""
    found: dict[str, list[str]] = {"shown": [], "alike": [], "open": []}
    for picture in pictures:
        found[_state(picture)].append(picture.attribute.label.lower())
    several = _plural(pictures[0].noun)
    starts = {
        "shown": "differences from the control were shown on",
        "alike": f"all {several} were within the margin on",
        "open": "nothing is settled on",
    }
    if len(found["open"]) == len(pictures) > MOST_NAMES:
        return _to_whom(pictures[0], "nothing is settled on any attribute")
    clauses = [
        f"{starts[state]} {_where(labels, len(pictures), 'or' if state == 'open' else 'and')}"
        for state, labels in found.items()
        if labels
    ]
    return _to_whom(pictures[0], "; ".join(clauses))


def _state(picture: Picture) -> str:
    kinds = [each.verdict for each in picture.result.comparisons]
    if "different" in kinds or "slight" in kinds:
        return "shown"
    alike = set(kinds) == {"alike"} and not picture.result.not_compared
    return "alike" if alike else "open"


def _where(labels: Sequence[str], total: int, joined: str) -> str:
    if len(labels) <= MOST_NAMES:
        return wording.listing(labels, joined)
    every = len(labels) == total
    return ("all " if every else "") + wording.spelled(len(labels)) + " attributes"


def alt(chart: str, data: str, title: str) -> str:
    """Say what a chart shows as "[chart] of [data], where [finding]".

    Examples
    --------
    >>> alt("Dot plot", "12 tasters", "Nothing is settled on texture")
    'Dot plot of 12 tasters, where nothing is settled on texture.'
    """
    return f"{chart} of {data}, where {title[:1].lower()}{title[1:]}."
