"""Changes to the bytes of a table that leave every other cell, and how it is written, as it is."""

import csv
import io
import re
from collections.abc import Collection, Iterator, Mapping, Sequence

from blindspoon.errors import Rule, TrialFileError
from blindspoon.files.text_table import decoded, read_table, separator_of, tidied

_LAID_OUT = Rule("laid-out", "a change moves no other cell", "Change it by hand")
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n|$)")


def edit_table(
    data: bytes,
    file: str,
    cells: Mapping[tuple[int, str], str],
    new: Sequence[Mapping[str, str]] = (),
    out: Collection[int] = (),
) -> bytes:
    r"""Change cells, add rows at the end, and take rows out.

    The data is the whole file; separator, byte-order mark, line ends, quotes and order stay. It is
    UTF-8 afterwards. Rows count from 0, as in `TextTable`; a column that is not there is added.
    Raises TrialFileError if the table cannot be read, or anything else would change.

    >>> edit_table(b"batch;ph\njar 1;3,9\n", "readings.csv", {(0, "ph"): "3,8"}, [{"batch": "b"}])
    b'batch;ph\njar 1;3,8\nb;\n'
    """
    table = read_table(data, file)
    if table.problems:
        raise TrialFileError(table.problems)
    separator, (text, _) = separator_of(data), decoded(data)
    ended = re.search(r"\r\n|\r|\n", text)
    end = ended[0] if ended else "\n"

    def written(row: Sequence[str]) -> str:
        made = io.StringIO(newline="")
        csv.writer(made, delimiter=separator, lineterminator=end).writerow(row)
        return made.getvalue()

    records = list(_records(text, separator))
    head = next(place for place, (_, row) in enumerate(records) if any(map(str.strip, row)))
    names = [tidied(name) for name in records[head][1]]
    wanted = [name for _, name in cells] + [name for row in new for name in row]
    more = list(dict.fromkeys(name for name in wanted if name not in names))
    parts, row_number = [], -1
    for place, (raw, row) in enumerate(records):
        blank = not any(map(str.strip, row))
        row_number += not blank and place > head
        own = {name: text for (number, name), text in cells.items() if number == row_number}
        if blank or place < head:
            parts.append(raw)
        elif place == head:
            parts.append(written([*row, *more]) if more else raw)
        elif row_number not in out:
            full = [*row, *[""] * (len(names) - len(row))]
            now = [own.get(name, cell) for name, cell in zip(names, full, strict=False)]
            changed = more or now != full[: len(names)]
            parts.append(written([*now, *(own.get(name, "") for name in more)]) if changed else raw)
    if new and parts and not parts[-1].endswith(("\n", "\r")):
        parts.append(end)
    parts += [written([row.get(name, "") for name in [*names, *more]]) for row in new]
    mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
    changed_data = mark + "".join(parts).encode()
    rows = [dict.fromkeys(more, "") | row for _, row in table.rows()]
    for (number, name), cell in cells.items():
        rows[number][name] = cell
    wanted_rows = [row for number, row in enumerate(rows) if number not in out]
    wanted_rows += [{name: row.get(name, "") for name in [*table.columns, *more]} for row in new]
    expected = [  # as they are read: blanks around cells and blank rows aside
        {name: tidied(cell.replace("\r\n", "\n")) for name, cell in row.items()}
        for row in wanted_rows
    ]
    read = [row for _, row in read_table(changed_data, file).rows()]
    if read != [row for row in expected if any(row.values())]:
        found = "a change would move other cells of this file"
        raise TrialFileError([_LAID_OUT.broken(found, file)])
    return changed_data


def _records(text: str, separator: str) -> Iterator[tuple[str, list[str]]]:
    """Each record as it stands in the file, with its line end, and its cells."""
    seen: list[str] = []

    def lines() -> Iterator[str]:
        for found in _LINE.finditer(text):
            if found[0]:
                seen.append(found[0])
                yield re.sub(r"\r\n|\r", "\n", found[0])

    for row in csv.reader(lines(), delimiter=separator, strict=True):
        yield "".join(seen), row
        seen.clear()
