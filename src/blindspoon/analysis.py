"""The whole path: folder -> trial and scores -> comparisons -> verdicts -> report, or one pool."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindspoon.batches.strengths import CupAges, age_cups
from blindspoon.batches.summary import make_up
from blindspoon.errors import DesignError, Problem, ScoreError, TrialError
from blindspoon.files.trial_folder import FolderText, fingerprint, read_folder, read_photos
from blindspoon.findings.choices import compare_choices
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.course import CourseFound, compare_course
from blindspoon.findings.days_in_words import say_course
from blindspoon.findings.naming import Naming, naming
from blindspoon.findings.pool_checks import Kitchen, Pool, matching_problems
from blindspoon.findings.pooling import pool
from blindspoon.scores.pseudonyms import masked_notes, pseudonymise
from blindspoon.scores.score_table import ScoreTable, build_table
from blindspoon.scores.standing import Standing, see_lifted, standing
from blindspoon.trial import Photo, Trial

if TYPE_CHECKING:
    from blindspoon.findings.further import FurtherAnalyses
    from blindspoon.writeup.page import ReportContent

MOST_FOR_JSON = 10_000  # tasters up to whom JSON holds the further analyses


def analyse(folder: Path, text: FolderText | None = None) -> Analysis:
    """Read a trial folder if it is not read yet, compare and judge; see `api.compare`."""
    text = text or read_folder(folder)
    named, named_tables = text.trial, text.tables  # tasters as the files call them
    trial, tables = pseudonymise(named, named_tables)
    stands = standing(text, tables)
    see_lifted(stands)
    trial = replace(trial, decision=replace(trial.decision, share=stands.share))
    try:
        table, notes = build_table(trial, tables)
    except ScoreError:
        build_table(named, named_tables)  # whose problems name tasters as the files do
        raise
    cups = (tables.key, *tables.scores)
    made, known = make_up(trial, tables.batches, tables.readings, cups)
    ages = age_cups(trial, made.log if made else None, cups) if trial.course else None
    names = naming(trial, table, made)
    return Analysis(
        folder=folder.resolve().name,
        fingerprint=fingerprint(text.files),
        trial=trial,
        table=table,
        results=compare_trial(trial, table, made, ages, exploratory=bool(stands.bent)),
        made=made,
        notes=(*masked_notes(text.notes, named, named_tables), *notes, *known),
        standing=stands,
        tables=tables,
        choices=compare_choices(trial, table.choices, stands, names) if table.choices else (),
        course=_course(trial, table, ages, stands, names) if ages else (),
        photos=_photos(folder, named.photos, trial.photos),
    )


def _course(
    trial: Trial, table: ScoreTable, ages: CupAges, stands: Standing, names: Naming
) -> tuple[CourseFound, ...]:
    """Follow the food over its days, where that was asked."""
    courses = compare_course(trial, table, ages, exploratory=bool(stands.bent))
    several = len({course.series for course in courses}) > 1
    return tuple(
        replace(course, said=say_course(course, names, several=several)) for course in courses
    )


def _photos(folder: Path, named: Sequence[Photo], photos: Sequence[Photo]) -> dict[str, bytes]:
    """Read the pictures that are there; a file may be called as a taster is."""
    masked = {own.file: photo.file for own, photo in zip(named, photos, strict=True)}
    return {masked[file]: data for file, data in read_photos(folder, list(masked)).items()}


def compose_report(analysis: Analysis, further: FurtherAnalyses | None = None) -> ReportContent:
    from blindspoon.findings.further import study_further  # noqa: PLC0415 - not for a table
    from blindspoon.writeup.page import compose  # noqa: PLC0415 - brings in matplotlib

    if further is None and analysis.results:
        further = study_further(analysis)
    return compose(analysis, further)


def to_record(analysis: Analysis, further: FurtherAnalyses | None = None) -> dict[str, Any]:
    """Write everything for JSON; above `MOST_FOR_JSON` tasters without the further analyses."""
    from blindspoon.findings.further import study_further  # noqa: PLC0415 - not for a table
    from blindspoon.writeup.records import trial_record  # noqa: PLC0415 - not for `check`

    if len(analysis.table.tasters) > MOST_FOR_JSON:
        reason = f"not printed above {MOST_FOR_JSON:,} tasters; the report has it"
    elif analysis.results:
        further = further or study_further(analysis)
        return trial_record(analysis) | further.to_record(shown=analysis.trial.tasters_shown)
    else:
        reason = "nothing was scored"
    names = ("panel", "influence", "together")
    lacking = dict.fromkeys(names) | {f"{name}_reason": reason for name in names}
    return trial_record(analysis) | lacking


def pool_folders(folders: Sequence[Path]) -> Pool:
    """Read the repeats of a trial from several kitchens and pool them; see `api.pool`."""
    kitchens, problems = list[Kitchen](), list[Problem]()
    for folder, name in zip(folders, kitchen_names(folders), strict=True):
        try:
            analysis = analyse(folder)
        except TrialError as error:
            problems += [
                one if one.file == str(folder) else replace(one, file=str(folder / one.file))
                for one in error.problems  # of the folder itself they say it already
            ]
            continue
        parts = {part.name: getattr(analysis, part.name) for part in fields(analysis)}
        kitchens.append(Kitchen(name=name, **parts))
    if problems:
        raise TrialError(problems)
    if apart := matching_problems(kitchens):
        raise DesignError(apart)
    hosts = {kitchen.trial.host for kitchen in kitchens} - {""}
    if len(hosts) == len(kitchens):  # all declare one, and no two the same
        kitchens = [replace(kitchen, name=kitchen.trial.host) for kitchen in kitchens]
    return pool(kitchens)


def kitchen_names(folders: Sequence[Path]) -> tuple[str, ...]:
    """Name kitchens by their folders; by the path as given where two would be called the same.

    >>> kitchen_names([Path("trials/oak"), Path("trials/mill")])
    ('oak', 'mill')
    >>> kitchen_names([Path("oak/pickles"), Path("mill/pickles")])
    ('oak/pickles', 'mill/pickles')
    """
    names = tuple(folder.resolve().name for folder in folders)
    apart = len(set(names)) == len(names)
    return names if apart else tuple(folder.as_posix() for folder in folders)
