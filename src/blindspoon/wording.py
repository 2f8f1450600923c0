"""Numbers and comparisons as people read them; the only place that rounds."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Context, Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

from blindspoon.trial import Attribute, Choice, Course, Scale

if TYPE_CHECKING:  # brings scipy, which the score page does without
    from blindspoon.stats.results import Contrast, Interval

MINUS = "\N{MINUS SIGN}"
NO_BREAK = "\N{NO-BREAK SPACE}"
ALONE = (
    "One person tasted alone: every round is held against itself, by ranks, because a mixed model "
    "needs two tasters. The answer is about this taster."
)
OVER = {
    "fermented_days": "days of fermenting",
    "age_days": "days since it was made",
    "stored_days": "days in the cold",
}
"""What the days of a course count, by `Course.over`."""


def days(number_of: float, over: str = "") -> str:
    """Write how many days there were, of what `Course.over` counts.

    >>> days(14, "fermented_days"), days(1, "stored_days"), days(3.0)
    ('14 days of fermenting', '1 day in the cold', '3 days')
    """
    said = OVER.get(over, "days")
    return f"{number_of:g} {said.replace('days', 'day', 1) if number_of == 1 else said}"


def would_have(course: Course | None) -> str:
    """Ask whether the taster would have it, by the name of the column; empty where it is not asked.

    >>> would_have(Course(attribute="sourness", accept="would_eat_it")), would_have(None)
    ('Would eat it?', '')
    """
    return capital(f"{course.accept.replace('_', ' ')}?") if course and course.accept else ""


def number(value: float, digits: int) -> str:
    """Write a finite number with so many decimals, half away from zero, and a true minus.

    >>> number(2.25, 1), number(-0.04, 1), number(-1.25, 1), number(0.2499999999999991, 1)
    ('2.3', '0.0', '−1.3', '0.3')
    """
    step = Decimal(1).scaleb(-digits)
    exact = Decimal(f"{value:.12g}")  # 0.2499999999999991 is a quarter on another machine
    rounded = exact.quantize(step, ROUND_HALF_UP, Context(prec=400))
    if rounded == 0:
        rounded = abs(rounded)
    return f"{rounded:f}".replace("-", MINUS)


def whole(value: float) -> int:
    """Take the nearest whole number, as `number` does.

    >>> whole(2.5), whole(-0.5), whole(0.4)
    (3, -1, 0)
    """
    return int(number(value, 0).replace(MINUS, "-"))


def plain(value: float) -> str:
    """Write a number that people chose (a margin, a scale end) as they would write it.

    >>> plain(1.0), plain(0.5), plain(-3.0), plain(1e6)
    ('1', '0.5', '−3', '1000000')
    """
    text = f"{value:g}"
    return (f"{value:.0f}" if "e+" in text else text).replace("-", MINUS)


def decimals(values: Iterable[float]) -> int:
    """Count the decimals of the finest of some numbers, so that all of them are written with it.

    >>> decimals([6.0, 5.3, 4.25])
    2
    """
    return max((len(plain(value).partition(".")[2]) for value in values), default=0)


def signed(value: float, digits: int) -> str:
    """Write a difference with its sign; a rounded zero has none.

    >>> signed(1.84, 1), signed(-0.3, 1), signed(0.01, 1)
    ('+1.8', '−0.3', '0.0')
    """
    text = number(value, digits)
    return f"+{text}" if value > 0 and any(digit in text for digit in "123456789") else text


def digits_for(scale: Scale) -> int:
    """Decimals that are worth printing for a mean or a difference on this scale.

    A tenth of a point on a 0-10 scale, a whole point on 0-100: about a hundredth of the scale.

    >>> digits_for(Scale(low=0, high=10)), digits_for(Scale(low=0, high=100))
    (1, 0)
    """
    span = scale.high - scale.low
    return 0 if span >= 50 else 1 if span >= 4 else 2


def count(number_of: int, singular: str, plural: str = "") -> str:
    """Write how many there are: "1 taster", "12 tasters".

    >>> count(1, "taster"), count(100000, "taster"), count(2, "batch", "batches")
    ('1 taster', '100,000 tasters', '2 batches')
    """
    return f"{number_of:,} {singular if number_of == 1 else plural or singular + 's'}"


def percent(share: float) -> str:
    r"""Write a share of one as a percentage, with as few decimals as it needs.

    >>> percent(0.95), percent(0.975), percent(1 - 0.05 / 3)
    ('95\xa0%', '97.5\xa0%', '98.3\xa0%')
    """
    text = number(100 * share, 1).removesuffix(".0")
    return f"{text}{NO_BREAK}%"


def p_value(p: float) -> str:
    """Write a p value with its relation, never as zero.

    >>> p_value(0.0312), p_value(0.00004), p_value(1.0)
    ('p = 0.031', 'p < 0.001', 'p > 0.999')
    """
    if p < 0.001:
        return "p < 0.001"
    if p > 0.999:
        return "p > 0.999"
    return f"p = {number(p, 3)}"


def p_cell(p: float) -> str:
    """Write a p value for a table: the relation only where it is not "equals".

    >>> p_cell(0.0312), p_cell(0.00004)
    ('0.031', '< 0.001')
    """
    return p_value(p).removeprefix("p ").removeprefix("= ")


def telling_digits(values: Iterable[float], limits: Iterable[float], at_least: int) -> int:
    """Decimals at which no value is rounded onto, or across, a limit that it does not touch.

    An interval that ends at 0.97 is inside a margin of 1, and has to be seen to be. Three is the
    most that is given.

    >>> telling_digits([-0.2, 0.97], [-1.0, 0.0, 1.0], 1)
    2
    """
    pairs = [(value, limit) for value in values for limit in limits if value != limit]
    for digits in range(at_least, 3):
        step = 10.0**-digits
        if all(abs(value - limit) >= step / 2 for value, limit in pairs):
            return digits
    return max(at_least, 3)


def span(interval: Interval, attribute: Attribute) -> str:
    """Write an interval of a difference: "0.9 to 2.7", "above 0.0 to 4.0" with an open end.

    Decimals grow where rounding would hide on which side of zero or of the margin an end lies.
    """
    found, usual = (interval.low, interval.high), digits_for(attribute.scale)
    digits = min(telling_digits(found, limits_of(attribute), usual), usual + 1)
    return ends(interval, attribute, digits)


def limits_of(attribute: Attribute) -> tuple[float, ...]:
    """List what an interval is held against: zero, and the margin either way."""
    return (0.0,) if attribute.margin is None else (-attribute.margin, 0.0, attribute.margin)


def ends(interval: Interval, attribute: Attribute, digits: int) -> str:
    """Write an interval with so many decimals; an end that they put on a limit tells its side.

    >>> from blindspoon.stats.results import Interval
    >>> crisp = Attribute(name="texture", label="", scale=Scale(low=0, high=10), margin=1.0)
    >>> ends(Interval(-0.19, 0.997), crisp, 2)
    '−0.19 to below 1.00'
    """
    texts, opened = list[str](), ("above " * interval.low_open, "below " * interval.high_open)
    for value, side in zip((interval.low, interval.high), opened, strict=True):
        text, limits = number(value, digits), limits_of(attribute)
        shown = float(text.replace(MINUS, "-"))
        hidden = value not in limits and shown in limits
        beyond = "above " if value > shown else "below "
        texts.append(f"{beyond if hidden else side}{text}")
    return " to ".join(texts)


def reach(interval: Interval, attribute: Attribute) -> str:
    """Say how far a difference could reach either way: "0.8 less to 1.1 more"."""
    ends = (interval.low, interval.high)
    digits = telling_digits(ends, [0.0], digits_for(attribute.scale))
    low, high = (number(abs(end), digits) for end in ends)
    if interval.low >= 0:
        return f"{low} to {high} more"
    if interval.high <= 0:
        return f"{high} to {low} less"
    return f"{low} less to {high} more"


def estimate_digits(value: float, interval: Interval | None, attribute: Attribute) -> int:
    """Decimals for an estimate: more where it would read 0.0 although zero is excluded.

    >>> from blindspoon.stats.results import Interval
    >>> crisp = Attribute(name="texture", label="Texture", scale=Scale(low=0, high=10))
    >>> estimate_digits(0.034, Interval(0.02, 0.05), crisp), estimate_digits(0.034, None, crisp)
    (2, 1)
    """
    usual = digits_for(attribute.scale)
    excluded = interval is not None and interval.excludes_zero()
    return telling_digits([value], [0.0], usual) if excluded else usual


def estimate(found: Contrast, attribute: Attribute) -> str:
    """Write what a procedure found, with its sign, as a sentence would."""
    return signed(found.difference, estimate_digits(found.difference, found.interval, attribute))


def points(value: float, attribute: Attribute, interval: Interval | None = None) -> str:
    """Write the size of a difference: "1.8 points", always positive.

    >>> crisp = Attribute(name="texture", label="Texture", scale=Scale(low=0, high=10))
    >>> points(-1.84, crisp), points(1.0, crisp)
    ('1.8 points', '1 point')
    """
    size = number(abs(value), estimate_digits(value, interval, attribute))
    return "1 point" if float(size) == 1 else f"{size} points"


def margin(attribute: Attribute) -> str:
    """Write the margin: "1 point", "0.5 points"; empty where there is none."""
    return "" if attribute.margin is None else in_points(attribute.margin)


def in_points(size: float) -> str:
    r"""Write a size that people chose, on the scale of the scores.

    >>> in_points(1.0), in_points(0.5)
    ('1\xa0point', '0.5\xa0points')
    """
    return f"{plain(size)}{NO_BREAK}{'point' if size == 1 else 'points'}"


MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July", "August"),
    *("September", "October", "November", "December"),
)


def day(date: datetime.date) -> str:
    """Write a date in words, whatever the language of the machine.

    >>> day(datetime.date(2026, 9, 4))
    '4 September 2026'
    """
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def on_days(dates: Iterable[datetime.date], last: str = "and") -> str:
    """Write sorted dates in words, month and year once where the next date shares them.

    >>> on_days([datetime.date(2026, 9, 4), datetime.date(2026, 9, 5)])
    '4 and 5 September 2026'
    >>> on_days([datetime.date(2026, 9, 30), datetime.date(2026, 10, 1)], "to")
    '30 September to 1 October 2026'
    """
    known = sorted({*dates})
    texts = [
        str(one.day)
        if (one.year, one.month) == (two.year, two.month)
        else day(one).removesuffix(f" {two.year}")
        for one, two in pairwise(known)
    ]
    return listing([*texts, *map(day, known[-1:])], last)


def dated(text: str) -> str:
    """Write the dates in a text in words.

    >>> dated("Sealed on 2026-09-04."), dated("2026-13-04 is a name.")
    ('Sealed on 4 September 2026.', '2026-13-04 is a name.')
    """

    def in_words(found: re.Match[str]) -> str:
        try:
            return day(datetime.date.fromisoformat(found[0]))
        except ValueError:
            return found[0]

    return re.sub(r"\b\d{4}-\d\d-\d\d\b", in_words, text)


def listing(items: Iterable[str], last: str = "and") -> str:
    """Join words as a sentence does.

    >>> listing(["salt"]), listing(["salt", "age"]), listing(["salt", "age", "jar"])
    ('salt', 'salt and age', 'salt, age and jar')
    """
    words = list(items)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def sentence(text: str) -> str:
    """Give a clause its capital and its full stop; a question keeps its mark.

    >>> sentence("one is open"), sentence("it ends here."), sentence("does it?")
    ('One is open.', 'It ends here.', 'Does it?')
    """
    text = capital(text).rstrip(".")
    return text if text.endswith("?") else f"{text}."


def comparative(
    difference: float, attribute: Attribute, *, was: str = "was", how: str = "", on: bool = True
) -> str:
    """Say in the words of the scale which way a difference points.

    "was crisper" where trial.toml gives the word; otherwise "scored higher on texture (towards
    “crisp”)", the attribute named if `on`.
    """
    up = difference > 0
    if word := attribute.more if up else attribute.less:
        return f"{was} {how}{word}"
    label = f" on {attribute.label.lower()}" * on
    return f"scored {how}{'higher' if up else 'lower'}{label}{towards(difference, attribute)}"


def towards(difference: float, attribute: Attribute) -> str:
    """Name the end of the scale to which a difference points, if it has a name."""
    end = attribute.high if difference > 0 else attribute.low
    return f" (towards “{end}”)" if end and difference else ""


NUMERALS = "no one two three four five six seven eight nine ten eleven twelve".split()  # noqa: SIM905


def spelled(number_of: int) -> str:
    """Write a small count as a word.

    >>> spelled(0), spelled(4), spelled(12), spelled(1300)
    ('no', 'four', 'twelve', '1,300')
    """
    return NUMERALS[number_of] if number_of < len(NUMERALS) else f"{number_of:,}"


def all_of(number_of: int) -> str:
    """Write that it is all of them.

    >>> all_of(2), all_of(3)
    ('both', 'all three')
    """
    return "both" if number_of == 2 else f"all {spelled(number_of)}"


def directions(attribute: Attribute) -> tuple[str, str]:
    """Name both directions of a difference: less and more, in the words of the scale.

    >>> crisp = Attribute(name="texture", label="Texture", low="soft", high="crisp",
    ...     more="crisper", scale=Scale(low=0, high=10))
    >>> directions(crisp)
    ('towards soft', 'crisper')
    """
    low = f"towards {attribute.low}" if attribute.low else "lower"
    high = f"towards {attribute.high}" if attribute.high else "higher"
    return attribute.less or low, attribute.more or high


def kitchen(grams: float) -> str:
    """Write grams as a kitchen balance shows them: whole from 100 g, finer below.

    >>> kitchen(521.4), kitchen(22.74), kitchen(1.093), kitchen(0)
    ('521', '22.7', '1.09', '0')
    """
    return number(grams, 0 if grams >= 100 or not grams else 1 if grams >= 10 else 2)


def grams(mass: float) -> str:
    r"""Write a mass with its unit.

    >>> grams(1000.5), grams(22.74)
    ('1,001\xa0g', '22.7\xa0g')
    """
    text = f"{whole(mass):,}" if mass >= 1000 else kitchen(mass)
    return f"{text}{NO_BREAK}g"


ASKED = {
    "triangle": "Two of the three cups are the same, one is different. Choose the different one.",
    "tetrad": "Sort the four cups into two groups of two, like to like. Choose one of the groups.",
    "duo-trio": "The first cup is the reference. Choose which of the other two is the same as it.",
    "paired": "Choose the cup with {more} {attribute}.",
    "three-afc": "Choose the cup with the {most} {attribute}.",
    "two-out-of-five": "Two of the five cups are of one kind, three of another. Choose the two.",
    "a-not-a": "The cup without a code is A: taste it first. Is the other one A, or not A?",
    "same-different": "Say whether the two cups are the same or different.",
}
"""What is asked of a set, as ISO 4120, 5495, 8588 and 10399 ask; of the tetrad groups of two."""


def asked(choice: Choice) -> str:
    """Say what a taster does with a set, in the words of the method.

    >>> asked(Choice(method="paired", attribute="sourness"))
    'Choose the cup with more sourness.'
    """
    more, most = ("less", "least") if choice.expect == "less" else ("more", "most")
    return ASKED[choice.method].format(more=more, most=most, attribute=choice.attribute.lower())


MUST = "You must choose: if you cannot tell, guess."
