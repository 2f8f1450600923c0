"""The course over days: its table in place of the board, charts, pH, what to do and to try next."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.batches.cautions import PH_LIMIT, passed_limit
from blindspoon.charts.days import batches_of, days_chart, headline, told_apart
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.course import CourseDay, CourseFound
from blindspoon.findings.days_in_words import day_word, one_each, which_first
from blindspoon.findings.naming import names_of
from blindspoon.stats.over_days import Bracket
from blindspoon.stats.results import NoResult
from blindspoon.wording import day as on_day
from blindspoon.writeup.course_tables import days_csv
from blindspoon.writeup.section import PageSection, Points
from blindspoon.writeup.words import paragraphs, points
from blindspoon.writeup.writers import Table, blank_as_dash

MOST_NAMED = 5
"""Tasters left out that are named under a table."""
NEXT_DAYS = 3
"""Days between those of a bracket that are suggested."""


def judged(analysis: Analysis) -> list[CourseFound]:
    """List the series on the attribute that was asked about, the control's own last."""
    return [found for found in analysis.course if found.judged]


def days_answer(analysis: Analysis) -> list[str]:
    """Say when each was there, if that answers the question; of an unjudged one, how it moved."""
    others = (found for found in judged(analysis) if found.series != analysis.trial.control)
    return [headline(found) for found in others if found.primary or analysis.about_days]


def days_section(analysis: Analysis) -> PageSection | None:
    """Tell when it was ready, and until when: what stands behind the answer, day by day."""
    asked, trial = judged(analysis), analysis.trial
    if not asked:
        return None
    log = analysis.made.log if analysis.made else None
    course = asked[0].course
    passed = _ph_table(analysis)
    weak = one_each(asked[0], names_of(analysis))  # which the page says under what weakens it
    rest = [[text for text in told_apart(found)[1] if text != weak] for found in asked]
    told = [" ".join([headline(found), *more]) for found, more in zip(asked, rest, strict=True)]
    if len(asked) == 1:  # a sentence a paragraph
        told = [headline(asked[0])] * (not analysis.about_days) + rest[0]
    return PageSection(
        name="days",
        head="When is it ready?" if course.reach is not None else "How long does it stay?",
        role="" if asked[0].primary else "Exploratory",
        paragraphs=(*told, *filter(None, [which_first(analysis.course)])),
        charts=tuple(days_chart(found, trial, log) for found in asked),
        tables=(*(_day_table(analysis, found) for found in asked), *([passed] if passed else [])),
        points=points("days_not_shown", course=course, sittings=asked[0].sittings > 1),
        behind={
            f"{each.series}-{each.attribute.name}-days": (f"days-{each.series}",) for each in asked
        },
        files=(("tables/days.csv", days_csv(analysis)),),
    )


def _day_table(analysis: Analysis, found: CourseFound) -> Table:
    """Set the days of one series down, and all attributes across."""
    every = [each for each in analysis.course if each.series == found.series]
    rows = []
    for place, day in enumerate(found.days):
        cells = [", ".join(filter(None, (day_word(found, day), _size(found, day))))]
        cells += [
            "".join(_size(other, same) for same in other.days if same.day == day.day)
            for other in every[1:]
        ]
        if found.acceptance:
            share = found.acceptance.shares.days[place]
            cells.append("" if isinstance(share, NoResult) else f"{share.yes} of {share.asked}")
        rows.append((f"Day {day.day}", blank_as_dash(cells)))
    heads = [each.attribute.label for each in every]
    if found.acceptance:
        heads.append("Refused it" if found.acceptance.refusals else "Would have it")
    return Table(
        name=f"days-{found.series}",
        caption=f"{wording.capital(found.label)}, day by day: points"
        + (" from the control" if found.against == "control" else ""),
        head=wording.capital(wording.OVER[found.course.over]),
        columns=tuple(heads),
        rows=tuple(rows),
        notes=_left_out(analysis, found),
        stacked=True,
    )


def _left_out(analysis: Analysis, found: CourseFound) -> tuple[str, ...]:
    """Say who is in no trend, the first of many; only how many where no taster is shown."""
    told = found.left_out[: MOST_NAMED if analysis.trial.tasters_shown else 0]
    rest = len(found.left_out) - len(told)
    tasted = f"{wording.count(rest, 'taster')} {'more ' * bool(told)}tasted on one day only."
    return (*told, *([tasted] if rest else []))


def _size(found: CourseFound, day: CourseDay) -> str:
    """Write the mean of a day, with what decides."""
    if isinstance(day.found, NoResult):
        return ""
    attribute, interval = found.attribute, day.found.interval
    digits = wording.digits_for(attribute.scale)
    write = wording.signed if found.against == "control" else wording.number
    return f"{write(day.found.mean, digits)} ({wording.span(interval, attribute)})"


