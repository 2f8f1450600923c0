"""Readings of the jars, and what was tasted against what was measured; exploratory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from blindspoon import blame, charts
from blindspoon.batches.measured import TasteAgainst, salty_with_sour, taste_against_measured
from blindspoon.made import Made
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
    """

    readings: charts.Chart | None = None
    pictures: tuple[charts.Chart, ...] = ()
    remarks: tuple[str, ...] = ()

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
    drawn = (charts.measured_chart(each, trial) for each in found)
    return Measured(
        readings=charts.readings_chart(made.log, trial),
        pictures=tuple(chart for chart in drawn if chart is not None),
        remarks=tuple(_remarks(trial, table, found, verdicts)),
    )


def _remarks(
    trial: Trial,
    table: ScoreTable,
    found: tuple[TasteAgainst, ...],
    verdicts: tuple[Verdict, ...],
) -> Iterator[str]:
    kinds = {(each.attribute, each.variant): each.kind for each in verdicts}
    for each in found:
        for variant in each.same_strength:
            kind = kinds.get((each.attribute, variant), "open")
            yield from filter(None, [blame.same_but_tasted(trial, each, variant, kind)])
    if found:
        yield blame.salty_goes_with_sour(salty_with_sour(trial, table))
