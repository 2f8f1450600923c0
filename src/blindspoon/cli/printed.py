"""What a person reads in a terminal of 80 columns."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.cautions import HEAD as CARE
from blindspoon.batches.summary import Made, cautions_in_words, differences_in_words
from blindspoon.findings.choices import interval_words, sentences
from blindspoon.findings.comparison import Analysis, AttributeResult
from blindspoon.findings.course import CourseFound
from blindspoon.findings.days_in_words import day_word
from blindspoon.findings.pool_checks import Pool, PooledAttribute
from blindspoon.findings.rule import PROCEDURES, Kind
from blindspoon.findings.verdict_in_words import flag_note
from blindspoon.serving.plan import ServingPlan, Span, order_counts
from blindspoon.simulate.exact_size import ABLE, ChoiceSizing, CourseSizing
from blindspoon.simulate.size_results import Sizing
from blindspoon.stats.results import NoResult
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.asked_columns import CHOICE, DAY, FOUND_ON_DAY
from blindspoon.writeup.columns import INTERVAL, POINTS, P
from blindspoon.writeup.tables import STRENGTHS, strength_cells
from blindspoon.writeup.writers import (
    TEXT,
    Column,
    Row,
    aligned,
    cells,
    filled,
    heads,
    on_a_terminal,
)

MOST_LISTED = 20
BLANK = "-"  # a cell without a number
LIKE, ONLY = "kitchens like these", "these kitchens only"
SIZES = ("tasters", "sessions", "a margin", "two margins", "alike", "seen 8 in 10", "smallest p")

FOUND = (
    Column(
        "difference",
        POINTS._replace(write=wording.estimate),
        head="difference",
        of=lambda found: found,
    ),
    Column("interval", INTERVAL._replace(write=wording.span), head="interval"),
)
POOLED = (*FOUND, Column("p_adjusted", P, head="p"))
IN_BRIEF = (
    Column("found", inner=FOUND),
    Column("mixed", inner=(Column("p_adjusted", P, head="mixed p"),)),
    Column("ranks", inner=(Column("p_adjusted", P, head="ranks p"),)),
    Column("verdict", TEXT._replace(write=lambda it, _: in_brief(it)), head="verdict"),
)


def comparison_table(analysis: Analysis) -> str:
    """Lay out every comparison, primary attributes first, then what was not compared."""
    blocks = ["\n".join(_attribute(analysis, result)) for result in analysis.ordered]
    head = _heading(analysis) if analysis.results else filled(analysis.trial.title)
    return on_a_terminal(
        [head, *_courses(analysis), _choices(analysis), *blocks, _left_out(analysis)]
    )


def _choices(analysis: Analysis) -> str:
    """Lay out what was chosen from sets: numbers, sentences, and who can tell."""
    found = analysis.choices
    if not found:
        return ""
    choice, planned = found[0].choice, "primary" if found[0].primary else "exploratory"
    control = analysis.trial.variant(analysis.trial.control)
    head = f"{wording.capital(choice.how.label)} ({planned}, {interval_words(found)})"
    who = [
        f"{row.taster} ({row.right} of {row.tests})"
        for held in found
        for row in held.by_taster
        if row.can_tell and len(held.by_taster) > 1 and analysis.trial.tasters_shown
    ]
    told = [f"Who can tell by their own sets: {wording.listing(who)}."] if who else []
    stands = analysis.standing.texts() if not analysis.results else ()
    lines = [*stands, *sentences(found), *told]
    rows = [(each.variant.label, *cells(CHOICE, each, None, BLANK)) for each in found]
    table = aligned([("", *heads(CHOICE)), *rows])
    return "\n".join([filled(f"{head}, against {control.label}"), *table, *map(filled, lines)])


def _courses(analysis: Analysis) -> Iterator[str]:
    """Lay out the days of what was asked about, and what was found; other attributes in brief."""
    for found in analysis.course:
        if not found.judged:
            yield "\n".join(map(filled, found.because))
            continue
        over = wording.OVER[found.course.over]
        planned = "primary" if found.primary else "exploratory"
        head = f"{wording.capital(found.label)}: {found.attribute.label.lower()} over {over}"
        head += f" ({planned}, {wording.percent(1 - found.alpha)} intervals)"
        told = [*found.because, *found.left_out]
        yield "\n".join([filled(head), *_days(found), *map(filled, told)])


def _days(found: CourseFound) -> Iterator[str]:
    inner = FOUND_ON_DAY[found.against]
    columns = [replace(it, inner=inner) if it.name == "found" else it for it in DAY]
    rows = [heads(columns)]
    for day in found.days:
        *texts, _ = cells(columns, day, found.attribute, BLANK)
        rows.append((*texts, day_word(found, day) or BLANK))
    return aligned(rows)


def _heading(analysis: Analysis) -> str:
    trial, table = analysis.trial, analysis.table
    alone = len(table.tasters) == 1
    size = [
        wording.count(len(table.tasters), "taster"),
        wording.count(len(table.sessions), "round" if alone else "session"),
        wording.count(len(trial.variants), "variant"),
    ]
    rule = (
        f"Differences are variant minus control ({trial.variant(trial.control).label}), in points. "
        f"{PROCEDURES[analysis.results[0].by].capitalize()} decides"
        f"{'; p values are adjusted over the variants' * (len(trial.variants) > 2)}."
        f"{f' {wording.ALONE}' * alone}"
    )
    stands = analysis.standing.texts()
    return "\n".join(map(filled, (trial.title, f"{wording.listing(size)}.", rule, *stands)))


def _role(attribute: Attribute, alpha: float, *, primary: bool, over: str = "") -> str:
    planned = "primary" if primary else "exploratory"
    margin = f"margin {wording.margin(attribute)}" if attribute.margin else "no margin"
    level = wording.percent(1 - alpha)
    return filled(f"{attribute.label}{over} ({planned}, {margin}, {level} intervals)")


def _attribute(analysis: Analysis, result: AttributeResult) -> Iterator[str]:
    course = [it for it in analysis.course if it.judged and it.attribute == result.attribute]
    over = " on average over the days" if course and course[0].sittings > 1 else ""
    yield _role(result.attribute, result.alpha, primary=result.primary, over=over)
    if result.comparisons:
        rows = [
            (found.variant.label, *cells(IN_BRIEF, found, result.attribute, BLANK))
            for found in result.comparisons
        ]
        yield from aligned([("", *heads(IN_BRIEF)), *rows])
    for lost in result.not_compared:
        yield _item(f"{lost.variant.label}: not compared. {lost.reason}")
    for flag in result.flags:
        yield _item(f"Note: {flag_note(analysis.trial, result, flag)}.")


def _left_out(analysis: Analysis) -> str:
    lost = analysis.table.left_out
    lines = [_item(str(row)) for row in lost[:MOST_LISTED]]
    if len(lost) > MOST_LISTED:
        lines.append(f"  ... and {len(lost) - MOST_LISTED:,} more (see --json).")
    return _under("Left out:", lines)


def _item(text: str) -> str:
    return filled(text, indent="  ", further="    ")


def _under(head: str, lines: Sequence[str]) -> str:
    return "\n".join([head, *lines]) if lines else ""


def in_brief(verdict: Kind) -> str:
    return "not settled" if verdict == "open" else verdict


def pooled_table(pool: Pool) -> str:
    """Lay out each kitchen's differences and the pooled ones, primary attributes first."""
    who = (
        f"{kitchen.name} ({wording.count(len(kitchen.table.tasters), 'taster')})"
        for kitchen in pool.kitchens
    )
    kitchens = f"{wording.count(len(pool.kitchens), 'kitchen')}: {wording.listing(who)}."
    control = pool.variant(pool.first.control).label
    rule = (
        f"Differences are variant minus control ({control}), in points, by the mixed model; "
        "p values are adjusted over the variants."
    )
    head = "\n".join(map(filled, (pool.first.title, kitchens, rule, *pool.remarks, *pool.caveats)))
    lost = [
        filled(f"  {wording.listing(filter(None, (left.attribute, left.variant)))}: {left.reason}")
        for left in pool.not_pooled
    ]
    blocks = ["\n".join(_pooled_attribute(attribute)) for attribute in pool.attributes]
    return on_a_terminal([head, *blocks, _under("Not pooled:", lost)])


