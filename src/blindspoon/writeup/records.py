"""Every number in full, for scripts: what ``compare --json`` prints, and the files in tables/.

The names of the fields are public; `columns` says what each means.
"""

from collections.abc import Sequence
from dataclasses import asdict, replace

import numpy as np

from blindspoon import wording
from blindspoon.arrays import IntArray
from blindspoon.files.text_table import write_csv
from blindspoon.findings.choices import ChoiceFound
from blindspoon.findings.comparison import Analysis, NotCompared
from blindspoon.findings.course import CourseFound
from blindspoon.findings.days_in_words import day_word, which_first
from blindspoon.findings.pool_checks import Pool
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial
from blindspoon.writeup.asked_columns import CHOICE, COURSE, COURSE_DAYS, DAY, FOUND_ON_DAY
from blindspoon.writeup.columns import (
    ATTRIBUTE,
    COMPARED,
    COMPARISON,
    COMPARISONS,
    CORRELATIONS,
    FLAGS,
    INFLUENCE,
    LEFT_OUT,
    NOT_COMPARED,
    OVERALL,
    PANEL_ROWS,
    POOLED_ATTRIBUTE,
    POOLED_COMPARISON,
    RULE,
)
from blindspoon.writeup.writers import (
    Cell,
    Column,
    Record,
    cells,
    csv_cell,
    csv_names,
    csv_table,
    csv_values,
    heads,
    plain,
    record,
    to_csv,
)


def trial_record(analysis: Analysis) -> Record:
    """Everything that was found, ready for JSON.

    A number that does not exist is None, and the reason stands beside it under the same name with
    ``_reason``.
    """
    trial, table, stands = analysis.trial, analysis.table, analysis.standing
    results = analysis.results
    return {
        "trial": {
            "title": trial.title,
            "control": trial.control,
            "variants": [variant.name for variant in trial.variants],
            "tasters": len(table.tasters) or (table.choices.people if table.choices else 0),
            "sessions": len(table.sessions)
            or (len(table.choices.sessions) if table.choices else 0),
            "session_labels": {each.name: each.label for each in trial.sessions if each.label},
            "unit": results[0].unit if results else "taster",
            "alpha": trial.decision.alpha,
            "decided_by": results[0].by if results else "choice",
            "primary": list(trial.decision.primary),
        },
        "attributes": [record(ATTRIBUTE, result) for result in results],
        "comparisons": [
            record(COMPARED, comparison) for result in results for comparison in result.comparisons
        ],
        "not_compared": [
            record(NOT_COMPARED, lost) for result in results for lost in result.not_compared
        ],
        "left_out": [record(LEFT_OUT, lost) for lost in table.left_out],
        "seal": {
            "sealed": stands.seal and str(stands.seal.date),
            "lifted": stands.lift and str(stands.lift.date),
            "changed": list(stands.bent),
            "sentences": list(stands.record),
        },
        **({"choices": choice_records(analysis)} if trial.choice else {}),
        **(course_record(analysis) if trial.course else {}),
    }


def pool_record(pool: Pool) -> Record:
    """Everything that several kitchens found, ready for JSON; as `trial_record`."""
    rule = pool.first.decision
    return {
        "pooled": {
            "kitchens": [
                {
                    "kitchen": kitchen.name,
                    "title": kitchen.trial.title,
                    "tasters": len(kitchen.table.tasters),
                    "sessions": len(kitchen.table.sessions),
                    "fingerprint": kitchen.fingerprint,
                }
                for kitchen in pool.kitchens
            ],
            "control": pool.first.control,
            "variants": [variant.name for variant in pool.variants],
            "alpha": rule.alpha,
            "decided_by": "mixed",
            "primary": list(rule.primary),
            "remarks": plain((*pool.remarks, *pool.caveats)),
        },
        "attributes": [record(POOLED_ATTRIBUTE, each) for each in pool.attributes],
        "comparisons": [
            record(POOLED_COMPARISON, comparison)
            for attribute in pool.attributes
            for comparison in attribute.comparisons
        ],
        "not_pooled": [asdict(lost) for lost in pool.not_pooled],
    }


# Sets of cups to choose from --------------------------------------------------------------------


def choice_records(analysis: Analysis) -> list[Record]:
    """Give what was found of every variant as plain values, for JSON; tasters only if shown."""
    shown = analysis.trial.tasters_shown
    records = [record(CHOICE, found) for found in analysis.choices]
    return records if shown else [row | {"by_taster": []} for row in records]


def intervals_said(choices: Sequence[ChoiceFound]) -> str:
    """Say how wide the intervals of who can tell are, or that there are none."""
    if choices[0].lines:
        return "decided after each set, so without intervals"
    alone = ", each for itself" * (len(choices) > 1)
    return f"{wording.percent(1 - 2 * choices[0].alpha)} intervals{alone}"


