"""What was found of a course, in plain sentences."""

from collections.abc import Iterator, Sequence
from itertools import permutations

from blindspoon import wording
from blindspoon.findings.choices import percent
from blindspoon.findings.course import (
    NOTHING_STAYED,
    Acceptance,
    CourseDay,
    CourseFound,
    CourseSaid,
)
from blindspoon.findings.naming import Naming
from blindspoon.findings.verdict_in_words import by_chance
from blindspoon.stats.results import NoResult
from blindspoon.stats.scores_over_days import BENT, DayFound
from blindspoon.stats.several_tests import Bracket

NOT_SHOWN = Bracket(after=None, by=None)


def say_course(found: CourseFound, names: Naming, *, several: bool) -> CourseSaid:
    """Say when it was there, until when, and how it moved; named where `several` series are."""
    level, last = found.course.level if found.judged else None, found.days[-1].day
    there = f"within {wording.margin(found.attribute)} of {names.like}"
    if level is not None:
        more = "more" if found.course.side == "at least" else "less"
        there = f"at {wording.in_points(level)} or {more}"
    both = isinstance(found.reached, Bracket) and (  # one sentence tells of both ends
        found.reached.after == last or (found.reached.by is None and found.kept == NOT_SHOWN)
    )
    asks = ((found.reached, _reached), (found.kept, _kept))[: 2 - both] if found.judged else ()
    answers = [tell(found, asked, there) for asked, tell in asks if isinstance(asked, Bracket)]
    reasons = dict.fromkeys(asked.reason for asked, _ in asks if isinstance(asked, NoResult))
    untold = [f"When it was {there} is not told. {reason}" for reason in reasons]
    open_end = found.kept and (found.reached or found.kept) == NOT_SHOWN
    bent = isinstance(found.line, NoResult) and found.line.reason == BENT
    moved, more_texts = not isinstance(found.trend, NoResult), list[str]()
    if not (bent if answers else untold and not moved):
        more_texts += [_trend(found, names.like), days_or_food(found)]
    if not answers and untold and not (moved and found.against == "nothing"):
        answers, untold = untold, []
    elif not answers:  # where no day is judged, the trend answers
        answers, more_texts = more_texts[:1], more_texts[1:]
        untold = [text.removesuffix(f" {NOTHING_STAYED.reason}") for text in untold]  # it says why
    if found.judged and not isinstance(found.line, NoResult):
        way = "got there" if found.reached else "left it"
        low, high = found.line.interval.low, found.line.interval.high
        since = f"before {found.days[0].day}" if low < found.days[0].day else wording.number(low, 1)
        until = f"after {last}" if high > last else wording.number(high, 1)
        at = wording.number(found.line.day, 1)
        more_texts.append(f"By straight lines it {way} on day {at} ({since} to {until}).")
    if found.acceptance:
        more_texts += _accepted(found.acceptance, found.days[0].day, last)
    if found.judged:
        nouns, merged = names.nouns, any(len(it.batches) > 1 for it in found.days)
        averaged = (
            f"{wording.capital(nouns)} of one age were averaged. How far such {nouns} differ is "
            "not in the intervals, so this speaks of these."
        )
        more_texts.append(one_each(found, names) or (averaged if merged else ""))
    return CourseSaid(
        series=wording.capital(found.label) if several else "",
        places=any(isinstance(asked, Bracket) for asked, _ in asks) and not open_end,
        untold=tuple(untold),
        answers=tuple(answers),
        more=tuple(filter(None, more_texts)),
    )


def headline(found: CourseFound) -> str:
    """State when it was there, and until when, or only how it moved, with what was scored."""
    scale, label, series = found.attribute.scale, found.attribute.label, found.said.series
    answer = f"{found.said.answers[0][:1].lower()}{found.said.answers[0][1:]}"
    whether = "whether " * answer.startswith("whether ")
    ends = f"({wording.plain(scale.low)} to {wording.plain(scale.high)})"
    scored = f"{label.lower() if series or whether else label} {ends}"
    if found.said.places:
        answer = f"{scored} was {answer}"
    elif answer.lower().startswith(named := f"{whether}{label.lower()} "):
        answer = f"{whether}{scored} {answer[len(named) :]}"
    else:
        answer = f"{scored}: {answer}"
    return f"{series}{':' if whether else ','} {answer}" if series else wording.capital(answer)


