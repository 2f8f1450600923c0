"""Every number in full, for scripts: what ``compare --json`` prints, and the files in tables/.

The names of the fields are public; their meanings stand beside them, here and in `columns`.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from blindspoon.files.text_table import write_csv
from blindspoon.findings.choices import ChoiceFound
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.course import CourseFound
from blindspoon.findings.days_in_words import which_first
from blindspoon.findings.pool_checks import Pool
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial
from blindspoon.writeup.asked_columns import CHOICE, COURSE, COURSE_DAYS, DAY
from blindspoon.writeup.columns import (
    ATTRIBUTE,
    COMPARED,
    COMPARISONS,
    CORRELATIONS,
    COUNT,
    FLAGS,
    IN_CSV,
    INFLUENCE,
    KITCHEN,
    LEFT_OUT,
    LIST,
    NOT_COMPARED,
    OVERALL,
    PANEL_ROWS,
    POOLED_ATTRIBUTE,
    POOLED_COMPARISON,
    RULE,
    P,
    one_of,
)
from blindspoon.writeup.writers import (
    TEXT,
    Cell,
    Column,
    ColumnKind,
    Record,
    csv_cell,
    csv_table,
    csv_values,
    named,
    record,
    to_csv,
)


def _shown_choices(analysis: Analysis) -> list[ChoiceFound] | None:
    """Give what was found of every variant; single tasters only if they are shown."""
    if analysis.trial.choice is None:
        return None
    shown = analysis.trial.tasters_shown
    return [found if shown else replace(found, by_taster=()) for found in analysis.choices]


def _shown_course(analysis: Analysis) -> list[CourseFound] | None:
    """Give every series on every attribute; single tasters only if they are shown."""
    if analysis.trial.course is None:
        return None
    if analysis.trial.tasters_shown:
        return [*analysis.course]
    return [
        replace(it, once=(), acceptance=it.acceptance and replace(it.acceptance, to_and_fro=()))
        for it in analysis.course
    ]


TRIAL = (
    Column("title", TEXT, "its title", of="trial.title"),
    Column("control", TEXT, "its control", of="trial.control"),
    Column("variants", LIST, "all by name", of=lambda it: [v.name for v in it.trial.variants]),
    Column(
        "tasters", COUNT, "how many",
        of=lambda it: len(it.table.tasters) or getattr(it.table.choices, "people", 0),
    ),
    Column(
        "sessions", COUNT, "how many",
        of=lambda it: len(it.table.sessions or getattr(it.table.choices, "sessions", ())),
    ),
    Column(
        "session_labels", ColumnKind("any"), "those that have one, by their names",
        of=lambda it: {each.name: each.label for each in it.trial.sessions if each.label},
    ),
    Column(
        "unit", one_of("taster", "round"), "what is compared; a round is of one person alone",
        of=lambda it: it.results[0].unit if it.results else "taster",
    ),
    Column("alpha", P, "as declared", of="trial.decision.alpha"),
    Column(
        "decided_by", one_of("mixed", "ranks", "choice"), "which procedure decides",
        of=lambda it: it.results[0].by if it.results else "choice",
    ),
    Column("primary", LIST, "what was to decide", of="trial.decision.primary"),
)  # fmt: skip
SEAL = (
    Column("sealed", TEXT, "the day, if it was", of=lambda it: it.seal and str(it.seal.date)),
    Column("lifted", TEXT, "the day, if it was", of=lambda it: it.lift and str(it.lift.date)),
    Column("changed", LIST, "what is not as it was fixed, in sentences", of="bent"),
    Column("sentences", LIST, "what is recorded besides", of="record"),
)
ANALYSIS = (
    Column("trial", meaning="what was tasted", of=lambda it: it, inner=TRIAL),
    Column("attributes", LIST, "what was scored", of="results", inner=ATTRIBUTE),
    Column("comparisons", LIST, "each variant against the control", inner=COMPARED),
    Column(
        "not_compared", LIST, "what could not be", inner=NOT_COMPARED,
        of=lambda it: [lost for result in it.results for lost in result.not_compared],
    ),
    Column("left_out", LIST, "what took no part", of="table.left_out", inner=LEFT_OUT),
    Column("seal", meaning="what is kept of the blind", of="standing", inner=SEAL),
    Column(
        "choices", LIST, "of sets of cups, where they are asked", of=_shown_choices, inner=CHOICE,
        optional=True,
    ),
    Column("course", LIST, "over days, where asked", of=_shown_course, inner=COURSE, optional=True),
    Column(
        "course_first", TEXT, "which of several series was there first", optional=True,
        of=lambda it: which_first(it.course) or None,
    ),
)  # fmt: skip
"""Of ``compare --json``, but for what `FurtherAnalyses` add."""

POOLED_KITCHEN = (
    Column("kitchen", TEXT, "its name", of="name"),
    Column("title", TEXT, "of its trial", of="trial.title"),
    Column("tasters", COUNT, "how many", of=lambda it: len(it.table.tasters)),
    Column("sessions", COUNT, "how many", of=lambda it: len(it.table.sessions)),
    Column("fingerprint", TEXT, "SHA-256 of its files"),
)
POOLED = (
    Column("kitchens", LIST, "who takes part", inner=POOLED_KITCHEN),
    Column("control", TEXT, "the control of all", of="first.control"),
    Column("variants", LIST, "those that all made", of=lambda it: [v.name for v in it.variants]),
    Column("alpha", P, "as the first declares it", of="first.decision.alpha"),
    Column("decided_by", TEXT, "always mixed", of=lambda _: "mixed"),
    Column("primary", LIST, "what was to decide", of="first.decision.primary"),
    Column(
        "remarks", LIST, "what claims are about, and where rules differ",
        of=lambda it: (*it.remarks, *it.caveats),
    ),
)  # fmt: skip
POOL = (
    Column("pooled", meaning="what was pooled", of=lambda it: it, inner=POOLED),
    Column("attributes", LIST, "what was scored", inner=POOLED_ATTRIBUTE),
    Column(
        "comparisons", LIST, "each variant against the control", inner=POOLED_COMPARISON,
        of=lambda it: [found for one in it.attributes for found in one.comparisons],
    ),
    Column(
        "not_pooled", LIST, "what some kitchen lacks",
        inner=named(TEXT, attribute="which one", variant="which one", reason="why it is lacking"),
    ),
)  # fmt: skip
"""Of ``compare --json`` with several folders."""


def trial_record(analysis: Analysis) -> Record:
    return record(ANALYSIS, analysis)


def pool_record(pool: Pool) -> Record:
    return record(POOL, pool)


# The course over days ---------------------------------------------------------------------------


def day_values(analysis: Analysis) -> list[list[Cell]]:
    """Give a row a day of every series and attribute, in the order of `COURSE_DAYS`."""
    return [
        [
            found.series,
            found.attribute.name,
            *(", ".join(it) if isinstance(it, tuple) else it for it in csv_values(DAY, day)),
        ]
        for found in analysis.course
        for day in found.days
    ]


# Files in tables/ -------------------------------------------------------------------------------


Tables = Mapping[str, tuple[str, tuple[Column, ...]]]
FILES: Tables = {
    "comparisons": ("Every comparison, a row each", COMPARISONS),
    "attributes": ("What was found of all variants, a row an attribute", ATTRIBUTE),
    "flags": ("What the comparisons lean on, a row a variant", FLAGS),
    "left_out": ("What was left out, a row each", LEFT_OUT),
    "choices": ("The answers to sets of cups, a row a variant", CHOICE),
    "days": ("The course over days, a row a day", COURSE_DAYS),
    "influence": ("The verdicts, judged in other ways, a row each", INFLUENCE),
    "panel": ("The tasters, a row a number", PANEL_ROWS),
    "correlations": ("How attributes go together, a row a pair", CORRELATIONS),
    "overall": ("Every comparison held against all attributes, a row each", OVERALL),
}
"""What the rows of each file of tables/ are, and its columns; scores.csv has the trial's own."""


