"""Whether anybody can tell: every variant against the control by sets, with its verdict.

The share who can tell are those who are right for sure, while the others guess. Its limits are
exact and hold for these very tasters; for people like them only where each had one set.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.special import ndtri

from blindspoon import wording
from blindspoon.arrays import BoolArray
from blindspoon.findings.naming import Naming
from blindspoon.findings.rule import KINDS, Kind
from blindspoon.scores.sets import ChoiceTable, chosen_by
from blindspoon.scores.standing import Standing
from blindspoon.stats import forced_choice as fc
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.several_tests import holm
from blindspoon.trial import Choice, Trial, Variant

ENOUGH = 5  # sets of one taster from which it is asked whether that taster can tell
MOST_TOLD = 1000  # tasters of whom it is told whether they can tell
UNLIKELY = 0.01  # chance of so few right answers below which the key may be the wrong way round
NOT_FIXED = NoResult("The sequential rule ends on what was answered: the number is not fixed.")
TOO_FEW = "So few tests cannot show them alike"
MOST = 1000  # sets up to which it is looked for how many could
LEAST_SETS = 3  # sets served in one order from which that order is held to be fixed


@dataclass(frozen=True, slots=True, kw_only=True)
class TasterChoice:
    """What one taster answered of one variant, with at least `ENOUGH` sets.

    P values are one-sided, the adjusted one by Holm's method over the tasters.
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
    """One variant against the control, by sets; `alpha` is its own share.

    - `tests`, `tasters`: answered sets, and who answered them; 0 tasters where that is not known
    - `right`: where either of two may be the one with more, picks of the one picked more often
    - `needed`: right answers that show a difference; None where there could not be enough, or the
      rule is sequential
    - `p_value`, `p_adjusted`: exact, one-sided (two-sided where either may have more); by Holm
    - `p_fewer`: chance of so few right answers where all guess
    - `share`, `interval`: who can tell, 0 to 1, at level 1 - 2 alpha
    - `limit`, `level`: its upper limit over all variants; below ``choice.can_tell`` is alike
    - `possible`: whether so many tests can show "alike" at all (ISO 4120, 8.2)
    - `path`, shape (n,): whether each answer was right, in the order of the files; with those after
      the sequential rule had ended it, which are not in `tests`
    - `lines`: those of the sequential rule; p values and limits, of a fixed number of tests, are
      not printed then
    """

    variant: Variant
    choice: Choice
    primary: bool
    alpha: float
    tests: int
    tasters: int
    right: int
    needed: int | None = None
    p_value: float
    p_adjusted: float = 1.0
    p_fewer: float
    share: float
    interval: Interval
    limit: float
    level: float
    possible: bool
    d_prime: Distance | NoResult
    by_taster: tuple[TasterChoice, ...] = ()
    path: BoolArray
    lines: fc.Boundary | None = None
    verdict: Kind = "open"
    because: str = ""

    @property
    def expected(self) -> float:
        """Right answers that guessing brings."""
        return self.choice.how.guess * self.tests

    @property
    def turned(self) -> bool:
        """Whether so few were right that they rather tell the two, the other way round."""
        return self.p_fewer < UNLIKELY

    def picked(self, names: Naming) -> str:
        """Name what was picked as often as `right` says."""
        few = self.choice.two_sided and 2 * int(self.path.sum()) < self.tests
        return names.like if few else names.subject([self.variant])

    @property
    def whose_sets(self) -> str:
        """Whose sets the share is of where somebody answered several; empty: it is of tasters."""
        if self.tasters == 1:
            return "this taster’s"
        return "these tasters’" if 0 < self.tasters < self.tests else ""

    @property
    def repeated(self) -> bool:
        """Whether somebody answered more than one set, or nobody knows."""
        return self.tests != self.tasters


