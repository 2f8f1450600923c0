"""The questions beside the scored ones: a course over days, and sets of cups to choose from."""

from blindspoon import wording
from blindspoon.batches.cautions import PH_LIMIT, passed_limit
from blindspoon.batches.log import Reading
from blindspoon.charts.jars import batches_of, days_chart
from blindspoon.charts.picks import lines_chart, picks_chart
from blindspoon.findings.choices import ENOUGH, interval_words, percent, sentences
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.course import CourseDay, CourseFound
from blindspoon.findings.days_in_words import (
    day_word,
    days_or_food,
    headline,
    one_each,
    which_first,
)
from blindspoon.stats.results import NoResult
from blindspoon.stats.scores_over_days import DayFound
from blindspoon.stats.several_tests import Bracket
from blindspoon.wording import day as on_day
from blindspoon.writeup.asked_columns import CHOICE, COURSE_DAYS, TASTER
from blindspoon.writeup.records import day_values
from blindspoon.writeup.templating import PageSection, Points, paragraphs, points
from blindspoon.writeup.writers import DASH, Table, csv_table, grid, table_of, to_csv

# A course over days -----------------------------------------------------------------------------

NEXT_DAYS = 3  # days between those of a bracket that are suggested


def _judged(analysis: Analysis) -> list[CourseFound]:
    """List the series on the attribute that was asked about, the control's own last."""
    return [found for found in analysis.course if found.judged]


def days_answer(analysis: Analysis) -> list[str]:
    """Say when each was there, and until when if both were asked; or how it moved."""
    others = (found for found in _judged(analysis) if found.series != analysis.trial.control)
    asked = [found for found in others if found.primary or analysis.about_days]
    texts = [" ".join([headline(found), *found.said.answers[1:]]) for found in asked]
    return [*texts, *filter(None, dict.fromkeys(map(days_or_food, asked)))]


def days_section(analysis: Analysis) -> PageSection | None:
    """Tell when it was ready, and until when: what stands behind the answer, day by day."""
    asked, trial = _judged(analysis), analysis.trial
    if not asked:
        return None
    log = analysis.made.log if analysis.made else None
    course = asked[0].course
    asks = ["when is it ready"] * (course.reach is not None)
    asks += ["how long does it stay"] * (course.keep is not None)
    passed = _ph_table(analysis)
    elsewhere = {one_each(asked[0], analysis.names)}  # under what weakens it
    answers = list[str]()
    for found in asked:
        if answers or found.primary or analysis.about_days:  # else told of the first
            elsewhere.add(days_or_food(found))
        more = (*found.said.untold, *found.said.more)
        texts = [text for text in more if text not in elsewhere]
        if found.series == trial.control or not analysis.about_days:  # else the answer says it
            texts = [" ".join([headline(found), *found.said.answers[1:]]), *texts]
        elif found.said.series and texts:
            texts[0] = f"{found.said.series}: {texts[0][:1].lower()}{texts[0][1:]}"
        answers += texts if len(asked) == 1 else filter(None, [" ".join(texts)])
    return PageSection(
        name="days",
        link="Day by day",
        head=wording.capital(f"{wording.listing(asks)}?"),
        role="" if asked[0].primary else "Exploratory",
        paragraphs=(*answers, *filter(None, [which_first(analysis.course)])),
        charts=tuple(filter(None, (days_chart(found, trial, log) for found in asked))),
        tables=tuple(
            table
            for table in (*(_day_table(analysis, found) for found in asked), passed)
            if table and any(cell != DASH for _, cells in table.rows for cell in cells)
        ),
        points=points("days_not_shown", course=course, sittings=asked[0].sittings > 1),
        files=(("tables/days.csv", to_csv(COURSE_DAYS, day_values(analysis))),),
    )


def _day_table(analysis: Analysis, found: CourseFound) -> Table:
    """Set the days of one series down, and all attributes across; below, who is in no trend."""
    every = [other for other in analysis.course if other.series == found.series]
    heads, rows = [other.attribute.label for other in every], []
    if found.acceptance:
        heads.append("Refused it" if found.acceptance.refusals else "Would have it")
    for place, day in enumerate(found.days):
        cells = [", ".join(filter(None, (day_word(found, day), _size(found, day))))]
        cells += [
            "".join(_size(other, same) for same in other.days if same.day == day.day)
            for other in every[1:]
        ]
        if found.acceptance:
            share = found.acceptance.shares.days[place]
            cells.append("" if isinstance(share, NoResult) else f"{share.yes} of {share.asked}")
        rows.append((f"Day {day.day}", cells))
    many = wording.count(len(found.once), "taster")
    once = (f"{many} tasted on one day only, not in the trend.",) * bool(found.once)
    ranges = f"In brackets: the likely range ({wording.percent(1 - found.alpha)}) of that day alone"
    judged = "; the words judge all days together" * any(day_word(found, it) for it in found.days)
    return grid(
        f"days-{found.series}",
        f"{wording.capital(found.label)}, day by day: points"
        + (" from the control" if found.against == "control" else ""),
        wording.capital(wording.OVER[found.course.over]),
        heads,
        rows,
        (f"{ranges}{judged}.", *once, *found.unheld),
        (f"{found.series}-{found.attribute.name}-days",),
        stacked=True,
    )


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
    jars = {b.name: b for found in _judged(analysis) for b in batches_of(found, log)}
    label = {variant.name: variant.label for variant in analysis.trial.variants}
    passed = {name: passed_limit(log.readings.get(name, ())) for name in jars}
    read = [reading.ph for pair in passed.values() for reading in pair if reading and reading.ph]
    if not read:
        return None
    digits, limit = wording.decimals(read), wording.plain(PH_LIMIT)

    def text(read: Reading | None) -> str:
        if read is None or read.ph is None:
            return ""
        return f"{on_day(read.date).rpartition(' ')[0]}: {wording.number(read.ph, digits)}"

    return grid(
        "days-ph",
        f"The readings between which the pH passed {limit}",
        "Jar",
        ("Last above", f"First at {limit} or below"),
        (
            (f"{label[jars[name].variant]} ({name})", map(text, pair))
            for name, pair in passed.items()
        ),
    )