def day_word(found: CourseFound, day: CourseDay) -> str:
    """Say in a word or two where a day stands, as the brackets have it; empty where it is open."""
    reached, kept = found.reached, found.kept
    if isinstance(day.found, NoResult):
        return ""
    if isinstance(reached, Bracket) and reached.after is not None and day.day <= reached.after:
        return "not yet"
    if isinstance(kept, Bracket) and kept.by is not None and day.day >= kept.by:
        return "no longer"
    if day.verdict in ("alike", "slight"):
        return "there" if isinstance(reached, Bracket) else "still there"
    return "" if day.verdict is None else "not settled"


def _upto(found: CourseFound, day: float) -> str:
    return f"{'on' if day == found.days[0].day else 'up to'} day {day:g}"


def _reached(found: CourseFound, bracket: Bracket, there: str) -> str:
    first, last = found.days[0].day, found.days[-1].day
    after, by = bracket.after, bracket.by
    on = "" if found.kept else " on"
    since = f"{'from' if on else 'on'} day {by:g}{on}" if by is not None else ""
    tests = (day.found for day in found.days if isinstance(day.found, DayFound))
    near = any(test.p_inside <= found.end_alpha for test in tests)
    shown = "not shown to stay" if near else "never shown"  # it may have come, and gone again
    when = f"from when on{', and until when,' * (found.kept == NOT_SHOWN)}"
    if after is None and by is None:
        if found.kept:
            return f"{wording.capital(when)} it was {there} is not settled."
        return f"{wording.capital(shown)} {there} by day {last}, the last."
    if after is None:
        already = " already, the first" if by == first else "; before that not settled"
        return f"{wording.capital(there)} {since}{already}."
    if by is not None:
        come = f"{wording.capital(there)} {since}, not yet {_upto(found, after)}"
        return f"{come}; between them not settled."
    if after == last:
        return f"Not {there} on any day up to day {last}, the last."
    then = f"{when} is not settled" if found.kept else f"{shown} there by day {last}, the last"
    return f"Not yet {there} {_upto(found, after)}; {then}."


def _kept(found: CourseFound, bracket: Bracket, there: str) -> str:
    first, last = found.days[0].day, found.days[-1].day
    until, gone = bracket.after, bracket.by
    if until is None and gone is None:
        return f"Until when it was {there} is not settled."
    if until is None:
        if gone == first:
            return f"Not {there} from day {first}, the first, on."
        return f"No longer {there} from day {gone:g} on; before that not settled."
    if gone is not None:
        still = f"Still {there} {_upto(found, until)}"
        return f"{still}; no longer from day {gone:g} on; between them not settled."
    if until == last:
        return f"Still {there} on day {last}, the last."
    return f"Still {there} {_upto(found, until)}; from then on not settled."


def _trend(found: CourseFound, like: str) -> str:
    """Say by how much it moved a day, and of what that speaks."""
    trend, label = found.trend, found.attribute.label
    if isinstance(trend, NoResult):
        return f"No trend is told. {trend.reason}"
    low, high = trend.interval.low, trend.interval.high
    over = found.days[-1].day - found.days[0].day  # ten days bear a decimal more
    usual = wording.digits_for(found.attribute.scale) + len(str(over)) - 1
    digits = wording.telling_digits((low, high), [0.0], usual)
    sign = -1 if trend.slope < 0 and high < 0 else 1
    ends = [wording.number(end, digits) for end in sorted((sign * low, sign * high))]
    size, span = wording.number(abs(trend.slope), digits), " to ".join(ends)
    moved, reach = trend.p_value <= found.alpha, f"{span} points a day"
    if trend.interval.excludes_zero():  # of rounding alone, since all agree
        reach = f"{wording.all_of(trend.tasters)} found the same change, {by_chance(trend.tasters)}"
    way = "rose" if trend.slope > 0 else "fell"
    if found.against == "control":
        means = [day.found.mean for day in found.days if isinstance(day.found, DayFound)]
        first, last = (means[0], means[-1]) if means else (0.0, 0.0)
        if abs(last) < abs(first):
            way = f"{'caught up with' if trend.slope > 0 else 'came nearer to'} {like}"
        else:
            way = f"{way} against {like}" if first * last < 0 else f"moved away from {like}"
    return (
        f"{label} {way} by {size} points a day on average ({span})."
        if moved
        else f"Whether {label.lower()} changed over the days is not settled ({reach})."
    )


