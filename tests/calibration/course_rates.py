"""How often what is said of a course over days is right: simulated courses, judged as real ones."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple, cast

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.batches.strengths import CupAges
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import only
from blindspoon.findings.course import CourseFound, compare_course
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Interval
from blindspoon.stats.scores_over_days import Crossing, Trend
from blindspoon.stats.several_tests import Bracket
from blindspoon.stats.shares_over_days import DayOfShare
from blindspoon.stats.signed_ranks import PageTrend
from blindspoon.trial import Trial
from tests.calibration.situations import ALPHA, Situation, Truth

DAYS = np.array([3, 7, 10, 14, 21, 28])
STRAIGHT = tuple((-4 + 0.16 * (DAYS - 3)).tolist())
MARGIN, MIDDLE = 1.0, 50
CUP_SD, TASTER_SD, DRIFT_SD = 1.3, 1.0, 0.02
"""Points, and points a day; scores are whole points that never come near an end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSituation:
    """How the tasters of a simulated course score; points.

    A score is a taster's own level, plus what the evening does to all its cups, plus what the cup
    adds; that of the food also its difference from the control on that day, what its jar adds, and
    the taster's own drift.

    - `name`, `says`: lower-case letters, digits and hyphens; one plain sentence for the reader
    - `course`: difference of the food from the control on each of `DAYS`, where it changes; where
      it does not, it is 0 throughout
    - `crossing`: the day on which it comes within the margin of one point, where one can be named
    - `asks`: what [course] has, apart from what is counted
    - `evening_sd`: what an evening does to all its cups; None where all ages are tasted at once
    - `jar_sd`: how far each age's jar is off what the method gives
    - `turning`: median of the days from which on tasters refuse, whose logs have an SD of 0.5
    """

    name: str
    says: str
    course: tuple[float, ...] = STRAIGHT
    crossing: float | None = None
    asks: str = 'reach = "control"'
    evening_sd: float | None = None
    jar_sd: float = 0.0
    turning: float | None = None

    @property
    def variants(self) -> int:
        """The control among them; where all ages are tasted at once, each age is one."""
        return 1 + (1 if self.evening_sd is not None else DAYS.size)


COURSES = (
    CourseSituation(
        name="days-differ",
        says="An evening a day, which moves all its cups by 0.8 points (SD); a straight line.",
        crossing=21.75, evening_sd=0.8,
    ),
    CourseSituation(
        name="levels-off",
        says="The food rises fast, then slowly, and is exactly one margin off on day 14.",
        course=(-4.0, -2.2, -1.5, -1.0, -0.3, -0.1), crossing=14.0,
    ),
    CourseSituation(
        name="overshoots",
        says="The food passes the control, and ends exactly one margin above it.",
        course=(-4.0, -1.0, 0.5, 1.6, 1.2, 1.0), asks='reach = "control", keep = true',
    ),
    CourseSituation(
        name="jar-an-age",
        says="Every age is another jar, off what the method gives by 0.5 points (SD).",
        jar_sd=0.5,
    ),
    CourseSituation(
        name="refusals",
        says="Tasters refuse from days of their own on, half of them by day 14.",
        asks='keep = "control", accept = "would_eat"', turning=14.0,
    ),
)  # fmt: skip


NAMES = tuple(situation.name for situation in COURSES)

OF_THE_METHOD = "slopes, as of the method"
"""Slopes of the jars tasted, taken as those of all jars made so: what the tool does not say."""
ASSUMING_TOO_MUCH = {("jar-an-age", OF_THE_METHOD), ("levels-off", "line")}
"""Situations and procedures whose assumptions do not hold there."""

Asked = tuple[str, str]  # a procedure, and a question as in `calibrate.QUESTIONS`


class ServedCourse(NamedTuple):
    """A trial over days, without scores: what was served to whom, a row a cup.

    The scores of `served` are 0; `day`, shape (n,), is the place of the food's day in `DAYS`, -1
    for the control.
    """

    trial: Trial
    ages: CupAges
    served: ScoreTable
    day: IntArray


