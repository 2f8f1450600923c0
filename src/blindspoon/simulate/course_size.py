"""How many tasters a question of days needs, and which design answers it best; no simulation."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from scipy import optimize, stats

from blindspoon import wording
from blindspoon.simulate.panels import WANTED
from blindspoon.simulate.size_results import Spread
from blindspoon.trial import Course, Trial

USUAL = (6, 8, 12, 16, 20, 24)
FEW = 12
"""Tasters below whom two cups of each are advised."""
DAYS = (4, 6)
"""Days that are advised."""
STEPS = 4000
"""Points at which the spread that a panel happens to show is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSize:
    """What one panel can hope for.

    Parameters
    ----------
    tasters, cups : int
        Each taster gets so many cups of each day and of the control.
    change : float
        Points between the first and the last of the days that are seen 8 times in 10, if the
        food changes evenly.
    not_yet : float
        Chance to show a day that is a margin too far from what is reached as not there yet.
    reached : float
        Chance to show a day that equals the control within the margin; that is a margin beyond
        a level, above it.
    """

    tasters: int
    cups: int
    change: float
    not_yet: float
    reached: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSizing:
    """What panels can hope for, and the designs.

    Parameters
    ----------
    course : Course
    margin, alpha : float
        In points; of one side of a bracket.
    days : int
        Of the design that is planned.
    spread : Spread
    rows : tuple of CourseSize
    sentences : tuple of str
        The designs, best first, and what is planned.
    """

    course: Course
    margin: float
    alpha: float
    days: int
    spread: Spread
    rows: tuple[CourseSize, ...]
    sentences: tuple[str, ...]

    def to_record(self) -> dict[str, object]:
        """Give everything as plain values, for JSON."""
        return {
            "attribute": self.course.attribute,
            "over": self.course.over,
            "level": self.course.level,
            "margin": self.margin,
            "alpha": self.alpha,
            "days": self.days,
            "spread": asdict(self.spread),
            "panels": [asdict(row) for row in self.rows],
            "sentences": list(self.sentences),
        }


def size_course(trial: Trial, spread: Spread, tasters: Sequence[int] = ()) -> CourseSizing | None:
    """Say what panels can hope for of a question of days; None where the trial has none.

    Parameters
    ----------
    trial : Trial
    spread : Spread
        Of the scores of its attribute.
    tasters : sequence of int
        Numbers to try; the planned one and the usual ones where empty.

    Notes
    -----
    Slopes and differences of tasters are normal: the change that is seen is that of Student's
    t test with the noncentral t (Johnson, Kotz and Balakrishnan 1995, chapter 31); the chance to
    lie within a margin is that of two one-sided tests (Schuirmann 1987), averaged over the spread
    that the panel happens to show (Owen 1965).
    """
    course = trial.course
    if course is None:
        return None
    attribute, planned = trial.attribute(course.attribute), len(trial.tasting.tasters)
    margin = attribute.margin or (attribute.scale.high - attribute.scale.low) / 10
    of_series = Counter(v.series or v.name for v in trial.variants if v.name != trial.control)
    alpha, level = trial.share_of_alpha("course") / 2 / len(of_series), course.level is not None
    ages = max(of_series.values())
    days = ages if ages > 1 else len(trial.sessions)
    even = max(days, DAYS[0])
    about = even * (even + 1) / (12 * (even - 1))  # of days evenly from 0 to 1, about their mean

    def panel(tasters: int, cups: int) -> CourseSize:
        """Work out one panel; one sitting's control is the same noise for all of its days."""
        cup, own = spread.residual_sd**2 / cups, spread.taster_variant_sd**2
        slope = math.sqrt((cup * (1 if ages > 1 else 2) + own) / about)
        of_day = math.sqrt(cup + own + spread.taster_sd**2 if level else 2 * cup + own)
        root, limit = math.sqrt(tasters), float(stats.t.isf(alpha, tasters - 1))
        beyond = float(stats.nct.sf(limit, tasters - 1, margin * root / of_day))
        return CourseSize(
            tasters=tasters, cups=cups, change=_seen(limit, tasters) * slope / root,
            not_yet=beyond,
            reached=beyond if level else _within(margin * root / of_day, limit, tasters),
        )  # fmt: skip

    tried = sorted({n for n in (tasters or (planned, *USUAL)) if n > 1})
    rows = tuple(panel(n, cups) for n in tried for cups in ((1, 2) if n < FEW else (1,)))
    own = next((row for row in rows if row.tasters == planned and days > 1), None)
    seen = "" if own is None else wording.number(own.change, 1)
    hope = (
        f"{wording.count(planned, 'taster')} with one cup of each would see a change of {seen} "
        "points from the first day to the last 8 times in 10, if it goes evenly."
    )
    return CourseSizing(
        course=course, margin=margin, alpha=alpha, days=days, spread=spread, rows=rows,
        sentences=(*DESIGNS, *_planned(trial, days, planned), *([hope] if own else [])),
    )  # fmt: skip


def _seen(limit: float, tasters: int) -> float:
    """Find the noncentrality at which Student's t passes its limit as often as wanted."""

    def short(delta: float) -> float:
        return float(stats.nct.sf(limit, tasters - 1, delta)) - WANTED

    return float(optimize.brentq(short, 0, 20 * limit))


def _within(margin: float, limit: float, tasters: int) -> float:
    """Chance that an interval about zero lies within the margin, in standard errors."""
    df = tasters - 1
    spread = np.sqrt(stats.chi2.ppf((np.arange(STEPS) + 0.5) / STEPS, df) / df)
    return float(np.clip(2 * stats.norm.cdf(margin - limit * spread) - 1, 0, None).mean())


DESIGNS = (
    "Designs, best first. 1: several ages in one sitting: start jars together, move each to the "
    "cold at its own age, and taste them all on one evening with the control hidden among them. "
    "Two jars an age if the answer is to be about the method.",
    "2: several sittings, each with a cup of the same control, kept cold. 3: several sittings "
    "without it: a trend only, and the evenings may have changed and not the food.",
    f"Take {DAYS[0]} to {DAYS[1]} days, the first surely before it is ready, the last surely "
    f"after. With fewer than {FEW} tasters give each two cups of everything (a second session on "
    "the same evening).",
)


def _planned(trial: Trial, days: int, tasters: int) -> Iterator[str]:
    """Say which design is planned, and what it lacks."""
    if days < 2:
        yield "Planned so far: one day. A course takes two, and a trend three."
        return
    several = any(variant.series for variant in trial.variants)
    what = "ages in one sitting" if several else "sittings"
    lacks = ""
    if days < DAYS[0]:
        lacks = f", fewer than {DAYS[0]}: between two of them anything may have happened"
    elif several and tasters < FEW and len(trial.sessions) < 2:
        lacks = f", one cup of each for {wording.count(tasters, 'taster')}"
    yield f"Planned: {wording.spelled(days)} {what}{lacks}."