def _pooled_attribute(found: PooledAttribute) -> Iterator[str]:
    yield _role(found.attribute, found.alpha, primary=found.primary)
    if found.comparisons:
        rows: list[Row] = [("", *heads(POOLED), "verdict")]
        for one in found.comparisons:
            briefly = in_brief(one.verdict)
            contrasts = [
                *((own.kitchen, own.mixed, "") for own in one.own),
                (LIKE, one.pooled, "" if one.alone else briefly),
                (ONLY, one.these, briefly if one.alone else ""),
            ]
            rows.append((one.variant.label, "", "", "", ""))
            rows += [
                (f"  {name}", *cells(POOLED, contrast, found.attribute, BLANK), verdict)
                for name, contrast, verdict in contrasts
            ]
        yield from aligned(rows, least=len(ONLY) + 2)
    yield _between(found)


def _between(found: PooledAttribute) -> str:
    """Say how much kitchens disagree, and what the test of it finds; reasons where it is null."""
    if isinstance(found.fit, NoResult):
        return filled(f"  Not pooled. {found.fit.reason}", further="  ")
    digits = wording.digits_for(found.attribute.scale) + 1
    spread = wording.number(found.fit.kitchen_difference_sd, digits)
    text = f"  Between kitchens: SD of a difference {spread} points"
    test = found.fit.disagreement
    if isinstance(test, NoResult):
        return filled(f"{text}; no test. {test.reason}", further="  ")
    degrees = f"{wording.number(test.df_num, 0)} and {wording.number(test.df_den, 1)} df"
    p = wording.p_value(test.p_value).replace(" ", wording.NO_BREAK)
    return filled(f"{text}; F {wording.number(test.f, 2)} on {degrees}, {p}", further="  ")


