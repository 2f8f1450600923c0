"""Every number in full, for scripts: what ``compare --json`` prints, and the files in tables/.

The names of the fields are public; ``docs/reference/json.md`` lists them.
"""

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from blindspoon import wording
from blindspoon.arrays import IntArray
from blindspoon.files.text_table import write_csv
from blindspoon.findings.choices import NOT_FIXED, ChoiceFound, percent
from blindspoon.findings.comparison import Analysis, NotCompared
from blindspoon.findings.course import CourseFound
from blindspoon.findings.days_in_words import day_word, which_first
from blindspoon.findings.pool_checks import Pool
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial
from blindspoon.writeup.tables import (
    ATTRIBUTE,
    COMPARISON,
    FLAG,
    LEFT_OUT,
    MIXED,
    NAME,
    NOTE,
    RULE,
    TASTER_VARIANT,
    VARIANT,
    counted,
    difference,
    ends,
    p,
    points_cell,
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
    named,
    plain,
    record,
    to_csv,
)

POOLED_FIT = (
    *named("reml_criterion residual_sd taster_sd"),
    TASTER_VARIANT,
    *named("kitchen_variant_sd kitchen_difference_sd"),
    *NOTE,
)


POOLED_ATTRIBUTE = (
    *RULE,
    Column("mixed", of=lambda each: each.fit, inner=POOLED_FIT),
    Column(
        "disagreement",
        of=lambda each: each.fit if isinstance(each.fit, NoResult) else each.fit.disagreement,
        inner=named("f df_num df_den p_value"),
    ),
)
COMPARED = (NAME, VARIANT, *COMPARISON)
OWN = (Column("kitchen"), Column("alpha"), Column("mixed", inner=MIXED))
POOLED_COMPARISON = (
    NAME,
    VARIANT,
    Column("kitchens", of=lambda each: tuple(record(OWN, own) for own in each.own)),
    Column("pooled", inner=MIXED[:-1]),  # days in general are each kitchen's own
    Column("these_kitchens", of=lambda each: each.these, inner=MIXED[:-1]),
    Column("verdict"),
    Column("because"),
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
        "attributes": [
            record(ATTRIBUTE, result) | {"flags": [asdict(flag) for flag in result.flags]}
            for result in results
        ],
        "comparisons": [
            record(COMPARED, comparison) for result in results for comparison in result.comparisons
        ],
        "not_compared": [
            record((NAME, VARIANT, Column("reason")), lost)
            for result in results
            for lost in result.not_compared
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

VERDICTS = {
    "different": "can be told", "slight": "told by some", "alike": "alike", "open": "not settled"
}  # fmt: skip


def _if_fixed(name: str) -> Any:  # noqa: ANN401 - of the answers to one variant
    """Give what holds for a number of tests that was fixed before."""
    return lambda found: NOT_FIXED if found.lines else getattr(found, name)


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
    Column("p_value", of=_if_fixed("p_value")),
    Column("p_adjusted", "p", p, of=_if_fixed("p_adjusted")),
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
                of=_if_fixed("interval"),
                pair=True,
            ),
            Column("limit", of=_if_fixed("limit")),
            Column("allowed", of=lambda each: each.choice.can_tell),
        ),
    ),
    Column("d_prime", inner=(Column("estimate"), Column("se"), Column("interval", pair=True))),
    Column(
        "by_taster",
        of=lambda each: tuple(record(TASTER, row) for row in each.by_taster),
        only="json",
    ),
    Column("verdict", "Verdict", lambda value, _: VERDICTS[value]),
    Column("because"),
)


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


FOUND = {
    against: (
        Column("tasters", "Tasters"),
        Column("mean", head, write),
        Column("interval", "Interval", ends, pair=True),
        *named("p_different p_inside p_outside"),
    )
    for against, head, write in (
        ("control", "Difference", difference),
        ("level", "Adjusted", points_cell),
        ("nothing", "", points_cell),
    )
}
"""What was found on a day; a value is a score that is adjusted by the control of its sitting."""
DAY = (
    Column("day", "Day"),
    *named("sessions variants batches"),
    Column("mean", "Score", points_cell, missing=lambda _: "nothing was scored"),
    Column("control", "Control", points_cell, missing=lambda _: "not tasted"),
    Column("found", inner=FOUND["control"]),
    Column("verdict", "Verdict", lambda verdict, _: verdict),
)
DAYS = (*named("series attribute"), *DAY)
SHARE = named("day yes asked interval p_fewer p_more")
COURSE = (
    *named("series label"),
    Column("attribute", of=lambda found: found.attribute.name),
    *named("judged primary alpha"),
    Column("over", of=lambda found: found.course.over),
    Column("level", of=lambda found: found.course.level if found.judged else None),
    *named("against sittings"),
    Column("tasters", of=lambda found: len(found.tasters)),
    Column("days", of=lambda found: [day.day for day in found.days]),
    Column("by_day", of=lambda found: [record(DAY, day) for day in found.days]),
    Column("trend", inner=named("slope interval df p_value p_signs tasters")),
    Column("page", inner=named("statistic p_rising p_falling tasters")),
    *(Column(name, inner=named("after by"), optional=True) for name in ("reached", "kept")),
    Column("line", inner=named("day interval tasters p_bend")),
    Column(
        "acceptance",
        optional=True,
        inner=(
            *named("share refusals"),
            Column(
                "days",
                of=lambda found: [
                    {"reason": day.reason} if isinstance(day, NoResult) else record(SHARE, day)
                    for day in found.shares.days
                ],
            ),
            Column("passed", of=lambda found: asdict(found.shares.passed)),
            Column("fit", inner=named("day interval scale log_likelihood tasters")),
            *named("to_and_fro"),
        ),
    ),
    *named("left_out because"),
)


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
    inner = FOUND[found.against]
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
    return to_csv([*csv_names(DAYS)], rows)


# Files in tables/ -------------------------------------------------------------------------------


def csv_files(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    table, results = analysis.table, analysis.results
    left_out = ("tables/left_out.csv", csv_table(LEFT_OUT, table.left_out))
    if not results:
        return (left_out,)
    flags = [
        (result.attribute.name, *csv_values(FLAG, flag))
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
    names = [*csv_names(RULE), "variant", "control", *csv_names(COMPARISON)]
    return (
        ("tables/comparisons.csv", to_csv(names, rows)),
        ("tables/attributes.csv", csv_table(ATTRIBUTE, results)),
        ("tables/flags.csv", to_csv(["attribute", *csv_names(FLAG)], flags)),
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
