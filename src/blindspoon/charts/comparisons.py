"""The charts of one attribute: differences from the control, and scores."""

from __future__ import annotations

import math

import numpy as np

from blindspoon import wording
from blindspoon.charts.axis import Axis, difference_axis, shaded_words
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import Dot, DotPlot, Row
from blindspoon.charts.outcome import AttributeOutcome, differences_title, scores_title
from blindspoon.charts.palette import variant_inks
from blindspoon.findings.verdict import PROCEDURES, SHORT_NAMES
from blindspoon.stats.results import Unanimous


def scores_chart(outcome: AttributeOutcome) -> Chart:
    """Draw what each taster gave each variant, and the means."""
    tasters = wording.count(outcome.means.shape[0], outcome.result.unit)
    return chart_of(
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
    axis = Axis(
        low=scale.low,
        high=scale.high,
        ends=(attribute.low or "lowest", attribute.high or "highest"),
        step=scale.step,
        reference=scored.get(outcome.control),
    )
    inks, rows = variant_inks(len(outcome.variants), outcome.control), []
    order = range(len(outcome.variants))
    for place in sorted(order, key=lambda place: -scored.get(place, -math.inf)):
        mean, own, is_control = scored.get(place), outcome.means[:, place], place == outcome.control
        dot = Dot(
            estimate=mean,
            people=own[np.isfinite(own)],
            ink=inks[place],
            mark="diamond" if is_control else "disc",
        )
        label = outcome.variants[place].label + " (control)" * is_control
        note = "not scored" if mean is None else wording.number(mean, wording.digits_for(scale))
        rows.append(Row(label=label, dots=(dot,), notes=(note,)))
    own_mean = ", or their mean where they tasted more than once" if unit == "taster" else ""
    key = "Large mark, and in figures: the mean. Diamond and dashed line: the control’s."
    return DotPlot(
        axes=(axis,),
        rows=tuple(rows),
        key=(f"Small dots: each {unit}’s score{own_mean}. {key}", f"Density: the {unit}s. {key}"),
    )


def differences_chart(outcome: AttributeOutcome) -> Chart:
    """Draw how far each taster put each variant from the control, and what it comes to."""
    tasters = wording.count(_tasters(outcome), outcome.result.unit)
    return chart_of(
        name=f"{outcome.attribute.name}-differences",
        title=differences_title(outcome),
        data=f"the differences of {tasters} from the control on {outcome.attribute.label.lower()}",
        lay=differences_plot(outcome).lay,
        source=outcome.source,
    )


def differences_plot(outcome: AttributeOutcome) -> DotPlot:
    """Rows and axis of the chart of differences, in points, variant minus control.

    The largest difference comes first. The interval is the one that decides.
    """
    inks, tasters = variant_inks(len(outcome.variants), outcome.control), _tasters(outcome)
    drawn, seen = list[tuple[float, Row]](), list[float]()
    for place in outcome.others:
        other, differences = outcome.other(place), outcome.differences[:, place]
        people, interval = differences[np.isfinite(differences)], other.interval
        estimate = None if other.found is None else other.found.difference
        dot = Dot(estimate=estimate, interval=interval, people=people, ink=inks[place])
        seen += [*people.tolist(), *([] if estimate is None else [estimate])]
        seen += [interval.low, interval.high] if interval else []
        notes = [SHORT_NAMES[other.verdict] if other.verdict else "not compared"]
        if other.found is not None:
            digits = wording.estimate_digits(
                other.found.difference, other.found.interval, outcome.attribute
            )
            notes = [f"{wording.signed(other.found.difference, digits)} {notes[0]}"]
        if interval is not None:
            halved = other.verdict == "alike" and not isinstance(other.found, Unanimous)
            level = f", {wording.percent(1 - 2 * outcome.result.alpha)}" * halved
            notes.append(f"{wording.span(interval, outcome.attribute)}{level}")
        notes += filter(None, [outcome.other_word(place)])
        if 0 < people.size < tasters:
            notes.append(wording.count(people.size, outcome.result.unit))
        row = Row(label=other.variant.label, dots=(dot,), notes=tuple(notes))
        drawn.append((math.inf if estimate is None else -estimate, row))
    rows = tuple(row for _, row in sorted(drawn, key=lambda pair: pair[0]))
    axis = difference_axis(outcome.attribute, seen)
    return DotPlot(axes=(axis,), rows=rows, key=_key(outcome, axis))


def _tasters(outcome: AttributeOutcome) -> int:
    return int(np.isfinite(outcome.differences[:, list(outcome.others)]).any(axis=1).sum())


def _key(outcome: AttributeOutcome, axis: Axis) -> tuple[str, str]:
    """Say how to read the chart, with tasters as marks and as densities."""
    unit, alpha, compared = outcome.result.unit, outcome.result.alpha, outcome.result.comparisons
    if _tasters(outcome) == 0:
        who = "No round has scores of" if unit == "round" else "No taster scored"
        return (f"{who} both the control and another variant.",) * 2
    said = [f"the {unit}s’ differences from {outcome.names.like}, in points."]
    if any(found.found for found in compared):
        by = f"by {PROCEDURES[outcome.result.by]}"
        estimate = f"Large dots: the difference {by}"
        bars = [found.interval for found in compared if found.interval]
        alike = (found.verdict == "alike" and not found.unanimous for found in compared)
        if bars:
            other = f"; {wording.percent(1 - 2 * alpha)} where alike" if any(alike) else ""
            likely = f"and its likely range, {by} ({wording.percent(1 - alpha)}{other})"
            estimate = f"Large dots: the difference {likely}"
        said.append(estimate + (", an arrow where it goes on." if axis.cuts(bars) else "."))
    said += [*shaded_words(outcome.attribute), *["Exploratory."] * (not outcome.result.primary)]
    return f"Small dots: {' '.join(said)}", f"Densities: {' '.join(said)}"
