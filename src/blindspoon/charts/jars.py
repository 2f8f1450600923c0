"""The charts of batches: readings of pH and temperature, and taste over measured strength."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from typing import Literal

from blindspoon import wording
from blindspoon.batches.cautions import PH_LIMIT
from blindspoon.batches.log import BatchLog
from blindspoon.batches.measured import QUANTITIES, TasteAgainst
from blindspoon.batches.summary import went_along
from blindspoon.charts.chart import Chart, chart_of, source_of
from blindspoon.charts.lines import LinePlot, NamedLine, lay_lines
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.scene import Laid, Sheet
from blindspoon.trial import Trial


def measured_chart(against: TasteAgainst, trial: Trial) -> Chart:
    """Draw the mean score of each variant over its measured strength."""
    words, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    label, digits = attribute.label.lower(), wording.digits_for(attribute.scale)
    every_mark = wording.listing(
        f"“{trial.variant(point.variant).label}” had"
        f" {'pH ' * (words.title == 'pH')}{wording.number(point.measured, words.digits)}"
        f"{words.unit} and {wording.number(point.perceived, digits)} points"
        for point in against.points
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


def lay_measured(against: TasteAgainst, trial: Trial, sheet: Sheet) -> Laid:
    """Set the marks on the whole scale, their names beside them, over the line that is told."""
    quantity, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    scale, lines = attribute.scale, list[NamedLine]()
    measured = [point.measured for point in against.points]
    low, high = min(measured), max(measured)
    if against.rise is not None:  # from the weakest variant to the strongest
        at = sum(measured) / len(measured)
        height = sum(point.perceived for point in against.points) / len(measured)
        slope = against.rise.points / (high - low)
        ends = tuple((x, height + slope * (x - at)) for x in (low, high))
        lines.append(NamedLine(label="", points=ends, ink="soft", width=1.5, bare=True))
    inks = variant_inks(len(trial.variants), trial.control_index)
    looks = dict(zip((variant.name for variant in trial.variants), inks, strict=True))
    for point in sorted(against.points, key=lambda point: point.variant == trial.control):
        control = point.variant == trial.control
        mark = NamedLine(
            label=trial.variant(point.variant).label + " (control)" * control,
            points=((point.measured, point.perceived),),
            ink=looks[point.variant],
            kind="diamond" if control else "disc",
        )
        lines.append(mark)
    # strengths that count as equal lie close together
    more = max(0.08 * (high - low), (2 * quantity.tolerance - (high - low)) / 2)
    words = ((scale.low, attribute.low), (scale.high, attribute.high))
    plot = LinePlot(
        head=f"{attribute.label}, mean score in points",
        note=", ".join(f"{wording.plain(value)}: {said}" for value, said in words if said),
        under=quantity.axis,
        x=(low - more, high + more),
        y=(scale.low, scale.high),
        series=tuple(lines),
    )
    return lay_lines([plot], _key(against, trial), sheet, kind="Scatter plot")


def _key(against: TasteAgainst, trial: Trial) -> str:
    """Say how to read the chart, which variants are as strong as the control, how little it shows.

    The taste of those cannot come from the strength.
    """
    said = ["Each mark is a variant: the mean of its batches, and of its tasters’ mean scores."]
    others = [point for point in against.points if point.variant != trial.control]
    if len(others) < len(against.points):
        said.append("The diamond is the control.")
    quantity, same = QUANTITIES[against.quantity], against.same_strength
    tolerance = wording.plain(quantity.tolerance) + quantity.unit
    if len(same) == len(others) > 1:
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
    """All that is drawn: both quantities, and what the days are counted from."""

    ph: tuple[BatchReadings, ...]
    temperature: tuple[BatchReadings, ...]
    across: str

    def lay(self, sheet: Sheet) -> Laid:
        """Set temperature under pH, over the same days; say where a mark hides another."""
        key = "Each mark is one reading, each line one batch; the control has diamonds."
        days = [day for tracks in (self.ph, self.temperature) for t in tracks for day in t.days]
        x, plots, hidden = (float(min(0, *days)), float(max(1, *days))), list[LinePlot](), False
        for batches, head, limit in (
            (self.ph, "pH", PH_LIMIT),
            (self.temperature, "Temperature, °C", None),
        ):
            if batches:
                # each variant has a panel where more than one stands by the control
                panels = len({batch.variant for batch in batches if not batch.control}) > 1
                plots.append(self._plot(batches, head, limit, x, panels=panels))
                hidden |= any(
                    (one.control or other.control or one.variant == other.variant or not panels)
                    and {*zip(one.days, one.values, strict=True)}
                    & {*zip(other.days, other.values, strict=True)}
                    for one, other in combinations(batches, 2)
                )
        key += " Where batches read alike, their marks lie on one another." * hidden
        return lay_lines(plots, key, sheet)

    def _plot(
        self,
        batches: Sequence[BatchReadings],
        head: str,
        limit: float | None,
        x: tuple[float, float],
        *,
        panels: bool,
    ) -> LinePlot:
        """Draw one quantity; the control lies thick behind in panels, else thin on the other."""
        around = [value for batch in batches for value in batch.values]
        around += [] if limit is None else [limit]
        shared = Counter(batch.variant for batch in batches)
        controls = wording.listing(batch.label for batch in batches if batch.control)
        notes = (LIMIT_WORDS * (limit is not None), f"Grey: {controls}" * bool(panels and controls))
        lines = []
        for batch in sorted(batches, key=lambda batch: batch.control != panels):
            own, label, ink = not batch.control, batch.label, batch.ink
            if panels:
                label = batch.batch * (shared[batch.variant] > 1 and own)
                ink = "ink" if own else "people"
            line = NamedLine(
                label=label,
                points=tuple(zip(map(float, batch.days), batch.values, strict=True)),
                ink=ink,
                kind="disc" if own else "diamond",
                width=2.2 if own else 4.4 if panels else 1.2,
                panel=batch.variant if panels and own else "",
            )
            lines.append(line)
        return LinePlot(
            head=head,
            note=". ".join(filter(None, notes)),
            under=self.across,
            x=x,
            y=(min(around) - 0.5, max(around) + 0.5),
            dashed=limit,
            whole=True,
            series=tuple(lines),
        )


def readings_chart(log: BatchLog, trial: Trial) -> Chart | None:
    """Draw the pH of every batch over its days, and any temperatures; None where no pH was read."""
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
    """Gather what is drawn, variants in the order of the trial.

    Days are those since the batch was started, else since it was first read at all. A batch is
    named where its variant has several.
    """
    quantities: tuple[Literal["ph", "temperature_c"], ...] = ("ph", "temperature_c")
    found: dict[str, list[BatchReadings]] = {quantity: [] for quantity in quantities}
    inks, known = variant_inks(len(trial.variants), trial.control_index), set[bool]()
    for variant, ink in zip(trial.variants, inks, strict=True):
        jars, control = log.of_variant(variant.name), variant.name == trial.control
        for jar, quantity in ((jar, quantity) for jar in jars for quantity in quantities):
            every = log.readings_of(jar.name)
            read = [(r.date, v) for r in every if (v := getattr(r, quantity)) is not None]
            if not read:
                continue
            start = jar.started or every[0].date
            known.add(jar.started is not None)
            track = BatchReadings(
                variant=variant.label,
                batch=jar.name,
                label=variant.label + f", {jar.name}" * (len(jars) > 1) + " (control)" * control,
                ink=ink,
                control=control,
                days=tuple((date - start).days for date, _ in read),
                values=tuple(value for _, value in read),
            )
            found[quantity].append(track)
    across = f"days since the batch was {'started' if True in known else 'first read'}"
    across += ", or first read where that is not known" * (len(known) > 1)
    ph, temperature = (tuple(found[quantity]) for quantity in quantities)
    return Readings(ph=ph, temperature=temperature, across=across)


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
