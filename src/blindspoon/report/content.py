"""The sections of the page that look behind the comparisons.

Everything that the page says, as finished strings in the order of reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from blindspoon import wording
from blindspoon.batches.summary import Made
from blindspoon.charts.chart import Chart
from blindspoon.charts.comparisons import differences_chart, scores_chart
from blindspoon.charts.picture import differences_title, picture_of
from blindspoon.errors import Note
from blindspoon.findings.comparison import AttributeResult, NotCompared
from blindspoon.findings.further import Depth
from blindspoon.findings.verdict import weakened
from blindspoon.report import citations, csv_tables, limits, methods, number_tables, short_answer
from blindspoon.report.behind_charts import (
    Measured,
    behind_attributes,
    means_table,
    measured,
    on_the_page,
)
from blindspoon.report.citations import Provenance, citation
from blindspoon.report.influence_section import influence_section
from blindspoon.report.joint_section import joint_section
from blindspoon.report.next_steps import next_steps
from blindspoon.report.number_tables import NumberTable, Section
from blindspoon.report.panel_section import panel_section
from blindspoon.report.short_answer import Board, make_boards
from blindspoon.scores.score_table import LeftOut, ScoreTable
from blindspoon.trial import Trial

MOST_LISTED = 40
"""Remarks, and things left out, that the page lists; tables/ has them all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What the page says of one attribute.

    Parameters
    ----------
    name, label : str
    role : str
        "Primary" or "Exploratory".
    headline : str
        The finding in one sentence, where no chart stands here with it as its title; or empty.
    sentences : tuple of str
        One a variant.
    pictured : bool
        Whether the chart of differences stands at the head of the page instead of here.
    differences, scores : Chart or None
    """

    name: str
    label: str
    role: str
    headline: str
    sentences: tuple[str, ...]
    pictured: bool
    differences: Chart | None
    scores: Chart | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContent:
    """The report before it is a page: strings, tables of strings and charts.

    The fields stand in the order in which a reader meets them. `figures` holds every chart that
    is written as a file; `behind` the tables that hold what each draws, by the chart's name;
    `files` the CSV tables, by path.
    """

    title: str
    question: str
    answer: str
    byline: tuple[str, ...]
    picture: Chart | None
    boards: tuple[Board, ...]
    board_note: str
    findings: tuple[Finding, ...]
    remarks: tuple[tuple[str, tuple[str, ...]], ...]
    remarks_note: str
    differed: tuple[str, ...]
    made: NumberTable
    strengths: NumberTable | None
    measured: Measured
    further: tuple[Section, ...]
    tasted: tuple[str, ...]
    compared: tuple[str, ...]
    planned: tuple[str, ...]
    unsettled: tuple[str, ...]
    unsettled_table: NumberTable | None
    next_steps: tuple[tuple[str, str], ...]
    not_shown: tuple[tuple[str, str], ...]
    left_out: tuple[str, ...]
    nothing_left_out: str
    left_out_note: str
    cautions: tuple[tuple[str, str], ...]
    numbers: tuple[NumberTable, ...]
    raw: tuple[NumberTable, ...]
    raw_note: str
    citation: str
    licence: str
    fingerprint: str
    folder: str
    made_with: str
    references: tuple[str, ...]
    figures: tuple[Chart, ...]
    behind: Mapping[str, tuple[NumberTable, ...]]
    files: tuple[tuple[str, str], ...]


def compose(
    trial: Trial,
    table: ScoreTable,
    results: tuple[AttributeResult, ...],
    notes: tuple[Note, ...],
    provenance: Provenance,
    *,
    made: Made | None = None,
    further: tuple[Section, ...] = (),
) -> ReportContent:
    """Say everything that the report says.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult
        In the order of ``trial.attributes``.
    notes : tuple of Note
        What is worth knowing about the files.
    provenance : Provenance
    made : Made, optional
        What was written down of the batches.
    further : tuple of Section
        What the tasters and the depth of the comparison add, in the order of reading.

    Returns
    -------
    ReportContent
    """
    ordered = sorted(results, key=lambda result: not result.primary)
    answering = [each for each in ordered if each.primary] or ordered
    art = _draw(trial, table, ordered)
    beside = measured(trial, table, made, results)
    paragraphs, needed = limits.unsettled(trial, table, ordered)
    shown = tuple(filter(None, (art.means, *_number_tables(trial, table, ordered))))
    raw = number_tables.raw_tables(trial, table)
    return ReportContent(
        title=trial.title,
        question=trial.question or _question(trial, alone=len(table.tasters) == 1),
        answer=short_answer.short_answer(
            trial,
            table,
            answering,
            [art.titles[each.attribute.name] for each in answering],
            weakened(trial, made, [other for each in answering for other in each.comparisons]),
        ),
        byline=_byline(trial, table),
        picture=art.picture,
        boards=make_boards(trial, results),
        board_note=_board_note(trial),
        findings=tuple(_finding(each, art) for each in ordered),
        remarks=_remarks(trial, table),
        remarks_note=_more(len(table.remarks), "remark", "scores.csv"),
        differed=limits.differed(trial, table, made),
        made=number_tables.methods_table(trial, table),
        strengths=number_tables.strengths_table(trial, made),
        measured=beside,
        further=further,
        tasted=methods.tasted(trial, table),
        compared=methods.compared(trial, results, provenance.software),
        planned=(*methods.planned(trial, table), *provenance.sealed),
        unsettled=tuple(filter(None, (*paragraphs, limits.too_few(trial, ordered)))),
        unsettled_table=needed,
        next_steps=next_steps(trial, table, made, ordered),
        not_shown=limits.not_shown(trial, table, results),
        left_out=_left_out(table, notes),
        nothing_left_out=_nothing_left_out(table),
        left_out_note=_more(len(table.left_out), "entry", "left_out.csv", "entries"),
        cautions=limits.cautions(made),
        numbers=shown,
        raw=raw,
        raw_note=_raw_note(table),
        citation=citation(trial, table, provenance),
        licence=trial.licence,
        fingerprint=provenance.fingerprint,
        folder=provenance.folder,
        made_with=provenance.software,
        references=citations.references(results),
        figures=(*art.all, *beside.charts, *(chart for each in further for chart in each.charts)),
        behind=_behind(
            [each.attribute.name for each in results], (*shown, *raw), (beside, *further)
        ),
        files=(
            ("tables/comparisons.csv", csv_tables.comparisons_csv(trial, results)),
            ("tables/attributes.csv", csv_tables.attributes_csv(results)),
            ("tables/flags.csv", csv_tables.flags_csv(results)),
            ("tables/scores.csv", csv_tables.scores_csv(trial, table)),
            ("tables/left_out.csv", csv_tables.left_out_csv(table)),
            *(file for each in further for file in each.files),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Art:
    """All charts: those of each attribute by its name, and the one at the head."""

    titles: Mapping[str, str]
    differences: Mapping[str, Chart]
    scores: Mapping[str, Chart]
    picture: Chart | None
    means: NumberTable | None

    @property
    def all(self) -> tuple[Chart, ...]:
        """Every chart, in the order of the figures' files."""
        return (*self.differences.values(), *self.scores.values())