KITCHENS = (*POOLED_COMPARISON[:2], *KITCHEN)
POOL_FILES: Tables = {
    "comparisons": (
        "Every comparison of all kitchens together, a row each",
        (*POOLED_COMPARISON[:2], *POOLED_COMPARISON[3:]),
    ),
    "attributes": ("What was found of all kitchens, a row an attribute", POOLED_ATTRIBUTE),
    "kitchens": ("What each kitchen found by itself, a row each", KITCHENS),
}
"""The same of several kitchens."""


def pool_files(pool: Pool) -> tuple[tuple[str, str], ...]:
    every = [found for one in pool.attributes for found in one.comparisons]
    kitchens = [
        [*csv_values(KITCHENS[:2], found), *csv_values(KITCHEN, own)]
        for found in every
        for own in found.own
    ]
    return (
        ("tables/comparisons.csv", csv_table(POOL_FILES["comparisons"][1], every)),
        ("tables/attributes.csv", csv_table(POOLED_ATTRIBUTE, pool.attributes)),
        ("tables/kitchens.csv", to_csv(KITCHENS, kitchens)),
    )


def csv_files(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    table, results = analysis.table, analysis.results
    left_out = ("tables/left_out.csv", csv_table(LEFT_OUT, table.left_out))
    if not results:
        return (left_out,)
    flags = (
        (result.attribute.name, *csv_values(FLAGS[1:], flag))
        for result in results
        for flag in result.flags
    )
    rows = list[list[Cell]]()
    *blanks, _ = csv_values(IN_CSV, None)
    for result in results:
        rule, control = [*csv_values(RULE, result)], analysis.trial.control
        for found in result.comparisons:
            rows.append([*rule, found.variant.name, control, *csv_values(IN_CSV, found)])
        for lost in result.not_compared:
            rows.append([*rule, lost.variant.name, control, *blanks, lost.reason])
    return (
        ("tables/comparisons.csv", to_csv(COMPARISONS, rows)),
        ("tables/attributes.csv", csv_table(ATTRIBUTE, results)),
        ("tables/flags.csv", to_csv(FLAGS, flags)),
        ("tables/scores.csv", scores_csv(analysis.trial, table)),
        left_out,
    )


def scores_csv(trial: Trial, table: ScoreTable) -> str:
    """One row a serving, in the order of the files; no code, the blind being lifted."""
    names = [attribute.name for attribute in trial.attributes]
    remarks: dict[tuple[str, str, str], list[str]] = {}  # of a variant tasted twice: at the first
    for it in table.remarks:
        remarks.setdefault((it.session, it.taster, it.variant), []).append(it.text)
    variants, batches = [variant.name for variant in trial.variants], [*table.batches, None]
    places = (table.session, table.taster, table.variant, table.batch, table.position)
    rows = [["session", "taster", "variant", "batch", "position", *names, "remark"]]
    for s, t, v, b, position, scores in zip(
        *map(np.ndarray.tolist, (*places, table.scores)), strict=True
    ):
        cup = table.sessions[s], table.tasters[t], variants[v]
        cells = (*cup, batches[b], position or None, *scores, " / ".join(remarks.pop(cup, ())))
        rows.append([*map(csv_cell, cells)])
    return write_csv(rows)
