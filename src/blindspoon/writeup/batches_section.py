"""What was made: what else differed, readings of the jars, taste against measurement, recipe."""

import re
from collections.abc import Iterable, Iterator, Sequence

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.differences import (
    FERMENTED,
    JAR_G,
    SHARE,
    WARMTH,
    Recipe,
    as_meant,
    declares,
    recipes,
)
from blindspoon.batches.log import BatchLog
from blindspoon.batches.summary import QUANTITIES, TasteAgainst, taste_against_measured
from blindspoon.charts.jars import measured_chart, readings_chart, readings_of
from blindspoon.findings.comparison import Analysis
from blindspoon.trial import Trial
from blindspoon.wording import capital
from blindspoon.writeup.columns import COUNT, NUMBER, POINTS
from blindspoon.writeup.tables import strengths_table
from blindspoon.writeup.templating import PageSection, paragraphs
from blindspoon.writeup.writers import Column, Table, grid, table_of


def differed_section(analysis: Analysis) -> PageSection:
    trial, table, made = analysis.trial, analysis.table, analysis.made
    strengths, tasted = strengths_table(trial, made), table.batches_tasted(len(trial.variants))
    chart = readings_chart(made.log, trial) if made else None
    numbers = readings_tables(made.log, trial) if made else ()
    return PageSection(
        name="differed",
        head="What else differed",
        paragraphs=paragraphs(
            "differed",
            named=bool(table.batches),
            tasted=[*zip((it.label for it in trial.variants), tasted, strict=True)],
            meant=[
                (it.label, [*map(summary.factor_name, it.differs)])
                for it in trial.variants
                if it.differs
            ],
            names=analysis.names,
            differences=None if made is None else [*summary.differences_in_words(trial, made)],
        ),
        charts=() if chart is None else (chart,),
        tables=() if strengths is None else (strengths,),
        numbers=numbers,
    )


def measured_section(analysis: Analysis) -> PageSection | None:
    """Hold what was tasted against what was measured; None without batches.csv."""
    if analysis.made is None:
        return None
    trial = analysis.trial
    found = taste_against_measured(trial, analysis.table, analysis.made.log)
    drawn = [(measured_chart(each, trial), each) for each in found if each.differs]
    return PageSection(
        name="measured",
        head="Taste and measurement",
        role="Exploratory",
        paragraphs=tuple(_remarks(analysis, found)),
        charts=tuple(chart for chart, _ in drawn),
        numbers=tuple(_against_table(chart.name, each, trial) for chart, each in drawn),
    )


def readings_tables(log: BatchLog, trial: Trial) -> tuple[Table, ...]:
    """Show what was read of every batch, a row a day, as the chart of readings counts them.

    Of pH and of temperature, those that were read; empty without a reading of pH, as there is no
    chart then.
    """
    readings = readings_of(log, trial)
    if not readings.ph:
        return ()
    tables = []
    for name, caption, tracks in (
        ("readings-ph", "pH, day by day", readings.ph),
        ("readings-temperature", "Temperature in °C, day by day", readings.temperature),
    ):
        digits = wording.decimals(value for track in tracks for _, value in track.points)
        rows = []
        for day in sorted({day for track in tracks for day, _ in track.points}):
            texts = (
                "; ".join(wording.number(it, digits) for when, it in track.points if when == day)
                for track in tracks
            )
            rows.append((f"{day}", [*texts]))
        labels = [track.label for track in tracks]
        notes = (f"{capital(readings.across)}. A dash: not read on that day.",)
        tables += [grid(name, caption, "Day", labels, rows, notes, ("readings",))] * bool(tracks)
    return tuple(tables)