def _draw(trial: Trial, table: ScoreTable, ordered: list[AttributeResult]) -> _Art:
    """Draw what can be drawn; the head shows the first primary attribute, else the first."""
    pictures = {each.attribute.name: picture_of(trial, table, each) for each in ordered}
    compared = [each.attribute.name for each in ordered if each.comparisons]
    scored = [name for name, picture in pictures.items() if np.isfinite(picture.means).any()]
    differences = {name: differences_chart(pictures[name]) for name in compared}
    return _Art(
        titles={name: differences_title(picture) for name, picture in pictures.items()},
        differences=differences,
        scores={name: scores_chart(pictures[name]) for name in scored},
        picture=next(iter(differences.values()), None),
        means=means_table([pictures[name] for name in scored]),
    )


def _behind(
    names: Iterable[str], tables: tuple[NumberTable, ...], parts: tuple[Measured | Section, ...]
) -> Mapping[str, tuple[NumberTable, ...]]:
    """Find the tables behind every chart of the page."""
    named = dict(behind_attributes(names))
    for part in parts:
        named |= part.behind
    return on_the_page(named, (*tables, *(each for part in parts for each in part.numbers)))


def _question(trial: Trial, *, alone: bool) -> str:
    """Ask what the trial asked, where trial.toml does not."""
    control = trial.variant(trial.control).label
    others = wording.count(len(trial.variants) - 1, "variant")
    product = f" of {trial.product}" if trial.product else ""
    who = "one taster" if alone else "tasters"
    return f"Can {who} tell {others}{product} from “{control}”?"


