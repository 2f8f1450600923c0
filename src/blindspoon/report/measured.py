"""Readings of the jars, and what was tasted against what was measured; exploratory."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from blindspoon import blame, charts
from blindspoon.batches.measured import TasteAgainst, salty_with_sour, taste_against_measured
from blindspoon.made import Made
from blindspoon.report.drawn import against_table, readings_tables
from blindspoon.report.numbers import NumberTable
from blindspoon.scores import ScoreTable
from blindspoon.trial import Trial
from blindspoon.verdict import Verdict


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

    readings: charts.Chart | None = None
    pictures: tuple[charts.Chart, ...] = ()
    remarks: tuple[str, ...] = ()
    numbers: tuple[NumberTable, ...] = ()
    behind: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def charts(self) -> tuple[charts.Chart, ...]:
        """Every chart."""
        return (*filter(None, [self.readings]), *self.pictures)


def measured(
    trial: Trial, table: ScoreTable, made: Made | None, verdicts: tuple[Verdict, ...]
) -> Measured:
    """Draw and say what the measurements add; nothing without batches.csv."""
    if made is None:
        return Measured()
    found = taste_against_measured(trial, table, made.log)
    drawn = [(charts.measured_chart(each, trial), each) for each in found]
    pictures = [(chart, each) for chart, each in drawn if chart is not None]
    read = readings_tables(made.log, trial)
    against = [against_table(f"{chart.name}-table", each, trial) for chart, each in pictures]
    return Measured(
        readings=charts.readings_chart(made.log, trial),
        pictures=tuple(chart for chart, _ in pictures),
        remarks=tuple(_remarks(trial, table, found, verdicts)),
        numbers=(*read, *against),
        behind={"readings": tuple(each.name for each in read)}
        | {chart.name: (f"{chart.name}-table",) for chart, _ in pictures},
    )


def _remarks(
    trial: Trial,
    table: ScoreTable,
    found: tuple[TasteAgainst, ...],
    verdicts: tuple[Verdict, ...],
) -> Iterator[str]:
    kinds = {(each.attribute, each.variant): each.kind for each in verdicts}
    for each in found:
        tasted = {v: kinds.get((each.attribute, v), "open") for v in each.same_strength}
        alike = [variant for variant, kind in tasted.items() if kind == "alike"]
        if len(alike) > 1:
            yield blame.same_and_alike(trial, each, alike)
            tasted = {v: kind for v, kind in tasted.items() if v not in alike}
        said = (blame.same_but_tasted(trial, each, v, kind) for v, kind in tasted.items())
        yield from filter(None, said)
    if found:
        yield blame.salty_goes_with_sour(salty_with_sour(trial, table))
