"""The charts of jars: a course over days, readings day by day, taste over measured strength."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

from blindspoon import wording
from blindspoon.batches.cautions import PH_LIMIT, passed_limit
from blindspoon.batches.log import NOUNS, Batch, BatchLog
from blindspoon.batches.strengths import days_of
from blindspoon.batches.summary import QUANTITIES, TasteAgainst
from blindspoon.charts.axis import shaded_words
from blindspoon.charts.chart import Chart, source_of
from blindspoon.charts.lines import LOW, Happened, LinePlot, NamedLine, lay_lines
from blindspoon.charts.scene import NARROW, WIDE, Laid, Sheet, variant_inks
from blindspoon.findings.course import CourseFound
from blindspoon.findings.days_in_words import days_or_food, headline
from blindspoon.stats.results import NoResult
from blindspoon.stats.several_tests import Bracket
from blindspoon.trial import Trial

LIMIT = wording.plain(PH_LIMIT)
LIMIT_WORDS = f"Dashed, {LIMIT}: above it counts as low in acid (21 CFR 114.3)"


# A course over days -----------------------------------------------------------------------------

MOST_PEOPLE = 40  # tasters that have a line each; of more there is the mean alone
Track = tuple[tuple[float, float], ...]  # days and values


def days_chart(found: CourseFound, trial: Trial, log: BatchLog | None) -> Chart | None:
    """Draw one series on one attribute, and the pH of its jars over the same days.

    None where neither anybody's line nor the mean of any day can be drawn.
    """
    if not found.tasters and all(isinstance(day.found, NoResult) for day in found.days):
        return None
    tracks, days = _tracks(found, log) if log else [], [float(day.day) for day in found.days]
    across = [*days, *(day for track in tracks for day, _ in track)]
    x = min(across), max(*across, min(across) + 1)
    plots = [_scores_plot(found, trial, x)]
    if log and tracks:
        plots.append(_ph_plot(found, log, tracks, x))

    def lay(sheet: Sheet) -> Laid:
        """Leave pH to the page: a picture of fixed height has no room for it."""
        alone = [replace(plots[0], tall=LOW + sheet.spare)]
        shown = plots if sheet in (WIDE, NARROW) else alone
        return lay_lines([[plot] for plot in shown], _days_key(found, trial), sheet)

    people, count = wording.count(len(found.tasters), "taster"), wording.count(len(days), "day")
    return Chart(
        name=f"{found.series}-{found.attribute.name}-days",
        title=headline(found).rstrip("."),
        finding=" ".join(filter(None, (headline(found), days_or_food(found)))).rstrip("."),
        data=f"the scores of {people} over {count}" + " and the pH of its jars" * bool(tracks),
        lay=lay,
        source=source_of(trial),
    )


def _scores_plot(found: CourseFound, trial: Trial, x: tuple[float, float]) -> LinePlot:
    """Draw tasters thin, the mean with its intervals thick, the margin shaded.

    Over the plot stands between which days it got there, and between which it left again.
    """
    against_control, attribute, days = found.against == "control", found.attribute, found.days
    seen = [(float(d.day), d.found) for d in days if not isinstance(d.found, NoResult)]
    means = tuple((day, each.mean) for day, each in seen)
    spans = tuple((each.interval.low, each.interval.high) for _, each in seen)
    people = found.values.tolist() if len(found.tasters) <= MOST_PEOPLE else []
    lines = [NamedLine(label="", points=means, ink="v1", spans=spans)]
    for row in people:
        points = ((float(d.day), value) for d, value in zip(days, row, strict=True))
        if kept := tuple(point for point in points if math.isfinite(point[1])):
            thin = NamedLine(label="", points=kept, ink="people", width=0.8, bare=True)
            lines.insert(-1, thin)
    dashed = 0.0 if against_control else found.course.level if found.against == "level" else None
    band = (-attribute.margin, attribute.margin) if against_control and attribute.margin else None
    heights = [value for line in lines for _, value in line.points]
    heights += [end for span in (*spans, band or ()) for end in span]
    heights += [] if dashed is None else [dashed]
    pad = 0.03 * (attribute.scale.high - attribute.scale.low)
    y = min(heights) - pad, max(heights) + pad
    less, more = wording.directions(attribute)
    than = f"Against “{trial.variant(trial.control).label}” in the same sitting."
    happened = list[Happened]()
    for bracket, did in ((found.reached, "got there"), (found.kept, "left")):
        after, by = (bracket.after, bracket.by) if isinstance(bracket, Bracket) else (None, None)
        if after is not None and by is not None:
            happened.append(Happened(after, by, f"{did} in between"))
        elif after is not None and after < days[-1].day:
            happened.append(Happened(after, None, f"{did} after day {after:g}, if at all"))
        elif by is not None and by > days[0].day:
            happened.append(Happened(None, by, f"{did} by day {by:g}"))
    return LinePlot(
        head=f"{wording.capital(found.label)}, {attribute.label.lower()} in points",
        note=f"{than} Up: {more}; down: {less}" * against_control,
        under=wording.OVER[found.course.over],
        x=x,
        y=y,
        series=tuple(lines),
        dashed=dashed,
        ticks=tuple((float(it.day), wording.plain(it.day)) for it in days),
        signed=against_control,
        band=band,
        brackets=tuple(happened),
    )


def _days_key(found: CourseFound, trial: Trial) -> str:
    key = ["Thin: a taster each." if len(found.tasters) <= MOST_PEOPLE else ""]
    if not all(isinstance(day.found, NoResult) for day in found.days):
        key.append(f"Thick: the mean, with its likely range ({wording.percent(1 - found.alpha)}).")
    if found.against == "control":
        key.append(f"Dashed: like “{trial.variant(trial.control).label}”.")
        key += shaded_words(found.attribute)
    elif found.against == "level":
        key.append(f"Dashed: {wording.plain(found.course.level or 0.0)} points, to be reached.")
    elif not isinstance(found.trend, NoResult) and found.trend.p_value <= found.alpha:
        key.append(days_or_food(found))
    return " ".join(filter(None, key))


def batches_of(found: CourseFound, log: BatchLog) -> tuple[Batch, ...]:
    """List the batches of a series, in the order of batches.csv."""
    names = {name for day in found.days for name in day.batches}
    return tuple(batch for batch in log.batches if batch.name in names)


def _tracks(found: CourseFound, log: BatchLog) -> list[Track]:
    """Give the readings of pH over the days of the course, as far as the days of each jar went."""
    over, last, tracks = found.course.over, found.days[-1].day, []
    for batch in batches_of(found, log):
        ended = batch.finished if over == "fermented_days" else None
        track = tuple(
            (float(day), reading.ph)
            for reading in log.readings.get(batch.name, ())
            if reading.ph is not None and (ended is None or reading.date <= ended)
            if 0 <= (day := days_of(batch, reading.date, over)) <= last
        )
        tracks += [track] if track else []
    return tracks


def _ph_plot(
    found: CourseFound, log: BatchLog, tracks: Sequence[Track], x: tuple[float, float]
) -> LinePlot:
    """Draw the pH of every jar, and the days between which all of them passed the limit."""
    over, jars = found.course.over, batches_of(found, log)
    ends = [(jar, *passed_limit(log.readings.get(jar.name, ()))) for jar in jars]
    after = [float(days_of(jar, first.date, over)) for jar, first, _ in ends if first]
    by = [float(days_of(jar, end.date, over)) for jar, _, end in ends if end]
    all_passed = len(after) == len(by) == len(jars) and min(after) >= x[0]
    values = [value for track in tracks for _, value in track] + [PH_LIMIT]
    words = f"pH {LIMIT} passed in between"
    return LinePlot(
        head="pH of its jars" if len(tracks) > 1 else "pH of its jar",
        note=LIMIT_WORDS,
        under=wording.OVER[over],
        x=x,
        y=(min(values) - 0.3, max(values) + 0.3),
        series=tuple(NamedLine(label="", points=t, ink="v2", width=1.2) for t in tracks),
        dashed=PH_LIMIT,
        digits=0,
        brackets=(Happened(min(after), max(by), words),) if all_passed else (),
        tall=LOW,
    )


# Readings, day by day ---------------------------------------------------------------------------

MOST_NAMES = 3  # batches that a title names; more are counted
PANELS, PANELS_NARROW = 4, 2  # panels side by side on a wide and on a narrow sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchReadings:
    """One quantity of one batch: days and values; `name` has the batch where there are several."""

    variant: str
    batch: str
    name: str
    control: bool
    points: tuple[tuple[int, float], ...]

    @property
    def label(self) -> str:
        return self.name + " (control)" * self.control


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """All that is drawn: both quantities, and what the days are counted from."""

    ph: tuple[BatchReadings, ...]
    temperature: tuple[BatchReadings, ...]
    across: str
    noun: str

    def lay(self, sheet: Sheet) -> Laid:
        """Set temperature under pH, over the same days, a panel a variant."""
        days = [day for batch in (*self.ph, *self.temperature) for day, _ in batch.points]
        x, tiers = (min(0.0, *days), max(1.0, *days)), list[list[LinePlot]]()
        most = PANELS if sheet.beside else PANELS_NARROW
        for batches, head in ((self.ph, "pH"), (self.temperature, "Temperature, °C")):
            if plots := _panels(batches, head, x):
                across = math.ceil(len(plots) / math.ceil(len(plots) / most))
                tiers += [plots[at : at + across] for at in range(0, len(plots), across)]
        controls = [batch for batch in self.ph if batch.control]
        key = f"Across: {self.across}. {LIMIT_WORDS}. Each mark is one reading, each line one "
        key += f"{self.noun}; those that read alike hide one another."
        if controls:
            jars = f" ({wording.listing(it.batch for it in controls)})" * (len(controls) > 1)
            key += f" Grey, with diamonds: {controls[0].variant}{jars}."
        return lay_lines(tiers, key, sheet)


def _panels(batches: Sequence[BatchReadings], head: str, x: tuple[float, float]) -> list[LinePlot]:
    """Draw each variant's batches over those of the control, all on the same scales."""
    limit, free = (PH_LIMIT, 0.5) if head == "pH" else (None, 2.0)  # 0.1 °C is no slope
    values = [value for batch in batches for _, value in batch.points]
    values += [] if limit is None else [limit]
    jars, plots = Counter(batch.variant for batch in batches), list[LinePlot]()
    controls = [batch for batch in batches if batch.control]
    others = [batch for batch in batches if not batch.control]
    for variant in dict.fromkeys(batch.variant for batch in others or controls):
        shown = (*controls, *(batch for batch in others if batch.variant == variant))
        lines = list[NamedLine]()
        for batch in shown:
            label = batch.batch * (jars[variant] > 1 and batch.variant == variant)
            line = NamedLine(label=label, points=batch.points, ink="ink")
            grey = replace(line, ink="people", kind="diamond", width=4.4)
            lines.append(grey if batch.control else line)
        y = min(values) - free, max(values) + free
        plot = LinePlot(head=variant, note=head, x=x, y=y, series=tuple(lines), tall=LOW)
        plots.append(replace(plot, dashed=limit, digits=0))
    return plots


