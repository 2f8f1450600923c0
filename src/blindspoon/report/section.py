"""A part of the page that one module makes whole: words, charts, tables, files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from blindspoon import charts
from blindspoon.report.numbers import NumberTable


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Finished strings and charts, shown in the order of the fields.

    Parameters
    ----------
    name : str
        Anchor on the page.
    head : str
    role : str
        "Exploratory", or empty.
    paragraphs : tuple of str
    charts : tuple of Chart
    words, numbers : tuple of NumberTable
        Tables of words, which stack on a phone, and of numbers, which scroll and stand with all
        numbers of the page.
    points : tuple of (str, str)
        A bold head and a text each.
    files : tuple of (str, str)
        Tables for scripts: path under the report's folder, and text.
    behind : mapping of str to tuple of str
        Names of the tables that hold what a chart draws, by the chart's name.
    """

    name: str
    head: str
    role: str = ""
    paragraphs: tuple[str, ...] = ()
    charts: tuple[charts.Chart, ...] = ()
    words: tuple[NumberTable, ...] = ()
    numbers: tuple[NumberTable, ...] = ()
    points: tuple[tuple[str, str], ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    behind: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
