"""What was measured: readings over time, and scores beside what was weighed and read."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.batches.differences import ACID, SALT
from blindspoon.batches.log import BatchLog
from blindspoon.batches.strengths import mean_of, strengths
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
    """

    batch: str
    variant: str
    quantity: str
    dates: tuple[datetime.date, ...]
    days: tuple[int, ...] | None
    values: tuple[float, ...]


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
        start = batch.started
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
    from blindspoon.stats.signed_ranks import taster_means  # noqa: PLC0415 - check does without

    asked: tuple[tuple[Literal["salty", "sour"], Quantity], ...] = (
        ("salty", "salt_percent"),
        ("sour", "citric_g_per_100_g"),
        ("sour", "last_ph"),
    )
    made, names, found = strengths(log), [scored.name for scored in trial.attributes], []
    shape = {"n_tasters": len(table.tasters), "n_variants": len(trial.variants)}
    for taste, quantity in asked:
        attribute = taste_attribute(trial, taste)
        if attribute is None:
            continue
        scores = table.scores[:, names.index(attribute)]
        means = taster_means(scores, table.taster, table.variant, **shape)
        points, places = [], []
        for place, variant in enumerate(trial.variants):
            own, tasted = means[:, place], np.isfinite(means[:, place])
            jars = [batch for batch in made if batch.variant == variant.name]
            measured = mean_of(jars, quantity)
            if measured is not None and tasted.any():
                point = TastePoint(
                    variant=variant.name,
                    measured=measured,
                    perceived=float(own[tasted].mean()),
                    tasters=int(tasted.sum()),
                )
                points.append(point)
                places.append(place)
        if len(points) < 2 or not any(point.measured for point in points):
            continue
        strength = {point.variant: point.measured for point in points}
        control = strength.pop(trial.control, math.inf)
        reach = QUANTITIES[quantity].tolerance + 1e-9
        same = tuple(name for name, own in strength.items() if abs(own - control) <= reach)
        against = TasteAgainst(
            attribute=attribute, quantity=quantity, points=tuple(points), same_strength=same
        )
        if against.differs:
            strong = np.array([point.measured for point in points])
            against = replace(against, rise=_rise(means[:, places], strong))
        found.append(against)
    return tuple(found)


def _rise(means: FloatArray, strength: FloatArray) -> Rise | None:
    """Fit a line to the scores of each taster, and average what the lines rise by."""
    from scipy.special import stdtrit  # noqa: PLC0415 - check does without

    whole = means[np.isfinite(means).all(axis=1)]
    if len(whole) < 3:
        return None
    away = strength - strength.mean()
    own = whole @ away / (away @ away) * np.ptp(strength)
    mean, reach = float(own.mean()), float(stdtrit(own.size - 1, 0.975) * own.std(ddof=1))
    reach /= math.sqrt(own.size)
    return Rise(mean, Interval(mean - reach, mean + reach), own.size)


def salty_with_sour(trial: Trial, table: ScoreTable) -> WithinCorrelation | NoResult:
    """Tell how saltiness (y) goes with sourness (x) within tasters, over all their cups."""
    salty, sour = taste_attribute(trial, "salty"), taste_attribute(trial, "sour")
    if salty is None or sour is None:
        return NoResult("Saltiness and sourness were not both scored.")
    names = [attribute.name for attribute in trial.attributes]
    x, y = (table.scores[:, names.index(name)] for name in (sour, salty))
    return rm_correlation(x, y, table.taster)