def panel_of(situation: CourseSituation, tasters: int) -> ServedCourse:
    """Write down a course with one attribute that decides."""
    evenings = situation.evening_sd is not None
    foods = ["food"] if evenings else [f"day-{day}" for day in DAYS]
    series = "" if evenings else ', series = "food"'
    sessions = tuple(str(place + 1) for place in range(DAYS.size if evenings else 1))
    trial = parse_trial(f"""
        trial = {{ title = "Simulated", control = "plain" }}
        decision.declared = 2026-01-01
        decision.primary = ["course"]
        decision.alpha = {ALPHA}
        decision.margin = {MARGIN}
        course = {{ attribute = "texture", {situation.asks} }}
        scale = {{ low = 0, high = 100, step = 1 }}
        attribute = [{{ name = "texture" }}]
        variant = [{{ name = "plain" }}, {", ".join(f'{{ name = "{f}"{series} }}' for f in foods)}]
        session = [{", ".join(f'{{ name = "{name}" }}' for name in sessions)}]
        tasting = {{ tasters = {tasters} }}
    """)
    shape = (tasters, len(sessions), len(foods) + 1)
    taster, session, variant = np.indices(shape).reshape(3, -1)
    cells = [(food, name) for food in foods for name in sessions]
    ages = CupAges(
        days=dict(zip(cells, DAYS.tolist(), strict=True)),
        batches=dict.fromkeys(cells, ()),
        control_stays=True,
    )
    served = ScoreTable(
        tasters=trial.tasting.tasters, sessions=sessions, taster=taster, session=session,
        variant=variant, batch=np.full(taster.size, -1), batches=(), position=variant + 1,
        scores=np.zeros((taster.size, 1)), coded=True, balanced=True, remarks=(), left_out=(),
    )  # fmt: skip
    day = np.where(variant == 0, -1, session if evenings else variant - 1)
    return ServedCourse(trial, ages, served, day)


def ask(
    situation: CourseSituation, panel: ServedCourse, *, changes: bool, rng: np.random.Generator
) -> Iterator[tuple[Asked, bool]]:
    """Simulate one course, judge it, and ask what can be asked of every procedure."""
    served, day, n = panel.served, panel.day, len(panel.served.tasters)
    method = np.array(situation.course) * changes
    jars = method + rng.normal(0, situation.jar_sd, DAYS.size)
    own = jars + rng.normal(0, DRIFT_SD, (n, 1)) * (DAYS - DAYS.mean())
    evening = rng.normal(0, situation.evening_sd or 0.0, len(served.sessions))
    scores = MIDDLE + rng.normal(0, TASTER_SD, n)[served.taster] + evening[served.session]
    scores += np.where(day < 0, 0.0, own[served.taster, day]) + rng.normal(0, CUP_SD, day.size)
    accepted = None
    if situation.turning:
        turned = np.exp(rng.normal(math.log(situation.turning), 0.5, n))[served.taster]
        accepted = np.where(day < 0, np.nan, turned > DAYS[day])
    table = replace(served, scores=np.rint(scores)[:, None], accepted=accepted)
    trial = replace(panel.trial, seed=int(rng.integers(2**31)))
    (found,) = compare_course(trial, table, panel.ages)
    if situation.turning:
        yield from _of_refusals(found, situation.turning)
        return
    yield from _of_trends(found, situation, method, jars)
    yield from _of_days(found, jars, situation.crossing if changes else None)
    if situation.evening_sd:
        (alone,) = compare_course(trial, only(table, table.variant > 0), panel.ages)
        yield from _of_slope("without a control", alone.trend, method)


def _of_slope(procedure: str, found: object, course: FloatArray) -> Iterator[tuple[Asked, bool]]:
    """Hold a trend against the least squares slope of the true course."""
    if isinstance(found, Trend):
        slope = float(np.polyfit(DAYS, course, 1)[0])
        yield (procedure, "coverage"), holds(found.interval, slope)
        question = "found" if course.any() else "false_alarm"
        yield (procedure, question), found.p_value <= ALPHA


def _of_trends(
    found: CourseFound, situation: CourseSituation, method: FloatArray, jars: FloatArray
) -> Iterator[tuple[Asked, bool]]:
    """Ask for slopes of these jars and, with several, of the method; for signs; for Page's test."""
    yield from _of_slope("slopes", found.trend, jars)
    if situation.jar_sd:
        yield from _of_slope(OF_THE_METHOD, found.trend, method)
        return
    question = "found" if method.any() else "false_alarm"
    if isinstance(found.trend, Trend) and found.trend.p_signs is not None:
        yield ("signs of slopes", question), found.trend.p_signs <= ALPHA
    if isinstance(found.page, PageTrend):
        yield ("Page", question), found.page.p_rising <= ALPHA


