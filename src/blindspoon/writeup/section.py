"""A part of the page: words, charts, tables and files that belong together."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon.charts.chart import Chart
from blindspoon.writeup.writers import Table

Points = tuple[tuple[str, str], ...]
"""A bold head and a text each; one of the two may be empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSection:
    """Finished strings, tables and charts, shown in the order of the fields.

    Parameters
    ----------
    name : str
        Anchor on the page.
    role : str
        "Exploratory", or empty.
    tables : tuple of Table
        Those that are read here.
    note : str
        A remark at the end; may be empty.
    numbers : tuple of Table
        Those that stand with all numbers of the page.
    files : tuple of (str, str)
        Tables for scripts: path under the report's folder, and text.
    """

    name: str
    head: str
    role: str = ""
    paragraphs: tuple[str, ...] = ()
    charts: tuple[Chart, ...] = ()
    tables: tuple[Table, ...] = ()
    points: Points = ()
    note: str = ""
    numbers: tuple[Table, ...] = ()
    files: tuple[tuple[str, str], ...] = ()

    def __bool__(self) -> bool:
        """Whether there is anything to show."""
        return bool(self.paragraphs or self.charts or self.tables or self.points)
