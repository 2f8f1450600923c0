"""The columns of what is found of sets of cups and of days, as `columns`."""

from typing import Any, get_args

from blindspoon import wording
from blindspoon.findings.choices import NOT_FIXED, percent
from blindspoon.findings.course import Against
from blindspoon.stats.results import Interval
from blindspoon.writeup.columns import (
    ALPHA,
    BECAUSE,
    COUNT,
    DIFFERENCE,
    INTERVAL,
    LIST,
    NAME,
    NUMBER,
    P_VALUE,
    POINTS,
    PRIMARY,
    SHARE,
    VARIANT,
    VERDICT,
    YES_NO,
    P,
    one_of,
)
from blindspoon.writeup.writers import TEXT, Column, ColumnKind, named

SHARES = SHARE._replace(pair=True)
DAYS = ColumnKind("number", "days")

# Sets of cups to choose from --------------------------------------------------------------------

CAN_TELL = {
    "different": "can be told", "slight": "told by some", "alike": "alike", "open": "not settled"
}  # fmt: skip


def _if_fixed(name: str) -> Any:  # noqa: ANN401 - of the answers to one variant
    """Give what holds for a number of tests that was fixed before."""
    return lambda found: NOT_FIXED if found.lines else getattr(found, name)


def _needed(found: Any) -> str:  # noqa: ANN401 - of the answers to one variant
    """Say why no number of right answers would show a difference."""
    if found.choice.how.words:
        return "answers of two kinds are compared with one another"
    lines = "the lines of the sequential rule decide"
    return lines if found.lines else "not even all right would do"


def _shares(interval: Interval, _: object) -> str:
    low, high = percent(interval.low), percent(interval.high)
    return f"{low.removesuffix(f'{wording.NO_BREAK}%')} to {high}"


SETS = Column("tests", COUNT, "sets that were answered", "Sets")
RIGHT = Column("right", COUNT, "sets that were answered rightly", "Right")
HOLM = "adjusted p value, by Holm’s method over the"
TASTER = (
    *named(TEXT, taster="who chose"),
    SETS,
    RIGHT,
    *named(P, p_value="the chance of as many right by luck"),
    Column("p_adjusted", P, f"{HOLM} tasters", "As many by luck"),
    Column(
        "can_tell", YES_NO._replace(write=lambda can, _: "can tell" if can else "not shown"),
        "whether it is shown that they can tell", "Verdict",
    ),
)  # fmt: skip
CHOICE = (
    Column("variant", TEXT, VARIANT.meaning, of="variant.name"),
    Column("method", TEXT, "which kind of sets", of="choice.method"),
    Column("expect", TEXT, "what was expected", of="choice.expect", json_only=True),
    PRIMARY,
    ALPHA,
    SETS,
    *named(COUNT, tasters="how many answered; 0: not known"),
    RIGHT,
    Column("by_luck", NUMBER, "right answers that guessing brings", of="expected"),
    Column(
        "needed", COUNT, "right answers that would show a difference", "Needed", missing=_needed,
    ),
    Column(
        "p_value", P, "the chance of as many right by luck, exact; blank by the sequential rule",
        of=_if_fixed("p_value"),
    ),
    Column("p_adjusted", P, f"{HOLM} variants", "p", of=_if_fixed("p_adjusted")),
    Column(
        "can_tell", meaning="share of tasters who can tell; of their sets, if several",
        of=lambda each: each,
        inner=(
            Column(
                "estimate", SHARE._replace(write=lambda share, _: percent(share)), "the estimate",
                "Can tell", of="share",
            ),
            Column(
                "interval", SHARES._replace(write=_shares), "interval at level 1 − 2 alpha, exact",
                "Interval", of=_if_fixed("interval"),
            ),
            Column(
                "limit", SHARE, "upper limit over all variants, which decides “alike”",
                of=_if_fixed("limit"),
            ),
            Column("allowed", SHARE, "what it must stay below to be alike", of="choice.can_tell"),
        ),
    ),
    Column(
        "d_prime", meaning="the difference that is felt, in its standard deviations",
        inner=(
            *named(NUMBER, estimate="the estimate", se="its standard error"),
            *named(NUMBER._replace(pair=True), interval="interval at level 1 − 2 alpha"),
        ),
    ),
    Column("by_taster", LIST, "from 5 sets on", inner=TASTER, json_only=True),
    Column(
        "verdict", VERDICT._replace(write=lambda value, _: CAN_TELL[value]),
        "different: can be told; slight: told by some; open means not settled", "Verdict",
    ),
    BECAUSE,
)  # fmt: skip

# The course over days ---------------------------------------------------------------------------