def compare_choices(
    trial: Trial, table: ChoiceTable, standing: Standing, names: Naming
) -> tuple[ChoiceFound, ...]:
    """Hold every variant that has an answered set against the control, and judge."""
    alpha = trial.share_of_alpha("choice")
    primary = "choice" in trial.decision.primary and not standing.bent
    places = sorted(set(table.variant.tolist()))
    unjudged = [_find(trial, table, place, alpha, len(places), primary=primary) for place in places]
    adjusted = holm(np.array([counted.p_value for counted in unjudged])).tolist()
    order = sorted(range(len(unjudged)), key=lambda place: unjudged[place].p_value)
    failed = next((k for k, at in enumerate(order) if adjusted[at] > alpha), len(unjudged) - 1)
    judged = []
    for place, counted in enumerate(unjudged):
        level, how = alpha / (len(unjudged) - min(order.index(place), failed)), counted.choice.how
        needed = None
        if not how.words and counted.lines is None:
            tail = level / 2 if counted.choice.two_sided else level
            least = int(fc.needed(counted.tests, how.guess, tail))
            needed = least if least <= counted.tests else None
        compared = replace(counted, p_adjusted=adjusted[place], needed=needed)
        judged.append(_judged(compared, table.orders.get(places[place], ()), standing, names))
    return tuple(judged)


def _find(
    trial: Trial, table: ChoiceTable, place: int, alpha: float, several: int, *, primary: bool
) -> ChoiceFound:
    """Count the answers of one variant, and give the limits of who can tell."""
    choice, rows, lines = chosen_by(trial), table.variant == place, None
    guess, taster = choice.how.guess, table.taster[rows]
    right, other = table.right[rows], table.other[rows]
    if choice.rule == "sequential":
        allowed = choice.beta or alpha
        lines = fc.boundary(guess, choice.can_tell, alpha / several, allowed / several)
        stop, _ = lines.stops(right[: choice.tests])
        right, other, taster = right[:stop], other[:stop], taster[:stop]
    tests, number, answers = right.size, int(right.sum()), _answers(right, other)
    if choice.two_sided:
        number = max(number, tests - number)
    tail = float(fc.upper_tail(number, tests, guess))
    fewer = 1 - float(fc.upper_tail(number + 1, tests, guess))
    if choice.how.words:
        tail, fewer = fc.fisher(answers), fc.fisher(answers.turned())
    interval = Interval(*_shares(choice, number, tests, answers, alpha))
    often = np.bincount(taster[taster >= 0], minlength=len(table.tasters))
    tasters = int((often > 0).sum())
    alone = {
        table.tasters[place]: (right[taster == place], other[taster == place])
        for place in np.flatnonzero(often >= ENOUGH)[:MOST_TOLD]
    }
    return ChoiceFound(
        variant=trial.variants[place],
        choice=choice,
        primary=primary,
        alpha=alpha,
        tests=tests,
        tasters=tasters,
        right=number,
        p_value=min(1.0, 2 * tail) if choice.two_sided else tail,
        p_fewer=fewer,
        share=fc.share_who_can_tell(number / tests, guess),
        interval=interval,
        limit=_shares(choice, number, tests, answers, alpha / several)[1],
        level=1 - alpha / several,
        possible=int(fc.most_alike(tests, guess, choice.can_tell, alpha / several))
        >= guess * tests,
        d_prime=NOT_FIXED
        if lines
        else NoResult("d' is not given: it is for one set a taster (ASTM E2262).")
        if tests != tasters
        else _distance(choice, number, tests, answers, interval, alpha),
        by_taster=() if choice.two_sided or lines else _by_taster(choice, alone, alpha),
        path=table.right[rows],
        lines=lines,
    )


def _answers(right: BoolArray, other: BoolArray) -> fc.Answers:
    said_other = right != other
    counts = (said_other & ~other).sum(), (~other).sum(), (said_other & other).sum(), other.sum()
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
    return fc.share_who_can_tell(low, guess), fc.share_who_can_tell(high, guess)


