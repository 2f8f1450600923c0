"""Readings of the jars, and what was tasted against what was measured; exploratory.

Tables of what charts draw and no other table holds, and which tables stand behind a chart.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.log import BatchLog
from blindspoon.batches.readings import TasteAgainst, salty_with_sour, taste_against_measured
from blindspoon.batches.summary import Made
from blindspoon.charts.chart import Chart
from blindspoon.charts.jars import (
    WORDS,
    Track,
    known_points,
    measured_chart,
    readings_chart,
    readings_of,
)
from blindspoon.charts.picture import Picture
from blindspoon.findings.comparison import AttributeResult
from blindspoon.report.number_tables import NumberTable, blank_as_dash
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial

Behind = Mapping[str, tuple[str, ...]]
"""Names of the tables that hold what a chart draws, by the chart's name."""


def behind_attributes(names: Iterable[str]) -> Behind:
    """Name the tables behind the charts that every attribute has.

    Parameters
    ----------
    names : iterable of str
        Attributes.
    """
    behind: dict[str, tuple[str, ...]] = {}
    for name in names:
        behind[f"{name}-differences"] = (f"mixed-{name}", f"ranks-{name}", f"raw-{name}")
        behind[f"{name}-scores"] = (f"scores-{name}", f"raw-{name}")
    return behind


def on_the_page(
    behind: Behind, tables: Iterable[NumberTable]
) -> Mapping[str, tuple[NumberTable, ...]]:
    """Look the tables up, leaving out those that the page does not have.

    Examples
    --------
    >>> table = NumberTable(name="means", caption="Means", head="Variant", columns=(), rows=())
    >>> found = on_the_page({"crumb-scores": ("means", "lost")}, [table])
    >>> [each.caption for each in found["crumb-scores"]]
    ['Means']
    """
    known = {table.name: table for table in tables}
    return {
        chart: tuple(known[name] for name in names if name in known)
        for chart, names in behind.items()
    }


def means_table(pictures: Sequence[Picture]) -> NumberTable | None:
    """Show the mean of every variant on every attribute; None of a single attribute."""
    if len(pictures) < 2:
        return None
    return NumberTable(
        name="means",
        caption="Mean scores, in points",
        head="Variant",
        columns=tuple(each.attribute.label for each in pictures),
        rows=tuple(
            (variant.label, blank_as_dash(_mean(each.mean(place), each) for each in pictures))
            for place, variant in enumerate(pictures[0].variants)
        ),
    )


def _mean(value: float, picture: Picture) -> str:
    digits = wording.digits_for(picture.attribute.scale) + 1
    return wording.number(value, digits) if np.isfinite(value) else ""


def readings_tables(log: BatchLog, trial: Trial) -> tuple[NumberTable, ...]:
    """Show what was read of every batch, a row a day, as the chart of readings counts them.

    Parameters
    ----------
    log : BatchLog
    trial : Trial

    Returns
    -------
    tuple of NumberTable
        Of pH and of temperature, those that were read; empty without a reading of pH, as there is
        no chart then.
    """
    readings = readings_of(log, trial)
    if not readings.ph:
        return ()
    quantities = (
        ("readings-ph", "pH, day by day", readings.ph),
        ("readings-temperature", "Temperature in °C, day by day", readings.temperature),
    )
    return tuple(
        _by_day(name, caption, tracks, readings.across)
        for name, caption, tracks in quantities
        if tracks
    )


def _by_day(name: str, caption: str, tracks: Sequence[Track], days_are: str) -> NumberTable:
    days = sorted({day for track in tracks for day in track.days})
    return NumberTable(
        name=name,
        caption=caption,
        head="Day",
        columns=tuple(track.label for track in tracks),
        rows=tuple((f"{day}", blank_as_dash(_on(day, track) for track in tracks)) for day in days),
        notes=(f"{_capital(days_are)}. A dash: not read on that day.",),
    )


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _on(day: int, track: Track) -> str:
    read = zip(track.days, track.values, strict=True)
    return "; ".join(wording.plain(value) for when, value in read if when == day)


def against_table(name: str, against: TasteAgainst, trial: Trial) -> NumberTable:
    """Show how strong each variant measured and tasted.

    Parameters
    ----------
    name : str
        Of the table.
    against : TasteAgainst
    trial : Trial
    """
    words, attribute = WORDS[against.quantity], trial.attribute(against.attribute)
    return NumberTable(
        name=name,
        caption=f"{attribute.label} and measured {words.title}",
        head="Variant",
        columns=(_capital(words.axis), "Mean score", "Tasters"),
        rows=tuple(_against_rows(against, trial)),
    )


def _against_rows(against: TasteAgainst, trial: Trial) -> Iterator[tuple[str, tuple[str, ...]]]:
    digits = wording.digits_for(trial.attribute(against.attribute).scale) + 1
    for point in known_points(against):
        measured = wording.number(point.measured, WORDS[against.quantity].digits)
        perceived = wording.number(point.perceived, digits)
        yield trial.variant(point.variant).label, (measured, perceived, f"{point.tasters:,}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the page shows of measurements.

    Parameters
    ----------
    readings : Chart or None
        pH and temperature over time.
    pictures : tuple of Chart
        A taste against a strength, a mark a variant.
    remarks : tuple of str
        Sentences: equal strengths that tasted otherwise, saltiness with sourness.
    numbers : tuple of NumberTable
        What the charts draw.
    behind : mapping of str to tuple of str
        Names of those tables, by the chart's name.
    """

    readings: Chart | None = None
    pictures: tuple[Chart, ...] = ()
    remarks: tuple[str, ...] = ()
    numbers: tuple[NumberTable, ...] = ()
    behind: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def charts(self) -> tuple[Chart, ...]:
        """Every chart."""
        return (*filter(None, [self.readings]), *self.pictures)


def measured(
    trial: Trial, table: ScoreTable, made: Made | None, results: tuple[AttributeResult, ...]
) -> Measured:
    """Draw and say what the measurements add; nothing without batches.csv."""
    if made is None:
        return Measured()
    found = taste_against_measured(trial, table, made.log)
    drawn = [(measured_chart(each, trial), each) for each in found]
    pictures = [(chart, each) for chart, each in drawn if chart is not None]
    read = readings_tables(made.log, trial)
    against = [against_table(f"{chart.name}-table", each, trial) for chart, each in pictures]
    return Measured(
        readings=readings_chart(made.log, trial),
        pictures=tuple(chart for chart, _ in pictures),
        remarks=tuple(_remarks(trial, table, found, results)),
        numbers=(*read, *against),
        behind={"readings": tuple(each.name for each in read)}
        | {chart.name: (f"{chart.name}-table",) for chart, _ in pictures},
    )


def _remarks(
    trial: Trial,
    table: ScoreTable,
    found: tuple[TasteAgainst, ...],
    results: tuple[AttributeResult, ...],
) -> Iterator[str]:
    for each in found:
        (result,) = (one for one in results if one.attribute.name == each.attribute)
        kinds = {other.variant.name: other.verdict for other in result.comparisons}
        tasted = {name: kinds.get(name, "open") for name in each.same_strength}
        alike = [variant for variant, kind in tasted.items() if kind == "alike"]
        if len(alike) > 1:
            yield summary.same_and_alike(trial, each, alike)
            tasted = {v: kind for v, kind in tasted.items() if v not in alike}
        said = (summary.same_but_tasted(trial, each, v, kind) for v, kind in tasted.items())
        yield from filter(None, said)
    if found:
        yield summary.salty_goes_with_sour(salty_with_sour(trial, table))