FOUND_ON_DAY = {
    against: (
        Column("tasters", COUNT, "how many have a value", "Tasters"),
        Column(
            "mean",
            kind,
            "mean difference from the control, or mean score where none stayed the same",
            head,
        ),
        Column("interval", INTERVAL, "interval at level 1 − alpha", "Interval"),
        *named(
            P,
            p_different="p value that it is equal",
            p_inside="p value that it is not there yet",
            p_outside="p value that it is there",
        ),
    )
    for against, head, kind in (
        ("control", "Difference", DIFFERENCE),
        ("level", "Adjusted", POINTS),
        ("nothing", "", POINTS),
    )
}
"""What was found on a day; a value is a score that is adjusted by the control of its sitting."""
SERIES = Column("series", TEXT, "variants that are one food at several ages, or one alone")
DAY = (
    Column("day", DAYS, "its age", "Day"),
    *named(
        TEXT, sessions="where it was tasted", variants="which were so old",
        batches="jars that were so old",
    ),
    Column(
        "mean", POINTS, "plain mean of the scores", "Score", missing=lambda _: "nothing was scored",
    ),
    Column(
        "control", POINTS, "plain mean of the control in the same sessions", "Control",
        missing=lambda _: "not tasted",
    ),
    Column("found", meaning="of this day alone, not adjusted", inner=FOUND_ON_DAY["control"]),
    Column(
        "verdict", VERDICT,
        "alike or slight: it is there; different: it is not; open means not settled", "Verdict",
    ),
)  # fmt: skip
COURSE_DAYS = (SERIES, *named(TEXT, attribute=NAME.meaning), *DAY)
"""Of tables/days.csv."""
SHARE_ON_DAY = (
    *named(DAYS, day="its age"),
    *named(COUNT, yes="how many said yes", asked="how many answered"),
    *named(SHARES, interval="exact interval at level 1 − alpha"),
    *named(P, p_fewer="p that `share` or more say yes", p_more="p that `share` or fewer do"),
)  # fmt: skip
AGES = DAYS._replace(pair=True)
TASTERS = named(COUNT, tasters="how many it rests on")


def _bracket(after: str, by: str) -> tuple[Column, ...]:
    return named(DAYS, after=f"{after} up to this day; null: not settled", by=f"{by} from this on")


THERE, GONE = _bracket("not yet there", "there"), _bracket("there", "no longer there")
COURSE = (
    SERIES,
    *named(TEXT, label="the series for people"),
    Column("attribute", TEXT, NAME.meaning, of="attribute.name"),
    *named(YES_NO, judged="whether the course asks about this attribute"),
    PRIMARY,
    ALPHA,
    Column("over", TEXT, "what days are counted from", of="course.over"),
    Column(
        "level", POINTS, "what is to be reached or kept, where it is no control",
        of=lambda found: found.course.level if found.judged else None,
    ),
    Column(
        "against", one_of(*get_args(Against)),
        "what cups are compared with; nothing: no cup stayed the same",
    ),
    *named(COUNT, sittings="over which the days are spread"),
    Column("tasters", COUNT, "how many have two days or more", of=lambda found: len(found.tasters)),
    Column("days", LIST, "all ages", of=lambda found: [day.day for day in found.days]),
    Column("by_day", LIST, "a row a day", of="days", inner=DAY),
    Column(
        "trend", meaning="trend, in points a day",
        inner=(
            *named(NUMBER, slope="mean slope of the tasters’ straight lines"),
            *named(NUMBER._replace(pair=True), interval="interval at level 1 − alpha"),
            *named(NUMBER, df="its degrees of freedom"),
            P_VALUE,
            *named(P, p_signs="p by ranks"),
            *TASTERS,
        ),
    ),
    Column(
        "page", meaning="Page’s test, of ages of one sitting",
        inner=(
            *named(NUMBER, statistic="Page’s L"),
            *named(P, p_rising="p that it does not rise", p_falling="p that it does not fall"),
            *TASTERS,
        ),
    ),
    Column("reached", meaning="where that is asked", inner=THERE, optional=True),
    Column("kept", meaning="where that is asked", inner=GONE, optional=True),
    Column(
        "line", meaning="where straight lines meet what is asked for",
        inner=(
            *named(DAYS, day="the estimate"),
            *named(AGES, interval="interval at level 1 − alpha"),
            *TASTERS,
            *named(P, p_bend="p that the lines do not bend"),
        ),
    ),
    Column(
        "acceptance", meaning="whether they would have it, where `accept` asks", optional=True,
        inner=(
            *named(SHARE, share="what is to be passed"),
            *named(YES_NO, refusals="whether yes is a refusal, else having it"),
            Column("days", LIST, "a row a day", of="shares.days", inner=SHARE_ON_DAY),
            Column(
                "passed", meaning="when the share was passed", of="shares.passed",
                inner=_bracket("fewer than `share`", "more"),
            ),
            Column(
                "lost", meaning="when it was lost again, where both are asked", optional=True,
                of="shares.lost", inner=_bracket("more than `share`", "fewer again"),
            ),
            Column(
                "fit", meaning="from 12 tasters on",
                inner=(
                    *named(DAYS, day="on which `share` have turned"),
                    *named(AGES, interval="interval at level 1 − alpha"),
                    *named(NUMBER, scale="of the log of the day", log_likelihood="of the fit"),
                    *TASTERS,
                ),
            ),
            *named(LIST, to_and_fro="tasters who turned back"),
        ),
    ),
    *named(LIST, left_out="cups, a sentence each", because="what was found, in sentences"),
)  # fmt: skip
