"""What was measured: readings over time, and scores beside what was weighed and read."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from blindspoon.batches.differences import ACID, SALT
from blindspoon.batches.log import BatchLog
from blindspoon.batches.strengths import strengths
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.correlation import WithinCorrelation, rm_correlation
from blindspoon.stats.results import Interval, NoResult
from blindspoon.trial import Trial

Quantity = Literal["salt_percent", "citric_g_per_100_g", "last_ph"]

TASTES: Mapping[str, tuple[str, ...]] = {
    "salty": ("saltiness", "salt", "salty"),
    "sour": ("sourness", "sour", "acidity", "acid", "tartness"),
}
"""Names of attributes that are taken to score a taste."""


@dataclass(frozen=True, slots=True)
class MeasuredQuantity:
    """How a quantity is called and written.

    Parameters
    ----------
    title, axis : str
        In a title, and along an axis.
    unit : str
        After a number of it.
    tolerance : float
        How far apart two variants may be and count as equally strong, in the unit.
    """

    title: str
    axis: str
    unit: str
    digits: int
    tolerance: float


QUANTITIES: Mapping[Quantity, MeasuredQuantity] = {
    "salt_percent": MeasuredQuantity(
        "salt", "salt, % of everything in the jar", " %", 2, SALT.tolerance
    ),
    "citric_g_per_100_g": MeasuredQuantity(
        "added acid", "added acid, g in 100 g, as citric acid", " g in 100 g", 2, ACID.tolerance
    ),
    "last_ph": MeasuredQuantity("pH", "last pH read before the tasting", "", 1, 0.1),
}
"""The tolerance of pH is what strips and cheap meters tell apart, from memory."""

INTERACTION = (
    "P. A. S. Breslin 1996, Trends Food Sci. Technol. 7:390",
    "L. M. Wilkie and E. D. Capaldi Phillips 2014, Neurosci. Biobehav. Rev. 47:70",
)
"""How salt and acid change each other's taste: moderate ones enhance, strong ones suppress one
another; acids make salt taste stronger. Volume of the second from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One quantity of one batch over time, ready to be drawn; n readings.

    Parameters
    ----------
    quantity : str
        "ph", "temperature_c", or a further column of readings.csv.
    days : tuple of int or None
        Days since the batch was started; None where that is not known.
    tasted_day : int or None
        Day of the first tasting on the same count.
    """

    batch: str
    variant: str
    quantity: str
    dates: tuple[datetime.date, ...]
    days: tuple[int, ...] | None
    values: tuple[float, ...]
    tasted_day: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TastePoint:
    """A variant's strength and how strong it tasted.

    Parameters
    ----------
    measured : float
        Mean over its batches, in the unit of the quantity.
    perceived : float
        Mean over tasters of each taster's mean score, in points.
    """

    variant: str
    measured: float
    perceived: float
    tasters: int


class Rise(NamedTuple):
    """How far a straight line through the variants rises from the weakest to the strongest.

    Attributes
    ----------
    points : float
        Mean of the tasters' own lines.
    interval : Interval
        95 %, over the tasters.
    tasters : int
        Those with a score of every variant whose strength is known.
    """

    points: float
    interval: Interval
    tasters: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TasteAgainst:
    """Scores of one attribute against one measured quantity.

    Parameters
    ----------
    quantity : {"salt_percent", "citric_g_per_100_g", "last_ph"}
    points : tuple of TastePoint
        In the order of trial.toml; variants without a strength or a score are not among them.
    same_strength : tuple of str
        Variants as strong as the control, within its tolerance: what they taste like cannot come
        from the strength.
    rise : Rise or None
        None where no strength differs, or fewer than three tasters scored all of them.
    """

    attribute: str
    quantity: Quantity
    points: tuple[TastePoint, ...]
    same_strength: tuple[str, ...]
    rise: Rise | None = None

    @property
    def differs(self) -> bool:
        """Whether any variant is stronger or weaker than the others beyond the tolerance."""
        own = [point.measured for point in self.points]
        return max(own) - min(own) > 2 * QUANTITIES[self.quantity].tolerance + 1e-9


def series(log: BatchLog) -> tuple[Series, ...]:
    """List what was read of every batch over time, by batch and then by quantity.

    A quantity without a reading is left out.
    """
    found = []
    for batch in log.batches:
        start, tasted = batch.started, log.first_tasted
        for quantity in ("ph", "temperature_c", *log.quantities):
            read = [
                (reading.date, value)
                for reading in log.readings_of(batch.name)
                if (value := reading.value(quantity)) is not None
            ]
            if read:
                found.append(
                    Series(
                        batch=batch.name,
                        variant=batch.variant,
                        quantity=quantity,
                        dates=tuple(day for day, _ in read),
                        days=tuple((day - start).days for day, _ in read) if start else None,
                        values=tuple(value for _, value in read),
                        tasted_day=(tasted - start).days if start and tasted else None,
                    )
                )
    return tuple(found)


def taste_attribute(trial: Trial, taste: Literal["salty", "sour"]) -> str | None:
    """Find the attribute that scores a taste, by its name; None where there is none."""
    names = [attribute.name for attribute in trial.attributes]
    return next((name for name in TASTES[taste] if name in names), None)


def taste_against_measured(
    trial: Trial, table: ScoreTable, log: BatchLog
) -> tuple[TasteAgainst, ...]:
    """Set saltiness against salt, and sourness against added acid and pH.

    Those with two variants or more. A quantity that is zero throughout, such as acid that nobody
    added, is left out.
    """
    asked: tuple[tuple[Literal["salty", "sour"], Quantity], ...] = (
        ("salty", "salt_percent"),
        ("sour", "citric_g_per_100_g"),
        ("sour", "last_ph"),
    )
    found = []
    for taste, quantity in asked:
        attribute = taste_attribute(trial, taste)
        points = () if attribute is None else _points(trial, table, log, attribute, quantity)
        if attribute is None or len(points) < 2 or not any(point.measured for point in points):
            continue
        strength = {point.variant: point.measured for point in points}
        control = strength.pop(trial.control, math.inf)
        reach = QUANTITIES[quantity].tolerance + 1e-9
        same = tuple(name for name, own in strength.items() if abs(own - control) <= reach)
        against = TasteAgainst(
            attribute=attribute, quantity=quantity, points=points, same_strength=same
        )
        found.append(replace(against, rise=_rise(trial, table, against)))
    return tuple(found)


def _rise(trial: Trial, table: ScoreTable, against: TasteAgainst) -> Rise | None:
    """Fit a line to the scores of each taster, and average what the lines rise by."""
    from scipy.special import stdtrit  # noqa: PLC0415 - check does without

    names = [variant.name for variant in trial.variants]
    places = [names.index(point.variant) for point in against.points]
    score = table.scores[:, trial.attributes.index(trial.attribute(against.attribute))]
    cells = np.full((2, len(table.tasters), len(names)), 0.0)
    rows = np.isfinite(score)
    np.add.at(cells[0], (table.taster[rows], table.variant[rows]), score[rows])
    np.add.at(cells[1], (table.taster[rows], table.variant[rows]), 1)
    whole = (cells[1][:, places] > 0).all(axis=1)
    if not against.differs or whole.sum() < 3:
        return None
    strength = np.array([point.measured for point in against.points])
    away = strength - strength.mean()
    own = (cells[0] / np.maximum(cells[1], 1))[whole][:, places] @ away / (away @ away)
    own *= np.ptp(strength)
    mean, reach = float(own.mean()), float(stdtrit(own.size - 1, 0.975) * own.std(ddof=1))
    reach /= math.sqrt(own.size)
    return Rise(mean, Interval(mean - reach, mean + reach), own.size)


def _points(
    trial: Trial, table: ScoreTable, log: BatchLog, attribute: str, quantity: Quantity
) -> tuple[TastePoint, ...]:
    """Join strength and taste of the variants of which both are known."""
    made = strengths(log)
    scores = table.scores[:, [scored.name for scored in trial.attributes].index(attribute)]
    points = []
    for place, variant in enumerate(trial.variants):
        measured = [getattr(batch, quantity) for batch in made if batch.variant == variant.name]
        rows = (table.variant == place) & np.isfinite(scores)
        _, taster = np.unique(table.taster[rows], return_inverse=True)
        means = np.bincount(taster, scores[rows]) / np.bincount(taster)
        if measured and None not in measured and len(means):
            points.append(
                TastePoint(
                    variant=variant.name,
                    measured=sum(measured) / len(measured),
                    perceived=float(means.mean()),
                    tasters=len(means),
                )
            )
    return tuple(points)


def salty_with_sour(trial: Trial, table: ScoreTable) -> WithinCorrelation | NoResult:
    """Tell how saltiness (y) goes with sourness (x) within tasters, over all their cups."""
    salty, sour = taste_attribute(trial, "salty"), taste_attribute(trial, "sour")
    if salty is None or sour is None:
        return NoResult("Saltiness and sourness were not both scored.")
    names = [attribute.name for attribute in trial.attributes]
    x, y = (table.scores[:, names.index(name)] for name in (sour, salty))
    return rm_correlation(x, y, table.taster)
