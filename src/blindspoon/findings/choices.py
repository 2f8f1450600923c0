"""Whether anybody can tell: every variant against the control by sets, with its verdict.

The share who can tell are those who are right for sure, while the others guess. Its limits are
exact and hold for these very tasters; for people like them only where each had one set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from blindspoon import wording
from blindspoon.arrays import BoolArray
from blindspoon.scores.sets import ChoiceTable, chosen_by
from blindspoon.scores.standing import Standing
from blindspoon.stats import forced_choice as fc
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.rounds import holm
from blindspoon.trial import Choice, Trial, Variant

if TYPE_CHECKING:
    from blindspoon.findings.naming import Naming

ENOUGH = 5
"""Sets of one taster from which it is asked whether that taster can tell."""
MOST_TOLD = 1000
"""Tasters of whom it is told whether they can tell."""
UNLIKELY = 0.01
"""Chance of so few right answers below which the key may be the wrong way round."""
LEAST_SETS = 3
"""Sets served in one order from which that order is held to be fixed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TasterChoice:
    """What one taster answered of one variant, with at least `ENOUGH` sets.

    Parameters
    ----------
    p_value, p_adjusted : float
        One-sided; the second by Holm's method over the tasters.
    """

    taster: str
    tests: int
    right: int
    p_value: float
    p_adjusted: float
    can_tell: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Distance:
    """The distance d' between variant and control, in standard deviations of what is sensed."""

    estimate: float
    se: float | None
    interval: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceFound:
    """One variant against the control, by sets.

    Parameters
    ----------
    alpha : float
        The share of alpha at which it is decided.
    tests, tasters : int
        Answered sets, and who answered them; 0 tasters where that is not known.
    right : int
        Where either of two may be the one with more: picks of the one that was picked more often.
    needed : int or None
        Right answers that show a difference; None where there could not be enough.
    p_value, p_adjusted : float
        Exact, one-sided (two-sided where either may have more); the second by Holm's method.
    share : float
        Estimate of the share who can tell, 0 to 1.
    interval : Interval
        Of that share, at level 1 - 2 alpha.
    limit : float
        Its upper limit at level 1 - alpha over all variants; below ``choice.can_tell`` is alike.
    level : float
        That of the limit.
    possible : bool
        Whether so many tests can show "alike" at all: ISO 4120, 8.2.
    path : bool array, shape (n,)
        Whether each answer was right, in the order of the files.
    lines : Boundary or None
        Those of the sequential rule, where it was declared.
    verdict : {"different", "slight", "alike", "open"}
    because : str
        The verdict in plain sentences.
    """

    variant: Variant
    choice: Choice
    primary: bool
    alpha: float
    tests: int
    tasters: int
    right: int
    needed: int | None
    p_value: float
    p_adjusted: float = 1.0
    share: float
    interval: Interval
    limit: float
    level: float
    possible: bool
    d_prime: Distance | NoResult
    by_taster: tuple[TasterChoice, ...] = ()
    path: BoolArray
    lines: fc.Boundary | None = None
    verdict: Literal["different", "slight", "alike", "open"] = "open"
    because: str = ""

    @property
    def expected(self) -> float:
        """Right answers that guessing brings."""
        return self.choice.how.guess * self.tests

    @property
    def repeated(self) -> bool:
        """Whether somebody answered more than one set, or nobody knows."""
        return self.tests != self.tasters