def sizing_table(trial: Trial, sizing: Sizing) -> str:
    """Lay out what panels of several sizes can hope for, by the procedure that decides."""
    attribute = trial.attribute(sizing.attribute)
    decided = [cell for cell in sizing.cells if cell.procedure == sizing.decided_by]
    error = max(chance.se for cell in decided for chance in (cell.chance_margin, cell.chance_alike))
    head = (
        f"{attribute.label}, margin {wording.margin(attribute)}: the chance to show a difference "
        f"of a margin and of two, to show a variant alike when nothing differs, the difference "
        f"shown 8 times in 10, and the smallest p that ranks can reach. Simulated, give or take "
        f"{wording.number(2 * error, 2)}."
    )
    digits, rows = wording.digits_for(attribute.scale), list[Row]()
    for cell in decided:
        seen = cell.smallest_seen
        chances = (cell.chance_margin, cell.chance_twice, cell.chance_alike)
        rows.append(
            (
                str(cell.tasters).rjust(len(SIZES[0])),
                str(cell.sessions),
                *(wording.number(chance.value, 2) for chance in chances),
                "none" if seen is None else wording.number(seen, digits),
                wording.p_cell(cell.smallest_p),
            )
        )
    heads: Row = SIZES
    if sizing.unit == "round":
        heads, rows = ("rounds", *SIZES[2:]), [(row[1].rjust(6), *row[2:]) for row in rows]
    return _sized(sizing.sentences, head, [heads, *rows], (*sizing.assumptions, *sizing.foretold))


def _sized(
    sentences: Iterable[str], head: str, rows: Sequence[Row], assumptions: Iterable[str] = ()
) -> str:
    table = "\n".join(aligned(rows, indent="", least=0, ragged=False))
    return on_a_terminal([*map(filled, (*sentences, head)), table, *map(filled, assumptions)])


def sets_table(sizing: ChoiceSizing) -> str:
    able = [f"if {wording.percent(share)}" for share in ABLE]
    said = (
        "right answers needed, how often luck brings them, the chance to show it if so many can "
        "tell, the most right that are still alike, and the chance of that if nobody can. Exact."
    )
    rows: list[Row] = [("sets", "needed", "by luck", *able, "alike to", "chance")]
    rows += [
        (
            str(row.tests).rjust(4),
            "none" if row.needed is None else str(row.needed),
            wording.number(row.true_alpha, 3),
            *(wording.number(chance, 2) for chance in row.chances),
            BLANK if row.most is None else str(row.most),
            wording.number(row.chance_alike, 2) if row.chance_alike else BLANK,
        )
        for row in sizing.rows
    ]
    if sizing.choice.rule == "sequential":  # the lines decide, and no one number
        rows = [(row[0], *row[2:-2], row[-1]) for row in rows]
        said = (
            "how often luck shows a difference, the chance to show it if so many can tell, and to "
            "show them alike if nobody can. Exact, with so many sets at most."
        )
    return _sized(sizing.sentences, f"{wording.capital(sizing.choice.how.label)}: {said}", rows)