def readings_chart(log: BatchLog, trial: Trial) -> Chart | None:
    """Draw the pH of every batch over its days, and any temperatures; None where no pH was read."""
    readings = readings_of(log, trial)
    if not readings.ph:
        return None
    taken = sum(len(track.points) for track in readings.ph)
    jars = wording.count(len(readings.ph), log.noun, NOUNS[log.noun])
    data = f"{wording.count(taken, 'reading')} of pH in {jars}"
    return Chart(
        name="readings",
        title=_readings_title(readings.ph, log),
        data=data + " and of temperature" * bool(readings.temperature),
        lay=readings.lay,
        source=source_of(trial),
    )


def readings_of(log: BatchLog, trial: Trial) -> Readings:
    """Gather what is drawn, variants in the order of the trial.

    Days are those since the batch was started, else since it was first read at all.
    """
    found: dict[str, list[BatchReadings]] = {"ph": [], "temperature_c": []}
    known = set[bool]()
    for variant in trial.variants:
        jars = log.of_variant(variant.name)
        for jar, quantity in product(jars, found):
            every = log.readings.get(jar.name, ())
            read = [(r.date, v) for r in every if (v := getattr(r, quantity)) is not None]
            if not read:
                continue
            start = jar.started or every[0].date
            known.add(jar.started is not None)
            track = BatchReadings(
                variant=variant.label,
                batch=jar.name,
                name=variant.label + f", {jar.name}" * (len(jars) > 1),
                control=variant.name == trial.control,
                points=tuple(((date - start).days, value) for date, value in read),
            )
            found[quantity].append(track)
    across = f"days since the {log.noun} was {'started' if True in known else 'first read'}"
    across += ", or first read where that is not known" * (len(known) > 1)
    ph, temperature = map(tuple, found.values())
    return Readings(ph=ph, temperature=temperature, across=across, noun=log.noun)


