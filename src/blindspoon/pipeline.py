"""The whole path: folder -> trial and scores -> comparisons -> verdicts -> report."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindspoon import __version__, files
from blindspoon.compare.family import compare_trial
from blindspoon.compare.results import AttributeResult
from blindspoon.errors import Note
from blindspoon.made import Made, make_up, soften
from blindspoon.pseudonyms import veil
from blindspoon.records import trial_record
from blindspoon.scores import ScoreTable, build_table
from blindspoon.seal import seal_sentences
from blindspoon.tables import FolderTables
from blindspoon.trial import Trial
from blindspoon.trial_file import parse_trial
from blindspoon.verdict import Verdict, judge

if TYPE_CHECKING:
    from blindspoon.depth import Depth
    from blindspoon.report import Provenance, ReportContent

MOST_IN_DEPTH = 10_000
"""Tasters up to which JSON holds what lies behind the comparisons."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """One trial, read, compared and judged.

    Parameters
    ----------
    folder : str
        Name of the trial folder.
    fingerprint : str
        SHA-256 of the files that the answer depends on, in hexadecimal.
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult
    verdicts : tuple of Verdict
        One a comparison, in the order of `results`.
    made : Made or None
        None where nothing was written down of the batches.
    notes : tuple of Note
        What is worth knowing about the files.
    sealed : tuple of str
        Whether the rule and the key are those that were sealed; empty where nothing was.
    tables : FolderTables
        What was read, tasters under pseudonyms.
    """

    folder: str
    fingerprint: str
    trial: Trial
    table: ScoreTable
    results: tuple[AttributeResult, ...]
    verdicts: tuple[Verdict, ...]
    made: Made | None
    notes: tuple[Note, ...]
    sealed: tuple[str, ...]
    tables: FolderTables


def analyse(folder: Path) -> Analysis:
    """Read a trial folder, compare and judge.

    Raises
    ------
    TrialError
        With every problem of the folder.
    """
    text = files.read_folder(folder)
    declared, told = parse_trial(text.trial), text.tables()
    trial, tables, table, notes = _under_pseudonyms(declared, told)
    cups = (tables.key, *tables.scores)
    made, known = make_up(trial, tables.batches, tables.readings, cups)
    results = compare_trial(trial, table)
    return Analysis(
        folder=folder.resolve().name,
        fingerprint=files.fingerprint(text),
        trial=trial,
        table=table,
        results=results,
        verdicts=soften(judge(trial, table, results), made),
        made=made,
        notes=(*text.notes, *notes, *known),
        sealed=seal_sentences(declared, told.key, text.seal),
        tables=tables,
    )


def _under_pseudonyms(
    trial: Trial, told: FolderTables
) -> tuple[Trial, FolderTables, ScoreTable, tuple[Note, ...]]:
    """Build the table, its problems naming tasters as the files do and its rows as the report."""
    table, notes = build_table(trial, told.scores, told.servings, told.key)
    veiled, tables = veil(trial, told)
    if tables is not told:
        table, notes = build_table(veiled, tables.scores, tables.servings, tables.key)
    return veiled, tables, table, notes


def write_report(analysis: Analysis, to: Path) -> Path:
    """Write the report of one trial, replacing an earlier one whole or not at all.

    Parameters
    ----------
    analysis : Analysis
    to : Path
        The folder of all reports; the trial's own folder lies in it.

    Returns
    -------
    Path
        The page that was written.

    Raises
    ------
    TrialFileError
        If it could not be written; an earlier report is still there.
    """
    from blindspoon.report import render  # noqa: PLC0415 - brings in matplotlib

    target = to / analysis.folder
    files.write_folder_atomically(target, render(compose_report(analysis)))
    return target / "index.html"


def compose_report(analysis: Analysis) -> ReportContent:
    """Say everything that the report says."""
    from blindspoon.report import compose  # noqa: PLC0415 - brings in matplotlib
    from blindspoon.report.depth import depth_sections  # noqa: PLC0415

    parts = (analysis.trial, analysis.table, analysis.results, analysis.verdicts)
    further = depth_sections(analysis.trial, _deepen(analysis), analysis.verdicts)
    provenance = _provenance(analysis)
    return compose(*parts, analysis.notes, provenance, made=analysis.made, further=further)


def to_record(analysis: Analysis) -> dict[str, Any]:
    """Write everything that was found as plain values, for JSON.

    Above `MOST_IN_DEPTH` tasters the parts of `blindspoon.depth` are None, with the reason.
    """
    parts = (analysis.trial, analysis.table, analysis.results, analysis.verdicts)
    return trial_record(*parts) | _depth_record(analysis)


def _depth_record(analysis: Analysis) -> dict[str, Any]:
    trial, table = analysis.trial, analysis.table
    if len(table.tasters) > MOST_IN_DEPTH:
        reason = f"not printed above {MOST_IN_DEPTH:,} tasters; the report has it"
        names = ("panel", "influence", "together")
        return dict.fromkeys(names) | {f"{name}_reason": reason for name in names}
    return _deepen(analysis).to_record(shown=trial.tasters_shown)


def _deepen(analysis: Analysis) -> Depth:
    from blindspoon.depth import deepen  # noqa: PLC0415 - a command that prints a table needs none

    return deepen(analysis.trial, analysis.table, analysis.results, analysis.verdicts)


def _provenance(analysis: Analysis) -> Provenance:
    from blindspoon.report import Provenance  # noqa: PLC0415 - brings in matplotlib

    libraries = ("numpy", "scipy")
    return Provenance(
        folder=analysis.folder,
        fingerprint=analysis.fingerprint,
        version=__version__,
        libraries=tuple((name, version(name)) for name in libraries),
        sealed=analysis.sealed,
    )