def _of_days(
    found: CourseFound, jars: FloatArray, crossing: float | None
) -> Iterator[tuple[Asked, bool]]:
    """Hold verdicts, brackets and the line against the jars that were tasted.

    On a day exactly one margin off, neither "within" nor "beyond" is right.
    """
    outside, inside = np.abs(jars) >= MARGIN - 1e-9, np.abs(jars) <= MARGIN + 1e-9
    verdicts = np.array([day.verdict for day in found.days])
    alike, different = (np.isin(verdicts, [kind, "slight"]) for kind in ("alike", "different"))
    if not jars.any():
        yield ("days", "false_alarm"), bool(different.any())
    if outside.any():
        yield ("days", "false_alike"), bool((alike & outside).any())
        yield ("days", "found"), _both(found.reached)
    wrong, reached, kept = np.zeros(DAYS.size, bool), found.reached, found.kept
    if isinstance(reached, Bracket):
        wrong |= (inside & ((reached.after or 0) >= DAYS)) | (outside & (reached.by == DAYS))
    if isinstance(kept, Bracket):
        wrong |= (inside & ((kept.by or np.inf) <= DAYS)) | (outside & (kept.after == DAYS))
    yield ("days", "coverage"), not wrong.any()
    if crossing is not None:
        yield ("line", "found"), isinstance(found.line, Crossing)
        if isinstance(found.line, Crossing):
            yield ("line", "coverage"), holds(found.line.interval, crossing)


def _of_refusals(found: CourseFound, median: float) -> Iterator[tuple[Asked, bool]]:
    """Hold what is said of refusals against the median of the tasters' days."""
    if found.acceptance is None:
        return
    passed, fit = found.acceptance.shares.passed, found.acceptance.fit
    wrong = (passed.after or 0) >= median or (passed.by or np.inf) <= median
    yield ("refusals by day", "coverage"), not wrong
    yield ("refusals by day", "found"), _both(passed)
    yield ("lognormal", "found"), isinstance(fit, DayOfShare)
    if isinstance(fit, DayOfShare):
        yield ("lognormal", "coverage"), holds(fit.interval, median)


def _both(bracket: object) -> bool:
    """Whether a bracket was found, with both its ends."""
    return isinstance(bracket, Bracket) and None not in (bracket.after, bracket.by)


def holds(interval: Interval, truth: float) -> bool:
    """Whether the truth is in an interval, which may fall short of it through floating point."""
    return interval.low - 1e-9 <= truth <= interval.high + 1e-9


TASTERS = (8, 12, 20)
CHUNK = 50  # trials drawn from one seed, whatever the number of workers


class Cell(NamedTuple):
    """Panels that are simulated alike; the control is among the variants."""

    situation: Situation | CourseSituation
    variants: int
    tasters: int
    truth: Truth


def course_chunk(seed: int, cell: Cell, start: int, trials: int) -> dict[Asked, tuple[int, int]]:
    """Simulate and judge one chunk of trials; `start` is the first one's number in its cell.

    How often each question came true, and in how many trials it could be asked; the food changes
    where all variants differ.
    """
    situation, changes = cast("CourseSituation", cell.situation), cell.truth == "all"
    drawn_for = (seed, *situation.name.encode(), cell.tasters, changes)
    rng = np.random.default_rng(np.random.SeedSequence(drawn_for, spawn_key=(start,)))
    panel = panel_of(situation, cell.tasters)
    found = (ask(situation, panel, changes=changes, rng=rng) for _ in range(trials))
    return summed((asked, (int(true), 1)) for one in found for asked, true in one)


def summed(parts: Iterable[tuple[Asked, tuple[int, int]]]) -> dict[Asked, tuple[int, int]]:
    counts: dict[Asked, tuple[int, int]] = {}
    for asked, (true, of) in parts:
        before = counts.get(asked, (0, 0))
        counts[asked] = before[0] + true, before[1] + of
    return counts
