"""The charts of scores: the board, each attribute's scores and differences, and its tasters."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray
from blindspoon.charts.axis import (
    Axis,
    Reference,
    axis_bar,
    axis_behind,
    difference_axis,
    shaded_words,
)
from blindspoon.charts.chart import Chart, inline_svg, source_of
from blindspoon.charts.dots import MOST_MARKS, Dot, DotPlot, Row
from blindspoon.charts.scene import MarkKind, Marks, Scene, variant_inks
from blindspoon.findings.compare import Scored
from blindspoon.findings.comparison import AttributeResult, Comparison, Other
from blindspoon.findings.naming import Naming
from blindspoon.findings.panel import AttributePanel
from blindspoon.findings.rule import Kind
from blindspoon.findings.verdict_in_words import ALL, clauses, in_a_word, otherwise
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Interval, NoResult
from blindspoon.trial import Attribute, Scale, Trial, Variant

if TYPE_CHECKING:
    from blindspoon.findings.verdict_in_words import JudgedVariant


@dataclass(frozen=True, kw_only=True)
class AttributeOutcome:
    """One attribute, as the tasters scored it and as it was judged.

    `control` is its place in `variants`. `means`, shape (n_tasters, n_variants), are each taster's
    over replicates, in points; NaN where nothing was scored. Of one person alone, a row is a round.
    `source` stands under the figures that are files of their own.
    """

    variants: tuple[Variant, ...]
    control: int
    means: FloatArray
    result: AttributeResult
    names: Naming
    source: str

    @property
    def attribute(self) -> Attribute:
        return self.result.attribute

    @property
    def differences(self) -> FloatArray:
        """Each taster's means minus their mean of the control, shape (n_tasters, n_variants)."""
        return self.means - self.means[:, [self.control]]

    @property
    def others(self) -> dict[int, Other]:
        """What was found of every variant but the control, by its place."""
        places = (place for place in range(len(self.variants)) if place != self.control)
        return dict(zip(places, self.result.others, strict=True))

    @property
    def scored(self) -> dict[int, float]:
        """Plain means of the scores, in points, of the variants that anybody scored."""
        means = {
            place: float(column[np.isfinite(column)].mean())
            for place, column in enumerate(self.means.T)
            if np.isfinite(column).any()
        }
        for place, other in self.others.items():
            if isinstance(other, Comparison):
                means |= {place: other.mean_variant, self.control: other.mean_control}
        return means

    @cached_property
    def differences_drawn(self) -> Chart | None:
        """None where nothing was compared."""
        return differences_chart(self) if self.result.comparisons else None

    @cached_property
    def scores_drawn(self) -> Chart | None:
        """None where nothing was scored."""
        return scores_chart(self) if np.isfinite(self.means).any() else None


def outcome_of(
    trial: Trial, table: ScoreTable, result: AttributeResult, names: Naming
) -> AttributeOutcome:
    days = sorted(session.date for session in trial.sessions if session.date)
    when = trial.dates or wording.on_days((*days[:1], *days[-1:]), "to")
    return AttributeOutcome(
        variants=trial.variants,
        control=trial.control_index,
        means=Scored(trial, table, trial.attributes.index(result.attribute)).means,
        result=result,
        names=names,
        source=source_of(trial, when),
    )


# What was found, in words: the titles -----------------------------------------------------------

HOLLOW = "Hollow: not settled."
MOST_NAMES = 3  # variants that the title of a board names; more are counted
LONGEST = 110  # characters of a title, while fewer names can make it shorter


def finding_of(result: AttributeResult, compared: Sequence[Comparison], names: Naming) -> str:
    """State what was found of some of the comparisons of one attribute, without a full stop.

    "The calcium and cool-cellar jars were crisper than plain brine". Of many variants, or long
    names, the first are named and the others counted.
    """
    label = result.attribute.label.lower()
    if not compared:
        return f"Nothing could be compared on {label}"
    if len(compared) > 1 and all(comparison.verdict == "open" for comparison in compared):
        return _to_whom(result, f"nothing is settled on {label}")
    return _to_whom(result, title_of(compared, names))


def title_of(compared: Sequence[JudgedVariant], names: Naming) -> str:
    """Name what was found on one attribute in as many words as a title can have."""
    ways = [(first, most) for first in (ALL, 3, 2, 1) for most in (ALL, 3, 2, 1)]
    title = ""
    for first, most in ways:
        title = "; ".join(clauses([compared], names, sizes=False, most=most, first=first))
        if len(title) <= LONGEST:
            break
    return title


def _to_whom(result: AttributeResult, clause: str) -> str:
    """Say of one person alone that it is about them; otherwise only begin with a capital."""
    return f"To this taster, {clause}" if result.unit == "round" else wording.capital(clause)