def _by_taster(
    choice: Choice, alone: dict[str, tuple[BoolArray, BoolArray]], alpha: float
) -> tuple[TasterChoice, ...]:
    """Ask of tasters with enough sets whether they can tell."""
    tails = [
        fc.fisher(_answers(right, other))
        if choice.how.words
        else float(fc.upper_tail(int(right.sum()), right.size, choice.how.guess))
        for right, other in alone.values()
    ]
    adjusted = holm(np.array(tails)).tolist()
    return tuple(
        TasterChoice(
            taster=taster,
            tests=right.size,
            right=int(right.sum()),
            p_value=p,
            p_adjusted=q,
            can_tell=q <= alpha,
        )
        for (taster, (right, _)), p, q in zip(alone.items(), tails, adjusted, strict=True)
    )


def _distance(
    choice: Choice, right: int, tests: int, answers: fc.Answers, interval: Interval, alpha: float
) -> Distance | NoResult:
    """Give d' of tests that were not repeated: by the share who can tell, or from words."""
    guess, share, method = choice.how.guess, right / tests, choice.method
    if method == "two-out-of-five":
        return NoResult("No published function gives d' for two-out-of-five.")
    if not choice.how.words:
        if right == tests:
            return NoResult("Everybody was right, so d' has no upper end.")
        ends = (guess + end * (1 - guess) for end in (interval.low, interval.high))
        estimate, low, high = fc.distance(method, np.array([share, *ends])).tolist()
        error = fc.distance_error(method, estimate, share, tests) if share > guess else None
        return Distance(estimate=estimate, se=error, interval=Interval(low, high))
    shares = (answers.same, answers.of_same), (answers.other, answers.of_other)
    if any(times in (0, of) for times, of in shares):
        return NoResult("d' has no end where one answer was always or never given.")
    by_words = {"a-not-a": fc.yes_no_distance, "same-different": fc.same_different_distance}
    estimate, error = by_words[method](answers)
    if not np.isfinite(error):
        return Distance(estimate=estimate, se=None, interval=None)
    reach = -float(ndtri(alpha)) * error
    return Distance(
        estimate=estimate, se=error, interval=Interval(estimate - reach, estimate + reach)
    )


def _judged(
    found: ChoiceFound, orders: Sequence[int], standing: Standing, names: Naming
) -> ChoiceFound:
    """Apply the rule to sets that were served so often in each of the orders, in words too."""
    choice, tests, declared = found.choice, found.tests, found.choice.tests
    ended = standing.lift is not None and standing.lift.last and not standing.bent
    waits = declared is not None and tests < declared and not ended
    places = len(choice.how.orders[0])  # of a single cup none can be favoured
    if sum(orders) >= LEAST_SETS and sum(n > 0 for n in orders) == 1 and places > 1:
        because = (
            "Every set stood in one and the same order, so whoever favours a place seems to tell. "
            "Nothing follows from it."
        )
        return replace(found, because=because)
    if found.lines is not None:
        _, met = found.lines.stops(found.path[:declared])
        counted = f"{wording.count(tests, 'set')}, {found.right} of them right"
        if met != "open":
            could, alike, _ = _heads(found, names)
            claim = could if met == "different" else alike
            later = "; later answers do not count" * (found.path.size > tests)
            because = f"{claim}, decided after {counted}{later}."
        elif waits and not standing.bent:
            because = f"Nothing is decided after {tests} of at most {declared} sets: go on."
        else:
            because = f"Not settled: nothing is decided after {counted}."
        return replace(found, verdict=met, because=because)
    if waits:
        because = f"{tests} of {declared} tests are in. No verdict before the last."
        return replace(found, because=because)
    small = found.limit <= choice.can_tell and found.possible and not found.turned
    verdict = KINDS[2 * (found.p_adjusted <= found.alpha) + small]
    parts = [_sentence(replace(found, verdict=verdict), names)]
    if verdict == "open" and not found.possible:
        parts.append(_too_few(choice, tests, 1 - found.level))
    if found.turned:
        other = f", or has {names.like} {choice.expect} {choice.attribute}"
        or_so = other if choice.attribute else ""
        parts.append(f"So few are hardly luck: is the key the right way round{or_so}?")
    if declared is not None and tests != declared:
        more = f", and {tests} are in: take it as a lead" if tests > declared else ""
        parts.append(f"{wording.count(declared, 'test was', 'tests were')} declared{more}.")
    return replace(found, verdict=verdict, because=" ".join(parts))


