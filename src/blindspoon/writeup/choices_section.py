"""Whether anybody could tell: its table, its record for JSON, its paragraphs and its section."""

from collections.abc import Sequence

from blindspoon import wording
from blindspoon.charts.picks import lines_chart, picks_chart
from blindspoon.findings.choices import ENOUGH, ChoiceFound, percent
from blindspoon.findings.comparison import Analysis
from blindspoon.writeup.tables import counted, p
from blindspoon.writeup.words import PageSection, paragraphs, points
from blindspoon.writeup.writers import Column, Record, cells, csv_table, heads, table_of
from blindspoon.writeup.writers import record as as_record

VERDICTS = {
    "different": "can be told", "slight": "told by some", "alike": "alike", "open": "not settled"
}  # fmt: skip


PERCENT = f"{wording.NO_BREAK}%"
TASTER = (
    Column("taster"),
    Column("tests", "Sets", counted),
    Column("right", "Right", counted),
    Column("p_value"),
    Column("p_adjusted", "As many by luck", p),
    Column("can_tell", "Verdict", lambda can, _: "can tell" if can else "not shown"),
)
CHOICE = (
    Column("variant", of=lambda each: each.variant.name),
    Column("method", of=lambda each: each.choice.method),
    Column("expect", of=lambda each: each.choice.expect, only="json"),
    Column("primary"),
    Column("alpha"),
    Column("tests", "Sets", counted),
    Column("tasters"),
    Column("right", "Right", counted),
    Column("by_luck", of=lambda each: each.expected),
    Column(
        "needed",
        "Needed",
        counted,
        missing=lambda each: (
            "answers of two kinds are compared with one another"
            if each.choice.how.words
            else "the lines of the sequential rule decide"
            if each.lines
            else "not even all right would do"
        ),
    ),
    Column("p_value", "p", p),
    Column("p_adjusted"),
    Column(
        "can_tell",
        of=lambda each: each,
        inner=(
            Column(
                "estimate", "Can tell", lambda share, _: percent(share), of=lambda each: each.share
            ),
            Column(
                "interval",
                "Interval",
                lambda it, _: f"{percent(it.low).removesuffix(PERCENT)} to {percent(it.high)}",
                pair=True,
            ),
            Column("limit"),
            Column("allowed", of=lambda each: each.choice.can_tell),
        ),
    ),
    Column("d_prime", inner=(Column("estimate"), Column("se"), Column("interval", pair=True))),
    Column(
        "by_taster",
        of=lambda each: tuple(as_record(TASTER, row) for row in each.by_taster),
        only="json",
    ),
    Column("verdict", "Verdict", lambda value, _: VERDICTS[value]),
    Column("because"),
)


def choice_records(analysis: Analysis) -> list[Record]:
    """Give what was found of every variant as plain values, for JSON; tasters only if shown."""
    shown = analysis.trial.tasters_shown
    records = [as_record(CHOICE, found) for found in analysis.choices]
    return records if shown else [row | {"by_taster": []} for row in records]


def choice_rows(choices: Sequence[ChoiceFound], blank: str) -> list[tuple[str, ...]]:
    """Lay out what was found, the heads first, a row a variant."""
    rows = [(found.variant.label, *cells(CHOICE, found, None, blank)) for found in choices]
    return [("", *heads(CHOICE)), *rows]


def choices_section(analysis: Analysis) -> PageSection | None:
    """Tell whether anybody could tell: figure, sentences, table, who can, and how it was asked."""
    choices = analysis.choices
    if not choices:
        return None
    source = f"“{analysis.trial.title}”"
    lines = (lines_chart(found, source) for found in choices)
    read = [column for column in CHOICE if column.name != "p_value"]  # which the methods tell
    rows = ((found.variant.label, found, None) for found in choices)
    caption = "Answers to sets, right or wrong"
    numbers = table_of("choices-table", caption, "Variant", read, rows, behind=("choices",))
    tasters = [
        (f"{row.taster}, {found.variant.label}" if choices[1:] else row.taster, row, None)
        for found in choices
        for row in found.by_taster
        if found.tasters > 1
    ]
    caption = f"Who can tell, by their own sets ({ENOUGH} or more)"
    own = table_of("who-can-tell", caption, "Taster", TASTER, tasters)
    return PageSection(
        name="choices",
        head="Can anybody tell them apart?",
        role="" if choices[0].primary else "Exploratory",
        paragraphs=tuple(found.because for found in choices)
        if analysis.results or len(choices) > 1
        else (),
        charts=(picks_chart(choices, analysis.names, source), *filter(None, lines)),
        tables=(own,) if tasters and analysis.trial.tasters_shown else (),
        points=points("choices_not_shown")
        if any(found.verdict in ("different", "slight") for found in choices)
        else (),
        numbers=(numbers,),
        files=(("tables/choices.csv", csv_table(CHOICE, choices)),),
    )


def choice_methods(analysis: Analysis) -> tuple[str, ...]:
    """Describe how it was asked and judged, completely enough for a paper."""
    choices = analysis.choices
    if not choices:
        return ()
    orders = analysis.table.choices.orders.values() if analysis.table.choices else ()
    return paragraphs(
        "choices",
        choices=choices,
        choice=choices[0].choice,
        how=choices[0].choice.how,
        alpha=choices[0].alpha,
        level=choices[0].level,
        repeated=any(found.repeated for found in choices),
        balanced=all(max(counts) - min(counts) <= 1 for counts in orders),
        coded=analysis.table.choices is not None and analysis.table.choices.coded,
    )
