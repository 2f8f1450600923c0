"""TOML text -> values: read one key at a time, every misfit a problem with its line."""

from __future__ import annotations

import datetime
import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from blindspoon.errors import Problem, Rule, TrialFileError, did_you_mean, quoted, shown, some_of

LABEL_LIMIT = 80  # characters in the longest name of a taster or batch

CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
"""A control character or a line end."""

HEADER = re.compile(r"\s*(\[\[?)\s*([\w.-]+)\s*\]")
_KEY = re.compile(r"\s*([\w.-]+)\s*=")
_COMMA = re.compile(r"\s*[\w.-]+\s*=\s*([+-]?\d+,\d+)\s*(?:#.*)?$")


def is_label(text: str) -> bool:
    r"""Tell whether a text can name a taster, a batch or a cup: short, no control characters.

    >>> is_label("Aunt Vera"), is_label(""), is_label("a\tb")
    (True, False, False)
    """
    return 0 < len(text.strip()) <= LABEL_LIMIT and not CONTROL.search(text)


class Range(NamedTuple):
    """Which numbers a key takes, in words and as a test."""

    words: str
    holds: Callable[[float], bool]


class Section:
    r"""One table of a TOML file, read key by key.

    A key that is absent gives its default. One that does not fit gives its default too and adds
    a problem to those of the whole file.

    >>> root = read_toml("[trial]\ntitle = 7\nseed = 3", "trial.toml")
    >>> trial = root.section("trial")
    >>> trial.text("title"), trial.whole("seed", Range("from 0", lambda n: n >= 0))
    ('', 3)
    >>> print(root.problems[0])
    trial.toml line 2, key trial.title: 7 is a whole number; a text is needed. Write one, in quotes.
    """

    def __init__(
        self,
        values: Mapping[str, Any],
        path: str,
        file: str,
        lines: Mapping[str, int],
        problems: list[Problem],
    ) -> None:
        self.path, self.problems = path, problems
        self._values, self._file, self._lines = values, file, lines
        self._asked: list[str] = []
        self._below: list[Section] = []

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def holds(self, key: str, kind: type) -> bool:
        return type(self._values.get(key)) is kind

    def complain(self, slug: str, key: str, found: str, allowed: str, remedy: str) -> None:
        """Add a problem with one key, or with the whole section where `key` is empty."""
        place = ".".join(part for part in (self.path, key) if part)
        key_of_line = place
        while key_of_line and key_of_line not in self._lines:
            key_of_line = key_of_line.rpartition(".")[0]
        line, column = self._lines.get(key_of_line), shown(place, 80) or None
        self.problems.append(Rule(slug, allowed, remedy).broken(found, self._file, line, column))

    def refuse(self, key: str, found: str, allowed: str, remedy: str = "Take it out") -> None:
        self.complain("not-allowed", key, found, allowed, remedy)

    def require(self, *keys: str) -> None:
        for key in keys:
            if key not in self._values:
                found = f"{self.path or 'the file'} has no {key}"
                self.complain("missing-key", key, found, f"{key} is required", "Add it")

    def text(self, key: str, default: str = "") -> str:
        """Read a text; blanks around it are cut off."""
        value = self._take(key, (str,), "a text is needed", "Write one, in quotes")
        if value is None:
            return default
        if CONTROL.search(value.replace("\n", "").replace("\t", "")):
            self.refuse(key, quoted(value), "a text has no control characters", "Take them out")
            return default
        return str(value.strip()) or default

    def required_text(self, key: str) -> str:
        self.require(key)
        text = self.text(key)
        if not text and isinstance(self._values.get(key), str):
            self.refuse(key, f"{key} is blank", "a text is needed", "Write it")
        return text

    def name(self, key: str, pattern: str, allowed: str) -> str:
        self.require(key)
        name = self.text(key)
        if isinstance(self._values.get(key), str) and not re.fullmatch(pattern, name):
            self.complain("bad-name", key, f"the name is {quoted(name)}", allowed, "Rename it")
        return name

    def number(self, key: str, allowed: Range, default: float | None = None) -> float | None:
        value = self._take(key, (int, float), "a number is needed", "Write it without quotes")
        return default if value is None or self._out_of(allowed, key, value) else float(value)

    def whole(self, key: str, allowed: Range, default: int | None = None) -> int | None:
        value = self._take(key, (int,), "a whole number is needed", "Write digits only")
        return default if value is None or self._out_of(allowed, key, value) else int(value)

    def flag(self, key: str, *, default: bool = False) -> bool:
        value = self._take(key, (bool,), "true or false is needed", "Write true or false")
        return default if value is None else bool(value)

    def date(self, key: str) -> datetime.date | None:
        remedy = "Write year-month-day without quotes or time, such as 2026-09-04"
        value = self._take(key, (datetime.date,), "a date is needed", remedy)
        return value if isinstance(value, datetime.date) else None

    def choice(self, key: str, options: Sequence[str]) -> str:
        """Read one of a few words; the first is the default."""
        value = self.text(key, options[0])
        if value in options:
            return value
        allowed = f"it is one of {', '.join(map(quoted, options))}"
        self.refuse(key, quoted(value) + did_you_mean(value, options), allowed, "Choose one")
        return options[0]

    def texts(self, key: str) -> tuple[str, ...]:
        """Read a list of distinct texts that can be labels; composed (NFC), as in the tables."""
        remedy = 'Write it in square brackets, such as ["one", "two"]'
        listed = self._items(key, str, "a list of texts is needed", remedy)
        texts = [unicodedata.normalize("NFC", text) for text in listed]
        for text in texts:
            if not is_label(text):
                allowed = f"1 to {LABEL_LIMIT} characters, none of them a control character"
                self.complain("bad-name", key, quoted(text), allowed, "Rename it")
        for name, times in Counter(map(str.strip, texts)).items():
            if times > 1 and name:
                found = f"{quoted(name)} stands {times} times"
                self.complain("repeated-name", key, found, "every name stands once", "Rename one")
        return tuple(map(str.strip, texts))

    def rising(self, key: str, allowed: Range, most: int) -> tuple[int, ...]:
        """Read a list of two to `most` whole numbers, each above the one before."""
        words = f"it is 2 to {most} whole numbers, each above the one before"
        values = self._items(key, int, words, "Write it in square brackets, such as [12, 20]")
        right = 2 <= len(values) <= most and values == sorted(set(values))
        if values and not (right and all(map(allowed.holds, values))):
            self.refuse(key, _shown(values), words, "Change it")
            return ()
        return tuple(values)

    def section(self, key: str) -> Section:
        """Read a table; an empty one where it is absent."""
        remedy = f"Write [{key}] on a line of its own, or {key} = {{ ... }}"
        return self._under(self._take(key, (dict,), "a table is needed", remedy) or {}, key)

    def sections(self, key: str) -> list[Section]:
        """Read an array of tables; an empty list where it is absent."""
        remedy = f"Write [[{key}]], in double square brackets, above each"
        tables = self._items(key, dict, "a list of tables is needed", remedy)
        return [self._under(table, f"{key}[{n}]") for n, table in enumerate(tables, 1)]

    def close(self) -> None:
        """Complain about every key that nobody asked for, here and below."""
        for key in self._values:
            if key not in self._asked:
                found = f"the key {quoted(key)} is not known{did_you_mean(key, self._asked)}"
                allowed = f"keys here are {some_of(self._asked, 20)}"
                remedy = "Correct the spelling or take it out"
                self.complain("unknown-key", key, found, allowed, remedy)
        for section in self._below:
            section.close()

    def _under(self, values: Mapping[str, Any], key: str) -> Section:
        path = f"{self.path}.{key}" if self.path else key
        self._below.append(Section(values, path, self._file, self._lines, self.problems))
        return self._below[-1]

    def _take(self, key: str, types: tuple[type, ...], allowed: str, remedy: str) -> Any:  # noqa: ANN401 - a TOML value
        self._asked.append(key)
        value = self._values.get(key)
        counted = type(value) in _NOT_MEANT and type(value) not in types
        if value is None or (isinstance(value, types) and not counted):
            return value
        self.complain(
            "wrong-type", key, f"{_shown(value)} is {_KINDS[type(value)]}", allowed, remedy
        )
        return None

    def _items(self, key: str, kind: type, allowed: str, remedy: str) -> list[Any]:
        """Read a list whose items are of one kind; leave out those that are not."""
        values = self._take(key, (list,), allowed, remedy) or []
        for value in values:
            if not isinstance(value, kind):
                found = f"{_shown(value)} is {_KINDS[type(value)]}"
                self.complain("wrong-type", key, found, allowed, remedy)
        return [value for value in values if isinstance(value, kind)]

    def _out_of(self, allowed: Range, key: str, value: float) -> bool:
        if abs(value) <= 1e300 and allowed.holds(value):
            return False
        self.refuse(key, f"{key} is {_shown(value)}", allowed.words, "Change it")
        return True


