"""The bytes of a delimited file -> a table of text; and rows of text -> CSV.

Cells are text and stay text; what a column means is for `schema` to say. A column is kept as its
distinct texts and, for each row, the place of its text among them, so that a check looks at
every text once, however many rows hold it.
"""

from __future__ import annotations

import contextlib
import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import BoolArray, IntArray
from blindspoon.errors import (
    Note,
    Problem,
    Rule,
    TrialFileError,
    problems_of_rows,
    quoted,
    shown,
    some_of,
)


@dataclass(frozen=True, slots=True)
class TextColumn:
    """One column of text: its distinct texts, tidied, in order of first appearance.

    `codes`, shape (n,), is the position there of each row's text.

    >>> column = TextColumn.of(["oak", "plain ", "oak"])
    >>> column.texts, column.codes.tolist()
    (('oak', 'plain'), [0, 1, 0])
    """

    texts: tuple[str, ...]
    codes: IntArray

    @classmethod
    def of(cls, cells: Iterable[str]) -> TextColumn:
        places: dict[str, int] = {}
        codes = np.array([places.setdefault(cell, len(places)) for cell in cells], dtype=np.int64)
        return cls((), codes).tidy(places)

    @classmethod
    def stack(cls, columns: Sequence[TextColumn]) -> TextColumn:
        if len(columns) == 1:
            return columns[0]
        return cls.of(cell for column in columns for cell in column.cells())

    def tidy(self, texts: Iterable[str]) -> TextColumn:
        """Put other texts, tidied, in the places of `texts`; those alike become one."""
        tidy = tuple(map(tidied, texts))
        if len(set(tidy)) == len(tidy):
            return TextColumn(tidy, self.codes)
        places = {text: place for place, text in enumerate(dict.fromkeys(tidy))}
        codes = np.array([places[text] for text in tidy], np.int64)[self.codes]
        return TextColumn(tuple(places), codes)

    def __len__(self) -> int:
        return self.codes.size

    def cells(self) -> list[str]:
        return [self.texts[code] for code in self.codes.tolist()]

    def at(self, row: int) -> str:
        return self.texts[int(self.codes[row])]

    @property
    def filled(self) -> BoolArray:
        """Rows that are not blank, shape (n,)."""
        return np.array([bool(text) for text in self.texts], np.bool_)[self.codes]

    def rows_of(self, texts: Iterable[str]) -> IntArray:
        """Rows that hold one of these texts, in order."""
        wanted = set(texts)
        chosen = np.array([text in wanted for text in self.texts], dtype=np.bool_)
        return np.flatnonzero(chosen[self.codes]) if wanted else np.empty(0, np.int64)

    def places_in(self, names: Sequence[str]) -> IntArray:
        """Position of every row's text among names that hold it."""
        return np.array([names.index(text) for text in self.texts], np.int64)[self.codes]

    def renamed(self, names: Mapping[str, str]) -> TextColumn:
        """Put a name in the place of every text that means it, whatever its capitals."""
        return self.tidy(names.get(text.casefold(), text) for text in self.texts)

    def keep(self, rows: BoolArray) -> TextColumn:
        return TextColumn.of(self.texts[code] for code in self.codes[rows].tolist())


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """A delimited file as text; n rows.

    `file` is its path as the user would write it, relative to the trial folder. There are no
    columns where it could not be read. `lines`, shape (n,), says on which line each row begins,
    counted from 1. A number may have a `decimal_comma` where the separator is another. Rows that
    could not be read are among the problems, and not in the columns.
    """

    file: str
    columns: Mapping[str, TextColumn]
    lines: IntArray
    decimal_comma: bool = False
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = ()

    def __len__(self) -> int:
        return self.lines.size

    @property
    def readable(self) -> bool:
        return bool(self.columns)

    def column(self, name: str, default: str = "") -> TextColumn:
        """Give a column; the default in every row where there is none of that name."""
        absent = TextColumn((default,), np.zeros(len(self), np.int64))
        return self.columns.get(name, absent)

    def cells(self, name: str, default: str = "") -> list[str]:
        return self.column(name, default).cells()

    def keep(self, rows: BoolArray) -> TextTable:
        columns = {name: column.keep(rows) for name, column in self.columns.items()}
        return replace(self, columns=columns, lines=self.lines[rows])

    def rows(self) -> Iterator[tuple[int, dict[str, str]]]:
        """Line and cells of each row, for small tables."""
        cells = [column.cells() for column in self.columns.values()]
        for line, *row in zip(self.lines.tolist(), *cells, strict=True):
            yield line, dict(zip(self.columns, row, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderTables:
    """The tables of a trial folder; None where there is no such file.

    Scores stand in scores.csv and every ballot, choices in choices.csv and every ballot of sets.
    """

    scores: tuple[TextTable, ...] = ()
    choices: tuple[TextTable, ...] = ()
    servings: TextTable | None = None
    key: TextTable | None = None
    batches: TextTable | None = None
    readings: TextTable | None = None
    corrections: TextTable | None = None

    @property
    def answers(self) -> tuple[TextTable, ...]:
        return (*self.scores, *self.choices)


def table_of(file: str, rows: Sequence[Mapping[str, str]]) -> TextTable:
    """Make a table from rows that are already apart, all with the keys of the first.

    `file` is the name that messages give it; the first row counts as line 2, under a header.

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


LINE_LIMIT = 100_000  # bytes in the longest line that is read
LARGE = 1_000_000  # letters from which pandas reads, which takes half a second to load

_ENCODING = Rule("encoding", "tables are text in UTF-8", 'Save it again as "CSV UTF-8"')
_NUL = Rule(
    "nul-byte",
    "a table holds text only",
    "The file may be damaged; save it again as CSV, or take the byte out",
)
_EMPTY = Rule(
    "empty-file",
    "its first line names the columns",
    "Write the header and the rows, or remove the file",
)
_LINE = Rule(
    "line-too-long",
    f"a line has {LINE_LIMIT:,} bytes at most",
    "Look whether its line ends were lost, or shorten it",
)
_QUOTES = Rule(
    "quotes",
    'a cell in quotation marks ends with one, and writes one inside itself as ""',
    "Close the cell, or double the marks inside it",
)
UNPAIRED = "the quotation marks of this row do not pair up, so nothing is read from here on"
_REPEATED = Rule(
    "repeated-column", "every column has a name of its own", "Rename or remove all but one"
)
_SEPARATOR = Rule(
    "separator",
    "columns are separated by commas, semicolons or tabs",
    "Save it again with one of these between the columns; take a title or a line such as sep=; "
    "above the header out",
)


def write_csv(rows: Iterable[Iterable[str]]) -> str:
    r"""Write rows as CSV: commas, quotes as in RFC 4180, line feeds.

    >>> write_csv([["code", "comment"], ["037", "soft,\nmild"]])
    'code,comment\n037,"soft,\nmild"\n'
    """
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()


_FORMULA = "=+\\-@\uff1d\uff0b\uff0d\uff20"  # the wide forms count too
_LIVE = re.compile(rf'^(?=[{_FORMULA}\t\r])|(?<=[;\t\r\n])([\s"]*)(?=[{_FORMULA}])')


def guarded(text: str) -> str:
    """Put an apostrophe before what a spreadsheet would take for a formula.

    Some split at semicolons or tabs, and then take no notice of the quotes around a cell.

    >>> guarded("=1+1"), guarded("-"), guarded("crisp, +1"), guarded("nice; =1+1")
    ("'=1+1", "'-", 'crisp, +1', "nice; '=1+1")
    """
    return _LIVE.sub(r"\1'", text)


def read_table(data: bytes, file: str) -> TextTable:
    r"""Read a delimited file: UTF-8 or Windows-1252; comma, semicolon or tab; quoted newlines.

    Blank rows and blank unnamed columns are not in the table. What is wrong with the file, which
    messages call `file`, is in its `problems`; nothing is raised.

    The separator is the one of the three that the header holds most often outside quotes. Quotes
    are those of RFC 4180.

    >>> table = read_table(b"taster;code;texture\nT01;037;7,5\n", "scores.csv")
    >>> table.cells("texture"), table.decimal_comma
    (['7,5'], True)
    >>> print(*read_table(b"\xff\xfet\x00", "key.csv").problems)
    key.csv: the file is UTF-16 text; tables are text in UTF-8. Save it again as "CSV UTF-8".
    """
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    try:
        text, windows = _text(data, file)
    except TrialFileError as error:
        return _unread(file, error.problems)
    table = _read(text, separator_of(data), file)
    return replace(table, notes=(*[Note(file=file, text=WINDOWS)] * windows, *table.notes))


WINDOWS = "it is no UTF-8, and was read as Windows-1252: look whether accents are right"


def decoded(data: bytes) -> tuple[str, bool]:
    r"""Decode text, and tell whether it is Windows-1252: what cannot be UTF-8, nor damaged UTF-8.

    Raises UnicodeDecodeError.

    >>> decoded(b"Zo\xeb"), decoded("Zoë".encode())
    (('Zoë', True), ('Zoë', False))
    """
    try:
        return data.decode("utf-8-sig"), False
    except UnicodeDecodeError:
        foreign = b"\0" in data or data.startswith((b"PK", b"\xff\xfe", b"\xfe\xff"))
        if not foreign and data.decode(errors="ignore").isascii():
            with contextlib.suppress(UnicodeDecodeError):
                return data.decode("cp1252"), True
        raise


def _text(data: bytes, file: str) -> tuple[str, bool]:
    """Decode the bytes of a table as `decoded` does; TrialFileError says why they are none."""
    for found, foreign in (
        ("the file is UTF-16 text", data.startswith((b"\xff\xfe", b"\xfe\xff"))),
        ("the file is a spreadsheet's own format or an archive", data.startswith(b"PK\x03\x04")),
        ("every other byte is zero, as in UTF-16 text", data.count(b"\0") * 3 > len(data)),
    ):
        if foreign:
            raise TrialFileError([_ENCODING.broken(found, file)])
    if b"\0" in data:
        number = data.count(b"\n", 0, data.index(b"\0")) + 1
        raise TrialFileError([_NUL.broken("a NUL byte stands in the text", file, number)])
    try:
        text, windows = decoded(data)
    except UnicodeDecodeError as error:
        found = f"byte {data[error.start]:#04x} is neither UTF-8 nor Windows-1252"
        number = data.count(b"\n", 0, error.start) + 1
        raise TrialFileError([_ENCODING.broken(found, file, number)]) from None
    if not text.strip():
        raise TrialFileError([_EMPTY.broken("the file is empty", file)])
    ends = np.flatnonzero(np.frombuffer(data + b"\n", np.uint8) == ord("\n"))
    lengths = np.diff(ends, prepend=-1) - 1
    for place in np.flatnonzero(lengths > LINE_LIMIT)[:1].tolist():
        found = f"the line has {lengths[place]:,} bytes"
        raise TrialFileError([_LINE.broken(found, file, place + 1)])
    return text, windows


def separator_of(data: bytes) -> str:
    """Find the separator that the header of a table holds most often outside quotes."""
    header = re.search(rb"^[^\r\n]*[^\s][^\r\n]*", data.removeprefix(b"\xef\xbb\xbf"), re.M)
    bare = re.sub(rb'"[^"]*"', b"", header[0] if header else b"").decode(errors="replace")
    return max(",;\t", key=bare.count)


def names_separator(row: Iterable[str]) -> bool:
    """Tell whether a row above the header is one such as sep=; that spreadsheets read or write."""
    return "".join(row).strip().casefold() == "sep="


def _unread(file: str, problems: Sequence[Problem]) -> TextTable:
    return TextTable(file=file, columns={}, lines=np.empty(0, np.int64), problems=tuple(problems))


def _by_pandas(text: str, separator: str, width: int) -> list[TextColumn] | None:
    """Read a file without quotation marks and blank rows, every line as wide; None for others."""
    data = text.rstrip("\n").encode() + b"\n"
    row = (separator * (width - 1) + "\n").encode()
    ends = data.translate(None, bytes({*range(256)} - {*row}))
    if b'"' in data or ends != row * (len(ends) // width):
        return None
    import pandas as pd  # noqa: PLC0415 - takes half a second to load

    frame = pd.read_csv(
        io.BytesIO(data), sep=separator, header=0, names=range(width), dtype=object,
        index_col=False, na_filter=False,
    )  # fmt: skip
    found = [pd.factorize(frame[place].to_numpy()) for place in range(width)]
    columns = [TextColumn((), codes.astype(np.int64)).tidy(texts) for codes, texts in found]
    return columns if any("" not in column.texts for column in reversed(columns)) else None


_Row = tuple[int, list[str] | None]  # the first line, and the cells


def _rows(text: str, separator: str) -> Iterator[_Row]:
    """Give each row that is not blank; None where quotation marks are broken."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = 1
    try:
        for row in reader:
            if any(map(str.strip, row)):
                yield line, row
            line = reader.line_num + 1
    except csv.Error:
        yield line, None


def _by_csv(
    rows: Iterable[_Row], needed: int, width: int, file: str, *, decimal_comma: bool
) -> tuple[list[TextColumn], IntArray, list[Problem]]:
    """Read any file: its columns, the line of each row, and the rows that are too short or long."""
    cells, lines = list[str](), list[int]()
    ragged, broken = list[tuple[int, int]](), list[Problem]()
    for line, row in rows:
        if row is None:
            broken.append(_QUOTES.broken(UNPAIRED, file, line))
        elif (
            len(row) < needed
            or any(map(str.strip, row[width:]))
            or (len(row) > width and not decimal_comma)  # 7,5 of a score may have become two
        ):
            ragged.append((line, len(row)))
        else:  # only blank cells are missing, or too many
            cells += (row + [""] * width)[:width]
            lines.append(line)
    allowed = f"the header names {needed} column{'s' * (needed != 1)}"
    point = "" if decimal_comma else "; decimals have a point where commas part the cells"

    def ragged_row(place: int) -> Problem:
        line, length = ragged[place]
        do = "Add what is missing" if length < needed else "Take out what is too much"
        remedy = f"{do}, or put a cell that holds the separator in quotation marks"
        rule = Rule("ragged-row", allowed, remedy + point * (length > width))
        return rule.broken(f"the row has {length} cell{'s' * (length != 1)}", file, line)

    columns = [TextColumn.of(cells[place::width]) for place in range(width)]
    problems = [*problems_of_rows(range(len(ragged)), ragged_row), *broken]
    return columns, np.array(lines, np.int64), problems


def _read(text: str, separator: str, file: str) -> TextTable:
    """Take a text apart: rows that are not blank, columns that have a name, each only once."""
    rows = _rows(text, separator)
    above = (it for it in rows if not names_separator(it[1] or ()))
    header_line, header = next(above, (1, []))
    if header is None:
        return _unread(file, [_QUOTES.broken(UNPAIRED, file, header_line)])
    names, width = [tidied(name) for name in header], len(header)
    times = Counter(filter(None, names))
    if times.total() < 2:
        lone = (f"the header is one cell, {quoted(name)}" for name in times)
        problems = [_SEPARATOR.broken(found, file, header_line) for found in lone]
        return _unread(file, problems or [_EMPTY.broken("the file is empty", file)])
    decimal_comma = separator != ","
    large = len(text) >= LARGE and header_line == 1
    read, problems = _by_pandas(text, separator, width) if large else None, []
    if read is None:
        needed = max(place for place, name in enumerate(names, 1) if name)
        read, lines, problems = _by_csv(rows, needed, width, file, decimal_comma=decimal_comma)
    else:
        lines = np.arange(2, len(read[0]) + 2)
    columns: dict[str, TextColumn] = {}
    for name, column in zip(names, read, strict=True):
        columns.setdefault(name, column)
    columns.pop("", None)
    unnamed = [
        f"{place}"
        for place, (name, column) in enumerate(zip(names, read, strict=True), 1)
        if not name and any(column.texts)
    ]
    problems += [
        _REPEATED.broken(f"{n} columns have this name", file, header_line, shown(name))
        for name, n in times.items()
        if n > 1
    ]
    unused = f"columns without a name are not used: number {some_of(unnamed)}"
    return TextTable(
        file=file,
        columns=columns,
        lines=lines,
        decimal_comma=decimal_comma,
        problems=tuple(problems),
        notes=(Note(file=file, line=header_line, text=unused),) if unnamed else (),
    )
