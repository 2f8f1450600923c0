"""The chart of how strong each variant tasted, over how strong it measured."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.batches.measured import TOLERANCE, Quantity, TasteAgainst, TastePoint
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.layout import NARROW, WIDE, Sheet, key_lines
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.plane import (
    RADIUS,
    Name,
    guides,
    head,
    names_beside,
    numbers_under,
    plane_for,
)
from blindspoon.charts.scene import Marks, Scene
from blindspoon.charts.titles import alt
from blindspoon.trial import Attribute, Trial


@dataclass(frozen=True, slots=True)
class Words:
    """A quantity in the title, along its axis, and the unit after a number of it."""

    title: str
    axis: str
    unit: str
    digits: int


WORDS: Mapping[Quantity, Words] = {
    "salt_percent": Words("salt", "salt, % of everything in the jar", " %", 2),
    "citric_g_per_100_g": Words(
        "added acid", "added acid, g in 100 g, as citric acid", " g in 100 g", 2
    ),
    "last_ph": Words("pH", "last pH read before the tasting", "", 1),
}
CAUTION = "Exploratory: batches are few, and no line is fitted."


def measured_chart(against: TasteAgainst, trial: Trial) -> Chart | None:
    """Draw the mean score of each variant over its measured strength.

    Parameters
    ----------
    against : TasteAgainst
    trial : Trial
        Gives the variants their labels and colours, and the attribute its scale.

    Returns
    -------
    Chart or None
        None with fewer than two variants whose strength is known.
    """
    points = known_points(against)
    if len(points) < 2:
        return None
    words, attribute = WORDS[against.quantity], trial.attribute(against.attribute)
    title = f"Measured {words.title} and perceived {attribute.label.lower()}, a mark a variant"
    data = f"perceived {attribute.label.lower()} over measured {words.title}"
    return chart_of(
        name=f"{against.attribute}-measured" + ("-ph" if against.quantity == "last_ph" else ""),
        title=title,
        alt=alt("Scatter plot", data, _finding(points, words, trial, attribute)),
        wide=measured_scene(against, trial, WIDE),
        narrow=measured_scene(against, trial, NARROW),
        source=", ".join(part for part in (f"“{trial.title}”", trial.host) if part),
    )


def known_points(against: TasteAgainst) -> tuple[TastePoint, ...]:
    """List the points that have both a measured and a perceived strength."""
    return tuple(
        point
        for point in against.points
        if math.isfinite(point.measured) and math.isfinite(point.perceived)
    )


def measured_scene(against: TasteAgainst, trial: Trial, sheet: Sheet) -> Scene:
    """Set the marks on the whole scale, their names beside them."""
    points, words = known_points(against), WORDS[against.quantity]
    attribute = trial.attribute(against.attribute)
    names = [_name(point, trial) for point in points]
    scale = attribute.scale
    up = f"{attribute.label}, mean score in points"
    shapes, top = head(up, _scale_words(attribute), sheet.width, 0.0)
    plane = plane_for(names, sheet, top, _ends(against), (scale.low, scale.high))
    shapes += [*guides(plane, 5), *names_beside(plane, names, sheet)]
    for name in sorted(names, key=lambda each: each.kind == "diamond"):
        at = plane.point(*name.at)
        shapes.append(Marks(centres=(at,), radius=RADIUS + 2.5, ink="ground", kind=name.kind))
        shapes.append(Marks(centres=(at,), radius=RADIUS + 1, ink=name.ink, kind=name.kind))
    drawn, y = numbers_under(plane, words.axis)
    keyed, y = key_lines(_key(against, trial), sheet.width, y + 8)
    return Scene(width=sheet.width, height=round(y), shapes=(*shapes, *drawn, *keyed))


def _name(point: TastePoint, trial: Trial) -> Name:
    places = [variant.name for variant in trial.variants]
    control = point.variant == trial.control
    inks = variant_inks(len(trial.variants), trial.control_index)
    return Name(
        words=trial.variant(point.variant).label + (" (control)" if control else ""),
        ink=inks[places.index(point.variant)],
        kind="diamond" if control else "disc",
        at=(point.measured, point.perceived),
    )


def _ends(against: TasteAgainst) -> tuple[float, float]:
    """Keep the ends apart, so that strengths which count as equal do not look far apart."""
    measured = [point.measured for point in known_points(against)]
    low, high = min(measured), max(measured)
    least = 2 * TOLERANCE[against.quantity]
    more = max(0.08 * (high - low), (least - (high - low)) / 2)
    return low - more, high + more


def _scale_words(attribute: Attribute) -> str:
    """Say what both ends of the scale are called, where they have names."""
    ends = ((attribute.scale.low, attribute.low), (attribute.scale.high, attribute.high))
    return ", ".join(f"{wording.plain(value)}: {words}" for value, words in ends if words)


def _key(against: TasteAgainst, trial: Trial) -> str:
    """Say how to read the chart, and how little it shows."""
    said = "Each mark is a variant: the mean of its batches, and of its tasters’ mean scores."
    control = any(point.variant == trial.control for point in known_points(against))
    diamond = " The diamond is the control." if control else ""
    return f"{said}{diamond} {_alike(against, trial)}{CAUTION}"


def _alike(against: TasteAgainst, trial: Trial) -> str:
    """Name the variants as strong as the control: their taste cannot come from the strength."""
    if not against.same_strength:
        return ""
    tolerance = wording.plain(TOLERANCE[against.quantity]) + WORDS[against.quantity].unit
    others = sum(point.variant != trial.control for point in against.points)
    if len(against.same_strength) == others > 1:
        return f"All are within {tolerance} of the control and count as equally strong. "
    labels = wording.listing(f"“{trial.variant(name).label}”" for name in against.same_strength)
    verb = "counts" if len(against.same_strength) == 1 else "count"
    return f"Within {tolerance} of the control, {labels} {verb} as equally strong. "


def _finding(
    points: tuple[TastePoint, ...], words: Words, trial: Trial, attribute: Attribute
) -> str:
    """Tell every mark in numbers, for people who do not see it."""
    digits = wording.digits_for(attribute.scale)
    return wording.listing(
        f"“{trial.variant(point.variant).label}” had"
        f" {'pH ' * (words.title == 'pH')}{wording.number(point.measured, words.digits)}"
        f"{words.unit} and {wording.number(point.perceived, digits)} points"
        for point in points
    )
