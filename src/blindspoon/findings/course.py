"""How the food changed over the days: every series of cups, day by day, and when it was ready.

A series is a variant, or several that are one food at several ages. A value is a taster's score on
a day, less that of the control of the same sitting; or, where a level is to be reached, the score
itself, freed from what moved the whole sitting by the same control.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from blindspoon.arrays import FloatArray
from blindspoon.stats.acceptance import DayOfShare, SharesByDay
from blindspoon.stats.over_days import Bracket, Crossing, DayFound, Trend
from blindspoon.stats.page_trend import PageTrend
from blindspoon.stats.results import NoResult
from blindspoon.trial import Attribute, Course

Against = Literal["control", "level", "nothing"]
"""What days are held against; "nothing": no cup stayed the same, so there is a trend only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseDay:
    """One day of a series.

    Parameters
    ----------
    day : int
        As ``course.over`` counts them.
    sessions, variants, batches : tuple of str
        Names of what was tasted at that age, and when.
    mean, control : float
        Plain means of the scores of the series and of the control in the same sittings, in
        points; the second NaN where there was none.
    found : DayFound or NoResult
        Of the tasters' values on this day alone; `values` of the series has them.
    verdict : {"different", "slight", "alike", "open"} or None
        By the fixed sequences; with a level, "alike" is at it or past it, "different" short of it.
        None where nothing can be judged.
    """

    day: int
    sessions: tuple[str, ...]
    variants: tuple[str, ...]
    batches: tuple[str, ...]
    mean: float
    control: float
    found: DayFound | NoResult
    verdict: Literal["different", "slight", "alike", "open"] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """When so many would not have it any more, or would have it at last.

    Parameters
    ----------
    share : float
        Of those who turned; "yes" in `shares` is having turned.
    refusals : bool
        Whether turning is to refuse, as of a food that is to be kept; else it is to accept.
    shares : SharesByDay
    curve : float array, shape (k, 3)
        After one day, by another, and the share who turned between them, for drawing alone.
    fit : DayOfShare or NoResult
    to_and_fro : tuple of str
        Tasters who turned back, and are in neither `curve` nor `fit`.
    """

    share: float
    refusals: bool
    shares: SharesByDay
    curve: FloatArray
    fit: DayOfShare | NoResult
    to_and_fro: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseFound:
    """One series over the days, on one attribute.

    Parameters
    ----------
    series, label : str
        Name of the series, or of the variant that stands alone; and what people read.
    attribute : Attribute
    course : Course
    judged : bool
        Whether it is the attribute that ``course`` asks about; others are shown beside it.
    primary : bool
    alpha : float
        The share of alpha at which it is decided.
    against : {"control", "level", "nothing"}
    sittings : int
        Over which the days are spread; 1 where all ages were tasted together.
    days : tuple of CourseDay
        By age.
    tasters : tuple of str
        Those with a value on two days or more, a row of `values` each.
    values : float array, shape (n_tasters, n_days)
        In points: from the control, or on the scale of the attribute (`against`); NaN where
        there is none.
    trend : Trend or NoResult
    page : PageTrend or NoResult
    reached : Bracket, NoResult or None
        Not yet up to the one day, there from the other on; None where that is not asked.
    kept : Bracket, NoResult or None
        Still there up to the one day, no longer from the other on; None where that is not asked.
    line : Crossing or NoResult
    acceptance : Acceptance or None
    left_out : tuple of str
        Who takes no part and why, a sentence each.
    because : tuple of str
        What was found, in plain sentences; the first is the answer.
    """

    series: str
    label: str
    attribute: Attribute
    course: Course
    judged: bool
    primary: bool
    alpha: float
    against: Against
    sittings: int
    days: tuple[CourseDay, ...]
    tasters: tuple[str, ...]
    values: FloatArray
    trend: Trend | NoResult
    page: PageTrend | NoResult
    reached: Bracket | NoResult | None
    kept: Bracket | NoResult | None
    line: Crossing | NoResult
    acceptance: Acceptance | None = None
    left_out: tuple[str, ...] = ()
    because: tuple[str, ...] = ()
