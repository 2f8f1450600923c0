"""An analysis -> everything that the page says -> index.html, complete in itself, and its files."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.charts.board import AttributeOutcome, outcome_of
from blindspoon.charts.chart import Chart, svg_file
from blindspoon.files.photographs import Photograph, photographs
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.further import FurtherAnalyses
from blindspoon.trial import Trial, Variant
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
    Board,
    advice,
    legend_of,
    make_boards,
    short_answer,
    trust,
    weaknesses,
)
from blindspoon.writeup.further_sections import influence_section, joint_section, panel_section
from blindspoon.writeup.limits import next_steps
from blindspoon.writeup.records import csv_files
from blindspoon.writeup.tables import contrast_tables, scores_section, scores_table
from blindspoon.writeup.templating import PageSection, Points, html_page
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
"""An anchor, a head, and the names of the sections."""
MOST_LISTED = 40  # remarks, and things left out, that the page lists; tables/ has them all


@dataclass(frozen=True, slots=True, kw_only=True)
class Remarks:
    """Remarks by the label of their variant, then those beside sets; and where all are."""

    head: str
    by_variant: tuple[tuple[str, tuple[str, ...]], ...]
    note: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContent:
    """The report before it is a page: strings, tables of strings and charts, in reading order.

    - `picture`: the chart at the head
    - `asked`: sections that stand open under the boards, without that picture
    - `sections`: all of them, also those that are folded
    - `figures`: all charts that are written as files
    - `behind`: the tables that hold what each chart draws, by its name
    - `files`: the CSV tables: path, and text
    - `lacking`: sentences: which pictures of the host's are left out, and why
    """

    analysis: Analysis
    answer: str
    trust: str
    picture: Chart | None
    boards: tuple[Board, ...]
    legend: tuple[str, ...]
    asked: tuple[PageSection, ...]
    weak: Points
    remarks: Remarks | None
    advice: Points
    recipe: Table | None
    findings: tuple[AttributeOutcome, ...]
    sections: tuple[PageSection, ...]
    numbers: tuple[Table, ...]
    scores: PageSection | None
    sources: tuple[str, ...]
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
        return self.trial.question or self.title

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
        much = ", ".join(wording.count(number, what) for number, what in counted if number)
        return tuple(filter(None, (self.trial.host, methods.report_date(self.analysis), much)))

    @property
    def links(self) -> tuple[tuple[str, str], ...]:
        """What the head of the page leads to: an anchor, and a name."""
        make = "Recipe" if self.recipe else "Methods" * bool(self.methods)
        return (
            *[("board", "Board")] * bool(self.boards),
            *((part.name, part.link) for part in self.asked),
            *[("weak", "What weakens it")] * bool(self.weak),
            *[("make", make)] * bool(make),
            ("record", "The whole record"),
        )

    @property
    def methods(self) -> tuple[Variant, ...]:
        return tuple(variant for variant in self.trial.variants if variant.method)

    @property
    def next(self) -> PageSection | None:
        return next((part for part in self.sections if part.name == "next"), None)

    @property
    def folds(self) -> list[tuple[str, str, list[PageSection]]]:
        """What is folded together: anchor, head, sections; a single one has its own anchor."""
        parts = {part.name: part for part in self.sections}
        folds = ((at, head, [parts[n] for n in names if n in parts]) for at, head, names in FOLDS)
        return [(at if found[1:] else "", head, found) for at, head, found in folds if found]

    @property
    def citation(self) -> str:
        return methods.citation(self.analysis)


def compose(analysis: Analysis, further: FurtherAnalyses | None = None) -> ReportContent:
    """Say everything that the report says; without `further`, nothing of what lies behind."""
    trial, table, ordered = analysis.trial, analysis.table, analysis.ordered
    findings = tuple(outcome_of(trial, table, result, analysis.names) for result in ordered)
    own = [it.differences_drawn for it in findings if it.differences_drawn]
    sections = tuple(filter(None, _sections(analysis, further)))
    linked = [part for part in sections if part.link]
    first = [chart for part in linked for chart in part.charts[:1]]
    by_others = analysis.about_days or analysis.about_sets
    picture = next(iter([*first, *own] if by_others else [*own, *first]), None)
    asked = (
        replace(part, charts=tuple(chart for chart in part.charts if chart != picture))
        for part in linked
    )
    influence = None if further is None else further.influence
    fragile = influence.fragile if influence else ()
    declared = trial.decision.primary
    answering = [result for result in ordered if result.attribute.name in declared] or ordered
    numbers = tuple(
        made
        for result in ordered
        for made in (scores_table(trial, table, result.attribute), *contrast_tables(result))
    )
    scores = scores_section(trial, table) if ordered else None
    figures = [*own, *(it.scores_drawn for it in findings if it.scores_drawn)]
    figures += [chart for part in sections for chart in part.charts]
    every = [*numbers, *(scores.numbers if scores else ())]
    every += [table for part in sections for table in (*part.numbers, *part.tables)]
    photos, lacking = photographs(trial, analysis.photos)
    boarded = ordered if analysis.comparisons and not analysis.about_days else ()
    boards = make_boards(boarded, fragile, pictured=picture in own)
    compared = next(part for part in sections if part.name == "compared")
    return ReportContent(
        analysis=analysis,
        answer=short_answer(analysis, answering),
        trust=trust(analysis),
        picture=picture,
        boards=boards,
        legend=legend_of(analysis, boards),
        asked=tuple(filter(None, asked)),
        weak=weaknesses(analysis, influence),
        remarks=_remarks(analysis),
        advice=days_advice(analysis) if analysis.about_days else advice(analysis),
        recipe=recipe_table(trial, analysis.made),
        findings=findings,
        sections=sections,
        numbers=numbers,
        scores=scores,
        sources=methods.references(compared.paragraphs),
        figures=tuple(sorted(figures, key=lambda chart: chart is not picture)),
        behind={it.name: tuple(t for t in every if it.name in t.behind) for it in figures},
        files=(*csv_files(analysis), *(file for part in sections for file in part.files)),
        photos=photos,
        lacking=lacking,
    )


# What tasters wrote -----------------------------------------------------------------------------


def _remarks(analysis: Analysis) -> Remarks | None:
    """Take the remarks beside cups that were scored, which tables/scores.csv has too."""
    trial, table, choices = analysis.trial, analysis.table, analysis.table.choices
    names = [variant.name for variant in trial.variants]
    rows = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    scored = {(table.sessions[s], table.tasters[t], names[v]) for s, t, v in rows}
    told = [it for it in table.remarks if (it.session, it.taster, it.variant) in scored]
    grouped = [
        (variant.label, [it.text for it in told[:MOST_LISTED] if it.variant == variant.name])
        for variant in trial.variants
    ]
    grouped.append(("Beside a set", [*choices.remarks[:MOST_LISTED]] if choices else []))
    listed = tuple((label, _each_once(texts)) for label, texts in grouped if texts)
    note = tuple(_all_in(len(told), "remarks", "scores.csv"))
    who = "the taster" if len(table.tasters) == 1 else "tasters"
    return Remarks(head=f"What {who} said", by_variant=listed, note=note) if listed else None


def _each_once(texts: Iterable[str]) -> tuple[str, ...]:
    """Quote remarks, those that were written most often first; the same words stand once."""
    same: dict[str, list[str]] = {}
    for text in texts:
        same.setdefault(" ".join(text.casefold().split()).rstrip(".!"), []).append(text)
    often = sorted(same.values(), key=len, reverse=True)
    times = {1: "", 2: " (twice)"}
    quoted = ((f"“{wrote[0]}”", len(wrote)) for wrote in often)
    return tuple(text + times.get(n, f" ({wording.spelled(n)} times)") for text, n in quoted)


def _all_in(total: int, what: str, file: str) -> list[str]:
    """Say where all are that the page does not list; nothing where it lists all."""
    return [f"All {total:,} {what} are in tables/{file}."] * (total > MOST_LISTED)


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
        ("tasted", "How it was tasted", methods.tasted(analysis)),
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
    cautions = limits.cautions(analysis.trial, analysis.made)
    yield PageSection(name="cautions", head="Cautions", points=cautions)


def _left_out(analysis: Analysis) -> PageSection:
    """Say who and what was left out, and what the files lack."""
    lost = analysis.table.left_out
    notes = [note for note in analysis.notes if note.line != 1]  # of a header: for the host
    listed = [f"{str(entry).rstrip('.')}." for entry in lost[:MOST_LISTED]]
    listed += [*map(str, notes[:MOST_LISTED]), *_all_in(len(lost), "entries", "left_out.csv")]
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
    return html_page("page", content=content, paper=paper, preview=preview)
