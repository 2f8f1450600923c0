"""An analysis -> everything that the page says -> index.html, complete in itself, and its files."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from blindspoon import wording
from blindspoon.charts.board import AttributeOutcome, differences_chart, outcome_of, scores_chart
from blindspoon.charts.chart import Chart, svg_file
from blindspoon.files.photographs import Photograph, photographs
from blindspoon.findings.comparison import Analysis, AttributeResult
from blindspoon.findings.further import FurtherAnalyses
from blindspoon.trial import Trial
from blindspoon.writeup import limits, methods
from blindspoon.writeup.asked_sections import (
    choice_methods,
    choices_section,
    days_advice,
    days_methods,
    days_section,
    days_steps,
)
from blindspoon.writeup.batches_section import differed_section, measured_section, recipe_table
from blindspoon.writeup.front import (
    FRAGILE,
    Board,
    advice,
    make_boards,
    short_answer,
    trust,
    weaknesses,
)
from blindspoon.writeup.further_sections import influence_section, joint_section, panel_section
from blindspoon.writeup.limits import next_steps
from blindspoon.writeup.records import csv_files
from blindspoon.writeup.remarks import MOST_LISTED, MOST_OPEN, Remarks, all_in, remarks_of
from blindspoon.writeup.tables import MOST_SERVINGS, contrast_tables, raw_tables, scores_table
from blindspoon.writeup.words import PageSection, Points, html_page
from blindspoon.writeup.writers import Table

FOLDS = (
    ("hangs", "What would change it", ("influence", "unsettled", "not-shown")),
    (
        "how",
        "How it was planned, tasted and compared",
        ("planned", "tasted", "compared", "left-out"),
    ),
    ("people", "The tasters", ("tasters", "together")),
    ("making", "What was made and measured", ("differed", "measured")),
    ("care", "Cautions", ("cautions",)),
)
"""Sections that are folded together: an anchor, a head, and their names."""

ASKED = {"days": ("days", "Day by day"), "choices": ("asked", "Who can tell")}
"""Sections that stand open under the board: anchor, and what leads there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeFinding:
    """What the page says of one attribute, and what posts draw of it."""

    outcome: AttributeOutcome
    differences: Chart | None
    scores: Chart | None

    @property
    def result(self) -> AttributeResult:
        return self.outcome.result


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContent:
    """The report before it is a page: strings, tables of strings and charts, in reading order.

    - `picture`: the chart at the head
    - `weak`, `advice`: what weakens the answer, and what to do with it
    - `recipe`: grams for a jar of each variant
    - `numbers`, `raw`: what the procedures found, and every score
    - `figures`: all charts that are written as files
    - `behind`: the tables that hold what each chart draws, by its name
    - `files`: the CSV tables: path, and text
    - `lacking`: sentences: which pictures of the host's are left out, and why
    """

    analysis: Analysis
    answer: str
    picture: Chart | None
    boards: tuple[Board, ...]
    weak: Points
    advice: Points
    recipe: Table | None
    findings: tuple[AttributeFinding, ...]
    sections: tuple[PageSection, ...]
    numbers: tuple[Table, ...]
    raw: tuple[Table, ...]
    figures: tuple[Chart, ...]
    behind: Mapping[str, tuple[Table, ...]]
    files: tuple[tuple[str, str], ...]
    photos: tuple[Photograph, ...]
    lacking: tuple[str, ...]

    @property
    def trial(self) -> Trial:
        return self.analysis.trial

    @property
    def title(self) -> str:
        return self.analysis.trial.title

    @property
    def question(self) -> str:
        """What the trial asked, in the host's words."""
        return self.trial.question or self.title

    @property
    def trust(self) -> str:
        return trust(self.analysis)

    @property
    def byline(self) -> tuple[str, ...]:
        """Whose it is, of when, and how much was tasted."""
        table, chosen = self.analysis.table, self.analysis.table.choices
        counted = (
            (max(len(table.tasters), chosen.people if chosen else 0), "taster"),
            (len(table.sessions) * (len(table.tasters) == 1), "round"),
            (table.taster.size * bool(self.analysis.results), "cup"),
            (chosen.right.size if chosen else 0, "set"),
        )
        told = ", ".join(wording.count(number, what) for number, what in counted if number)
        return tuple(filter(None, (self.trial.host, methods.report_date(self.analysis), told)))

    @property
    def remarks(self) -> Remarks | None:
        return remarks_of(self.analysis)


