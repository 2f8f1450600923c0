r"""Changes to trial.toml and to the bytes of a table that leave every other character as it is.

A place in trial.toml is written as in messages: "trial.title", "attribute[2].label", from 1.
Sections are added and taken out line by line, so that a comment stays with what it heads; values by
tomlkit.

Examples
--------
>>> text = 'variant = [{ name = "plain" }]\n[trial]\ntitle = "Crisp"  # as I ask it\n'
>>> print(put(text, "trial.title", "Sour"), end="")
variant = [{ name = "plain" }]
[trial]
title = "Sour"  # as I ask it
"""

import csv
import datetime
import io
import re
import tomllib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from blindspoon.errors import Rule, TrialFileError
from blindspoon.files.text_table import (
    decoded,
    names_separator,
    read_table,
    separator_of,
    tidied,
)
from blindspoon.files.toml import HEADER

Value = str | float | bool | datetime.date | Sequence[str] | Sequence[int]

_LAID_OUT = Rule(
    "laid-out", "a change moves no other text", "Change it by hand, or write the file afresh"
)


def put(text: str, place: str, value: Value | None) -> str:
    """Give a key another value, or take it out; it is added where it is missing, its section too.

    Raises TrialFileError if that would change anything else: the file is laid out in an unusual
    way.
    """
    parts = re.findall(r"[^.\[\]]+", place)
    *path, _ = [int(part) - 1 if part.isdigit() else part for part in parts]
    key = parts[-1]
    table = _at(_plain(tomllib.loads(text)), path)
    if table.get(key) == value and type(table.get(key)) is type(value):
        return text

    def set_it(document: Any, path: Sequence[str | int] = path) -> None:  # noqa: ANN401
        table = _at(document, path)
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value

    lines, used = text.splitlines(keepends=True), False
    section = _section(lines, path) if path else None
    if section and (key in table or value is None):
        start, own, _ = section  # alone: the whole takes long, and not every order of it is kept
        alone = [*path[:1], *[0] * (len(path) - 1)]
        lines[start:own] = [_by_value("".join(lines[start:own]), partial(set_it, path=alone))]
    elif section is None:
        changed = _by_value(text, set_it)
        if not changed and len(path) == 1 and key not in table and value is not None:
            changed = _ended(text) + f"\n[{path[0]}]\n{_line(key, value)}"
        lines = [changed]
    elif value is not None:
        start, end, _ = section
        offer = re.compile(rf"# *{re.escape(key)} *=[^#\n]*")
        below = (row for row in range(end, len(lines)) if lines[row][0] != "#")
        for row in range(start, next(below, len(lines))):
            if found := offer.match(lines[row]):  # take the # away to use what stands behind it
                rest, used = lines[row][found.end() :], True
                new = _line(key, value).rstrip()
                lines[row] = f"{new}{'':8}{rest}" if rest.strip() else f"{new}\n"
                break
        else:
            lines.insert(end, _line(key, value))
    return _seen(text, set_it, "".join(lines), used=used)


def add(text: str, kind: str, values: Mapping[str, Value]) -> str:
    """Add a section of a kind, such as "variant", behind those that are there; raises as `put`."""

    def add_it(document: Any) -> None:  # noqa: ANN401
        document.setdefault(kind, []).append(dict(values))

    number = len(tomllib.loads(text).get(kind, []))
    lines = _ended(text).splitlines(keepends=True)
    section = _section(lines, (kind, number - 1))
    if number and section is None:
        return _seen(text, add_it, _by_value(text, add_it))
    end = section[2] if section else len(lines)
    own = ["\n", f"[[{kind}]]\n", *(_line(key, value) for key, value in values.items())]
    return _seen(text, add_it, "".join([*lines[:end], *own, *lines[end:]]))