def _against_table(chart: str, against: TasteAgainst, trial: Trial) -> Table:
    """Show how strong each variant measured and tasted, as its chart draws it."""
    words, attribute = QUANTITIES[against.quantity], trial.attribute(against.attribute)
    measured = NUMBER._replace(write=lambda it, _: wording.number(it, words.digits))
    columns = (
        Column("measured", measured, head=capital(words.axis)),
        Column("perceived", POINTS, head="Mean score"),
        Column("tasters", COUNT, head="Tasters"),
    )
    caption = f"{attribute.label} and measured {words.title}"
    found = [(trial.variant(it.variant).label, it, attribute) for it in against.points]
    return table_of(f"{chart}-table", caption, "Variant", columns, found, behind=(chart,))


def _remarks(analysis: Analysis, found: Sequence[TasteAgainst]) -> Iterator[str]:
    trial = analysis.trial
    for against in found:
        compared = (it for it in analysis.comparisons if it.attribute.name == against.attribute)
        yield from summary.as_strong(
            trial, against, {it.variant.name: it.verdict for it in compared}
        )


# The recipe -------------------------------------------------------------------------------------


def _as_made(jar: Recipe, name: str, jar_g: float) -> str:
    """Give what is not weighed as it was written; a number in it is for the jar that was made."""
    text, made_g = jar.others.get(name, ""), jar.made_g or jar_g
    same = abs(made_g / jar_g - 1) <= SHARE
    return text if same or not re.search(r"\d", text) else f"{text} in {wording.grams(made_g)}"


def only_a_mark(trial: Trial, jars: Iterable[Recipe], name: str) -> bool:
    """Whether a column of the host's own marks the variant of that label, and no other."""
    named = {
        it.name for it in trial.variants if it.label.lower() == summary.factor_name(name).lower()
    }
    marked = {jar.variant: jar.others.get(name, "no").lower() for jar in jars}
    return all(mark == ("yes" if it in named else "no") for it, mark in marked.items())


def recipe_table(trial: Trial, made: summary.Made | None, jar_g: float = JAR_G) -> Table | None:
    """Give each variant in grams for a jar of `jar_g`; None where no masses are known."""
    jars = [jar for jar in recipes(trial, made.log, jar_g) if jar.grams] if made else []
    if made is None or not jars:
        return None
    trial = as_meant(trial, made.log)
    control = next((jar for jar in jars if jar.variant == trial.control), None)
    steady = None if trial.course else control  # ages are compared with what was kept cold
    names = dict.fromkeys(name for jar in jars for name in jar.grams)
    used = [name for name in names if any(jar.grams.get(name) for jar in jars)]
    unsaid = (name for each in trial.variants if not each.method for name in each.differs)
    words = [  # what is changed by no weight and in no words
        name
        for name in dict.fromkeys(unsaid)
        if name != "temperature_c" and any(name in jar.others for jar in jars)
        if not only_a_mark(trial, jars, name)
    ]
    rows = []
    for jar in jars:
        grams = (wording.kitchen(jar.grams.get(name, 0.0)) for name in used)
        aged, warmed = (  # what slipped is made as the control's was
            jar if steady is None or declares(trial, jar.variant, factor) else steady
            for factor in (FERMENTED, WARMTH)
        )
        days, warmth = aged.days, warmed.others.get("temperature_c", "")
        meant = trial.variant(jar.variant).differs
        other = (_as_made(jar if name in meant else control or jar, name, jar_g) for name in words)
        cells = [*grams, *other, "" if days is None else wording.number(days, 0), warmth]
        rows.append((trial.variant(jar.variant).label, cells))
    heads = (
        *(capital(summary.factor_name(name)) for name in (*used, *words)),
        "Days",
        "°C",
    )
    kept = [at for at in range(len(heads)) if any(cells[at] for _, cells in rows)]
    caption = f"Grams for a jar of {wording.grams(jar_g)} in all"
    known = {jar.variant for jar in jars}
    if others := [f"“{it.label}”" for it in trial.variants if it.name not in known]:
        caption += f", but for {wording.listing(others)}, of which not every weight is written"
    texts = ((label, [cells[at] for at in kept]) for label, cells in rows)
    return grid("grams", caption, "Variant", [heads[at] for at in kept], texts)