def days_or_food(found: CourseFound) -> str:
    """Say that it may be the days that moved, where a trend is told and no cup stayed the same."""
    unheld = found.against == "nothing" and found.sittings > 1
    if not unheld or isinstance(found.trend, NoResult):
        return ""
    return "No cup stayed the same, so the days may have changed and not the food."


def _accepted(acceptance: Acceptance, first: int, last: int) -> Iterator[str]:
    """Say up to which day fewer than the share had turned, from which on more, and until when."""
    passed, lost = acceptance.shares.passed, acceptance.shares.lost
    answers = {day.day: day for day in acceptance.shares.days if not isinstance(day, NoResult)}
    share = "half" if acceptance.share == 0.5 else percent(acceptance.share)
    does = "refused it" if acceptance.refusals else "would have it"

    def of(day: float, on: str = "") -> str:
        return f"day {day:g}{on} ({answers[day].yes} of {answers[day].asked})"

    after, by = passed.after, passed.by
    most = max(answers, key=lambda day: answers[day].yes / answers[day].asked, default=last)
    since = "" if by is None else f"on {of(by)}" if lost else f"from {of(by, ' on')}"
    if after == last:
        yield f"Fewer than {share} {does} on any day up to {of(after)}, the last."
    elif after is not None:
        never = f"more was never shown, not even on {of(most)}"
        more = f"more than {share} {since}" if since else never
        yield f"Fewer than {share} {does} up to {of(after)}; {more}."
    elif since:
        before = ", the first" if by == first else "; before that not settled"
        yield f"More than {share} {does} {since}{before}."
    else:
        at, until = answers.keys() & {first, last}, lost == NOT_SHOWN
        if until and answers:
            at.add(most)
        when = "When and until when" if until else "When"
        counts = wording.listing(
            f"{answers[day].yes} of {answers[day].asked} on day {day:g}" for day in sorted(at)
        )
        yield f"{when} more than {share} {does} is not settled{': ' * bool(at)}{counts}."
    if lost and after != last:
        still, gone, then = lost.after, lost.by, list[str]()
        if still not in (None, by):
            then.append(f"still more than {share} on {of(still)}{', the last' * (still == last)}")
        if gone is not None:
            then.append(
                f"fewer {f'than {share}' if still is None else 'again'} from {of(gone, ' on')}"
            )
        elif still not in (None, last):
            then.append("from then on not settled" if then else "until when is not settled")
        yield wording.sentence("; ".join(then)) if then else ""
    if acceptance.to_and_fro:
        who = wording.count(len(acceptance.to_and_fro), "taster")
        yield f"{who} answered to and fro, and counted on each day as they answered."


def one_each(found: CourseFound, names: Naming) -> str:
    """Say that one jar in all or an age was tasted; empty where that is not so."""
    noun, nouns = names.noun, names.nouns
    batches = [day.batches for day in found.days]
    if len(set(batches)) == 1 and len(batches[0]) == 1:
        return f"One {noun} was tasted, so this speaks of that {noun}."
    if batches and all(len(own) == 1 for own in batches):
        return f"One {noun} an age was tasted, so this speaks of these {nouns}."
    return ""


def which_first(course: Sequence[CourseFound]) -> str:
    """Say which series was there before which, where the brackets say so; empty with one series."""
    brackets = {
        found.label: found.reached
        for found in course
        if found.judged and isinstance(found.reached, Bracket)
    }
    if len(brackets) < 2:
        return ""
    before = [
        f"“{one}” was there before “{other}”"
        for one, other in permutations(brackets, 2)
        if (by := brackets[one].by) is not None
        and (after := brackets[other].after) is not None
        and by <= after
    ]
    return (
        wording.sentence(wording.listing(before)) if before else "Which was first is not settled."
    )
