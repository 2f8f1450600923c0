"""The chart of one attribute's scores: every taster's mean on the scale, and the mean of all."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from blindspoon import wording
from blindspoon.charts.chart import Chart, Drawing
from blindspoon.charts.layout import nice_ticks
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.people import MOST_MARKS
from blindspoon.charts.picture import Picture
from blindspoon.charts.rows import Guides, Row
from blindspoon.charts.strips import Strip, lay
from blindspoon.charts.titles import scores_title
from blindspoon.compare.results import Unit

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