def days_table(trial: Trial, sizing: CourseSizing) -> str:
    """Lay out the designs of a course, and what panels can hope for."""
    attribute = trial.attribute(sizing.course.attribute)
    level, margin = sizing.course.level, wording.plain(sizing.margin)
    target = "the control" if level is None else wording.plain(level)
    reached = f"within {margin} of it" if level is None else f"{margin} above it"
    head = (
        f"{attribute.label} over the days: the change from the first to the last that is shown 8 "
        f"times in 10, and the chance to place a day as not yet at {target} if it lies "
        f"{wording.plain(2 * sizing.margin if level is None else sizing.margin)} away, and as "
        f"{reached} if it is. Worked out, not simulated; spread: {sizing.spread.source}."
    )
    digits = max(1, wording.digits_for(attribute.scale))
    rows = [
        (
            str(row.tasters).rjust(len(SIZES[0])),
            str(row.cups),
            wording.number(row.change, digits),
            *(wording.number(chance, 2) for chance in (row.not_yet, row.reached)),
        )
        for row in sizing.rows
    ]
    heads = (SIZES[0], "cups each", "change seen", "not yet", "there")
    return _sized(sizing.sentences, head, [heads, *rows])


def balance_lines(plan: ServingPlan) -> Iterator[str]:
    """Say in numbers how balanced the orders of each session are; one order alone is neither."""
    for found in (it for it in plan.balance if it.trays > 1):
        follows = f"; it follows another {_times(found.follows)}" if found.follows else ""
        cups = f"{found.cups} cups" + " to score" * (plan.request.choice is not None)
        yield filled(
            f"Session {found.session}: {found.trays} trays of {cups}. A variant stands in "
            f"one place {_times(found.positions)}, the control {_times(found.control_positions)}"
            f"{follows}.",
            further="  ",
        )
    for about, orders in order_counts(plan.servings, plan.request.control).items():
        times, ways = _times(Span(min(orders.values()), max(orders.values()))), len(orders)
        each = f"{ways} orders, each {times}" if ways > 1 else "one order"
        yield f"{orders.total()} sets with {about}: {each}."


def _times(span: Span) -> str:
    alike = span.low == span.high
    return wording.count(span.low, "time") if alike else f"{span.low} to {span.high} times"


def batches_table(trial: Trial, made: Made) -> str:
    """Lay out strengths, then what equalises them, what else differs, and cautions."""
    head = (
        "Salt is % of everything in the jar, then % of its water; acid is what was added, as grams "
        "of citric acid in 100 g of everything."
    )
    rows = [
        (f"{batch.batch} ({batch.variant})", *strength_cells(batch, BLANK))
        for batch in made.strengths
    ]
    longest = max((len(name) for name, *_ in rows), default=0)
    short = ("", *(short for _, _, short, _ in STRENGTHS))
    unknown: dict[str, list[str]] = {}
    for row in made.strengths:
        for why in dict.fromkeys(row.unknown.values()):
            unknown.setdefault(why, []).append(row.batch)
    listed = {
        "Not known:": [f"{wording.listing(names)}: {why}" for why, names in unknown.items()],
        "To match the control:": [summary.what_to_add(trial, found) for found in made.to_match],
        "What else differs:": differences_in_words(trial, made, ask=True),
        "Cautions:": [CARE, *(f"{text} ({source})" for text, source in cautions_in_words(made))],
    }
    return on_a_terminal(
        [
            filled(head),
            "\n".join(aligned([short, *rows], indent="", least=longest, ragged=False)),
            *(_under(name, [*map(_item, texts)]) for name, texts in listed.items()),
        ]
    )
