"""What was measured: readings over time, and scores beside what was weighed and read."""

from __future__ import annotations

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


class MeasuredQuantity(NamedTuple):
    """How a quantity is called and written.

    Attributes
    ----------
    taste : {"salty", "sour"}
        What it makes a food.
    title, axis : str
        In a title, and along an axis.
    unit : str
        After a number of it.
    tolerance : float
        How far apart two variants may be and count as equally strong, in the unit.
    """

    taste: Literal["salty", "sour"]
    title: str
    axis: str
    unit: str
    digits: int
    tolerance: float


QUANTITIES: Mapping[Quantity, MeasuredQuantity] = {
    "salt_percent": MeasuredQuantity(
        "salty", "salt", "salt, % of everything in the jar", " %", 2, SALT.tolerance
    ),
    "citric_g_per_100_g": MeasuredQuantity(
        "sour", "added acid", "added acid, g in 100 g, as citric acid", " g in 100 g", 2,
        ACID.tolerance,
    ),
    "last_ph": MeasuredQuantity("sour", "pH", "last pH read before the tasting", "", 1, 0.1),
}  # fmt: skip
"""The tolerance of pH is what strips and cheap meters tell apart, from memory."""

INTERACTION = (
    "P. A. S. Breslin 1996, Trends Food Sci. Technol. 7:390",
    "L. M. Wilkie and E. D. Capaldi Phillips 2014, Neurosci. Biobehav. Rev. 47:70",
)
"""How salt and acid change each other's taste: moderate ones enhance, strong ones suppress one
another; acids make salt taste stronger. Volume of the second from memory."""


class TastePoint(NamedTuple):
    """A variant's strength and how strong it tasted.

    Attributes
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


def taste_attribute(trial: Trial, taste: Literal["salty", "sour"]) -> int | None:
    """Find the attribute that scores a taste, by its place; None where there is none."""
    names = [attribute.name for attribute in trial.attributes]
    return next((names.index(name) for name in TASTES[taste] if name in names), None)


def taste_against_measured(
    trial: Trial, table: ScoreTable, log: BatchLog
) -> tuple[TasteAgainst, ...]:
    """Set saltiness against salt, and sourness against added acid and pH.

    Those with two variants or more. A quantity that is zero throughout, such as acid that nobody
    added, is left out.
    """
    from blindspoon.stats.two_way import gather  # noqa: PLC0415 - check does without

    made, found = strengths(log), []
    shape = {"n_tasters": len(table.tasters), "n_variants": len(trial.variants)}
    for quantity, how in QUANTITIES.items():
        attribute = taste_attribute(trial, how.taste)
        if attribute is None:
            continue
        means = gather(table.scores[:, attribute], table.taster, table.variant, **shape).mean
        points, places = list[TastePoint](), list[int]()
        for place, variant in enumerate(trial.variants):
            tasted = means[np.isfinite(means[:, place]), place]
            jars = [batch for batch in made if batch.variant == variant.name]
            measured = mean_of(jars, quantity)
            if measured is not None and tasted.size:
                mean = float(tasted.mean())
                points.append(TastePoint(variant.name, measured, mean, tasted.size))
                places.append(place)
        if len(points) < 2 or not any(point.measured for point in points):
            continue
        strength = {point.variant: point.measured for point in points}
        control = strength.pop(trial.control, math.inf)
        reach = how.tolerance + 1e-9
        against = TasteAgainst(
            attribute=trial.attributes[attribute].name,
            quantity=quantity,
            points=tuple(points),
            same_strength=tuple(n for n, own in strength.items() if abs(own - control) <= reach),
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
    return rm_correlation(table.scores[:, sour], table.scores[:, salty], table.taster)