def scores_title(outcome: AttributeOutcome) -> str:
    """State between which means the scores of one attribute lay."""
    label, digits = outcome.attribute.label.lower(), wording.digits_for(outcome.attribute.scale)
    if not (scored := outcome.scored):
        return f"Nothing was scored on {label}"
    ends = [min(scored, key=scored.__getitem__), max(scored, key=scored.__getitem__)]
    low, high = (wording.number(scored[place], digits) for place in ends)
    if low == high:
        return f"On average, {label} scored {low} throughout"
    first, last = (outcome.names.short(outcome.variants[place]) for place in ends)
    return f"On average, {label} ran from {low} for {first} to {high} for {last}"


def board_title(outcomes: Sequence[AttributeOutcome], *, part: bool = False) -> str:
    """Name the variants that differed on any attribute, and those that came close on all.

    Of a `part` of the attributes it says which they are.
    """
    names, labels = outcomes[0].names, [it.attribute.label.lower() for it in outcomes]
    some, every = "in some way", "in all"
    if part:
        some, every = (f"on {wording.listing(labels, link)}" for link in ("or", "and"))
    verdicts = defaultdict[Variant, set[Kind | None]](set)
    for other in (other for outcome in outcomes for other in outcome.result.others):
        verdicts[other.variant].add(other.verdict)
    differing = [it for it, kinds in verdicts.items() if kinds & {"different", "slight"}]
    alike = [it for it, kinds in verdicts.items() if kinds == {"alike"}]
    found = [
        f"{names.subject(variants[:MOST_NAMES], len(variants[MOST_NAMES:]))} {predicate}"
        for variants, predicate in (
            (differing, f"differed from {names.like} {some}"),
            (alike, f"came within the margin of {'it' if differing else names.like} {every}"),
        )
        if variants
    ]
    where = some if part else "on any attribute"
    nothing = f"nothing is settled {where}"
    if any(kinds != {"open"} for kinds in verdicts.values()):
        nothing = f"none was shown to differ from {names.like} {where}"
    return _to_whom(outcomes[0].result, "; ".join(found) or nothing)


# Marks ------------------------------------------------------------------------------------------

WIDTH, HEIGHT, EDGE = 72.0, 16.0, 4.0


def mark_svg(other: Other, limit: float) -> str:
    """Draw the interval that decides against zero and the margin, without words.

    Screen readers leave it out. `limit` is half the width of the drawing, in points, above 0; see
    `mark_limits`. What reaches beyond it is cut.
    """
    margin = other.attribute.margin
    axis = Axis(
        low=-limit,
        high=limit,
        lines=(Reference(0.0, width=1.0),),
        band=None if margin is None else Interval(-margin, margin),
        left=EDGE,
        right=WIDTH - EDGE,
    )
    shapes = axis_behind(axis, (), 0.0, HEIGHT)
    if other.interval is not None:
        shapes += axis_bar(axis, other.interval, HEIGHT / 2, "ink", 2.0)
    if other.found is not None:
        centre = (axis.x(axis.within(other.found.difference)), HEIGHT / 2)
        shapes.append(Marks(points=(centre,), radius=3.5, ink="ink", kind=_mark(other)))
    return inline_svg(Scene(width=WIDTH, height=HEIGHT, shapes=tuple(shapes)), "")


def mark_limits(results: Sequence[AttributeResult]) -> dict[str, float]:
    """Find how far from zero, in points, the marks of each attribute reach, by its name.

    Not beyond the scale; attributes of one scale and margin share it.
    """
    ends, reach = defaultdict[tuple[Scale, float], list[float]](list), dict[str, float]()
    kinds = {it.attribute.name: (it.attribute.scale, it.attribute.margin or 0.0) for it in results}
    for result in results:
        ends[kinds[result.attribute.name]] += [end for it in result.others for end in _ends(it)]
    for name, (scale, margin) in kinds.items():
        farthest = max(map(abs, [margin, *ends[scale, margin]]))
        reach[name] = min(farthest, max(scale.high - scale.low, margin)) or 1.0
    return reach


def _ends(other: Other) -> list[float]:
    """List the difference and the ends of its interval, as far as they are known."""
    ends = [other.found.difference] if other.found else []
    return ends + ([other.interval.low, other.interval.high] if other.interval else [])


def _dot(other: Other, ink: str) -> Dot:
    estimate, mark = other.found.difference if other.found else None, _mark(other)
    return Dot(estimate=estimate, interval=other.interval, ink=ink, mark=mark)


def _mark(other: Other) -> MarkKind:
    return "ring" if other.verdict == "open" else "disc"


# The board --------------------------------------------------------------------------------------