def compare_choices(
    trial: Trial, table: ChoiceTable, standing: Standing, names: Naming
) -> tuple[ChoiceFound, ...]:
    """Hold every variant that was chosen from against the control, and judge.

    In the order of the variants; those without an answered set are left out. `standing` tells
    whether the tasting has ended, and whether it is exploratory.
    """
    alpha = trial.share_of_alpha("choice")
    primary = "choice" in trial.decision.primary and not standing.bent
    places = sorted(set(table.variant.tolist()))
    raw = [_find(trial, table, place, alpha, len(places), primary=primary) for place in places]
    adjusted = holm(np.array([found.p_value for found in raw])).tolist()
    order = sorted(range(len(raw)), key=lambda place: raw[place].p_value)
    failed = next((k for k, at in enumerate(order) if adjusted[at] > alpha), len(raw) - 1)
    judged = []
    for place, alone in enumerate(raw):
        level, how = alpha / (len(raw) - min(order.index(place), failed)), alone.choice.how
        found = replace(alone, p_adjusted=adjusted[place])
        if not how.words:
            tail = level / 2 if alone.choice.two_sided else level
            needed = int(fc.needed(alone.tests, how.guess, tail))
            found = replace(found, needed=needed if needed <= alone.tests else None)
        served = table.orders.get(places[place], ())
        judged.append(_judged(found, served, standing, names, several=len(raw) > 1))
    return tuple(judged)


def _find(
    trial: Trial, table: ChoiceTable, place: int, alpha: float, several: int, *, primary: bool
) -> ChoiceFound:
    choice, rows = chosen_by(trial), table.variant == place
    right, other, taster = table.right[rows], table.other[rows], table.taster[rows]
    lines = None
    if choice.rule == "sequential":
        allowed = choice.beta or alpha
        lines = fc.boundary(choice.how.guess, choice.can_tell, alpha / several, allowed / several)
        stop, _ = lines.stops(right[: choice.tests])
        right, other, taster = right[:stop], other[:stop], taster[:stop]
    tests, number = right.size, int(right.sum())
    if choice.two_sided:
        number = max(number, tests - number)
    answers = _answers(right, other)
    guess = choice.how.guess
    tail = (
        fc.fisher(answers, alpha)[0]
        if choice.how.words
        else float(fc.upper_tail(number, tests, guess))
    )
    low, high = _shares(choice, number, tests, answers, alpha)
    limit = _shares(choice, number, tests, answers, alpha / several)[1]
    most = int(fc.most_alike(tests, guess, choice.can_tell, alpha / several))
    often = np.bincount(taster[taster >= 0], minlength=len(table.tasters))
    found = ChoiceFound(
        variant=trial.variants[place],
        choice=choice,
        primary=primary,
        alpha=alpha,
        tests=tests,
        tasters=int((often > 0).sum()),
        right=number,
        needed=None,
        p_value=min(1.0, 2 * tail) if choice.two_sided else tail,
        share=fc.share_who_can_tell(number / tests, guess),
        interval=Interval(low, high),
        limit=limit,
        level=1 - alpha / several,
        possible=most >= guess * tests,
        d_prime=NoResult("Not computed."),
        path=right,
        lines=lines,
    )
    shown = np.flatnonzero(often >= ENOUGH)[:MOST_TOLD]
    mine = np.flatnonzero(np.isin(taster, shown))
    mine = mine[np.argsort(taster[mine], kind="stable")]
    own = np.split(mine, np.cumsum(often[shown])[:-1]) if shown.size else []
    alone = [
        (table.tasters[t], right[of], other[of]) for t, of in zip(shown.tolist(), own, strict=True)
    ]
    return replace(
        found,
        d_prime=_distance(found, answers),
        by_taster=() if choice.two_sided else _by_taster(choice, alone, alpha),
    )


def _answers(right: BoolArray, other: BoolArray) -> fc.Answers:
    said = right != other
    counts = (said & ~other).sum(), (~other).sum(), (said & other).sum(), other.sum()
    return fc.Answers(*map(int, counts))


def _shares(
    choice: Choice, right: int, tests: int, answers: fc.Answers, alpha: float
) -> tuple[float, float]:
    """Give exact limits of the share who can tell, each at level 1 - alpha."""
    guess = choice.how.guess
    if choice.how.words and abs(answers.of_same - answers.of_other) > 1:
        # Guessing is right half the time only if both kinds are answered equally often.
        same = fc.limits(answers.same, answers.of_same, alpha / 2)
        other = fc.limits(answers.other, answers.of_other, alpha / 2)
        return max(same[0] - other[1], 0.0), max(same[1] - other[0], 0.0)
    low, high = fc.limits(right, tests, alpha)
    if choice.two_sided:
        high = max(high, 1 - low)
    return fc.share_who_can_tell(low, guess), fc.share_who_can_tell(high, guess)


