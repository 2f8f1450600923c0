"""How the food changed over the days: every series of cups, day by day, and when it was ready.

A series is a variant, or several that are one food at several ages. A value is a taster's score on
a day, less that of the control of the same sitting; or, where a level is to be reached, the score
itself, freed from what moved the whole sitting by the same control.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.batches.strengths import Cell, CupAges
from blindspoon.findings.rule import KINDS, Kind
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats import scores_over_days
from blindspoon.stats.mixed import rounded_to
from blindspoon.stats.results import NoResult
from blindspoon.stats.scores_over_days import Crossing, DayFound, ScoresByDay, Trend
from blindspoon.stats.several_tests import Bracket, coming_and_going, shown_from, shown_until
from blindspoon.stats.shares_over_days import (
    DayOfShare,
    SharesByDay,
    day_of_share,
    shares_by_day,
    turning_days,
)
from blindspoon.stats.sign_flips import settle_ties
from blindspoon.stats.signed_ranks import PageTrend, page_trend
from blindspoon.stats.two_way import gather
from blindspoon.trial import Attribute, Course, Trial

Against = Literal["control", "level", "nothing"]
"""What days are held against; "nothing": no cup stayed the same, so there is a trend only."""
TWO_NEEDED = NoResult("All cups were of one age; two are needed.")
NOTHING_STAYED = NoResult("No cup stayed the same from sitting to sitting.")


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseDay:
    """One day of a series, as ``course.over`` counts them, and what was tasted at that age.

    `mean` and `control` are plain means of the scores in the same sittings, in points. The verdict
    is by the fixed sequences; with a level, "alike" is at it or past it, "different" short of it;
    None where nothing can be judged.
    """

    day: int
    sessions: tuple[str, ...]
    variants: tuple[str, ...]
    batches: tuple[str, ...]
    mean: float | None
    control: float | None
    found: DayFound | NoResult
    verdict: Kind | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """When so many would not have it any more, or would have it at last.

    "Yes" in `shares` is having turned: to refuse (`refusals`), as of a food that is only to be
    kept, or to accept. Those who went `to_and_fro` are not in `fit`.
    """

    share: float
    refusals: bool
    shares: SharesByDay
    fit: DayOfShare | NoResult
    to_and_fro: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSaid:
    """What was found, in plain sentences; two `answers` where from when and until when is asked.

    `series` is named where there are several; the first answer `places` the food or says when or
    whether; `untold` is why no day is judged, where the trend answers instead.
    """

    series: str = ""
    places: bool = False
    untold: tuple[str, ...] = ()
    answers: tuple[str, ...] = ()
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseFound:
    """One series over the days, on one attribute; a variant that stands alone is a series too.

    - `judged`: whether it is the attribute that ``course`` asks about; others are shown beside it
    - `sittings`: over which the days are spread; 1 where all ages were tasted together
    - `tasters`: those with a value on two days or more, a row of `values` each; `once` on one only
    - `values`, shape (n_tasters, n_days), in points: from the control, or on the scale of the
      attribute (`against`); NaN where there is none
    - `reached`, `kept`: between which days it got there, and left again; None where not asked
    - `unheld`: sittings without a control, whose cups are left out, a sentence each
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
    reached: Bracket | NoResult | None = None
    kept: Bracket | NoResult | None = None
    line: Crossing | NoResult = NOTHING_STAYED
    acceptance: Acceptance | None = None
    once: tuple[str, ...] = ()
    unheld: tuple[str, ...] = ()
    said: CourseSaid = CourseSaid()

    @property
    def because(self) -> tuple[str, ...]:
        """What was found, in plain sentences, the series named first where there are several."""
        first, *others = (*self.said.untold, *self.said.answers, *self.said.more)
        return (f"“{self.said.series}”: {first}" if self.said.series else first, *others)

    @property
    def end_alpha(self) -> float:
        """The level of either end of a bracket; where it may come and go, of three tests each."""
        return self.alpha / (2 if None in (self.course.reach, self.course.keep) else 3)

    @property
    def left_out(self) -> tuple[str, ...]:
        """Who and what takes no part and why, a sentence each; tasters first."""
        once = (f"{it} tasted on one day only, and is not in the trend." for it in self.once)
        return (*once, *self.unheld)


@dataclass(frozen=True, slots=True, kw_only=True)
class CellSeries:
    """Cups that are one food at several ages, in cells of one variant and session each.

    `days` rise, shape (n_days,); `day`, shape (n_cells,), is the position of each cell there.
    """

    name: str
    label: str
    cells: tuple[Cell, ...]
    days: IntArray
    day: IntArray


