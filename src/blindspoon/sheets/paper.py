"""Sizes of paper and of sheets of labels, in millimetres."""

from dataclasses import dataclass
from typing import Literal

Paper = Literal["a4", "letter"]
INCH = 25.4
PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (8.5 * INCH, 11 * INCH)}
"""Width and height in millimetres (ISO 216; ANSI/ASME Y14.1)."""
MARGIN = 12  # around every page but the labels', in millimetres


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelStock:
    """A sheet of labels of one size, in millimetres, centred on its paper.

    There is a gap between columns, and none between rows.
    """

    paper: Paper
    width: float
    height: float
    columns: int
    rows: int
    gap: float

    @property
    def count(self) -> int:
        return self.columns * self.rows

    @property
    def left(self) -> float:
        """Margin left of the first column."""
        used = self.columns * self.width + (self.columns - 1) * self.gap
        return (PAPERS[self.paper][0] - used) / 2

    @property
    def top(self) -> float:
        """Margin above the first row."""
        return (PAPERS[self.paper][1] - self.rows * self.height) / 2


LABEL_STOCKS = {
    "a4-21": LabelStock(paper="a4", width=63.5, height=38.1, columns=3, rows=7, gap=2.54),
    "a4-65": LabelStock(paper="a4", width=38.1, height=21.2, columns=5, rows=13, gap=2.54),
    "letter-30": LabelStock(
        paper="letter", width=2.625 * INCH, height=INCH, columns=3, rows=10, gap=0.125 * INCH
    ),
    "letter-80": LabelStock(
        paper="letter", width=1.75 * INCH, height=0.5 * INCH, columns=4, rows=20, gap=0.3 * INCH
    ),
}
"""Common stock sizes by name; common practice, no source: to be tried on plain paper first."""


def stock_named(name: str | None, paper: Paper) -> LabelStock:
    """Find a stock; the larger labels of the paper where none is named. ValueError without one."""
    chosen = name or {"a4": "a4-21", "letter": "letter-30"}[paper]
    if chosen not in LABEL_STOCKS:
        message = f'label_stock is "{chosen}"; it is one of {", ".join(LABEL_STOCKS)}'
        raise ValueError(message)
    return LABEL_STOCKS[chosen]
