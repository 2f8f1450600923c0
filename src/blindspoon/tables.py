"""Tables of text: columns by name, and each row's line in its file.

Cells are text and stay text; what a column means is for `cells` to say. A column is kept as its
distinct texts and, for each row, the place of its text among them, so that a check looks at
every text once, however many rows hold it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindspoon.errors import Note, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class TextColumn:
    """One column of text; n rows.

    Parameters
    ----------
    texts : tuple of str
        The distinct texts, in order of first appearance, without blanks around them and in
        Unicode's composed form (NFC).
    codes : int array, shape (n,)
        Position in `texts`, one a row.

    Examples
    --------
    >>> column = TextColumn.of(["oak", "plain ", "oak"])
    >>> column.texts, column.codes.tolist()
    (('oak', 'plain'), [0, 1, 0])
    """

    texts: tuple[str, ...]
    codes: IntArray

    @classmethod
    def of(cls, cells: Iterable[str]) -> TextColumn:
        """Make a column from its cells."""
        places: dict[str, int] = {}
        codes = np.array([places.setdefault(cell, len(places)) for cell in cells], dtype=np.int64)
        return cls.tidy(tuple(places), codes)

    @classmethod
    def stack(cls, columns: Sequence[TextColumn]) -> TextColumn:
        """Put columns one under the other."""
        if len(columns) == 1:
            return columns[0]
        places: dict[str, int] = {}
        parts = [
            np.array([places.setdefault(text, len(places)) for text in c.texts], np.int64)[c.codes]
            for c in columns
        ]
        return cls(tuple(places), np.concatenate(parts) if parts else np.empty(0, np.int64))

    @classmethod
    def tidy(cls, texts: tuple[str, ...], codes: IntArray) -> TextColumn:
        """Make a column from distinct texts in order of appearance that may not be tidy."""
        if "".join(texts).isascii():
            tidy = tuple(map(str.strip, texts))
        else:
            tidy = tuple(map(tidied, texts))
        if tidy == texts:
            return cls(texts, codes)
        places = {text: place for place, text in enumerate(dict.fromkeys(tidy))}
        return cls(tuple(places), np.array([places[text] for text in tidy], np.int64)[codes])

    def __len__(self) -> int:
        """Count the rows."""
        return self.codes.size

    def cells(self) -> list[str]:
        """Every row's text."""
        return [self.texts[code] for code in self.codes]

    def rows_of(self, texts: Iterable[str]) -> IntArray:
        """Rows that hold one of these texts, in order."""
        wanted = set(texts)
        chosen = np.array([text in wanted for text in self.texts], dtype=np.bool_)
        return np.flatnonzero(chosen[self.codes]) if wanted else np.empty(0, np.int64)

    def keep(self, rows: BoolArray) -> TextColumn:
        """Only the rows that are marked, and only their texts."""
        used, first, codes = np.unique(self.codes[rows], return_index=True, return_inverse=True)
        order = np.argsort(first)
        rank = np.empty_like(order)
        rank[order] = np.arange(order.size)
        return TextColumn(tuple(self.texts[code] for code in used[order]), rank[codes])


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """A delimited file as text; n rows.

    Parameters
    ----------
    file : str
        Path as the user would write it, relative to the trial folder.
    columns : mapping of str to TextColumn
        By name, in the order of the file; empty where the file could not be read.
    lines : int array, shape (n,)
        Line on which each row begins, counted from 1.
    decimal_comma : bool
        Whether a number may have a comma as its decimal mark: the separator is another.
    problems : tuple of Problem
        What could not be read; those rows are not in `columns`.
    notes : tuple of Note
    """

    file: str
    columns: Mapping[str, TextColumn]
    lines: IntArray
    decimal_comma: bool = False
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = ()

    def __len__(self) -> int:
        """Count the rows."""
        return self.lines.size

    @property
    def readable(self) -> bool:
        """Whether the file has columns at all."""
        return bool(self.columns)

    def cells(self, name: str) -> list[str]:
        """Every row's text in one column."""
        return self.columns[name].cells()

    def rows(self) -> Iterator[tuple[int, dict[str, str]]]:
        """Line and cells of each row, for small tables."""
        cells = [column.cells() for column in self.columns.values()]
        for line, *row in zip(self.lines.tolist(), *cells, strict=True):
            yield line, dict(zip(self.columns, row, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderTables:
    """The tables of a trial folder; None where there is no such file.

    Parameters
    ----------
    scores : tuple of TextTable
        scores.csv and every ballot.
    servings, key, batches, readings : TextTable or None
    """

    scores: tuple[TextTable, ...] = ()
    servings: TextTable | None = None
    key: TextTable | None = None
    batches: TextTable | None = None
    readings: TextTable | None = None


def table_of(file: str, rows: Sequence[Mapping[str, str]]) -> TextTable:
    """Make a table from rows that are already apart, such as those of the score page.

    Parameters
    ----------
    file : str
        Name that messages give it.
    rows : sequence of mapping
        All with the keys of the first. The first row counts as line 2, under a header.

    Examples
    --------
    >>> table = table_of("ballots/a.csv", [{"taster": "T01", "code": "037", "texture": "7"}])
    >>> table.cells("code"), table.lines.tolist()
    (['037'], [2])
    """
    names = list(rows[0]) if rows else []
    columns = {name: TextColumn.of(row[name] for row in rows) for name in names}
    return TextTable(file=file, columns=columns, lines=np.arange(2, len(rows) + 2))


def tidied(text: str) -> str:
    """Cut off blanks around a text and compose its letters (NFC)."""
    return text.strip() if text.isascii() else unicodedata.normalize("NFC", text).strip()