def _ph_table(analysis: Analysis) -> Table | None:
    """Name for every jar the two readings between which it passed the limit of pH."""
    log = analysis.made.log if analysis.made else None
    if log is None:
        return None
    jars = {b.name: b for found in judged(analysis) for b in batches_of(found, log)}
    label = {variant.name: variant.label for variant in analysis.trial.variants}
    passed = {name: passed_limit(log.readings_of(name)) for name in jars}
    read = [reading.ph for pair in passed.values() for reading in pair if reading and reading.ph]
    if not read:
        return None
    digits = wording.decimals(read)
    return Table(
        name="days-ph",
        caption=f"The readings between which the pH passed {wording.plain(PH_LIMIT)}",
        head="Jar",
        columns=("Last above", f"First at {wording.plain(PH_LIMIT)} or below"),
        rows=tuple(
            (
                f"{label[jars[name].variant]} ({name})",
                blank_as_dash(
                    f"{on_day(read.date).rpartition(' ')[0]}: {wording.number(read.ph, digits)}"
                    if read and read.ph is not None
                    else ""
                    for read in pair
                ),
            )
            for name, pair in passed.items()
        ),
    )


# The answer, and what follows from it -------------------------------------------------------------


def days_advice(analysis: Analysis) -> Points:
    """Say when to open the next jar, if it turns out like these."""
    return tuple(point for found in judged(analysis) for point in _advice(analysis, found))


def _advice(analysis: Analysis, found: CourseFound) -> Iterator[tuple[str, str]]:
    over, noun = wording.OVER[found.course.over], names_of(analysis).noun
    it = "it" if noun in ("", "batch") else f"the {noun}"
    about = f"{wording.capital(found.label)}: " if len(judged(analysis)) > 1 else ""
    reached, kept = found.reached, found.kept
    if isinstance(reached, Bracket) and reached.by is not None:
        wait = f"; on day {reached.after:g} not yet" if reached.after is not None else ""
        text = (
            f"After {reached.by:g} {over} it was there{wait}. Read the pH first: a taste does not"
        )
        yield f"{about}Open {it} on day {reached.by:g}.", f"{text} tell what is safe."
    elif isinstance(reached, Bracket) and reached.after is not None:
        yield f"{about}Wait longer than {reached.after:g} days.", "It was not there yet by then."
    if isinstance(kept, Bracket) and kept.after is not None:
        lost = "later days are not settled"
        if kept.by is not None:
            lost = f"from day {kept.by:g} on no longer"
        elif kept.after == found.days[-1].day:
            lost = "no later day was tasted"
        text = f"Up to day {kept.after:g} it was still there; {lost}."
        yield f"{about}Count on {kept.after:g} {over}.", text


def days_steps(analysis: Analysis) -> Points:
    """Say what the next tasting over days should do otherwise: days, control, sittings, jars."""
    found = judged(analysis)[0]
    return (*_narrower(found), *_better(analysis, found))


def _narrower(found: CourseFound) -> Iterator[tuple[str, str]]:
    """Ask for days between those of a bracket, or before and after all."""
    first, last = found.days[0].day, found.days[-1].day
    bracket = found.reached if found.course.reach is not None else found.kept
    if not isinstance(bracket, Bracket):
        return
    after, by = bracket.after, bracket.by
    if after is not None and by is not None and by - after > 1:
        most = min(NEXT_DAYS, int(by - after) - 1)
        days = sorted({round(after + (by - after) * n / (most + 1)) for n in range(1, most + 1)})
        named = wording.listing(f"{each}" for each in days)
        yield (
            "Taste between them.",
            f"The answer lies between day {after:g} and day {by:g}: jars of {named} days, with "
            "these two again, would narrow it.",
        )
    elif by is None:
        yield "Go on longer.", f"Day {last} was not late enough, or the panel too small to show it."
    elif after is None:
        yield "Begin earlier.", f"Day {first} was not early enough, or the panel too small."


def _better(analysis: Analysis, found: CourseFound) -> Iterator[tuple[str, str]]:
    """Ask for a control that stays, for one sitting, and for two jars an age."""
    if found.against == "nothing" and found.sittings > 1:
        yield (
            "Keep one cup the same.",
            "A control from one jar, kept cold, at every sitting takes out what changed about the "
            "evenings. Until then nobody can say whether the food changed.",
        )
    elif found.sittings > 1:
        yield (
            "Taste all ages in one sitting.",
            "Start jars together, move each to the cold at its own age, and no evening differs.",
        )
    noun, jars = names_of(analysis).noun or "batch", {day.batches for day in found.days}
    if len(jars) == 1:
        yield f"Follow a second {noun}.", f"This tells of one {noun}, and not of the method."
    elif all(len(own) < 2 for own in jars):
        yield (
            f"Make two {names_of(analysis).nouns or 'batches'} an age.",
            f"A {noun} that is a little different looks like an age that is.",
        )


def days_methods(analysis: Analysis) -> tuple[str, ...]:
    """Describe how the days were compared, completely enough for a paper."""
    asked = judged(analysis)
    if not asked:
        return ()
    return paragraphs(
        "days",
        found=asked[0],
        series=len(asked),
        days=[f"{day.day}" for day in asked[0].days],
        over=wording.OVER[asked[0].course.over],
        lines=[each for each in asked if not isinstance(each.line, NoResult)],
        no_line=[each.line.reason for each in asked if isinstance(each.line, NoResult)],
        trends=[each.trend for each in asked if not isinstance(each.trend, NoResult)],
        pages=[each.page for each in asked if not isinstance(each.page, NoResult)],
        accepted=[each.acceptance for each in asked if each.acceptance],
    )
