"""The charts of batches: readings of pH and temperature, and taste over measured strength."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations

from blindspoon import wording
from blindspoon.batches.cautions import PH_LIMIT
from blindspoon.batches.log import BatchLog
from blindspoon.batches.measured import (
    QUANTITIES,
    TasteAgainst,
    TastePoint,
    series,
)
from blindspoon.batches.summary import went_along
from blindspoon.charts.chart import Chart, chart_of, source_of
from blindspoon.charts.lines import LinePlot, NamedLine, lay_lines
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.style import Laid, Sheet
from blindspoon.trial import Trial


def measured_chart(against: TasteAgainst, trial: Trial) -> Chart | None:
    """Draw the mean score of each variant over its measured strength.

    None with fewer than two variants whose strength is known.
    """
    points = known_points(against)
    if len(points) < 2:
        return None
    words, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    label, digits = attribute.label.lower(), wording.digits_for(attribute.scale)
    every_mark = wording.listing(
        f"“{trial.variant(point.variant).label}” had"
        f" {'pH ' * (words.title == 'pH')}{wording.number(point.measured, words.digits)}"
        f"{words.unit} and {wording.number(point.perceived, digits)} points"
        for point in points
    )
    return chart_of(
        name=f"{against.attribute}-measured" + ("-ph" if against.quantity == "last_ph" else ""),
        title=wording.capital(went_along(trial, against))
        or f"Measured {words.title} and perceived {label}, a mark a variant",
        data=f"perceived {label} over measured {words.title}",
        lay=partial(lay_measured, against, trial),
        source=source_of(trial),
        finding=every_mark,
    )


def known_points(against: TasteAgainst) -> tuple[TastePoint, ...]:
    """List the points that have both a measured and a perceived strength."""
    return tuple(
        point
        for point in against.points
        if math.isfinite(point.measured) and math.isfinite(point.perceived)
    )


def lay_measured(against: TasteAgainst, trial: Trial, sheet: Sheet) -> Laid:
    """Set the marks on the whole scale, their names beside them."""
    quantity, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    scale, lines = attribute.scale, [*_line(against)]
    inks = variant_inks(len(trial.variants), trial.control_index)
    looks = dict(zip((variant.name for variant in trial.variants), inks, strict=True))
    for point in sorted(known_points(against), key=lambda point: point.variant == trial.control):
        control = point.variant == trial.control
        mark = NamedLine(
            label=trial.variant(point.variant).label + " (control)" * control,
            points=((point.measured, point.perceived),),
            ink=looks[point.variant],
            kind="diamond" if control else "disc",
        )
        lines.append(mark)
    measured = [point.measured for point in known_points(against)]
    low, high = min(measured), max(measured)  # strengths that count as equal lie close together
    more = max(0.08 * (high - low), (2 * quantity.tolerance - (high - low)) / 2)
    ends = ((scale.low, attribute.low), (scale.high, attribute.high))
    plot = LinePlot(
        head=f"{attribute.label}, mean score in points",
        note=", ".join(f"{wording.plain(value)}: {words}" for value, words in ends if words),
        under=quantity.axis,
        x=(low - more, high + more),
        y=(scale.low, scale.high),
        series=tuple(lines),
    )
    return lay_lines([plot], _key(against, trial), sheet, kind="Scatter plot")


def _line(against: TasteAgainst) -> Iterator[NamedLine]:
    """Draw the line whose rise is told, from the weakest variant to the strongest."""
    if against.rise is not None:
        xs, ys = zip(*((point.measured, point.perceived) for point in against.points), strict=True)
        at, height = sum(xs) / len(xs), sum(ys) / len(ys)
        slope = against.rise.points / (max(xs) - min(xs))
        ends = tuple((x, height + slope * (x - at)) for x in (min(xs), max(xs)))
        yield NamedLine(label="", points=ends, ink="soft", width=1.5, bare=True)


def _key(against: TasteAgainst, trial: Trial) -> str:
    """Say how to read the chart, which variants are as strong as the control, how little it shows.

    The taste of those cannot come from the strength.
    """
    said = ["Each mark is a variant: the mean of its batches, and of its tasters’ mean scores."]
    if any(point.variant == trial.control for point in known_points(against)):
        said.append("The diamond is the control.")
    quantity, same = QUANTITIES[against.quantity], against.same_strength
    tolerance = wording.plain(quantity.tolerance) + quantity.unit
    if len(same) == sum(point.variant != trial.control for point in against.points) > 1:
        said.append(f"All are within {tolerance} of the control and count as equally strong.")
    elif same:
        labels = wording.listing(f"“{trial.variant(name).label}”" for name in same)
        verb = "counts" if len(same) == 1 else "count"
        said.append(f"Within {tolerance} of the control, {labels} {verb} as equally strong.")
    fitted = ", and no line is fitted" if against.rise is None else ""
    return " ".join([*said, f"Exploratory: batches are few{fitted}."])


LIMIT = wording.plain(PH_LIMIT)
LIMIT_WORDS = f"Dashed, {LIMIT}: above it counts as low in acid (21 CFR 114.3)"
MOST_NAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchReadings:
    """One quantity of one batch: days and values, and how it is named and drawn."""

    variant: str
    batch: str
    label: str
    ink: str
    control: bool
    days: tuple[int, ...]
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """All that is drawn: both quantities, what the days are counted from, and how to read it."""

    ph: tuple[BatchReadings, ...]
    temperature: tuple[BatchReadings, ...]
    across: str
    key: str

    def lay(self, sheet: Sheet) -> Laid:
        """Set temperature under pH, over the same days."""
        quantities = ((self.ph, "pH", LIMIT_WORDS), (self.temperature, "Temperature, °C", ""))
        days = [day for tracks in (self.ph, self.temperature) for t in tracks for day in t.days]
        x = (float(min(0, *days)), float(max(1, *days)))
        plots = [self._plot(*quantity, x) for quantity in quantities if quantity[0]]
        return lay_lines(plots, self.key, sheet)

    def _plot(
        self, batches: Sequence[BatchReadings], head: str, note: str, x: tuple[float, float]
    ) -> LinePlot:
        """Draw one quantity; the control lies thick behind in panels, else thin on the other."""
        limit = PH_LIMIT if note else None
        values = [value for batch in batches for value in batch.values]
        around = values if limit is None else [*values, limit]
        panels, shared = _panelled(batches), Counter(batch.variant for batch in batches)
        controls = wording.listing(batch.label for batch in batches if batch.control)
        grey = f"Grey: {controls}" if panels and controls else ""
        return LinePlot(
            head=head,
            note=". ".join(words for words in (note, grey) if words),
            under=self.across,
            x=x,
            y=(min(around) - 0.5, max(around) + 0.5),
            dashed=limit,
            whole=True,
            series=tuple(
                NamedLine(
                    label=batch.label
                    if not panels
                    else batch.batch * (shared[batch.variant] > 1 and not batch.control),
                    points=tuple(zip(map(float, batch.days), batch.values, strict=True)),
                    ink=("people" if batch.control else "ink") if panels else batch.ink,
                    kind="diamond" if batch.control else "disc",
                    width=2.2 if not batch.control else 4.4 if panels else 1.2,
                    panel=batch.variant if panels and not batch.control else "",
                )
                for batch in sorted(batches, key=lambda batch: batch.control != panels)
            ),
        )


def _panelled(batches: Sequence[BatchReadings]) -> bool:
    """Whether each variant has a panel of its own: where more than one stands by the control."""
    return len({batch.variant for batch in batches if not batch.control}) > 1


def readings_chart(log: BatchLog, trial: Trial) -> Chart | None:
    """Draw the pH of every batch over its days, and the temperature where it was read.

    None where no reading has a pH.
    """
    readings = readings_of(log, trial)
    if not readings.ph:
        return None
    taken = sum(len(track.values) for track in readings.ph)
    batches = wording.count(len(readings.ph), "batch", "batches")
    data = f"{wording.count(taken, 'reading')} of pH in {batches}"
    return chart_of(
        name="readings",
        title=readings_title(readings.ph, len(log.batches)),
        data=data + " and of temperature" * bool(readings.temperature),
        lay=readings.lay,
        source=source_of(trial),
    )


def readings_of(log: BatchLog, trial: Trial) -> Readings:
    """Gather what is drawn, variants in the order of the trial."""
    ph, temperature = (_tracks(log, trial, quantity) for quantity in ("ph", "temperature_c"))
    drawn = {track.batch for track in (*ph, *temperature)}
    known = {batch.started is not None for batch in log.batches if batch.name in drawn}
    across = f"days since the batch was {'started' if True in known else 'first read'}"
    if len(known) > 1:
        across += ", or first read where that is not known"
    return Readings(
        ph=ph, temperature=temperature, across=across, key=_readings_key(ph, temperature)
    )


def readings_title(tracks: Sequence[BatchReadings], batches: int) -> str:
    """State where the last readings of pH stand, and whether batches were not read."""
    above = [track for track in tracks if track.values[-1] > PH_LIMIT]
    unread, number, every = batches - len(tracks), *map(wording.spelled, (len(above), batches))
    if len(above) == 1:
        value = wording.plain(above[0].values[-1])
        said = f"{above[0].batch} was last read at pH {value}, above {LIMIT}"
    elif above:
        names = wording.listing(track.batch for track in above)
        if len(above) > MOST_NAMES:
            names = (
                f"{number} of {every} batches" if len(above) < batches else f"all {every} batches"
            )
            names = wording.capital(names)
        said = f"{names} were last read above pH {LIMIT}"
    elif unread:
        those = "the one read was" if len(tracks) == 1 else "those read were"
        return f"Not every batch was read for pH; {those} last at {LIMIT} or below"
    else:
        all_were = {1: "The batch was", 2: "Both batches were"}
        said = all_were.get(batches, f"All {every} batches were")
        said += f" last read at pH {LIMIT} or below"
    return said + "; not every batch was read" * bool(above and unread)


def _tracks(log: BatchLog, trial: Trial, quantity: str) -> tuple[BatchReadings, ...]:
    """Lines of one quantity over the days since the start, else since the first reading at all.

    A batch is named where its variant has several.
    """
    inks, lines = variant_inks(len(trial.variants), trial.control_index), series(log)
    return tuple(
        BatchReadings(
            variant=variant.label,
            batch=line.batch,
            label=variant.label
            + f", {line.batch}" * (len(log.of_variant(variant.name)) > 1)
            + " (control)" * (variant.name == trial.control),
            ink=ink,
            control=variant.name == trial.control,
            days=line.days
            or tuple((day - log.readings_of(line.batch)[0].date).days for day in line.dates),
            values=line.values,
        )
        for variant, ink in zip(trial.variants, inks, strict=True)
        for line in lines
        if line.variant == variant.name and line.quantity == quantity
    )


def _readings_key(*quantities: Sequence[BatchReadings]) -> str:
    """Say how to read the chart, and where a mark hides another."""
    said = "Each mark is one reading, each line one batch; the control has diamonds."
    for tracks in quantities:
        apart = _panelled(tracks)
        for one, other in combinations(tracks, 2):
            together = one.control or other.control or one.variant == other.variant
            read, also = ({*zip(t.days, t.values, strict=True)} for t in (one, other))
            if (together or not apart) and read & also:
                return f"{said} Where batches read alike, their marks lie on one another."
    return said
