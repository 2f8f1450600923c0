"""How many sets "can anybody tell?" needs, and how many tasters days do: exact, not simulated."""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import gammaincinv, nctdtr, nctdtrinc, ndtr, stdtrit

from blindspoon import wording
from blindspoon.findings.choices import percent
from blindspoon.scores.sets import chosen_by
from blindspoon.simulate.size_results import WANTED, Spread
from blindspoon.stats import forced_choice as fc
from blindspoon.stats.results import Record, as_record
from blindspoon.trial import Attribute, Choice, Course, Trial

ABLE = (0.3, 0.5, 0.7)  # shares who can tell, for which the chance to show it is told
USUAL_SETS = (12, 18, 24, 36, 48, 72)
MOST = 1000
NEAR = 4  # how many fewer sets are tried for a number that wastes nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceSize:
    """What one number of sets a variant can show.

    `needed` right answers show a difference, None where not even all would; guessing brings so many
    with chance `true_alpha`. `chances` are to show a difference if so many `can_tell`. Up to `most`
    right answers they are alike, None where so few sets cannot show it; `chance_alike` is to show
    that if nobody can tell. By the sequential rule, which may end before all `tests`, both numbers
    are None.
    """

    tests: int
    needed: int | None
    true_alpha: float
    chances: tuple[float, ...]
    most: int | None
    chance_alike: float

    @property
    def if_half(self) -> float:
        """Chance to show a difference if half can tell."""
        return self.chances[ABLE.index(0.5)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceSizing:
    """What numbers of sets can show; alpha is a variant's, if several share it.

    `planned` sets a variant are 0 where trial.toml does not tell.
    """

    choice: Choice
    alpha: float
    planned: int
    rows: tuple[ChoiceSize, ...]
    sentences: tuple[str, ...]

    def to_record(self) -> Record:
        return {
            "method": self.choice.method,
            "alpha": self.alpha,
            "planned": self.planned or None,
            "can_tell": list(ABLE),
            "allowed": self.choice.can_tell,
            "tests": [as_record(row) for row in self.rows],
            "sentences": [text.replace(wording.NO_BREAK, " ") for text in self.sentences],
        }


def size_choice(trial: Trial, tasters: Sequence[int] = ()) -> ChoiceSizing:
    """Say what numbers of sets can show: of so many tasters, else as planned and the usual ones."""
    choice = chosen_by(trial)
    several = len(trial.variants) - 1
    a_taster = choice.sets * max(len(trial.sessions), 1)
    alpha = trial.share_of_alpha("choice") / several
    planned = choice.tests or len(trial.tasting.tasters) * a_taster // several
    planned = min(planned, MOST)
    in_turn = choice.rule == "sequential"
    beta = choice.beta / several if choice.beta else alpha
    every = _by_lines(choice, alpha, beta) if in_turn else _every(choice, alpha)
    lower = every[max(planned - NEAR, 1) - 1 : max(planned - 1, 0)]
    no_less = (few for few in lower if few.if_half >= every[planned - 1].if_half > 0)
    leaner = None if in_turn else next(no_less, None)
    wanted = [n * a_taster // several for n in tasters] or [planned, *USUAL_SETS]
    shown = {n for n in (*wanted, leaner.tests if leaner else 0) if 0 < n <= MOST}
    alike, difference = _of_alike(choice, every), [*_of_difference(choice, every, planned, leaner)]
    first = [] if choice.ask == "alike" else difference[:1]
    return ChoiceSizing(
        choice=choice, alpha=alpha, planned=planned,
        rows=tuple(every[n - 1] for n in sorted(shown)),
        sentences=(*first, alike, *difference[len(first) :]),
    )  # fmt: skip


def _every(choice: Choice, alpha: float) -> list[ChoiceSize]:
    """Say what each number of sets from 1 to `MOST` can show."""
    tests, guess = np.arange(1, MOST + 1), choice.how.guess
    needed = fc.needed(tests, guess, alpha / 2 if choice.two_sided else alpha)
    most = fc.most_alike(tests, guess, choice.can_tell, alpha)
    fewest = (tests - most) * choice.two_sided  # no more may pick the other
    alike = fc.upper_tail(fewest, tests, guess) - fc.upper_tail(most + 1, tests, guess)
    able = np.array([guess + share * (1 - guess) for share in ABLE])[:, None]
    columns = (
        tests, needed, fc.upper_tail(needed, tests, guess) * (1 + choice.two_sided),
        fc.upper_tail(needed, tests, able).T, most, alike, most >= guess * tests,
    )  # fmt: skip
    return [
        ChoiceSize(
            tests=n, needed=right if right <= n else None, true_alpha=luck, chances=tuple(chances),
            most=few if possible else None, chance_alike=alike if possible else 0.0,
        )
        for n, right, luck, chances, few, alike, possible in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]  # fmt: skip


def _by_lines(choice: Choice, alpha: float, beta: float) -> list[ChoiceSize]:
    """Say what each number of sets can show that ends at Wald's lines, or unsettled after all."""
    guess = choice.how.guess
    lines = fc.boundary(guess, choice.can_tell, alpha, beta)
    p = np.array([[guess + share * (1 - guess)] for share in (0.0, *ABLE)])
    going, right = np.eye(1, MOST + 1).repeat(len(p), axis=0), np.arange(MOST + 1)
    ended, found = np.zeros((2, len(p))), []
    for tests in range(1, MOST + 1):
        going = going * (1 - p) + np.roll(going, 1, axis=1) * p
        above = right - lines.slope * tests
        for place, met in enumerate((above >= lines.different, above <= lines.alike)):
            ended[place] += going[:, met].sum(axis=1)
            going[:, met] = 0.0
        luck, *chances = ended[0].tolist()
        found.append(
            ChoiceSize(
                tests=tests, needed=None, true_alpha=luck, chances=tuple(chances), most=None,
                chance_alike=float(ended[1, 0]),
            )
        )  # fmt: skip
    return found


def _first(every: Sequence[ChoiceSize], chance: Callable[[ChoiceSize], float]) -> int:
    """Find the first number of sets with a chance as high as wanted; 0 where there is none."""
    return next((row.tests for row in every if chance(row) >= WANTED), 0)


def _of_alike(choice: Choice, every: Sequence[ChoiceSize]) -> str:
    least = next((row.tests for row in every if row.chance_alike), None)
    allowed = percent(choice.can_tell)
    if least is None:
        return f"No number of sets up to {MOST:,} can show that fewer than {allowed} can tell."
    enough = _first(every, lambda row: row.chance_alike)
    often = (
        f"; {enough} show it 8 times in 10" if enough else f", and up to {MOST:,} seldom show it,"
    )
    unshown = f"That fewer than {allowed} can tell cannot be shown with fewer than {least} sets"
    return f"{unshown}{often} if nobody can."


def _of_difference(
    choice: Choice, every: Sequence[ChoiceSize], planned: int, leaner: ChoiceSize | None
) -> Iterator[str]:
    if planned:
        row, sets = every[planned - 1], wording.count(planned, "set")
        luck, about = wording.percent(row.true_alpha), "about " * bool(choice.how.words)
        if choice.rule == "sequential":
            yield f"{sets} at most: luck alone shows a difference in {luck} of such trials."
        elif row.needed is None:
            yield f"{sets} cannot show a difference, even if all are right."
        else:
            yield (
                f"{sets}: {about}{row.needed} right are needed to show a difference; luck alone "
                f"brings them in {luck} of such trials."
            )
        if leaner:
            few, more = (wording.number(size.if_half, 2) for size in (leaner, row))
            yield (
                f"{leaner.tests} sets do no worse than {planned}: if half can tell, the chance to "
                f"show it is {few} and {more}."
            )
    if enough := _first(every, lambda row: row.if_half):
        yield f"If half can tell, {enough} sets show it 8 times in 10 or more."
    if not choice.attribute:
        yield "If you can name what differs, score it: scores need far fewer cups."


USUAL_TASTERS = (6, 8, 12, 16, 20, 24)
FEW = 12  # tasters below whom two cups of each are advised
DAYS = (4, 6)  # days that are advised
EVENLY = (np.arange(4000) + 0.5) / 4000
"""Chances at which the spread that a panel happens to show is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSize:
    """What one panel can hope for; each taster gets so many cups of each day and of the control.

    `change` is what is seen 8 times in 10: points between the first and the last of the days, if
    the food changes evenly. `not_yet` is the chance to show a day that is a margin too far from
    what is reached as not there yet, `reached` that to show a day that equals the control within
    the margin; that is a margin beyond a level, above it.
    """

    tasters: int
    cups: int
    change: float
    not_yet: float
    reached: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSizing:
    """What panels can hope for, and the designs in sentences, best first, and what is planned.

    The margin is in points, alpha of one side of a bracket, `days` those of the design that is
    planned.
    """

    course: Course
    margin: float
    alpha: float
    days: int
    spread: Spread
    rows: tuple[CourseSize, ...] = field(metadata={"name": "panels"})
    sentences: tuple[str, ...]

    def to_record(self) -> Record:
        record, course = as_record(self), self.course
        del record["course"]
        asked = {"attribute": course.attribute, "over": course.over, "level": course.level}
        return asked | record


def size_course(trial: Trial, spread: Spread, tasters: Sequence[int] = ()) -> CourseSizing | None:
    """Say what so many tasters, or as planned and the usual ones, can hope for over the days.

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
        rounded = (attribute.scale.step or 0.0) ** 2 / 12
        cup, own = (spread.residual_sd**2 + rounded) / cups, spread.taster_variant_sd**2
        slope = math.sqrt((cup * (1 if ages > 1 else 2) + own) / about)
        of_day = math.sqrt(cup + own + (spread.taster_sd**2 if level else cup + own))
        root, limit = math.sqrt(tasters), -float(stdtrit(tasters - 1, alpha))
        shown = np.sqrt(2 * gammaincinv((tasters - 1) / 2, EVENLY) / (tasters - 1))
        seen = float(nctdtrinc(tasters - 1, 1 - WANTED, limit))
        inside = margin * root / of_day - limit * shown  # standard errors about zero that fit in
        beyond = 1 - float(nctdtr(tasters - 1, margin * root / of_day, limit))
        return CourseSize(
            tasters=tasters, cups=cups, change=seen * slope / root,
            not_yet=beyond,
            reached=beyond if level else float(np.clip(2 * ndtr(inside) - 1, 0, None).mean()),
        )  # fmt: skip

    tried = sorted({n for n in (tasters or (planned, *USUAL_TASTERS)) if n > 1})
    rows = tuple(panel(n, cups) for n in tried for cups in ((1, 2) if n < FEW else (1,)))
    own = next((row for row in rows if row.tasters == planned), None)
    return CourseSizing(
        course=course, margin=margin, alpha=alpha, days=days, spread=spread, rows=rows,
        sentences=(*DESIGNS, *_planned(trial, attribute, days, own)),
    )  # fmt: skip


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


def _planned(
    trial: Trial, attribute: Attribute, days: int, own: CourseSize | None
) -> Iterator[str]:
    """Say which design is planned, what it lacks, and what the planned panel would see."""
    if days < 2:
        yield "You plan one day so far. How it changes takes two, and a trend three."
        return
    several = any(variant.series for variant in trial.variants)
    often, tasters = len(trial.sessions), wording.count(len(trial.tasting.tasters), "taster")
    what = f"{wording.spelled(days)} ages in "
    what += "one sitting" if often < 2 else wording.count(often, "session")
    what = what if several else f"at {wording.spelled(days)} sittings"
    lacks = ""
    if days < DAYS[0]:
        lacks = f", fewer than {DAYS[0]}: between two of them anything may have happened"
    elif several and len(trial.tasting.tasters) < FEW and often < 2:
        lacks = f", one cup of each: too little for {tasters}"
    yield f"You plan to taste {what}{lacks}."
    if own:
        seen = f"a change of {wording.number(own.change, 1)} points"
        if own.change > attribute.scale.high - attribute.scale.low:
            seen = "no change that the scale has room for"
        yield (
            f"{tasters} with one cup of each would see {seen} from the first day to the last 8 "
            "times in 10, if it goes evenly."
        )
