"""A course over days: a line a taster, means with what decides, the bracket, and pH under it."""

import math
from collections.abc import Sequence
from dataclasses import replace

from blindspoon import wording
from blindspoon.batches.cautions import PH_LIMIT, passed_limit
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.measured import days_of
from blindspoon.charts.axis import nice_ticks
from blindspoon.charts.chart import Chart, chart_of, source_of
from blindspoon.charts.jars import LIMIT, LIMIT_WORDS
from blindspoon.charts.lines import LOW, Happened, LinePlot, NamedLine, lay_lines
from blindspoon.charts.scene import WIDE, Laid, Sheet
from blindspoon.findings.course import CourseFound
from blindspoon.stats.over_days import Bracket
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial

MOST_PEOPLE = 40  # tasters that have a line each; of more there is the mean alone
Track = tuple[tuple[float, float], ...]  # days and values


def days_chart(found: CourseFound, trial: Trial, log: BatchLog | None) -> Chart:
    """Draw one series on one attribute, and the pH of its jars over the same days."""
    tracks, days = _tracks(found, log), [float(day.day) for day in found.days]
    across = [*days, *(day for track in tracks for day, _ in track)]
    x = min(across), max(*across, min(across) + 1)
    plots = [_scores_plot(found, trial, x)]
    if log and tracks:
        plots.append(_ph_plot(found, log, tracks, x))

    def lay(sheet: Sheet) -> Laid:
        """Leave pH to the page: a picture of fixed height has no room for it."""
        alone = [replace(plots[0], tall=LOW + sheet.spare)]
        shown = plots if sheet.style == WIDE.style else alone
        return lay_lines(shown, _key(found, trial), sheet)

    people, count = wording.count(len(found.tasters), "taster"), wording.count(len(days), "day")
    return chart_of(
        name=f"{found.series}-{found.attribute.name}-days",
        title=headline(found).rstrip("."),
        data=f"{found.attribute.label.lower()} by {people} on {count}",
        lay=lay,
        source=source_of(trial),
    )


def has_chart(found: CourseFound) -> bool:
    """Whether anybody's line, or the mean of any day, can be drawn."""
    return bool(found.tasters) or any(not isinstance(day.found, NoResult) for day in found.days)


def headline(found: CourseFound) -> str:
    """State when it was there, and until when, or only how it moved, with what was scored."""
    said, _ = told_apart(found)
    scale, label = found.attribute.scale, found.attribute.label
    if found.because[0].startswith(f"“{_label(found)}”: "):
        label = f"{_label(found)}, {label.lower()}"
    scored = f"{label} ({wording.plain(scale.low)} to {wording.plain(scale.high)})"
    told = f"{said[:1].lower()}{said[1:]}"
    return f"{scored} was {told}" if said.startswith(STATES) else f"{scored}: {told}"


STATES = ("Within", "At ", "Not ", "Never", "Still", "No longer")
"""How a sentence begins that says where a food stood, and not when or whether."""


def told_apart(found: CourseFound) -> tuple[str, tuple[str, ...]]:
    """Tell the sentence that answers, without the name of its series, from the others."""
    first = found.because[0].removeprefix(f"“{_label(found)}”: ")
    told = [first, *found.because[1:]]
    untold = sum(isinstance(it, NoResult) for it in (found.reached, found.kept))
    moved = found.against == "nothing" and not isinstance(found.trend, NoResult)
    answer = told.pop(untold if moved else 0)  # where no day is judged, the trend answers
    return answer, tuple(told)


def _label(found: CourseFound) -> str:
    return wording.capital(found.label)


