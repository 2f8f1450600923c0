"""The chart of one attribute: each taster's difference from the control, what it comes to.

The chart of one attribute's scores: every taster's mean on the scale, and the mean of all.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray
from blindspoon.charts.chart import Chart, Drawing
from blindspoon.charts.dots import MOST_MARKS, Guides, Row, Strip, lay
from blindspoon.charts.picture import Picture, differences_title, scores_title
from blindspoon.charts.style import nice_ticks, variant_inks
from blindspoon.findings.comparison import Unit
from blindspoon.findings.verdict import NAMES, PROCEDURES
from blindspoon.stats.results import Interval

TICKS = 10
BRIEF = "Large mark: the mean. Diamond and dashed line: the control’s."


def scores_chart(picture: Picture) -> Chart:
    """Draw what each taster gave each variant.

    Parameters
    ----------
    picture : Picture
    """
    return scores_drawing(picture).chart(picture.source)


def scores_drawing(picture: Picture) -> Drawing:
    """Draw the same on a sheet of any size."""
    tasters = wording.count(picture.means.shape[0], picture.result.unit)
    return Drawing(
        name=f"{picture.attribute.name}-scores",
        title=scores_title(picture),
        data=f"the scores of {tasters} on {picture.attribute.label.lower()}",
        lay=partial(lay, scores_strip(picture)),
    )


def scores_strip(picture: Picture) -> Strip:
    """Rows and axis of the chart of scores, in points of the scale."""
    scale = picture.attribute.scale
    rows = tuple(_row(picture, place) for place in range(len(picture.variants)))
    values, digits = nice_ticks(scale.low, scale.high, TICKS)
    control = picture.mean(picture.control)
    return Strip(
        rows=rows,
        low=scale.low,
        high=scale.high,
        step=scale.step,
        ends=(picture.attribute.low or "lowest", picture.attribute.high or "highest"),
        guides=Guides(reference=control if math.isfinite(control) else None),
        ticks=tuple((value, wording.number(value, digits)) for value in values),
        key=_key(rows, picture.result.unit),
        brief=(
            f"Each small dot a {picture.result.unit}. {BRIEF}",
            f"Each hill the {picture.result.unit}s. {BRIEF}",
        ),
    )


def _row(picture: Picture, place: int) -> Row:
    means, mean = picture.means[:, place], picture.mean(place)
    scored, control = math.isfinite(mean), place == picture.control
    digits = wording.digits_for(picture.attribute.scale)
    note = wording.number(mean, digits) if scored else "not scored"
    return Row(
        label=picture.variants[place].label + (" (control)" if control else ""),
        notes=(note,),
        aside=note,
        short=(note,),
        values=means[np.isfinite(means)],
        ink=variant_inks(len(picture.variants), picture.control)[place],
        mark="diamond" if control else "disc",
        estimate=mean if scored else None,
    )


def _key(rows: tuple[Row, ...], unit: Unit) -> str:
    tasters = max(row.values.size for row in rows)
    mean = ", or their mean where they tasted more than once" if unit == "taster" else ""
    who = (
        f"Each small dot is one {unit}’s score{mean}."
        if tasters <= MOST_MARKS
        else f"The hill shows how the scores of {wording.count(tasters, unit)} spread."
    )
    line = " The dashed line and the diamond are the control’s."
    return f"{who} Under the line, and in figures: the mean.{line}"


DIFFERENCE_TICKS = 6
ROOM = 0.18
"""Share of the axis that is kept on either side of zero, for the words of the scale."""


def differences_chart(picture: Picture) -> Chart:
    """Draw how far each taster put each variant from the control.

    Parameters
    ----------
    picture : Picture
    """
    return differences_drawing(picture).chart(picture.source)


def differences_drawing(picture: Picture) -> Drawing:
    """Draw the same on a sheet of any size."""
    label = picture.attribute.label.lower()
    tasters = wording.count(_tasters(picture), picture.result.unit)
    return Drawing(
        name=f"{picture.attribute.name}-differences",
        title=differences_title(picture),
        data=f"the differences of {tasters} from the control on {label}",
        lay=partial(lay, differences_strip(picture)),
    )


def differences_strip(picture: Picture) -> Strip:
    """Rows and axis of the chart of differences, in points, variant minus control."""
    rows = tuple(_differences_row(picture, place) for place in picture.others)
    low, high = _limits(picture, rows)
    values, digits = nice_ticks(low, high, DIFFERENCE_TICKS)
    less, more = wording.directions(picture.attribute)
    margin = picture.attribute.margin
    return Strip(
        rows=rows,
        low=low,
        high=high,
        step=picture.attribute.scale.step,
        ends=(f"← {less}", f"{more} →"),
        guides=Guides(
            reference=0.0,
            words="same as the control",
            band=None if margin is None else Interval(-margin, margin),
        ),
        ticks=tuple((value, wording.signed(value, digits)) for value in values),
        key=_differences_key(picture, rows, low, high),
        brief=_brief(picture, rows),
    )


def _tasters(picture: Picture) -> int:
    return int(np.isfinite(picture.differences[:, list(picture.others)]).any(axis=1).sum())


def _differences_row(picture: Picture, place: int) -> Row:
    difference = picture.differences[:, place]
    values = difference[np.isfinite(difference)]
    found = picture.found(place)
    inks = variant_inks(len(picture.variants), picture.control)
    margin, notes = picture.attribute.margin, _notes(picture, place, values)
    return Row(
        label=picture.variants[place].label,
        notes=notes,
        aside=_in_a_line(notes),
        short=_short(notes),
        values=values,
        ink=inks[place],
        estimate=None if found is None else found.difference,
        outer=None if found is None else found.interval,
        inner=None if found is None or margin is None else found.equivalence_interval,
    )


def _notes(picture: Picture, place: int, values: FloatArray) -> tuple[str, ...]:
    """Write the estimate, its interval, the verdict; the tasters where not all took part."""
    found, compared = picture.found(place), picture.comparison(place)
    attribute, notes = picture.attribute, list[str]()
    if found is not None:
        digits = wording.estimate_digits(found.difference, found.interval, attribute)
        notes.append(wording.signed(found.difference, digits))
    if (
        compared is not None
        and compared.verdict == "alike"
        and found
        and found.equivalence_interval
    ):
        level = wording.percent(1 - 2 * picture.result.alpha)
        notes.append(f"{wording.span(found.equivalence_interval, attribute)}, {level}")
    elif found is not None and found.interval is not None:
        notes.append(wording.span(found.interval, attribute))
    notes.append("not compared" if compared is None else NAMES[compared.verdict])
    if 0 < values.size < _tasters(picture):
        notes.append(wording.count(values.size, picture.result.unit))
    return tuple(notes)


def _in_a_line(notes: tuple[str, ...]) -> str:
    """Put an interval in brackets behind its estimate."""
    if len(notes) > 2 and " to " in notes[1]:
        return ", ".join([f"{notes[0]} ({notes[1]})", *notes[2:]])
    return ", ".join(notes)


def _short(notes: tuple[str, ...]) -> tuple[str, ...]:
    """Put the verdict behind its estimate, without the words that the key has too."""
    notes = tuple(note.replace(NAMES["alike"], "alike") for note in notes)
    if len(notes) > 2 and " to " in notes[1]:
        return (f"{notes[0]} {notes[2]}", notes[1], *notes[3:])
    return notes


def _limits(picture: Picture, rows: tuple[Row, ...]) -> tuple[float, float]:
    """Find the ends of the axis: all that is drawn, no farther than the scale can go."""
    scale, margin = picture.attribute.scale, picture.attribute.margin or 0.0
    span = max(scale.high - scale.low, margin)
    seen = [-margin, 0.0, margin]
    for row in rows:
        seen += [float(row.values.min()), float(row.values.max())] if row.values.size else []
        seen += [row.estimate] if row.estimate is not None else []
        seen += [end for each in (row.outer, row.inner) if each for end in (each.low, each.high)]
    low, high = max(min(seen), -span), min(max(seen), span)
    room = max((high - low) * ROOM, span / 50)
    return min(low - room / 6, -room), max(high + room / 6, room)


def _differences_key(picture: Picture, rows: tuple[Row, ...], low: float, high: float) -> str:
    """Say how to read the chart."""
    tasters = _tasters(picture)
    unit = picture.result.unit
    if tasters == 0:
        return _nothing(picture)
    control = f"“{picture.variants[picture.control].label}”"
    who = (
        f"Each small dot is one {unit}’s difference from the control, {control}, in points."
        if tasters <= MOST_MARKS
        else f"The hill shows how the differences of {wording.count(tasters, unit)} from the "
        f"control, {control}, spread, in points."
    )
    return " ".join(
        part
        for part in (
            who,
            _key_of_estimate(picture, rows, low, high),
            _key_of_margin(picture),
            _standing(picture),
        )
        if part
    )


def _nothing(picture: Picture) -> str:
    who = "No round has scores of" if picture.result.unit == "round" else "No taster scored"
    return f"{who} both the control and another variant."


def _brief(picture: Picture, rows: tuple[Row, ...]) -> tuple[str, str]:
    """Say the same in a few words, for dots and for hills."""
    if _tasters(picture) == 0:
        return (_nothing(picture),) * 2
    margin = picture.attribute.margin is not None
    shaded = f"Shaded: within {wording.margin(picture.attribute)}." if margin else ""
    standing = "" if picture.result.primary else "Exploratory."
    parts = (_brief_estimate(picture, rows), shaded, standing)
    tail = " ".join(part for part in parts if part)
    unit, control = picture.result.unit, picture.variants[picture.control].label
    what = f"the {unit}s’ differences from “{control}”, in points. {tail}"
    return f"Small dots: {what}", f"Hills: {what}"


def _brief_estimate(picture: Picture, rows: tuple[Row, ...]) -> str:
    alpha = picture.result.alpha
    if all(row.estimate is None for row in rows):
        return ""
    if all(row.outer is None for row in rows):
        return "Large dots: the estimates."
    thick = f" (thick: {wording.percent(1 - 2 * alpha)})" if any(row.inner for row in rows) else ""
    return f"Bar: the estimate with its {wording.percent(1 - alpha)} interval{thick}."


def _key_of_estimate(picture: Picture, rows: tuple[Row, ...], low: float, high: float) -> str:
    if all(row.estimate is None for row in rows):
        return ""
    alpha, method = picture.result.alpha, PROCEDURES[picture.result.by]
    text = f"Under them: the estimate of {method}"
    ends = [end for row in rows if row.outer for end in (row.outer.low, row.outer.high)]
    if ends:
        text += f" with its {wording.percent(1 - alpha)} interval"
    if any(row.inner for row in rows):
        inner = wording.percent(1 - 2 * alpha)
        text += f", thick where it is the {inner} interval that decides “alike”"
    beyond = any(end < low or end > high for end in ends)
    return text + (", an arrow where it goes on." if beyond else ".")


def _key_of_margin(picture: Picture) -> str:
    if picture.attribute.margin is None:
        return ""
    return f"Shaded: within the margin of {wording.margin(picture.attribute)}."


def _standing(picture: Picture) -> str:
    return "" if picture.result.primary else "Exploratory: not what the trial was made to answer."