def board_chart(outcomes: Sequence[AttributeOutcome], part: slice = slice(None)) -> Chart:
    """Draw the differences on several attributes, or on a part of them."""
    variants, drawn = wording.count(len(outcomes[0].others), "variant"), outcomes[part]
    attributes = wording.count(len(drawn), "attribute")
    return Chart(
        name="board",
        title=board_title(drawn, part=len(drawn) < len(outcomes)),
        data=f"the differences of {variants} from the control on {attributes}",
        lay=board_plot(drawn).lay,
        source=outcomes[0].source,
    )


def board_plot(outcomes: Sequence[AttributeOutcome]) -> DotPlot:
    """Rows and axes of the board: a row a variant, in the order of the trial."""
    first, axes = outcomes[0], list[Axis]()
    for outcome in outcomes:
        seen = [end for other in outcome.result.others for end in _ends(other)]
        axes.append(difference_axis(outcome.attribute, seen, head=outcome.attribute.label))
    rows = []
    for place, ink in enumerate(variant_inks(len(first.variants), first.control)):
        if place != first.control:
            dots = tuple(_dot(outcome.others[place], ink) for outcome in outcomes)
            rows.append(Row(label=first.variants[place].label, dots=dots, bold=False))
    key = f"The difference from {first.names.like} and its likely range, in points."
    key += " Shaded: the margin." * any(axis.band for axis in axes)
    key += f" {HOLLOW}" * any(dot.mark == "ring" for row in rows for dot in row.dots)
    exploratory = [it.attribute.label.lower() for it in outcomes if not it.result.primary]
    if exploratory:
        key += f" Exploratory: {wording.listing(exploratory)}."
    return DotPlot(axes=tuple(axes), rows=tuple(rows), key=(key, key), kind=("Interval plot", ""))


# Scores and differences -------------------------------------------------------------------------


def scores_chart(outcome: AttributeOutcome) -> Chart:
    """Draw what each taster gave each variant, and the means."""
    tasters = wording.count(outcome.means.shape[0], outcome.result.unit)
    return Chart(
        name=f"{outcome.attribute.name}-scores",
        title=scores_title(outcome),
        data=f"the scores of {tasters} on {outcome.attribute.label.lower()}",
        lay=scores_plot(outcome).lay,
        source=outcome.source,
    )


def scores_plot(outcome: AttributeOutcome) -> DotPlot:
    """Rows and axis of the chart of scores, in points of the scale; the highest mean first."""
    attribute, unit = outcome.attribute, outcome.result.unit
    scale, scored = attribute.scale, outcome.scored
    control = scored.get(outcome.control)
    axis = Axis(
        low=scale.low,
        high=scale.high,
        ends=(attribute.low or "lowest", attribute.high or "highest"),
        step=scale.step,
        lines=() if control is None else (Reference(control),),
        digits=None if scale.step < 1 or scale.low % 1 or scale.step % 1 else 0,
    )
    inks, rows = variant_inks(len(outcome.variants), outcome.control), []
    order = range(len(outcome.variants))
    for place in sorted(order, key=lambda place: -scored.get(place, -math.inf)):
        mean, scores = scored.get(place), outcome.means[:, place]
        is_control = place == outcome.control
        dot = Dot(
            estimate=mean,
            people=scores[np.isfinite(scores)],
            ink=inks[place],
            mark="diamond" if is_control else "disc",
        )
        label = outcome.variants[place].label + " (control)" * is_control
        note = "not scored" if mean is None else wording.number(mean, wording.digits_for(scale))
        rows.append(Row(label=label, dots=(dot,), notes=(note,)))
    own_mean = ", or their mean where they tasted more than once" if unit == "taster" else ""
    key = "Large mark, and in figures: the mean."
    key += " Diamond and dashed line: the control’s." * bool(axis.lines)
    return DotPlot(
        axes=(axis,),
        rows=tuple(rows),
        key=(f"Small dots: each {unit}’s score{own_mean}. {key}", f"Density: the {unit}s. {key}"),
    )


def differences_chart(outcome: AttributeOutcome) -> Chart:
    """Draw how far each taster put each variant from the control, and what it comes to."""
    result, tasters = outcome.result, wording.count(_tasters(outcome), outcome.result.unit)
    shown = [it for it in result.comparisons if it.direction]  # the rows tell the rest
    return Chart(
        name=f"{outcome.attribute.name}-differences",
        title=finding_of(result, shown or result.comparisons, outcome.names),
        data=f"the differences of {tasters} from the control on {outcome.attribute.label.lower()}",
        lay=differences_plot(outcome).lay,
        source=outcome.source,
    )