def _scores_plot(found: CourseFound, trial: Trial, x: tuple[float, float]) -> LinePlot:
    """Draw tasters thin, the mean with its intervals thick, the margin shaded.

    Over the plot stands between which days it got there, and between which it left again.
    """
    own, margin = found.against == "control", found.attribute.margin
    days = [float(day.day) for day in found.days]
    seen = [(d.day, d.found) for d in found.days if not isinstance(d.found, NoResult)]
    means = tuple((float(day), each.mean) for day, each in seen)
    spans = tuple((each.interval.low, each.interval.high) for _, each in seen)
    few = len(found.tasters) <= MOST_PEOPLE
    rows = [zip(days, row, strict=True) for row in found.values.tolist()] if few else []
    people = [tuple(point for point in row if math.isfinite(point[1])) for row in rows]
    thin = [NamedLine(label="", points=p, ink="people", width=0.8, bare=True) for p in people if p]
    dashed = 0.0 if own else found.course.level if found.against == "level" else None
    heights = [value for points in (*people, means) for _, value in points]
    heights += [end for span in spans for end in span]
    heights += [-(margin or 0), margin or 0] if own else [] if dashed is None else [dashed]
    y = min(heights) - 0.3, max(heights) + 0.3
    ticks, digits = nice_ticks(*y, 5)
    write = wording.signed if own else wording.number
    control = f" than “{trial.variant(trial.control).label}” in the same sitting" if own else ""
    less, more = wording.directions(found.attribute)
    happened = list[Happened]()
    for bracket, did in ((found.reached, "got there"), (found.kept, "left")):
        after, by = (bracket.after, bracket.by) if isinstance(bracket, Bracket) else (None, None)
        if after is not None and by is not None:
            happened.append(Happened(after, by, f"{did} in between"))
        elif after is not None and after < found.days[-1].day:
            happened.append(Happened(after, None, f"{did} after day {after:g}, if at all"))
        elif by is not None and by > found.days[0].day:
            happened.append(Happened(None, by, f"{did} by day {by:g}"))
    return LinePlot(
        head=f"{_label(found)}, {found.attribute.label.lower()} in points",
        note=f"Up: {more}{control}; down: {less}" if own else "",
        under=wording.OVER[found.course.over],
        x=x,
        y=y,
        series=(*thin, NamedLine(label="", points=means, ink="v1", spans=spans)),
        dashed=dashed,
        ticks=tuple((day, wording.plain(day)) for day in days),
        up=tuple((value, write(value, digits)) for value in ticks),
        band=(-margin, margin) if own and margin else None,
        brackets=tuple(happened),
    )


def _key(found: CourseFound, trial: Trial) -> str:
    """Say how to read the chart."""
    said = ["Thin: a taster each." if len(found.tasters) <= MOST_PEOPLE else ""]
    if not all(isinstance(day.found, NoResult) for day in found.days):
        said.append(f"Thick: the mean, with its {wording.percent(1 - found.alpha)} interval.")
    if found.against == "control":
        margin = wording.margin(found.attribute) if found.attribute.margin else ""
        said.append(f"Dashed: like “{trial.variant(trial.control).label}”.")
        said.append(f"Shaded: within {margin} of it." if margin else "")
    elif found.against == "level":
        said.append(f"Dashed: {wording.plain(found.course.level or 0.0)} points, to be reached.")
    return " ".join(filter(None, said))


# pH ---------------------------------------------------------------------------------------------


def batches_of(found: CourseFound, log: BatchLog | None) -> tuple[Batch, ...]:
    """List the batches of a series, in the order of batches.csv."""
    names = {name for day in found.days for name in day.batches}
    return tuple(batch for batch in log.batches if batch.name in names) if log else ()


def _tracks(found: CourseFound, log: BatchLog | None) -> list[Track]:
    """Give the readings of pH over the days of the course, as far as the days of each jar went."""
    over, last, tracks = found.course.over, found.days[-1].day, []
    for batch in batches_of(found, log):
        ended = batch.finished if over == "fermented_days" else None
        track = tuple(
            (float(day), reading.ph)
            for reading in (log.readings_of(batch.name) if log else ())
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
    ends = [(jar, *passed_limit(log.readings_of(jar.name))) for jar in jars]
    after = [float(days_of(jar, first.date, over)) for jar, first, _ in ends if first]
    by = [float(days_of(jar, end.date, over)) for jar, _, end in ends if end]
    whole = len(after) == len(by) == len(jars) and min(after) >= x[0]
    values = [value for track in tracks for _, value in track] + [PH_LIMIT]
    words = f"{LIMIT} passed in between"
    return LinePlot(
        head="pH of its jars" if len(tracks) > 1 else "pH of its jar",
        note=LIMIT_WORDS,
        under=wording.OVER[over],
        x=x,
        y=(min(values) - 0.3, max(values) + 0.3),
        series=tuple(NamedLine(label="", points=t, ink="v2", width=1.2) for t in tracks),
        dashed=PH_LIMIT,
        whole=True,
        brackets=(Happened(min(after), max(by), words),) if whole else (),
        tall=LOW,
    )
