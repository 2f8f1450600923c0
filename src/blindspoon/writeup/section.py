"""A part of the page: words, charts, tables and files that belong together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

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
    behind : mapping of str to tuple of str
        Names of the tables that hold what a chart draws, by the chart's name.
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
    behind: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Whether there is anything to show."""
        return bool(self.paragraphs or self.charts or self.tables or self.points)


def behind_attribute(name: str) -> Mapping[str, tuple[str, ...]]:
    """Name the tables behind the charts that every attribute has."""
    return {
        f"{name}-differences": (f"mixed-{name}", f"ranks-{name}", f"raw-{name}"),
        f"{name}-scores": (f"scores-{name}", f"raw-{name}"),
    }


def on_the_page(
    behind: Mapping[str, tuple[str, ...]], tables: Iterable[Table]
) -> Mapping[str, tuple[Table, ...]]:
    """Look the tables up, leaving out those that the page does not have."""
    known = {table.name: table for table in tables}
    return {
        chart: tuple(known[name] for name in names if name in known)
        for chart, names in behind.items()
    }