def days_advice(analysis: Analysis) -> Points:
    """Say when to open the next jar, if it turns out like these."""
    noun = analysis.names.noun
    it = "it" if noun == "batch" else f"the {noun}"
    return points("days_advice", asked=_judged(analysis), it=it)


def days_steps(analysis: Analysis) -> Points:
    """Say what the next tasting over days should do otherwise: days, control, sittings, jars."""
    found, names, between = _judged(analysis)[0], analysis.names, set[int]()
    last = found.days[-1]
    bracket = found.reached if found.course.reach is not None else found.kept
    late = (bracket.after or 0) if isinstance(bracket, Bracket) else 0
    chance = {
        it.day: it.found.p_inside
        for it in found.days
        if it.day > late and isinstance(it.found, DayFound) and bracket is found.reached
    }
    if isinstance(bracket, Bracket) and bracket.after is not None and bracket.by is not None:
        after, apart = bracket.after, bracket.by - bracket.after
        parts = min(NEXT_DAYS, int(apart) - 1) + 1
        between = {round(after + apart * n / parts) for n in range(1, parts)}
    return points(
        "days_next",
        tasters=len(analysis.table.tasters),
        bracket=bracket if isinstance(bracket, Bracket) else None,
        between=[f"{day}" for day in sorted(between)],
        found=found,
        last=last.day,
        nearest=min(chance, key=chance.__getitem__, default=None),
        left=bracket is found.reached
        and isinstance(last.found, DayFound)
        and last.found.p_outside <= found.end_alpha,
        jars={day.batches for day in found.days},
        noun=names.noun,
        nouns=names.nouns,
    )


def days_methods(analysis: Analysis) -> tuple[str, ...]:
    asked = _judged(analysis)
    if not asked:
        return ()
    return paragraphs(
        "days",
        asked=asked,
        days=[f"{day.day}" for day in asked[0].days],
        over=wording.OVER[asked[0].course.over],
        tested=any(isinstance(it, Bracket) for each in asked for it in (each.reached, each.kept)),
    )


# Sets of cups to choose from --------------------------------------------------------------------


def choices_section(analysis: Analysis) -> PageSection | None:
    choices = analysis.choices
    if not choices:
        return None
    source = f"“{analysis.trial.title}”"
    lines = (lines_chart(found, analysis.names, source) for found in choices)
    rows = ((found.variant.label, found, None) for found in choices)
    caption = "Answers to sets, right or wrong"
    said = [wording.sentence(wording.capital(interval_words(choices)))]
    numbers = table_of("choices-table", caption, "Variant", CHOICE, rows, said, behind=("choices",))
    tasters = [
        (f"{row.taster}, {found.variant.label}" if choices[1:] else row.taster, row, None)
        for found in choices
        for row in found.by_taster
        if found.tasters > 1
    ]
    different = [found for found in choices if found.verdict in ("different", "slight")]
    shares = [
        (it.variant.label, percent(it.interval.low, 0), percent(it.interval.high), it)
        for it in different
        if not it.lines
    ]
    caption = f"Who can tell, by their own sets ({ENOUGH} or more)"
    own = table_of("who-can-tell", caption, "Taster", TASTER, tasters)
    return PageSection(
        name="asked",
        link="Who can tell",
        head="Can anybody tell them apart?",
        role="" if choices[0].primary else "Exploratory",
        paragraphs=tuple(sentences(choices))
        if choices[1:] or (analysis.results and not choices[0].primary)
        else (),  # which the answer says
        charts=(picks_chart(choices, analysis.names, source), *filter(None, lines)),
        tables=(own,) if tasters and analysis.trial.tasters_shown else (),
        points=points("choices_not_shown", told=shares, several=choices[1:]) if different else (),
        numbers=(numbers,),
        files=(("tables/choices.csv", csv_table(CHOICE, choices)),),
    )


def choice_methods(analysis: Analysis) -> tuple[str, ...]:
    choices = analysis.choices
    if not choices:
        return ()
    orders = analysis.table.choices.orders.values() if analysis.table.choices else ()
    return paragraphs(
        "choices",
        choices=choices,
        repeated=any(found.repeated for found in choices),
        balanced=all(max(counts) - min(counts) <= 1 for counts in orders),
        coded=analysis.table.choices is not None and analysis.table.choices.coded,
    )