def differences_plot(outcome: AttributeOutcome) -> DotPlot:
    """Rows and axis of the chart of differences, in points, variant minus control.

    The largest difference comes first. The interval is the one that decides.
    """
    inks, tasters = variant_inks(len(outcome.variants), outcome.control), _tasters(outcome)
    others, rows, seen = outcome.others, list[Row](), list[float]()
    estimates = {place: other.found.difference for place, other in others.items() if other.found}
    for place in sorted(others, key=lambda place: -estimates.get(place, -math.inf)):
        other, differences = others[place], outcome.differences[:, place]
        people = differences[np.isfinite(differences)]
        dot = replace(_dot(other, inks[place]), people=people)
        seen += [*people.tolist(), *_ends(other)]
        notes = ["not compared"]
        if other.verdict:
            notes = [in_a_word(other.verdict, outcome.attribute, up=other.direction > 0)]
        if other.found is not None:
            notes = [f"{wording.estimate(other.found, outcome.attribute)} {notes[0]}"]
        if other.interval is not None:
            notes.append(wording.span(other.interval, outcome.attribute))
        if second := otherwise(other):  # what the second procedure would judge
            notes.append(f"({second})")
        if 0 < people.size < tasters:
            notes.append(wording.count(people.size, outcome.result.unit))
        differs = other.verdict in ("different", "slight")
        rows.append(Row(label=other.variant.label, dots=(dot,), notes=tuple(notes), bold=differs))
    axes = (difference_axis(outcome.attribute, seen),)
    seconds = dict.fromkeys(otherwise(it).rpartition(" by ")[2] for it in others.values())
    named = wording.listing(filter(None, seconds), "or")
    noted = f" By {named}: a second method, which does not decide." * bool(named)
    return DotPlot(axes=axes, rows=tuple(rows), key=_key(outcome), noted=noted)


def _tasters(outcome: AttributeOutcome) -> int:
    return int(np.isfinite(outcome.differences[:, list(outcome.others)]).any(axis=1).sum())


def _key(outcome: AttributeOutcome) -> tuple[str, str]:
    """Say how to read the chart, with tasters as marks and as densities."""
    unit, alpha, compared = outcome.result.unit, outcome.result.alpha, outcome.result.comparisons
    key = [f"{unit}s’ differences from {outcome.names.like}, in points."]
    if any(found.interval for found in compared):
        alike = any(found.verdict == "alike" and not found.unanimous for found in compared)
        level = f"; {wording.percent(1 - 2 * alpha)} where alike" * alike
        level = f"{wording.percent(1 - alpha)}{level}"
        key.append(f"Large: the difference and its likely range ({level}).")
    elif any(found.found for found in compared):
        key.append("Large: the difference.")
    key += shaded_words(outcome.attribute)
    if any(found.found and found.verdict == "open" for found in compared):
        key.append(HOLLOW)
    if not outcome.result.primary:
        key.append("Exploratory: a lead to be tested again.")
    return f"Small: {' '.join(key)}", f"Densities: {' '.join(key)}"


# The tasters --------------------------------------------------------------------------------------


def alikeness_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw how far each taster sees the variants as the others do, the most agreeing one first.

    None where that is not known of any taster, or of more than `MOST_MARKS`.
    """
    reviews = () if isinstance(found.tasters, NoResult) else found.tasters
    pairs = [(it.correlation, it.taster) for it in reviews]
    known = [(seen, taster) for seen, taster in pairs if not isinstance(seen, NoResult)]
    if not 0 < len(known) <= MOST_MARKS:
        return None
    known.sort(key=lambda pair: -pair[0])
    rows = [Row(label=taster, dots=(Dot(estimate=seen),), bold=False) for seen, taster in known]
    axis = Axis(
        low=-1.0,
        high=1.0,
        head="Agreement with the others",
        ends=("the other way round", "alike"),
        lines=(Reference(0.0),),
    )
    key = (
        "How a taster’s means of the variants go with those of all others (correlation): 1 is the "
        "same pattern, 0 none in common. A taster who differs may well be right."
    )
    tasters = wording.count(len(known), "taster")
    return Chart(
        name=f"{attribute.name}-tasters",
        title=alikeness_title(attribute, [seen for seen, _ in known]),
        data=f"{tasters} beside the others on {attribute.label.lower()}",
        lay=DotPlot(axes=(axis,), rows=tuple(rows), key=(key, key)).lay,
        source=source,
    )


def alikeness_title(attribute: Attribute, seen: Sequence[float]) -> str:
    """State how many tasters saw the variants as the others did, not the other way round."""
    alike, number = sum(correlation > 0 for correlation in seen), len(seen)
    who = f"{wording.spelled(alike) if alike else 'none'} of {wording.spelled(number)} tasters"
    if number == 1:
        who = f"one taster could be set beside the others and {'went' if alike else 'did not go'}"
        return f"On {attribute.label.lower()}, {who} with them"
    if alike == number:
        who = "both tasters" if number == 2 else f"all {wording.spelled(number)} tasters"
    return f"On {attribute.label.lower()}, {who} went with the others"
