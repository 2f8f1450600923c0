"""Rows that name cups by their code only: which rows name the same one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blindspoon.cells import POSITION_LIMIT
from blindspoon.tables import BoolArray, IntArray, TextColumn, TextTable


@dataclass(frozen=True, slots=True, kw_only=True)
class Cups:
    """Rows of tables of one kind, each naming a cup; n rows.

    Parameters
    ----------
    tables : tuple of TextTable
        One under the other.
    by : {"code", "variant"}
        What names a cup; the variant where there never were codes.
    session, taster, name : TextColumn
        Who was served which cup when. A blank taster stands for every taster of the session.
    batch : TextColumn
        Blank where it is not known.
    position : int array, shape (n,)
        Place in the taster's session, from 1; 0 where it is not known.
    usable : bool array, shape (n,)
        Whether the cells that name the cup are as they must be.
    sound : bool
        Whether nothing is wrong with any of the tables on its own.
    """

    tables: tuple[TextTable, ...]
    by: str
    session: TextColumn
    taster: TextColumn
    name: TextColumn
    batch: TextColumn
    position: IntArray
    usable: BoolArray
    sound: bool

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.name)

    def place(self, row: int) -> tuple[str, int]:
        """Find the file and line of a row."""
        for table in self.tables:
            if row < len(table):
                return table.file, int(table.lines[row])
            row -= len(table)
        raise IndexError(row)

    def texts(self, row: int) -> tuple[str, str, str]:
        """Give session, taster and name of a row."""
        columns = (self.session, self.taster, self.name)
        session, taster, name = (column.texts[column.codes[row]] for column in columns)
        return session, taster, name

    def match(self, others: Cups) -> IntArray:
        """Find for each row the row of `others` that names the same cup; -1 where none does.

        Rows that are not usable match nothing. A row of `others` with a blank taster matches
        every taster of its session who has no row of their own for that name.
        """
        ours = (self.session, self.taster, self.name)
        theirs = (others.session, others.taster, others.name)
        found = _match(ours, self.usable, theirs, others.usable)
        for_all = np.zeros(len(others), np.bool_)
        for_all[others.taster.rows_of([""])] = True
        if for_all.any():
            shared = _match(ours[::2], self.usable, theirs[::2], others.usable & for_all)
            found = np.where(found < 0, shared, found)
        return found

    def repeats(self) -> list[tuple[int, int]]:
        """Pair each row that names a cup again with the row that names it before."""
        numbers = number_rows(self.session, self.taster, self.name)
        return _repeats(numbers, self.usable)

    def repeats_apart(self) -> list[tuple[int, int]]:
        """Do as `repeats`, but cups that differ in batch or position are two."""
        numbers = number_rows(self.session, self.taster, self.name, self.batch)
        return _repeats(numbers * (POSITION_LIMIT + 1) + self.position, self.usable)

    def repeated_positions(self) -> list[tuple[int, int]]:
        """Pair each row whose position is taken in its sitting with the row that took it."""
        numbers = number_rows(self.session, self.taster) * (POSITION_LIMIT + 1)
        return _repeats(numbers + self.position, self.usable & (self.position > 0))


def number_rows(*columns: TextColumn) -> IntArray:
    """Give rows a number: the same where they are alike in all columns, and only there.

    Examples
    --------
    >>> numbers = number_rows(TextColumn.of("aab"), TextColumn.of("xyx"))
    >>> len(set(numbers.tolist()))
    3
    """
    numbers, size = np.zeros(len(columns[0]), np.int64), 1
    for column in columns:
        size *= max(len(column.texts), 1)
        numbers = numbers * len(column.texts) + column.codes
        if size > 2**40:
            distinct, numbers = np.unique(numbers, return_inverse=True)
            size = distinct.size
    return numbers


def _match(
    ours: tuple[TextColumn, ...],
    our_usable: BoolArray,
    theirs: tuple[TextColumn, ...],
    their_usable: BoolArray,
) -> IntArray:
    pairs = zip(ours, theirs, strict=True)
    numbers = number_rows(*(TextColumn.stack(pair) for pair in pairs))
    mine, other = np.split(numbers, [our_usable.size])
    candidates = np.flatnonzero(their_usable)
    if not candidates.size:
        return np.full(mine.size, -1)
    candidates = candidates[np.argsort(other[candidates], kind="stable")]
    ranked = other[candidates]
    nearest = np.minimum(np.searchsorted(ranked, mine), ranked.size - 1)
    return np.where(our_usable & (ranked[nearest] == mine), candidates[nearest], -1)


def _repeats(numbers: IntArray, usable: BoolArray) -> list[tuple[int, int]]:
    rows = np.flatnonzero(usable)
    rows = rows[np.argsort(numbers[rows], kind="stable")]
    again = np.flatnonzero(np.diff(numbers[rows]) == 0)
    pairs = zip(rows[again + 1].tolist(), rows[again].tolist(), strict=True)
    return sorted(pairs)
