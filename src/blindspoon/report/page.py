"""The finished content -> index.html, complete in itself, and the files beside it."""

from __future__ import annotations

from functools import cache

import jinja2

from blindspoon import charts
from blindspoon.report.content import ReportContent


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
        files[f"figures/{chart.name}.svg"] = charts.svg_file(chart)
        files[f"figures/{chart.name}.png"] = charts.png_file(chart)
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
        light=charts.css_variables(dark=False),
        dark=charts.css_variables(dark=True),
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
