"""The charts of one attribute: differences from the control, and scores."""

from __future__ import annotations

import math

import numpy as np

from blindspoon import wording
from blindspoon.charts.axis import Axis, difference_axis, shaded_words
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import Dot, DotPlot, Row
from blindspoon.charts.outcome import AttributeOutcome
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.titles import differences_title, scores_title
from blindspoon.findings.verdict import NAMES, PROCEDURES
from blindspoon.stats.results import Unanimous

ROOM = 0.18
"""Share of the axis that is kept on either side of zero, for the words of the scale."""


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
    scale, control = attribute.scale, outcome.mean(outcome.control)
    digits = wording.digits_for(scale)
    axis = Axis(
        low=scale.low,
        high=scale.high,
        ends=(attribute.low or "lowest", attribute.high or "highest"),
        step=scale.step,
        reference=control if math.isfinite(control) else None,
    )
    inks, rows = variant_inks(len(outcome.variants), outcome.control), []
    means = {place: outcome.mean(place) for place in range(len(outcome.variants))}
    for place in _falling(means):
        mean, own, is_control = means[place], outcome.means[:, place], place == outcome.control
        dot = Dot(
            estimate=mean if math.isfinite(mean) else None,
            people=own[np.isfinite(own)],
            ink=inks[place],
            mark="diamond" if is_control else "disc",
        )
        label = outcome.variants[place].label + " (control)" * is_control
        note = wording.number(mean, digits) if math.isfinite(mean) else "not scored"
        rows.append(Row(label=label, dots=(dot,), notes=(note,)))
    own_mean = ", or their mean where they tasted more than once" if unit == "taster" else ""
    key = "Large mark, and in figures: the mean. Diamond and dashed line: the control’s."
    return DotPlot(
        axes=(axis,),
        rows=tuple(rows),
        key=(f"Small dots: each {unit}’s score{own_mean}. {key}", f"Density: the {unit}s. {key}"),
    )


def _falling(values: dict[int, float]) -> list[int]:
    """Sort places from the highest value down; those without one come last."""
    return sorted(values, key=lambda place: -values[place] if math.isfinite(values[place]) else 1e9)


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
    inks, rows = variant_inks(len(outcome.variants), outcome.control), []
    for place in _falling({place: outcome.difference(place) for place in outcome.others}):
        difference, found = outcome.differences[:, place], outcome.found(place)
        dot = Dot(
            estimate=None if found is None else found.difference,
            interval=outcome.interval(place),
            people=difference[np.isfinite(difference)],
            ink=inks[place],
        )
        notes = _notes(outcome, place, dot.people.size)
        rows.append(Row(label=outcome.variants[place].label, dots=(dot,), notes=notes))
    dots = [dot for row in rows for dot in row.dots]
    axis = difference_axis(outcome.attribute, _limits(outcome, dots))
    return DotPlot(axes=(axis,), rows=tuple(rows), key=_key(outcome, axis, dots))


def _tasters(outcome: AttributeOutcome) -> int:
    return int(np.isfinite(outcome.differences[:, list(outcome.others)]).any(axis=1).sum())


def _notes(outcome: AttributeOutcome, place: int, tasters: int) -> tuple[str, ...]:
    """Write estimate and verdict, then the interval; the tasters where not all took part."""
    found, compared, attribute = outcome.found(place), outcome.comparison(place), outcome.attribute
    alike = compared is not None and compared.verdict == "alike"
    halved = alike and not isinstance(found, Unanimous)
    said = "not compared" if compared is None else "alike" if alike else NAMES[compared.verdict]
    notes = [said]
    if found is not None:
        digits = wording.estimate_digits(found.difference, found.interval, attribute)
        notes = [f"{wording.signed(found.difference, digits)} {said}"]
    interval = outcome.interval(place)
    if interval is not None:
        level = f", {wording.percent(1 - 2 * outcome.result.alpha)}" if halved else ""
        notes.append(f"{wording.span(interval, attribute)}{level}")
    notes += filter(None, [outcome.other_word(place)])
    if 0 < tasters < _tasters(outcome):
        notes.append(wording.count(tasters, outcome.result.unit))
    return tuple(notes)


def _limits(outcome: AttributeOutcome, dots: list[Dot]) -> tuple[float, float]:
    """Find the ends of the axis: all that is drawn, no farther than the scale can go."""
    scale, margin = outcome.attribute.scale, outcome.attribute.margin or 0.0
    span = max(scale.high - scale.low, margin)
    seen = [-margin, 0.0, margin]
    for dot in dots:
        seen += [float(dot.people.min()), float(dot.people.max())] if dot.people.size else []
        seen += [dot.estimate] if dot.estimate is not None else []
        seen += [dot.interval.low, dot.interval.high] if dot.interval else []
    low, high = max(min(seen), -span), min(max(seen), span)
    room = max((high - low) * ROOM, span / 50)
    return min(low - room / 6, -room), max(high + room / 6, room)


def _key(outcome: AttributeOutcome, axis: Axis, dots: list[Dot]) -> tuple[str, str]:
    """Say how to read the chart, with tasters as marks and as densities."""
    unit, alpha = outcome.result.unit, outcome.result.alpha
    if _tasters(outcome) == 0:
        who = "No round has scores of" if unit == "round" else "No taster scored"
        return (f"{who} both the control and another variant.",) * 2
    said = [f"the {unit}s’ differences from {outcome.names.like}, in points."]
    if any(dot.estimate is not None for dot in dots):
        by = f"by {PROCEDURES[outcome.result.by]}"
        estimate = f"Large dots: the difference {by}"
        bars = [dot.interval for dot in dots if dot.interval is not None]
        alike = (it.verdict == "alike" and not it.unanimous for it in outcome.result.comparisons)
        if bars:
            other = f"; {wording.percent(1 - 2 * alpha)} where alike" if any(alike) else ""
            likely = f"and its likely range, {by} ({wording.percent(1 - alpha)}{other})"
            estimate = f"Large dots: the difference {likely}"
        beyond = any(bar.low < axis.low or bar.high > axis.high for bar in bars)
        said.append(estimate + (", an arrow where it goes on." if beyond else "."))
    said += [*shaded_words(outcome.attribute), *["Exploratory."] * (not outcome.result.primary)]
    return f"Small dots: {' '.join(said)}", f"Densities: {' '.join(said)}"
