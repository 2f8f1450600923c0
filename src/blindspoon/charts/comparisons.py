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
    axis = Axis(
        low=scale.low,
        high=scale.high,
        ends=(attribute.low or "lowest", attribute.high or "highest"),
        step=scale.step,
        reference=control if math.isfinite(control) else None,
    )
    means = {place: outcome.mean(place) for place in range(len(outcome.variants))}
    mean = ", or their mean where they tasted more than once" if unit == "taster" else ""
    key = "Large mark, and in figures: the mean. Diamond and dashed line: the control’s."
    return DotPlot(
        axes=(axis,),
        rows=tuple(_scores_row(outcome, place, means[place]) for place in _falling(means)),
        key=(f"Small dots: each {unit}’s score{mean}. {key}", f"Density: the {unit}s. {key}"),
    )


def _falling(values: dict[int, float]) -> list[int]:
    """Sort places from the highest value down; those without one come last."""
    return sorted(values, key=lambda place: -values[place] if math.isfinite(values[place]) else 1e9)


def _scores_row(outcome: AttributeOutcome, place: int, mean: float) -> Row:
    means, control = outcome.means[:, place], place == outcome.control
    scored, digits = math.isfinite(mean), wording.digits_for(outcome.attribute.scale)
    dot = Dot(
        estimate=mean if scored else None,
        people=means[np.isfinite(means)],
        ink=variant_inks(len(outcome.variants), outcome.control)[place],
        mark="diamond" if control else "disc",
    )
    label = outcome.variants[place].label + (" (control)" if control else "")
    note = wording.number(mean, digits) if scored else "not scored"
    return Row(label=label, dots=(dot,), notes=(note,))


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
    estimates = {place: outcome.difference(place) for place in outcome.others}
    rows = tuple(_differences_row(outcome, place) for place in _falling(estimates))
    axis = difference_axis(outcome.attribute, _limits(outcome, rows))
    return DotPlot(axes=(axis,), rows=rows, key=_key(outcome, axis, rows))


def _tasters(outcome: AttributeOutcome) -> int:
    return int(np.isfinite(outcome.differences[:, list(outcome.others)]).any(axis=1).sum())


def _differences_row(outcome: AttributeOutcome, place: int) -> Row:
    difference, found = outcome.differences[:, place], outcome.found(place)
    people = difference[np.isfinite(difference)]
    dot = Dot(
        estimate=None if found is None else found.difference,
        interval=outcome.interval(place),
        people=people,
        ink=variant_inks(len(outcome.variants), outcome.control)[place],
    )
    notes = _notes(outcome, place, people.size)
    return Row(label=outcome.variants[place].label, dots=(dot,), notes=notes)


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


def _limits(outcome: AttributeOutcome, rows: tuple[Row, ...]) -> tuple[float, float]:
    """Find the ends of the axis: all that is drawn, no farther than the scale can go."""
    scale, margin = outcome.attribute.scale, outcome.attribute.margin or 0.0
    span = max(scale.high - scale.low, margin)
    seen = [-margin, 0.0, margin]
    for (dot,) in (row.dots for row in rows):
        seen += [float(dot.people.min()), float(dot.people.max())] if dot.people.size else []
        seen += [dot.estimate] if dot.estimate is not None else []
        seen += [dot.interval.low, dot.interval.high] if dot.interval else []
    low, high = max(min(seen), -span), min(max(seen), span)
    room = max((high - low) * ROOM, span / 50)
    return min(low - room / 6, -room), max(high + room / 6, room)


def _key(outcome: AttributeOutcome, axis: Axis, rows: tuple[Row, ...]) -> tuple[str, str]:
    """Say how to read the chart, with tasters as marks and as densities."""
    unit, control = outcome.result.unit, outcome.variants[outcome.control].label
    if _tasters(outcome) == 0:
        who = "No round has scores of" if unit == "round" else "No taster scored"
        return (f"{who} both the control and another variant.",) * 2
    what = f"the {unit}s’ differences from “{control}”, in points."
    estimate = _key_of_estimate(outcome, axis, [row.dots[0] for row in rows])
    exploratory = "" if outcome.result.primary else "Exploratory."
    tail = " ".join(filter(None, (estimate, *shaded_words(outcome.attribute), exploratory)))
    return f"Small dots: {what} {tail}", f"Densities: {what} {tail}"


def _key_of_estimate(outcome: AttributeOutcome, axis: Axis, dots: list[Dot]) -> str:
    if all(dot.estimate is None for dot in dots):
        return ""
    alpha = outcome.result.alpha
    text = f"Large dots: the estimate of {PROCEDURES[outcome.result.by]}"
    bars = [dot.interval for dot in dots if dot.interval is not None]
    if bars:
        text += f" with its {wording.percent(1 - alpha)} interval"
    compared = outcome.result.comparisons
    if bars and any(each.verdict == "alike" and not each.unanimous for each in compared):
        text += f" ({wording.percent(1 - 2 * alpha)} where “alike” was decided)"
    beyond = any(bar.low < axis.low or bar.high > axis.high for bar in bars)
    return text + (", an arrow where it goes on." if beyond else ".")