def take_out(text: str, kind: str, number: int) -> str:
    """Take out the section of that number, from 1; raises as `put`."""

    def take_it(document: Any) -> None:  # noqa: ANN401
        del document[kind][number - 1]

    lines = text.splitlines(keepends=True)
    section = _section(lines, (kind, number - 1))
    if section is None:
        return _seen(text, take_it, _by_value(text, take_it))
    start, _, end = section
    comments = [line for line in lines[start:end] if line.lstrip().startswith("#")]
    while end < len(lines) and not lines[end].strip() and not comments:
        end += 1
    return _seen(text, take_it, "".join([*lines[:start], *comments, *lines[end:]]))


def _at(document: Any, path: Sequence[str | int]) -> Any:  # noqa: ANN401
    for step in path:
        document = document.setdefault(step, {}) if isinstance(step, str) else document[step]
    return document


def _section(lines: Sequence[str], path: Sequence[str | int]) -> tuple[int, int, int] | None:
    """Find a section: its header's line, the end of its own keys, and the end with those below.

    None where it has no header of its own. Comments at its end that a blank line parts from its
    keys, or that follow it directly, head what comes next.
    """
    heads = [(n, found) for n, line in enumerate(lines) if (found := HEADER.match(line))]
    named = [place for place, (_, head) in enumerate(heads) if head[2] == path[0]]
    number = int(path[1]) if len(path) == 2 else 0
    if len(path) > 2 or not 0 <= number < len(named):
        return None
    (start, header), *later = heads[named[number] :]
    if (len(path) == 2) != (header[1] == "[["):
        return None
    ends = [n for n, _ in later] + [len(lines)]
    apart = (n for n, head in later if not head[2].startswith(f"{path[0]}."))
    return start, _last(lines, start, ends[0]), _last(lines, start, next(apart, len(lines)))


def _last(lines: Sequence[str], start: int, end: int) -> int:
    """Go back over blank lines and comments to the line after the last one that says something."""
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip()[0] == "#"):
        end -= 1
    return end


def _line(key: str, value: Value) -> str:
    import tomlkit  # noqa: PLC0415 - only where a trial is written

    return f"{key} = {tomlkit.item(value).as_string()}\n"


def _ended(text: str) -> str:
    return text if not text or text.endswith("\n") else f"{text}\n"


def _by_value(text: str, change: Callable[[Any], None]) -> str:
    import tomlkit  # noqa: PLC0415 - only where a trial is written
    from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

    try:
        document = tomlkit.parse(text)
        if tomlkit.dumps(document) != text:
            return ""
        change(document)
        return tomlkit.dumps(document)
    except (TOMLKitError, KeyError, IndexError, TypeError, ValueError, AttributeError):
        return ""


def _seen(text: str, change: Callable[[Any], None], changed: str, *, used: bool = False) -> str:
    """See that the values are changed as they should be, and that no comment was lost or moved.

    `used` says that a comment was made the line that it offers.
    """
    if "\r\n" in text:
        changed = re.sub(r"(?<!\r)\n", "\r\n", changed)
    wanted = tomllib.loads(text)
    change(wanted)
    try:
        found = tomllib.loads(changed) if changed else None
    except tomllib.TOMLDecodeError:
        found = None
    kept = _comments(changed) == _comments(text) or used
    if _plain(wanted) != _plain(found or {}) or not kept:
        moving = "a change would move other text of this file"
        raise TrialFileError([_LAID_OUT.broken(moving, "trial.toml")])
    return changed


def _comments(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.lstrip().startswith("#")]


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    """Leave empty tables and lists out: a section that says nothing is none."""
    return {key: value for key, value in values.items() if value not in ({}, [])}


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
    Raises TrialFileError if the table cannot be read.

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
    filled = (place for place, (_, row) in enumerate(records) if any(map(str.strip, row)))
    head = next(place for place in filled if not names_separator(records[place][1]))
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
    return mark + "".join(parts).encode()


def _records(text: str, separator: str) -> Iterator[tuple[str, list[str]]]:
    """Each record as it stands in the file, with its line end, and its cells."""
    seen: list[str] = []

    def lines() -> Iterator[str]:
        for line in io.StringIO(text, newline=""):
            seen.append(line)
            yield re.sub(r"\r\n|\r", "\n", line)

    for row in csv.reader(lines(), delimiter=separator, strict=True):
        yield "".join(seen), row
        seen.clear()