def _by_taster(
    choice: Choice, alone: Sequence[tuple[str, BoolArray, BoolArray]], alpha: float
) -> tuple[TasterChoice, ...]:
    """Ask of tasters with enough sets whether they can tell."""
    counts = [(taster, right.size, int(right.sum())) for taster, right, _ in alone]
    _, tests, numbers = zip(*counts, strict=True) if counts else ((), (), ())
    if choice.how.words:
        tails = [fc.fisher(_answers(right, other), alpha)[0] for _, right, other in alone]
    else:
        tails = fc.upper_tail(np.array(numbers), np.array(tests), choice.how.guess).tolist()
    rows = [(*count, p) for count, p in zip(counts, tails, strict=True)]
    adjusted = holm(np.array(tails)).tolist()
    return tuple(
        TasterChoice(
            taster=taster, tests=n, right=right, p_value=p, p_adjusted=q, can_tell=q <= alpha
        )
        for (taster, n, right, p), q in zip(rows, adjusted, strict=True)
    )


def _distance(found: ChoiceFound, answers: fc.Answers) -> Distance | NoResult:
    """Give d' where it may be given: ASTM E2262 has it for tests that were not repeated."""
    choice, tests, p = found.choice, found.tests, found.right / found.tests
    guess = choice.how.guess
    if found.repeated:
        return NoResult("d' is not given: it is for one set a taster (ASTM E2262).")
    if choice.method == "two-out-of-five":
        return NoResult("No published function gives d' for two-out-of-five.")
    if choice.how.words:
        return _distance_in_words(found, answers)
    if found.right == tests:
        return NoResult("Everybody was right, so d' has no upper end.")
    ends = (guess + s * (1 - guess) for s in (found.interval.low, found.interval.high))
    estimate, low, high = fc.distance(choice.method, np.array([p, *ends])).tolist()
    error = fc.distance_error(choice.method, estimate, p, tests) if p > guess else None
    return Distance(estimate=estimate, se=error, interval=Interval(low, high))


def _distance_in_words(found: ChoiceFound, answers: fc.Answers) -> Distance | NoResult:
    """Give d' from how often a word was said of either kind of set."""
    shares = (answers.same, answers.of_same), (answers.other, answers.of_other)
    if any(said in (0, of) for said, of in shares):
        return NoResult("d' has no end where one answer was always or never given.")
    by_words = {"a-not-a": fc.yes_no_distance, "same-different": fc.same_different_distance}
    estimate, error = by_words[found.choice.method](answers)
    if not np.isfinite(error):
        return Distance(estimate=estimate, se=None, interval=None)
    reach = fc.deviate(found.alpha) * error
    interval = Interval(estimate - reach, estimate + reach)
    return Distance(estimate=estimate, se=error, interval=interval)


# The verdict ------------------------------------------------------------------------------------


def _judged(
    found: ChoiceFound, orders: Sequence[int], standing: Standing, names: Naming, *, several: bool
) -> ChoiceFound:
    """Apply the rule, and say it."""
    declared, choice = found.choice.tests, found.choice
    ended = standing.lift is not None and standing.lift.last and not standing.bent
    waits = declared is not None and found.tests < declared and not ended
    fixed = sum(orders) >= LEAST_SETS and sum(n > 0 for n in orders) == 1 and len(orders) > 2
    if fixed:
        said = (
            "Every set stood in one and the same order, so whoever favours a place seems to tell. "
            "Nothing follows from it."
        )
        return replace(found, because=said)
    if found.lines is not None:
        return _by_lines(found, waits=waits)
    if waits:
        said = f"{found.tests} of {declared} tests are in. No verdict before the last."
        return replace(found, because=said)
    differs = found.p_adjusted <= found.alpha
    small = found.limit <= choice.can_tell and found.possible
    verdict: Literal["different", "slight", "alike", "open"] = (
        ("slight" if small else "different") if differs else "alike" if small else "open"
    )
    judged = replace(found, verdict=verdict)
    about = f" “{found.variant.label}” from {names.like}" if several else ""
    said = " ".join(filter(None, (_sentence(judged, about), _remark(judged, declared))))
    return replace(judged, because=said)


