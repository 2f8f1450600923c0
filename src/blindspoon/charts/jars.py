"""The chart of what was read of every batch while it was made: pH, and temperature.

The chart of how strong each variant tasted, over how strong it measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from blindspoon import wording
from blindspoon.batches.log import BatchLog
from blindspoon.batches.readings import (
    TOLERANCE,
    Quantity,
    Series,
    TasteAgainst,
    TastePoint,
    series,
)
from blindspoon.batches.safety import PH_LIMIT
from blindspoon.charts.axis import (
    RADIUS,
    Name,
    Plane,
    guides,
    head,
    names_beside,
    numbers_under,
    plane_for,
)
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.picture import alt
from blindspoon.charts.scene import Line, Marks, Scene, Shape
from blindspoon.charts.style import NARROW, WIDE, Sheet, key_lines, variant_inks
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


LIMIT = wording.plain(PH_LIMIT)
LIMIT_WORDS = f"Dashed, {LIMIT}: above it counts as low in acid (21 CFR 114.3)"
MOST_NAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One quantity of one batch: days and values, and how it is named and drawn."""

    batch: str
    label: str
    ink: str
    control: bool
    days: tuple[int, ...]
    values: tuple[float, ...]

    @property
    def name(self) -> Name:
        """What stands where the line ends."""
        return Name(
            words=self.label,
            ink=self.ink,
            kind="diamond" if self.control else "disc",
            at=(self.days[-1], self.values[-1]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """All that is drawn: both quantities, what the days are counted from, and how to read it."""

    ph: tuple[Track, ...]
    temperature: tuple[Track, ...]
    across: str
    key: str


def readings_chart(log: BatchLog, trial: Trial) -> Chart | None:
    """Draw the pH of every batch over its days, and the temperature where it was read.

    Parameters
    ----------
    log : BatchLog
    trial : Trial
        Gives the variants their labels, order and colours.

    Returns
    -------
    Chart or None
        None where no reading has a pH.
    """
    readings = readings_of(log, trial)
    if not readings.ph:
        return None
    title = readings_title(readings.ph, len(log.batches))
    taken = sum(len(track.values) for track in readings.ph)
    batches = wording.count(len(readings.ph), "batch", "batches")
    data = f"{wording.count(taken, 'reading')} of pH in {batches}"
    return chart_of(
        name="readings",
        title=title,
        alt=alt("Line chart", data + (" and of temperature" * bool(readings.temperature)), title),
        wide=readings_scene(readings, WIDE),
        narrow=readings_scene(readings, NARROW),
        source=", ".join(part for part in (f"“{trial.title}”", trial.host) if part),
    )


def readings_of(log: BatchLog, trial: Trial) -> Readings:
    """Gather what is drawn, variants in the order of the trial."""
    found = series(log)
    ph, temperature = (_tracks(found, log, trial, quantity) for quantity in ("ph", "temperature_c"))
    drawn = {track.batch for track in (*ph, *temperature)}
    known = {batch.started is not None for batch in log.batches if batch.name in drawn}
    across = f"days since the batch was {'started' if True in known else 'first read'}"
    if len(known) > 1:
        across += ", or first read where that is not known"
    return Readings(
        ph=ph, temperature=temperature, across=across, key=_readings_key(ph, temperature)
    )


def readings_scene(readings: Readings, sheet: Sheet) -> Scene:
    """Set temperature under pH, over the same days."""
    days = [d for track in (*readings.ph, *readings.temperature) for d in track.days]
    x = (float(min(0, *days)), float(max(1, *days)))
    shapes, y = _panel(readings, readings.ph, sheet, 0.0, x, limit=True)
    if readings.temperature:
        drawn, y = _panel(readings, readings.temperature, sheet, y + 16, x, limit=False)
        shapes += drawn
    drawn, y = key_lines(readings.key, sheet.width, y + 8)
    return Scene(width=sheet.width, height=round(y), shapes=(*shapes, *drawn))


def readings_title(tracks: Sequence[Track], batches: int) -> str:
    """State where the last readings of pH stand, and whether batches were not read."""
    above = [track for track in tracks if track.values[-1] > PH_LIMIT]
    unread = batches - len(tracks)
    if above:
        return _above(above, batches) + ("; not every batch was read" if unread else "")
    if unread:
        those = "the one read was" if len(tracks) == 1 else "those read were"
        return f"Not every batch was read for pH; {those} last at {LIMIT} or below"
    every = {1: "The batch was", 2: "Both batches were"}.get(
        batches, f"All {wording.spelled(batches)} batches were"
    )
    return f"{every} last read at pH {LIMIT} or below"


def _above(above: Sequence[Track], batches: int) -> str:
    if len(above) == 1:
        value = wording.plain(above[0].values[-1])
        return f"{above[0].batch} was last read at pH {value}, above {LIMIT}"
    if len(above) <= MOST_NAMES:
        names = wording.listing(track.batch for track in above)
    else:
        number, every = wording.spelled(len(above)), wording.spelled(batches)
        names = f"{number} of {every} batches" if len(above) < batches else f"all {every} batches"
        names = names[:1].upper() + names[1:]
    return f"{names} were last read above pH {LIMIT}"


def _tracks(
    found: Sequence[Series], log: BatchLog, trial: Trial, quantity: str
) -> tuple[Track, ...]:
    """Lines of one quantity; a batch is named where its variant has several."""
    inks = variant_inks(len(trial.variants), trial.control_index)
    tracks = []
    for variant, ink in zip(trial.variants, inks, strict=True):
        several = len(log.of_variant(variant.name)) > 1
        control = variant.name == trial.control
        for each in found:
            if each.variant == variant.name and each.quantity == quantity:
                label = variant.label + (f", {each.batch}" if several else "")
                tracks.append(
                    Track(
                        batch=each.batch,
                        label=label + (" (control)" if control else ""),
                        ink=ink,
                        control=control,
                        days=_days(each, log),
                        values=each.values,
                    )
                )
    return tuple(tracks)


def _days(found: Series, log: BatchLog) -> tuple[int, ...]:
    """Days since the start, else since the first reading of whatever kind."""
    if found.days is not None:
        return found.days
    first = log.readings_of(found.batch)[0].date
    return tuple((day - first).days for day in found.dates)


def _panel(
    readings: Readings,
    tracks: Sequence[Track],
    sheet: Sheet,
    y: float,
    x: tuple[float, float],
    *,
    limit: bool,
) -> tuple[list[Shape], float]:
    """Draw one quantity from y downwards, and tell where it ends."""
    words = ("pH", LIMIT_WORDS) if limit else ("Temperature, °C", "")
    shapes, top = head(*words, sheet.width, y)
    names = [track.name for track in tracks]
    values = [value for track in tracks for value in track.values]
    plane = plane_for(names, sheet, top, x, _readings_ends(values, limit=limit))
    shapes += guides(plane, 5, PH_LIMIT if limit else None)
    shapes += names_beside(plane, names, sheet)
    for track in sorted(tracks, key=lambda each: each.control):
        shapes += _line(track, plane)
    under, y = numbers_under(plane, readings.across, whole=True)
    return [*shapes, *under], y


def _readings_ends(values: Sequence[float], *, limit: bool) -> tuple[float, float]:
    """Leave half a unit around all values and, for pH, its limit."""
    around = [*values, PH_LIMIT] if limit else values
    return min(around) - 0.5, max(around) + 0.5


def _line(track: Track, plane: Plane) -> list[Shape]:
    """Join the readings of a batch; the control lies on the others, thinner than they."""
    points = [plane.point(d, value) for d, value in zip(track.days, track.values, strict=True)]
    width = 1.2 if track.control else 2.2
    lines = [Line(start=a, end=b, ink=track.ink, width=width) for a, b in pairwise(points)]
    marks = Marks(centres=tuple(points), radius=RADIUS, ink=track.ink, kind=track.name.kind)
    return [*lines, marks]


def _readings_key(*quantities: Sequence[Track]) -> str:
    """Say how to read the chart, and where a mark hides another."""
    said = "Each mark is one reading, each line one batch; the control has diamonds."
    for tracks in quantities:
        read = [at for each in tracks for at in set(zip(each.days, each.values, strict=True))]
        if len(set(read)) < len(read):
            return f"{said} Where batches read alike, their marks lie on one another."
    return said