def compose(analysis: Analysis, further: FurtherAnalyses | None = None) -> ReportContent:
    """Say everything that the report says; without `further`, nothing of what lies behind."""
    trial, table, names = analysis.trial, analysis.table, analysis.names
    ordered = analysis.ordered
    findings = tuple(
        AttributeFinding(
            outcome=it,
            differences=differences_chart(it) if it.result.comparisons else None,
            scores=scores_chart(it) if np.isfinite(it.means).any() else None,
        )
        for it in (outcome_of(trial, table, result, names) for result in ordered)
    )
    own = [it.differences for it in findings if it.differences]
    sections = tuple(filter(None, _sections(analysis, further)))
    asked = [part for part in sections if part.name in ASKED]
    first = [chart for part in asked for chart in part.charts[:1]]
    by_others = analysis.about_days or analysis.about_sets
    picture = next(iter([*first, *own] if by_others else [*own, *first]), None)
    influence = None if further is None else further.influence
    fragile = influence.fragile if influence else ()
    declared = trial.decision.primary
    answering = [result for result in ordered if result.attribute.name in declared] or ordered
    numbers = tuple(
        made
        for result in ordered
        for made in (scores_table(trial, table, result.attribute), *contrast_tables(result))
    )
    raw = raw_tables(trial, table)
    scores = (it.scores for it in findings if it.scores)
    figures = [*own, *scores, *(chart for part in sections for chart in part.charts)]
    every = (*numbers, *raw, *(it for part in sections for it in (*part.numbers, *part.tables)))
    photos, lacking = photographs(trial, analysis.photos)
    boarded = ordered if analysis.comparisons and not analysis.about_days else ()
    return ReportContent(
        analysis=analysis,
        answer=short_answer(analysis, answering),
        picture=picture,
        boards=make_boards(boarded, fragile, pictured=picture in own),
        weak=weaknesses(analysis, influence),
        advice=days_advice(analysis) if analysis.about_days else advice(analysis),
        recipe=recipe_table(trial, analysis.made),
        findings=findings,
        sections=sections,
        numbers=numbers,
        raw=raw,
        figures=tuple(sorted(figures, key=lambda chart: chart is not picture)),
        behind={it.name: tuple(t for t in every if it.name in t.behind) for it in figures},
        files=(*csv_files(analysis), *(file for part in sections for file in part.files)),
        photos=photos,
        lacking=lacking,
    )


# The sections -----------------------------------------------------------------------------------


def _sections(analysis: Analysis, further: FurtherAnalyses | None) -> Iterator[PageSection | None]:
    """Make the sections in the order of reading."""
    scored = bool(analysis.results)
    compared = (
        *days_methods(analysis),
        *(methods.compared(analysis) if scored else ()),
        *choice_methods(analysis),
    )
    yield days_section(analysis)
    yield choices_section(analysis)
    yield differed_section(analysis)
    yield measured_section(analysis)
    if further is not None:
        yield influence_section(analysis.trial, further.influence)
        if further.panel.tasters > 1:
            yield panel_section(analysis.trial, further.panel)
        yield joint_section(analysis, further.joint)
    for name, head, paragraphs in (
        ("tasted", "How it was tasted", methods.tasted(analysis) if scored else ()),
        ("compared", "How it was compared", compared),
        ("planned", "What was planned, and what is exploratory", methods.planned(analysis)),
    ):
        yield PageSection(name=name, head=head, paragraphs=paragraphs)
    if scored:
        yield limits.unsettled(analysis)
        steps = days_steps(analysis) if analysis.about_days else next_steps(analysis)
        yield PageSection(name="next", head="What to try next", points=steps)
        yield PageSection(
            name="not-shown", head="What this does not show", points=limits.not_shown(analysis)
        )
    yield _left_out(analysis)
    told = limits.cautions(analysis.trial, analysis.made)
    yield PageSection(name="cautions", head="Cautions", points=told)


def _left_out(analysis: Analysis) -> PageSection:
    """Say who and what was left out, and what the files lack."""
    lost = analysis.table.left_out
    told = [note for note in analysis.notes if note.line != 1]  # of a header: for the host
    listed = [f"{str(entry).rstrip('.')}." for entry in lost[:MOST_LISTED]]
    listed += [*map(str, told[:MOST_LISTED]), *all_in(len(lost), "entries", "left_out.csv")]
    return PageSection(
        name="left-out",
        head="Who and what was left out",
        paragraphs=() if lost else ("No row was left out.",),
        points=tuple(("", text) for text in listed),
    )


# The page ---------------------------------------------------------------------------------------


def render(content: ReportContent) -> dict[str, bytes]:
    """Make every file of the report, by its path: the page, ``figures/*.svg``, ``tables/*.csv``.

    The page needs none of the others, no network and no script.
    """
    return {
        "index.html": page(content).encode(),
        **{f"figures/{chart.name}.svg": svg_file(chart) for chart in content.figures},
        **{path: text.encode() for path, text in content.files},
    }


def page(content: ReportContent, *, paper: bool = False, preview: bool = False) -> str:
    """Fill the template; all text of the host and the tasters is escaped in it.

    For paper only: the wide charts, black on white, with page numbers. Only a page beside which
    ``preview.png`` lies names it.
    """
    analysis, table = content.analysis, content.analysis.table
    parts = {part.name: part for part in content.sections if part}
    folds = [(at, head, [parts[n] for n in names if n in parts]) for at, head, names in FOLDS]
    cells = [cell for board in content.boards for _, row in board.rows for cell in row]
    notes = [note for cell in cells for note in cell.notes]
    return html_page(
        "page",
        content=content,
        trial=content.trial,
        names=analysis.names,
        paper=paper,
        preview=preview,
        asked=[  # that have more than the picture at the head
            part
            for part in content.sections
            if part.name in ASKED
            and replace(part, charts=tuple(it for it in part.charts if it != content.picture))
        ],
        anchors=ASKED,
        marked=any(cell.mark for cell in cells),
        hollow=any(cell.mark and cell.kind == "open" for cell in cells),
        leads=any(0 < board.primary < len(board.columns) for board in content.boards),
        fragile=FRAGILE in notes,
        others=dict.fromkeys(note.partition(" by ")[2] for note in notes if note != FRAGILE),
        most_open=MOST_OPEN,
        next=parts.get("next"),
        folds=[fold for fold in folds if fold[2]],
        alone=len(table.tasters) == 1,
        repeated=len(table.sessions) > 1 and len(table.tasters) > 1,
        cups=wording.count(table.taster.size, "cup"),
        many=table.taster.size > MOST_SERVINGS,
        citation=methods.citation(analysis),
        references=methods.references(parts["compared"].paragraphs),
        software=methods.software(),
    )
