"""The finished content -> a writeup in Markdown, for a blog that takes no page of ours.

CommonMark with tables, no HTML. Numbers in full stay in the tables and on the page.

The finished content -> index.html, complete in itself, and the files beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache

import jinja2

from blindspoon.charts.chart import Chart, png_file, svg_file
from blindspoon.charts.style import css_variables
from blindspoon.report.content import Finding, ReportContent
from blindspoon.report.number_tables import NumberTable
from blindspoon.report.short_answer import Board


def render(content: ReportContent) -> dict[str, bytes]:
    """Make every file of the report.

    Parameters
    ----------
    content : ReportContent

    Returns
    -------
    dict of str to bytes
        By path in the report's folder: ``index.html``, ``figures/*.svg``, ``figures/*.png``,
        ``tables/*.csv``. The page needs none of the others, no network and no script.
    """
    files = {"index.html": page(content).encode()}
    for chart in content.figures:
        files[f"figures/{chart.name}.svg"] = svg_file(chart)
        files[f"figures/{chart.name}.png"] = png_file(chart)
    files.update((path, text.encode()) for path, text in content.files)
    return files


def page(content: ReportContent, *, paper: bool = False) -> str:
    """Fill the template; all text of the host and the tasters is escaped in it.

    Parameters
    ----------
    content : ReportContent
    paper : bool
        For printing and PDF only: the wide charts, black on white, with page numbers.
    """
    template = _environment().get_template("page.html.j2")
    return template.render(
        content=content,
        paper=paper,
        light=css_variables(dark=False),
        dark=css_variables(dark=True),
    )


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("blindspoon", "report/templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def inline(text: str) -> str:
    r"""Keep a text on one line and out of the markup.

    Examples
    --------
    >>> print(inline("<b> *crisp*\n| 1_2"))
    \<b\> \*crisp\* \| 1\_2
    """
    escaped = re.sub(r"([\\`*_\[\]<>|#~&])", r"\\\1", " ".join(text.split()))
    return re.sub(r"^(\d{0,9})([-+=.)])", r"\1\\\2", escaped)


def writeup(content: ReportContent) -> str:
    """Write the report without its tables of numbers.

    Parameters
    ----------
    content : ReportContent

    Returns
    -------
    str
        Figures are linked as ``figures/NAME.png``, tables as ``tables/NAME.csv``.
    """
    return "\n\n".join(_blocks(content)) + "\n"


def _blocks(content: ReportContent) -> Iterator[str]:
    yield f"# {inline(content.title)}"
    yield f"*{inline(content.question)}*"
    yield f"**{inline(content.answer)}**"
    yield inline(" · ".join(content.byline))
    if content.picture is not None:
        yield _figure(content.picture)
    yield "## The board"
    yield inline(content.board_note)
    yield from map(_board, content.boards)
    for finding in content.findings:
        yield from _finding(finding)
    yield from _paragraphs("What else differed", content.differed)
    yield _table(content.made)
    for part in content.further:
        yield from _paragraphs(part.head, part.paragraphs)
        yield from map(_figure, part.charts)
        yield from map(_table, part.words)
        yield from _points(part.points)
    yield from _paragraphs("How it was tasted", content.tasted)
    yield from _paragraphs("How it was compared", content.compared)
    yield from _paragraphs("What was planned, and what is exploratory", content.planned)
    yield from _paragraphs("What is not settled", content.unsettled)
    if content.unsettled_table is not None:
        yield _table(content.unsettled_table)
    for head, points in (
        ("What to try next", content.next_steps),
        ("What this does not show", content.not_shown),
        ("Cautions", content.cautions),
    ):
        if points:
            yield f"## {head}"
            yield from _points(points)
    yield from _paragraphs("How to cite", (content.citation,))
    if content.licence:
        yield f"Licence: {inline(content.licence)}."
    yield "Made with " + inline(content.made_with) + "."


def _figure(chart: Chart) -> str:
    return f"![{inline(chart.alt)}](figures/{chart.name}.png)\n\n*{inline(chart.title)}*"


def _finding(finding: Finding) -> Iterator[str]:
    yield f"## {inline(finding.label)} ({finding.role.lower()})"
    if finding.headline:
        yield inline(finding.headline)
    if finding.differences is not None:
        yield _figure(finding.differences)
    yield "\n".join(f"- {inline(text)}" for text in finding.sentences)
    if finding.scores is not None:
        yield _figure(finding.scores)


def _board(board: Board) -> str:
    rows = [
        (head, [" ".join(filter(None, (cell.word, cell.size, cell.other))) for cell in cells])
        for head, cells in board.rows
    ]
    return _grid("Variant", [column.label for column in board.columns], rows)


def _table(table: NumberTable) -> str:
    return f"{inline(table.caption)}:\n\n" + _grid(table.head, table.columns, table.rows)


def _grid(head: str, columns: Sequence[str], rows: Sequence[tuple[str, Sequence[str]]]) -> str:
    cells = [[head, *columns], *([name, *row] for name, row in rows)]
    lines = [f"| {' | '.join(map(inline, row))} |" for row in cells]
    return "\n".join([lines[0], "|" + "---|" * len(cells[0]), *lines[1:]])


def _paragraphs(head: str, texts: Sequence[str]) -> Iterator[str]:
    yield f"## {inline(head)}"
    yield from (inline(text) for text in texts)


def _points(pairs: Sequence[tuple[str, str]]) -> Iterator[str]:
    if pairs:
        yield "\n".join(f"- {f'**{inline(head)}** {inline(text)}'.strip()}" for head, text in pairs)