_NOT_MEANT = (bool, datetime.datetime)  # Python counts them as int and as date, TOML does not

_KINDS = {
    str: "a text",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    list: "a list",
    dict: "a table",
    datetime.date: "a date",
    datetime.datetime: "a date with a time",
    datetime.time: "a time",
}


_TOML = Rule(
    "toml",
    'a line is key = value, each key once, texts stand in straight "quotation marks", sections in '
    "[brackets]; a number is as in 1.5, a date as in 2026-09-05",
    "Correct the line, or the one before it",
)


def read_toml(text: str, file: str) -> Section:
    """Parse TOML 1.0; raises TrialFileError if the text is none."""
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        at_end = text.count("\n") + 1 if "end of document" in str(error) else None
        what = re.sub(r"\s*\(at .*\)$", "", str(error)) or "too deeply nested"
        found = f"this is not TOML: {what[:1].lower()}{what[1:200]}"
        line = int(place[1]) if place else at_end
        if line and (comma := _COMMA.match(text.split("\n")[line - 1])):
            found = f"{comma[1]} has a comma in place of the point"
        problem = _TOML.broken(found, file, line)
        raise TrialFileError([problem]) from None
    return Section(values, "", file, _key_lines(text), [])


def _key_lines(text: str) -> dict[str, int]:
    """Line on which each section and key stands, as far as one look at each line tells."""
    lines: dict[str, int] = {}
    counts: Counter[str] = Counter()
    prefix = ""
    for number, line in enumerate(text.split("\n"), 1):
        if header := HEADER.match(line):
            prefix = header[2]
            if header[1] == "[[":
                counts[prefix] += 1
                lines.setdefault(prefix, number)
                prefix = f"{prefix}[{counts[prefix]}]"
            lines.setdefault(prefix, number)
        elif key := _KEY.match(line):
            lines.setdefault(f"{prefix}.{key[1]}" if prefix else key[1], number)
    return lines


def _shown(value: object) -> str:
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | dict):
        return "the value"
    if isinstance(value, int | float):
        return f"{value:g}" if abs(value) < 1e300 else "a number beyond all bounds"
    return shown(str(value))