def choice_rows(choices: Sequence[ChoiceFound], blank: str) -> list[tuple[str, ...]]:
    rows = [(found.variant.label, *cells(CHOICE, found, None, blank)) for found in choices]
    return [("", *heads(CHOICE)), *rows]


# The course over days ---------------------------------------------------------------------------


def course_record(analysis: Analysis) -> Record:
    """Give every series on every attribute as plain values, for JSON; tasters only if shown."""
    records = [record(COURSE, found) for found in analysis.course]
    if not analysis.trial.tasters_shown:
        for made, found in zip(records, analysis.course, strict=True):
            made["left_out"] = list(found.unheld)
            if "acceptance" in made:
                made["acceptance"]["to_and_fro"] = []
    first = which_first(analysis.course)
    return {"course": records, **({"course_first": first} if first else {})}


def day_records(analysis: Analysis) -> list[Record]:
    """Give a row a day of every series and attribute, for a frame."""
    return [
        {"series": found.series, "attribute": found.attribute.name}
        | {
            name: ", ".join(value) if isinstance(value, list) and name in NAMED else value
            for name, value in record(DAY, day).items()
        }
        for found in analysis.course
        for day in found.days
    ]


NAMED = ("sessions", "variants", "batches")


def day_rows(found: CourseFound, blank: str) -> list[tuple[str, ...]]:
    inner = FOUND_ON_DAY[found.against]
    columns = [replace(c, inner=inner) if c.name == "found" else c for c in DAY]
    rows = [heads(columns)]
    for day in found.days:
        *texts, _ = cells(columns, day, found.attribute, blank)
        rows.append((*texts, day_word(found, day) or blank))
    return rows


def days_csv(analysis: Analysis) -> str:
    rows = [
        (found.series, found.attribute.name, *csv_values(DAY, day))
        for found in analysis.course
        for day in found.days
    ]
    return to_csv(csv_names(COURSE_DAYS), rows)


# Files in tables/ -------------------------------------------------------------------------------


FILES: dict[str, tuple[str, tuple[Column, ...]]] = {
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


def csv_files(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    table, results = analysis.table, analysis.results
    left_out = ("tables/left_out.csv", csv_table(LEFT_OUT, table.left_out))
    if not results:
        return (left_out,)
    flags = [
        (result.attribute.name, *csv_values(FLAGS[1:], flag))
        for result in results
        for flag in result.flags
    ]
    rows = list[list[Cell]]()
    for result in results:
        rule, control = [*csv_values(RULE, result)], analysis.trial.control
        *blanks, _ = csv_values(COMPARISON, None)
        for other in sorted(result.others, key=lambda other: isinstance(other, NotCompared)):
            found = csv_values(COMPARISON, other)
            if isinstance(other, NotCompared):
                found = iter([*blanks, other.reason])
            rows.append([*rule, other.variant.name, control, *found])
    return (
        ("tables/comparisons.csv", to_csv(csv_names(COMPARISONS), rows)),
        ("tables/attributes.csv", csv_table(ATTRIBUTE, results)),
        ("tables/flags.csv", to_csv(csv_names(FLAGS), flags)),
        ("tables/scores.csv", scores_csv(analysis.trial, table)),
        left_out,
    )


def scores_csv(trial: Trial, table: ScoreTable) -> str:
    """One row a serving, in the order of the files; no code, the blind being lifted."""
    names = [attribute.name for attribute in trial.attributes]
    variants = [variant.name for variant in trial.variants]
    remarks: dict[tuple[str, str, str], list[str]] = {}  # of a variant tasted twice: at the first
    for it in table.remarks:
        remarks.setdefault((it.session, it.taster, it.variant), []).append(it.text)
    cups = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    distinct = (np.unique(scores, return_inverse=True) for scores in table.scores.T)
    columns = [
        _column(table.sessions, table.session),
        _column(table.tasters, table.taster),
        _column(variants, table.variant),
        _column([*table.batches, None], table.batch),
        _column([None, *range(1, int(table.position.max(initial=0)) + 1)], table.position),
        *(_column(values.tolist(), places) for values, places in distinct),
        [
            csv_cell(
                " / ".join(remarks.pop((table.sessions[s], table.tasters[t], variants[v]), ()))
            )
            for s, t, v in cups
        ],
    ]
    header = ["session", "taster", "variant", "batch", "position", *names, "remark"]
    return write_csv([header, *zip(*columns, strict=True)])


def _column(labels: Sequence[Cell], places: IntArray) -> list[str]:
    """Write what stands at each place; place -1 is the last label."""
    texts = [csv_cell(label) for label in labels]
    return [texts[place] for place in places.tolist()]