def _readings_title(tracks: Sequence[BatchReadings], log: BatchLog) -> str:
    """State where the last readings of pH stand, and whether batches were not read."""
    batches, noun = len(log.batches), log.noun
    above = [f"“{track.name}”" for track in tracks if track.points[-1][1] > PH_LIMIT]
    unread, were = batches - len(tracks), "was" if len(above) == 1 else "were"
    if not above and unread:
        return f"Not every {noun} was read for pH; all that were stood at {LIMIT} or below at last"
    if not above:
        return f"Every {noun} was last read at pH {LIMIT} or below"
    names = wording.listing(above)
    if len(above) > MOST_NAMES:
        number, every = wording.spelled(len(above)), wording.spelled(batches)
        names = wording.capital(f"{number} of {every} {NOUNS[noun]}")
    rest = f"; not every {noun} was read" if unread else ""
    return f"{names} {were} last read above pH {LIMIT}{rest}"


# Taste over measured strength -------------------------------------------------------------------


def measured_chart(against: TasteAgainst, trial: Trial) -> Chart:
    """Draw the mean score of each variant over its measured strength."""
    quantity, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    label, digits = attribute.label.lower(), wording.digits_for(attribute.scale)
    points = sorted(against.points, key=lambda point: point.measured, reverse=True)
    names = [f"“{trial.variant(point.variant).label}”" for point in points]
    scores = [wording.number(point.perceived, digits) for point in points]
    strengths = [wording.number(point.measured, quantity.digits) for point in points]
    every_mark = wording.listing(
        f"{name} scored {score} points at {strength}{quantity.unit}"
        for name, score, strength in zip(names, scores, strengths, strict=True)
    )
    high, low = ("among the " * (strengths.count(strengths[end]) > 1) for end in (0, -1))
    return Chart(
        name=f"{against.attribute}-measured" + "-ph" * (against.quantity == "last_ph"),
        title=f"{names[0]}, {high}highest in {quantity.title}, scored {scores[0]} on {label}; "
        f"{names[-1]}, {low}lowest, {scores[-1]}",
        data=f"perceived {label} over measured {quantity.title}",
        lay=partial(lay_measured, against, trial),
        source=source_of(trial),
        finding=every_mark,
    )