def compare_course(
    trial: Trial, table: ScoreTable, ages: CupAges, *, exploratory: bool = False
) -> tuple[CourseFound, ...]:
    """Follow every series over its days: on the judged attribute, the control last, then on others.

    Alpha is shared by the series, so that what is said of them holds together.
    """
    course, sessions, n = trial.course, table.sessions, len(table.sessions)
    assert course is not None  # noqa: S101 - nothing else is followed over days
    groups: dict[str, list[Cell]] = {}
    for code in np.unique(table.variant * n + table.session).tolist():
        variant = trial.variants[code // n]
        cell = (variant.name, sessions[code % n])
        if cell in ages.days and (variant.name != trial.control or not ages.control_stays):
            groups.setdefault(variant.series or variant.name, []).append(cell)
    series = []
    for name, cells in groups.items():
        days, day = np.unique([ages.days[cell] for cell in cells], return_inverse=True)
        label = trial.variant(name).label if name in dict(cells) else name
        series.append(CellSeries(name=name, label=label, cells=tuple(cells), days=days, day=day))
    series.sort(key=lambda own: own.name == trial.control)
    several = sum(own.name != trial.control for own in series)
    alpha = trial.share_of_alpha("course") / max(several, 1)
    primary = "course" in trial.decision.primary and not exploratory
    return tuple(
        _follow(trial, course, table, ages, own, attribute, alpha, primary=primary)
        for attribute in sorted(trial.attributes, key=lambda it: it.name != course.attribute)
        for own in series
    )


def _follow(
    trial: Trial,
    course: Course,
    table: ScoreTable,
    ages: CupAges,
    series: CellSeries,
    attribute: Attribute,
    alpha: float,
    *,
    primary: bool,
) -> CourseFound:
    index, judged = trial.attributes.index(attribute), attribute.name == course.attribute
    score = table.scores[:, index]
    level, sittings = course.level if judged else None, len({it for _, it in series.cells})
    own, control = _cell_means(trial, table, series, score)
    there = bool(np.isfinite(control).any())
    against: Against = "level" if level is not None and sittings == 1 else "nothing"
    if ages.control_stays and there:
        against = "control" if level is None else "level"
    freed = own - control if there and against != "nothing" else own
    if there and against == "level":  # what moved the whole sitting is taken out
        freed = freed + _row_means(control)[:, None]
    values = settle_ties(_day_means(series, freed))
    days, often = series.days.astype(float), np.isfinite(values).sum(axis=1)
    step = attribute.scale.step or rounded_to(score) or 0.0
    trend: Trend | NoResult = TWO_NEEDED
    if days.size > 1 and sittings > 1 and against == "nothing":
        trend = scores_over_days.trend_without_control(days, values, alpha=alpha)
    elif days.size > 1:
        rng = np.random.default_rng([trial.seed, index])
        trend = scores_over_days.trend_from_control(days, values, alpha=alpha, step=step, rng=rng)
    by_day = scores_over_days.scores_by_day(
        days,
        values,
        alpha=alpha,
        step=step,
        margin=attribute.margin or 0.0,
        level=level or 0.0,
        side="within" if level is None else "above" if course.side == "at least" else "below",
    )
    labels = np.array(table.tasters, object)
    one_sitting = NoResult("Page\u2019s test is for ages that were tasted in one sitting.")
    beside = np.isfinite(control).any(axis=0) | (not there or against == "nothing")
    found = CourseFound(
        series=series.name,
        label=series.label,
        attribute=attribute,
        course=course,
        judged=judged,
        primary=primary and judged,
        alpha=alpha,
        against=against,
        sittings=sittings,
        days=tuple(_days(ages, series, own, control, by_day)),
        tasters=tuple(labels[often > 1].tolist()),
        values=values[often > 1],
        trend=trend,
        page=page_trend(values) if sittings == 1 else one_sitting,
        acceptance=_acceptance(trial, course, table, series, alpha) if judged else None,
        once=tuple(labels[(often == 1) & (days.size > 1)].tolist()),
        unheld=tuple(
            f"No control was tasted in {trial.session_label(name) or f'session {name}'}, so its "
            "cups are left out."
            for name in dict.fromkeys(series.cells[at][1] for at in np.flatnonzero(~beside))
        ),
    )
    return _judged(found, by_day, trial.control)


def _cell_means(
    trial: Trial, table: ScoreTable, series: CellSeries, score: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Give each taster's mean of every cell, and of the control in the sitting of that cell."""
    place = {variant.name: at for at, variant in enumerate(trial.variants)}
    cell_of = np.full((len(place), len(table.sessions)), -1)
    at = [table.sessions.index(session) for _, session in series.cells]
    cell_of[[place[variant] for variant, _ in series.cells], at] = range(len(at))
    cell, tasters = cell_of[table.variant, table.session], len(table.tasters)
    rows, beside = cell >= 0, table.variant == trial.control_index
    own = gather(score[rows], table.taster[rows], cell[rows], tasters, len(at))
    control = gather(
        score[beside], table.taster[beside], table.session[beside], tasters, len(table.sessions)
    )
    return own.mean, control.mean[:, at]


def _day_means(series: CellSeries, cells: FloatArray) -> FloatArray:
    """Average each taster's cells of every day; NaN where there are none."""
    days = [_row_means(cells[:, series.day == day]) for day in range(series.days.size)]
    return np.stack(days, axis=1)


def _row_means(values: FloatArray) -> FloatArray:
    """Average what each taster has; NaN where that is nothing."""
    times = np.isfinite(values).sum(axis=1)
    return np.where(times > 0, np.nansum(values, axis=1) / np.maximum(times, 1), np.nan)


def _days(
    ages: CupAges, series: CellSeries, own: FloatArray, control: FloatArray, by_day: ScoresByDay
) -> Iterator[CourseDay]:
    for place, found in enumerate(by_day.days):
        here = np.flatnonzero(series.day == place)
        cells = [series.cells[at] for at in here]
        scored, beside = (means[:, here][np.isfinite(means[:, here])] for means in (own, control))
        yield CourseDay(
            day=int(series.days[place]),
            sessions=tuple(dict.fromkeys(session for _, session in cells)),
            variants=tuple(dict.fromkeys(variant for variant, _ in cells)),
            batches=tuple(dict.fromkeys(name for cell in cells for name in ages.batches[cell])),
            mean=float(scored.mean()) if scored.size else None,
            control=float(beside.mean()) if beside.size else None,
            found=found,
        )


def _missing(found: CourseFound, level: float | None) -> NoResult | None:
    """Say why no day can be judged."""
    lacking = [day.found for day in found.days if isinstance(day.found, NoResult)]
    if found.against == "nothing":
        return NOTHING_STAYED if found.sittings > 1 else NoResult("No control was tasted.")
    if len(found.days) < 2:
        return TWO_NEEDED
    if level is None and found.attribute.margin is None:
        return NoResult(f"{found.attribute.label} has no margin.")
    return lacking[0] if len(lacking) == len(found.days) else None


def _judged(found: CourseFound, by_day: ScoresByDay, control: str) -> CourseFound:
    """Apply the rule: brackets, and a verdict a day that agrees with them."""
    course, margin, alpha = found.course, found.attribute.margin or 0.0, found.alpha
    level = course.level if found.judged else None
    asked = (course.level is None or found.judged) and found.series != control
    reach, keep = asked and course.reach is not None, asked and course.keep is not None
    missing = _missing(found, level)
    if missing or not (reach or keep):
        return replace(
            found,
            reached=missing if reach else None,
            kept=missing if keep else None,
            line=missing or NoResult("It is not asked of this attribute."),
        )
    at = np.array([day.day for day in found.days], float)
    p_different, p_inside, p_outside = (
        np.array([getattr(day, name, np.nan) for day in by_day.days])
        for name in ("p_different", "p_inside", "p_outside")
    )
    reached, kept = by_day.reached, by_day.lost  # a day of None, as NaN, is of no day
    p_gone = p_different if level is None else p_outside
    ends = alpha if level is None and not (reach and keep) else found.end_alpha
    if reach and keep:
        reached, kept, between = coming_and_going(at, p_outside, p_inside, ends)
        alike = np.isin(at, between)
    else:
        alike = at >= np.array(reached.by, float) if reach else at <= np.array(kept.after, float)
    early = at <= np.array(shown_until(at, p_gone, ends) if reach else None, float)
    late = at >= np.array(shown_from(at, p_gone, ends) if keep else None, float)
    verdicts = [KINDS[code] for code in (alike + 2 * (early | late)).tolist()]
    target = level
    if target is None:  # the end of the margin on the side of the first day, or of the last
        outer = [day.found.mean for day in found.days if isinstance(day.found, DayFound)] or [0.0]
        target = float(np.copysign(margin, outer[0 if reach else -1]))
    return replace(
        found,
        days=tuple(
            replace(day, verdict=None if isinstance(day.found, NoResult) else verdict)
            for day, verdict in zip(found.days, verdicts, strict=True)
        ),
        reached=reached if reach else None,
        kept=kept if keep else None,
        line=scores_over_days.crossing_of_lines(at, found.values, level=target, alpha=alpha),
    )


def _acceptance(
    trial: Trial, course: Course, table: ScoreTable, series: CellSeries, alpha: float
) -> Acceptance | None:
    """Say when so many would not have it any more, or would at last; none where not asked."""
    if table.accepted is None or not np.isfinite(table.accepted).any():
        return None
    refusals, both = course.reach is None, None not in (course.reach, course.keep)
    own, _ = _cell_means(trial, table, series, table.accepted)
    days = _day_means(series, own)
    turned = np.where(np.isnan(days), np.nan, (days == 1) != refusals).astype(float)
    share, at = course.half if refusals else 1 - course.half, series.days.astype(float)
    own_days = turning_days(at, turned)
    once = bool(np.isfinite(own_days.after).any()) and not both
    none = NoResult("Nobody’s answers turned once and for all.")
    fit = day_of_share(own_days.after, own_days.by, alpha=alpha, share=share) if once else none
    back = [] if both else np.flatnonzero(own_days.turned_back).tolist()
    return Acceptance(
        share=share,
        refusals=refusals,
        shares=shares_by_day(at, turned, alpha=alpha, share=share, both=both),
        fit=fit,
        to_and_fro=tuple(table.tasters[place] for place in back),
    )
