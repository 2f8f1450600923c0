"""The course over days as columns: its record for JSON and frames, its rows for a terminal."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from blindspoon.findings.comparison import Analysis
from blindspoon.findings.course import CourseDay, CourseFound
from blindspoon.findings.days_in_words import day_word, which_first
from blindspoon.stats.results import NoResult
from blindspoon.writeup.tables import difference, ends, in_points
from blindspoon.writeup.writers import (
    Column,
    Record,
    cells,
    csv_names,
    csv_values,
    heads,
    named,
    to_csv,
)
from blindspoon.writeup.writers import record as as_record


def _finite(name: str) -> Any:  # noqa: ANN401 - of a day
    def of(day: object) -> float | None:
        value = float(getattr(day, name))
        return None if math.isnan(value) else value

    return of


FOUND = {
    against: (
        Column("tasters", "Tasters"),
        Column("mean", head, write),
        Column("interval", "Interval", ends, pair=True),
        *named("p_different p_inside p_outside"),
    )
    for against, head, write in (
        ("control", "Difference", difference),
        ("level", "Adjusted", in_points),
        ("nothing", "", in_points),
    )
}
"""What was found on a day; a value is a score that is adjusted by the control of its sitting."""
DAY = (
    Column("day", "Day"),
    *named("sessions variants batches"),
    Column("mean", "Score", in_points, of=_finite("mean"), missing=lambda _: "nothing was scored"),
    Column("control", "Control", in_points, of=_finite("control"), missing=lambda _: "not tasted"),
    Column("found", inner=FOUND["control"]),
    Column("verdict", "Verdict", lambda verdict, _: verdict),
)
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
    Column("by_day", of=lambda found: [as_record(DAY, day) for day in found.days]),
    Column("trend", inner=named("slope interval df p_value p_signs tasters")),
    Column("page", inner=named("statistic p_rising p_falling tasters method")),
    *(Column(name, inner=named("after by"), optional=True) for name in ("reached", "kept")),
    Column("line", inner=named("day interval tasters p_bend")),
    Column(
        "acceptance",
        optional=True,
        inner=(
            *named("share refusals"),
            Column("days", of=lambda found: [_share(day) for day in found.shares.days]),
            Column("passed", of=lambda found: asdict(found.shares.passed)),
            Column("fit", inner=named("day interval scale log_likelihood tasters")),
            *named("to_and_fro"),
        ),
    ),
    *named("left_out because"),
)


def _share(day: object) -> Record:
    return {"reason": day.reason} if isinstance(day, NoResult) else as_record(SHARE, day)


def course_record(analysis: Analysis) -> Record:
    """Give every series on every attribute as plain values, for JSON; tasters only if shown."""
    records = [as_record(COURSE, found) for found in analysis.course]
    if not analysis.trial.tasters_shown:
        for made in records:
            made["left_out"] = []
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
            for name, value in as_record(DAY, day).items()
        }
        for found in analysis.course
        for day in found.days
    ]


NAMED = ("sessions", "variants", "batches")


def day_rows(found: CourseFound, blank: str) -> list[tuple[str, ...]]:
    """Lay out the days of a series, the heads first."""
    inner = FOUND[found.against]
    columns = [replace(c, inner=inner) if c.name == "found" else c for c in DAY]
    rows = [heads(columns)]
    for day in found.days:
        *texts, _ = cells(columns, day, found.attribute, blank)
        rows.append((*texts, day_word(found, day) or blank))
    return rows


def _joined(name: str) -> Callable[[CourseDay], str]:
    return lambda day: ", ".join(getattr(day, name))


def days_csv(analysis: Analysis) -> str:
    """Write a row a day of every series and attribute."""
    columns = [
        replace(column, of=_joined(column.name)) if column.name in NAMED else column
        for column in DAY
    ]
    rows = [
        (found.series, found.attribute.name, *csv_values(columns, day))
        for found in analysis.course
        for day in found.days
    ]
    return to_csv(["series", "attribute", *csv_names(columns)], rows)