def lay_measured(against: TasteAgainst, trial: Trial, sheet: Sheet) -> Laid:
    """Set the marks on the whole scale, their names beside them."""
    quantity, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    scale, lines = attribute.scale, list[NamedLine]()
    measured = [point.measured for point in against.points]
    low, high = min(measured), max(measured)
    inks = variant_inks(len(trial.variants), trial.control_index)
    for point in sorted(against.points, key=lambda point: point.variant == trial.control):
        control, variant = point.variant == trial.control, trial.variant(point.variant)
        mark = NamedLine(
            label=variant.label + " (control)" * control,
            points=((point.measured, point.perceived),),
            ink=inks[trial.variants.index(variant)],
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
        digits=quantity.digits,
    )
    return lay_lines([[plot]], _measured_key(against, trial), sheet, kind="Scatter plot")


def _measured_key(against: TasteAgainst, trial: Trial) -> str:
    """Say how to read the chart, which variants are as strong as the control, how little it shows.

    The taste of those cannot come from the strength.
    """
    key = ["Each mark is a variant: means over all that was made of it, and over its tasters."]
    if any(point.variant == trial.control for point in against.points):
        key.append("The diamond is the control.")
    if against.same_strength:
        quantity = QUANTITIES[against.quantity]
        labels = wording.listing(f"“{trial.variant(it).label}”" for it in against.same_strength)
        tolerance = wording.plain(quantity.tolerance) + quantity.unit
        key.append(f"As strong as the control, within {tolerance}: {labels}.")
    return " ".join([*key, "Exploratory: they are few, and no line is fitted."])