def _by_lines(found: ChoiceFound, *, waits: bool) -> ChoiceFound:
    """Judge by the lines of the sequential rule."""
    assert found.lines is not None  # noqa: S101 - called where there are
    stop, verdict = found.lines.stops(found.path)
    declared, counted = found.choice.tests, f"{found.right} of {stop} right"
    if verdict == "open":
        no = f"No line is met yet after {stop} of at most {declared} tests: go on."
        end = f"Not settled: after all {stop} tests no line was met, with {counted}."
        return replace(found, because=no if waits else end)
    met = "These tasters could tell" if verdict == "different" else "Alike for our purpose"
    said = f"{met}: the line was met after {stop} tests, with {counted}."
    return replace(found, verdict=verdict, because=said)


def percent(share: float, *limits: float) -> str:
    """Write a share as a whole percentage, or finer where a limit would hide its side."""
    digits = wording.telling_digits([100 * share], [100 * limit for limit in limits], 0)
    return f"{wording.number(100 * share, digits)}{wording.NO_BREAK}%"


def _sentence(found: ChoiceFound, about: str) -> str:
    choice, counted = found.choice, f"{found.right} of {found.tests}"
    who = "This taster" if found.tasters == 1 else "These tasters"
    guessing = f"guessing gives {wording.number(found.expected, 1).removesuffix('.0')}"
    needed = "" if found.needed is None else f", and {found.needed} were needed"
    if choice.how.words:
        needed = f" ({wording.p_value(found.p_adjusted)})"
    picked = _picked(choice)
    level, allowed = wording.percent(found.level), percent(choice.can_tell)
    most = percent(found.limit, choice.can_tell)
    whom = (
        "of this taster’s sets can be told" if found.tasters == 1 else "of these tasters can tell"
    )
    match found.verdict:
        case "different":
            return f"{who} could tell{about}: {counted} {picked}; {guessing}{needed}."
        case "slight":
            return (
                f"{who} could tell{about}, but few of them: {counted} {picked}; "
                f"{guessing}{needed}. At most {most} {whom} ({level} limit), and {allowed} was "
                "allowed."
            )
        case "alike":
            return (
                f"Alike for our purpose: {counted} {picked}{_of(about)}; at most {most} {whom} "
                f"({level} limit), and {allowed} was allowed."
            )
    low = percent(found.interval.low) if found.interval.low > 0 else "none"
    return (
        f"Not settled: {counted} {picked}{_of(about)}; anything from {low} to "
        f"{percent(found.interval.high)} of them may be able to tell."
    )


def _of(about: str) -> str:
    return f", telling{about}" if about else ""


def _picked(choice: Choice) -> str:
    """Say what somebody who is right has done, of how many."""
    if choice.method == "paired" and choice.two_sided:
        return f"picked the same one as the one with more {choice.attribute}"
    if choice.attribute:
        return f"picked the variant as the one with {choice.expect} {choice.attribute}"
    return choice.how.pick


def _remark(found: ChoiceFound, declared: int | None) -> str:
    """Say what else a reader should know before taking the verdict."""
    choice, said = found.choice, []
    if found.verdict == "open" and not found.possible:
        said.append("So few tests could not show them alike, whatever was answered.")
    lower = 1 - float(fc.upper_tail(found.right + 1, found.tests, choice.how.guess))
    if lower < UNLIKELY and not choice.how.words:
        said.append("That is far fewer than guessing brings: is the key the right way round?")
    if declared is not None and found.tests > declared:
        said.append(f"{declared} tests were declared, and {found.tests} are in: take it as a lead.")
    if declared is not None and found.tests < declared:
        said.append(f"{declared} tests were declared.")
    return " ".join(said)