def _byline(trial: Trial, table: ScoreTable) -> tuple[str, ...]:
    date = methods.report_date(trial, table)
    tasters = wording.count(len(table.tasters), "taster")
    if len(table.tasters) == 1:
        tasters += f", {wording.count(len(table.sessions), 'round')}"
    return tuple(filter(None, (trial.host, date, f"{tasters}, {_cups(table)}")))


def _cups(table: ScoreTable) -> str:
    return wording.count(table.taster.size, "cup")


def _board_note(trial: Trial) -> str:
    control = trial.variant(trial.control).label
    margin = any(each.margin is not None for each in trial.attributes)
    band = ", the shaded band the margin within which a difference would not matter"
    return (
        f"Everything is compared with the control, “{control}”. In each mark the upright line is "
        f"the control, the dot the difference found, the bar its interval{band if margin else ''}. "
        "To the right is more."
    )


def _finding(result: AttributeResult, art: _Art) -> Finding:
    said = [
        _not_compared(other) if isinstance(other, NotCompared) else other.because
        for other in result.others
    ]
    name = result.attribute.name
    chart = art.differences.get(name)
    pictured = chart is not None and chart is art.picture
    return Finding(
        name=name,
        label=result.attribute.label,
        role="Primary" if result.primary else "Exploratory",
        headline=short_answer.sentence(art.titles[name]) if pictured or chart is None else "",
        sentences=tuple(said),
        pictured=pictured,
        differences=None if pictured else chart,
        scores=art.scores.get(name),
    )


def _not_compared(item: NotCompared) -> str:
    return f"“{item.variant.label}” was not compared: {item.reason.rstrip('.')}."


def _remarks(trial: Trial, table: ScoreTable) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Remarks by variant, in the order of the trial; the first `MOST_LISTED`."""
    shown = table.remarks[:MOST_LISTED]
    grouped = (
        (variant.label, tuple(each.text for each in shown if each.variant == variant.name))
        for variant in trial.variants
    )
    return tuple((label, texts) for label, texts in grouped if texts)


def _more(total: int, singular: str, file: str, plural: str = "") -> str:
    if total <= MOST_LISTED:
        return ""
    return f"All {wording.count(total, singular, plural)} are in tables/{file}."


def _left_out(table: ScoreTable, notes: tuple[Note, ...]) -> tuple[str, ...]:
    lost = [_place(each) for each in table.left_out[:MOST_LISTED]]
    return (*lost, *(str(note) for note in notes[:MOST_LISTED]))


def _nothing_left_out(table: ScoreTable) -> str:
    """Say so where no row was left out; scores that were not given are not rows."""
    if table.left_out:
        return ""
    blank = int(np.isnan(table.scores).sum())
    given = wording.count(blank, "score")
    lacking = f" {given} {'was' if blank == 1 else 'were'} not given." if blank else ""
    return f"No row of the scores was left out.{lacking}"


def _place(entry: LeftOut) -> str:
    line = "" if entry.line is None else f" line {entry.line}"
    return f"{entry.file}{line}: {entry.reason.rstrip('.')}."


def _number_tables(
    trial: Trial, table: ScoreTable, ordered: list[AttributeResult]
) -> tuple[NumberTable, ...]:
    """Scores, mixed model and ranks of each attribute, those that exist."""
    every = (
        made
        for result in ordered
        for made in (
            number_tables.scores_table(trial, table, result.attribute),
            number_tables.mixed_table(result),
            number_tables.ranks_table(result),
        )
    )
    return tuple(made for made in every if made is not None)


def _raw_note(table: ScoreTable) -> str:
    if table.taster.size > number_tables.MOST_ROWS:
        return (
            f"The scores of all {_cups(table)} are in tables/scores.csv; the means and spreads "
            "are above."
        )
    alone = len(table.tasters) == 1
    repeated = " Scores of the same variant stand in the order of tasting." * (
        len(table.sessions) > 1 and not alone
    )
    return (
        f"Every score that was given, by {'round' if alone else 'taster'} and variant; a dash "
        f"where there is none.{repeated} "
        "The same rows, with sessions, batches and positions, are in tables/scores.csv."
    )


def depth_sections(
    trial: Trial, depth: Depth, results: tuple[AttributeResult, ...]
) -> tuple[Section, ...]:
    """Make the sections that have something to say, in the order of reading."""
    shown = trial.tasters_shown
    sections = (
        influence_section(trial, depth.influence, shown=shown),
        panel_section(trial, depth.panel, shown=shown) if depth.panel.tasters > 1 else None,
        joint_section(trial, depth.joint, results),
    )
    return tuple(section for section in sections if section is not None)