@cache  # by all variants that have as many
def _too_few(choice: Choice, tests: int, alpha: float) -> str:
    """Say that so few tests cannot show them alike (ISO 4120, 8.2), and how many could."""
    tried, guess = np.arange(tests, max(tests, MOST) + 1), choice.how.guess
    able = tried[fc.most_alike(tried, guess, choice.can_tell, alpha) >= guess * tried]
    return f"{TOO_FEW}{f'; {able[0]} could' if able.size else ''}."


def sentences(choices: Sequence[ChoiceFound]) -> list[str]:
    """Say what was found of every variant, and what holds of all of them once."""
    texts = [found.because for found in choices]
    parts = [text.partition(TOO_FEW) for text in texts]
    if len(texts) > 1 and len(few := {(at, after) for _, at, after in parts}) == 1:
        return [*filter(None, (*(text.strip() for text, *_ in parts), "".join(few.pop())))]
    return texts


def interval_words(choices: Sequence[ChoiceFound]) -> str:
    """Say how wide the intervals of who can tell are, or that there are none."""
    if choices[0].lines:
        return "decided after each set, so without intervals"
    alone = ", each for itself" * (len(choices) > 1)
    return f"{wording.percent(1 - 2 * choices[0].alpha)} intervals{alone}"


def percent(share: float, *limits: float) -> str:
    """Write a share as a whole percentage, or finer where a limit would hide its side."""
    digits = wording.telling_digits([100 * share], [100 * limit for limit in limits], 0)
    return f"{wording.number(100 * share, digits)}{wording.NO_BREAK}%"


def _heads(found: ChoiceFound, names: Naming) -> tuple[str, str, str]:
    """Name variant and control as told apart, as alike, and as not settled."""
    who = "This taster" if found.tasters == 1 else "These tasters"
    this, control = names.subject([found.variant]), names.like
    return (
        f"{who} could tell {this} from {control}",
        f"{wording.capital(this)} and {control} are alike enough",
        f"Whether {this} can be told from {control} is not settled",
    )


def _sentence(found: ChoiceFound, names: Naming) -> str:
    choice, sets = found.choice, found.whose_sets
    answers = " answers" * bool(sets)  # not so many people
    counted, picked = f"{found.right} of {found.tests}{answers}", choice.how.pick
    if choice.attribute:
        more = "more" if choice.two_sided else choice.expect
        picked = f"picked {found.picked(names)} as the one with {more} {choice.attribute}"
    picks, (could, alike, unsettled) = f"{counted} {picked}", _heads(found, names)
    were = "was" if found.needed == 1 else "were"
    needed = "" if found.needed is None else f", and {found.needed} {were} needed"
    guessing = f"guessing gives {wording.number(found.expected, 1).removesuffix('.0')}"
    differs = f"{picks}; {guessing}{needed}."
    whom = f"of {sets} sets can be told" if sets else "of these tasters can tell"
    level, allowed = wording.percent(found.level), percent(choice.can_tell)
    most = f"t most {percent(found.limit, choice.can_tell)} {whom} ({level} limit), and {allowed}"
    match found.verdict:
        case "different":
            return f"{could}: {differs}"
        case "slight":
            few = "not often" if sets else "only some of them"
            return f"{could}, but {few}: {differs} A{most} was allowed."
        case "alike":
            return f"{alike}: {picks}; a{most} was allowed."
    if found.limit <= 0:
        return f"{unsettled}: {picks}; {guessing}."
    most = f"none to {percent(found.limit)}"
    may = f"of {sets} sets may be told" if sets else "of them may be able to tell"
    return f"{unsettled}: {picks}; anything from {most} {may}."
