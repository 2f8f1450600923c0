"""What every column of the tables holds, declared once, and the one reader that checks it.

A column is looked at by its distinct texts, and the rows of those at fault are named.
"""

import datetime
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from blindspoon.arrays import BoolArray
from blindspoon.errors import Problem, Rule, did_you_mean, problems_of_rows, quoted, shown, some_of
from blindspoon.files.text_table import TextTable
from blindspoon.files.toml import LABEL_LIMIT, is_label
from blindspoon.trial import Scale

POSITION_LIMIT = 999  # highest place of a cup in one sitting

When = Literal[
    "always", "never", "coded", "uncoded", "per taster", "per session", "several sessions",
    "several sets", "two kinds",
]  # fmt: skip
"""For which folders something holds: cups with or without codes, codes of each taster's own or
one for all in a session, sessions or sets that have to be told apart, methods whose sets are of two
kinds."""

Kind = Literal[
    "label", "name", "made", "position", "score", "mass", "temperature", "ph", "date",
    "text", "count", "yes-no", "kind",
]  # fmt: skip


class FileColumn(NamedTuple):
    """One column of a table; a sentence of meaning for the reference of the trial folder.

    For which folders it must be there (`needed`), is `read` (elsewhere it counts as not used), must
    not be there because it would lift the blind (`barred`), and may have `blank` cells. Messages
    call a row `row`. `convert` goes from the unit of the file to that of the kind.
    """

    name: str
    kind: Kind
    meaning: str = ""
    needed: When = "never"
    read: When = "always"
    barred: When = "never"
    blank: When = "always"
    row: str = "every row"
    convert: Callable[[float], float] = float


_needed = partial(FileColumn, needed="always", blank="never")
_SESSION = FileColumn(
    "session", "name", "The sitting; may be left out where there is one.", "several sessions",
    blank="never",
)  # fmt: skip

SCORES = (
    _SESSION,
    _needed("taster", "label", "Who tasted."),
    FileColumn("code", "label", "The blind code on the cup.", "coded", read="coded", blank="never"),
    FileColumn(
        "variant", "name", "What was in the cup, only where cups never had codes.", "uncoded",
        read="uncoded", barred="coded", blank="never",
    ),
    FileColumn(
        "batch", "label", "The batch in the cup, only where cups never had codes.", read="uncoded"
    ),
    FileColumn("position", "position", "The place of the cup in its taster’s session, if known."),
    FileColumn("comment", "text", "What the taster wrote beside the cup."),
)  # fmt: skip
"""scores.csv and every ballot; beside these a column for each attribute."""

ATTRIBUTE = FileColumn(
    "<attribute>", "score", "The score, in points; blank where none was given.", needed="always"
)

SERVINGS = (
    _SESSION,
    _needed("taster", "label", "Who gets the cup."),
    FileColumn("set", "label", "The set that it is in; blank for a cup that is scored."),
    _needed("position", "position", "Its place in the taster’s session."),
    _needed("code", "label", "The blind code on the cup."),
    FileColumn("variant", "name", "Stands in key.csv alone.", read="never", barred="always"),
    FileColumn("batch", "label", "Stands in key.csv alone.", read="never", barred="always"),
)
"""servings.csv."""

KEY = (
    _SESSION,
    FileColumn(
        "taster", "label", "Who gets the cup; blank for a code that is the same for all.",
        needed="per taster", blank="per session",
    ),
    _needed("code", "label", "The blind code on the cup."),
    _needed("variant", "name", "The variant in the cup."),
    FileColumn("batch", "label", "The batch in the cup."),
)  # fmt: skip
"""key.csv."""

CHOICES = (
    _SESSION,
    _needed("taster", "label", "Who chose."),
    FileColumn("set", "label", "Which set of theirs.", needed="several sets", blank="never"),
    FileColumn(
        "answer", "text", "The code that was chosen, two joined by +, or the word of the method; "
        "blank where none was given.", needed="always",
    ),
    FileColumn("comment", "text", "What the taster wrote beside the set."),
)  # fmt: skip
"""choices.csv where the cups had codes, and every ballot of sets."""

_HELD = _needed("variant", "name", "What was held against the control.")
_SERVED = FileColumn(
    "served", "kind", "What the set was, only for same-different and A-not-A.", "two kinds",
    blank="never",
)  # fmt: skip
COLUMNS = frozenset(column.name for column in (*SCORES, *CHOICES))
"""What nothing that is scored may be called."""

CHOICES_KNOWN = (
    _SESSION,
    _needed("taster", "label", "Who chose."),
    _HELD,
    _SERVED,
    _needed("right", "yes-no", "Whether it was right."),
    FileColumn("comment", "text", "What the taster wrote beside the set."),
)
"""choices.csv where nothing had codes: a row a set."""

CHOICE_COUNTS = (
    _HELD,
    _SERVED,
    _needed("tests", "count", "How many sets were answered."),
    _needed("right", "count", "How many of them rightly."),
)
"""choices.csv where only the numbers are known: a row a variant."""

BATCHES = (
    _needed("batch", "label", "One jar or vessel, as key.csv calls it."),
    _needed("variant", "name", "What it was made as."),
    FileColumn("produce_g", "mass", "Vegetables, fruit or what else is fermented."),
    FileColumn("water_g", "mass", "Water that was weighed in."),
    FileColumn("salt_g", "mass", "Salt that was weighed in."),
    FileColumn("acid_g", "mass", "Acid that was added."),
    FileColumn("sugar_g", "mass", "Sugar that was added."),
    FileColumn("acid", "text", "Which acid, with its strength, as in “vinegar 5 %”."),
    FileColumn("vessel", "text", "What it is in, as in “clip jar”."),
    FileColumn("starter", "text", "What started the ferment."),
    FileColumn("note", "text", "Whatever else is worth writing down."),
    FileColumn("started", "date", "The day on which it was made."),
    FileColumn("finished", "date", "The day on which it left the place where it fermented."),
    FileColumn("temperature_c", "temperature", "How warm it was kept while it fermented."),
)
"""batches.csv; every other column is a factor of the host's own."""

READINGS = (
    _needed("batch", "made", "What was measured.", row="a reading"),
    _needed("date", "date", "The day of the reading.", row="a reading"),
    FileColumn("ph", "ph", "The pH that was read."),
    FileColumn("temperature_c", "temperature", "How warm it was."),
    FileColumn("note", "text", "What was seen or smelt."),
)
"""readings.csv; every other column is the host's own, and nothing is made of it."""

CORRECTIONS = (
    _SESSION,
    _needed("taster", "label", "Whose cup it was."),
    _needed("code", "label", "The blind code on the cup."),
    _needed("attribute", "text", "The column that was corrected."),
    FileColumn("was", "text", "What stood there when the blind was lifted; blank for nothing."),
    FileColumn("new", "text", "What stands there now; blank for nothing."),
    _needed("reason", "text", "Why; the report prints it."),
)
"""corrections.csv: scores that were changed after the blind was lifted, in that order."""


class Known(NamedTuple):
    """What cells are held against, as trial.toml and batches.csv list it; what holds here.

    Batches are None where they are not known, scales those of attributes, words what a set may be
    where sets are of two kinds; `own` are columns of scores that the trial names itself.
    """

    sessions: Sequence[str] = ()
    variants: Sequence[str] = ()
    batches: Sequence[str] | None = None
    scales: Mapping[str, Scale] = {}
    when: tuple[When, ...] = ("always",)
    words: tuple[str, ...] = ()
    own: Sequence[str] = ()


class Fault(NamedTuple):
    """What is wrong with a text wherever it stands in a column."""

    slug: str
    found: str
    allowed: str
    remedy: str


class Checked(NamedTuple):
    """What columns of a table hold, shape (n,) each.

    Numbers, 0 for a position and NaN for any other that is blank or at fault; dates or None; texts.
    A row is `usable` if every label and name is as it must be.
    """

    values: dict[str, NDArray[Any]]
    usable: BoolArray
    problems: list[Problem]


def read_columns(table: TextTable, columns: Iterable[FileColumn], known: Known) -> Checked:
    """Read columns of a table, those that it has and that are read in this folder."""
    values: dict[str, NDArray[Any]] = {}
    usable, problems = np.ones(len(table), np.bool_), []
    for column in columns:
        if column.name not in table.columns or column.read not in known.when:
            continue
        text, empty = table.columns[column.name], _EMPTY.get(column.kind, math.nan)
        read, faults = [], dict[str, Fault]()  # of each distinct text
        for cell in text.texts:
            value = _value(cell, column, known, table.decimal_comma) if cell else empty
            if not cell and column.blank not in known.when:
                allowed = f"{column.row} has a {column.name}"
                remedy = f"Write the {column.name}, or take the row out"
                value = Fault("blank-cell", "a blank cell", allowed, remedy)
                if column.kind == "position":
                    value = FAULTS["position"]._replace(found="a blank cell")
            if isinstance(value, Fault):
                faults[cell] = value
            read.append(empty if isinstance(value, Fault) else value)
        if column.kind in ("label", "name", "made"):
            usable[text.rows_of(faults)] = False
        kind = type(empty) if isinstance(empty, int | float) else object
        values[column.name] = np.array(read, dtype=kind)[text.codes]
        problems += problems_of(table, column.name, faults)
    return Checked(values, usable, problems)


_LIFTED = Rule(
    "lifts-the-blind",
    "only key.csv says what is in a cup",
    "Take the column out, or, if there never were codes, the code column and servings.csv and"
    " key.csv",
)


def column_problems(table: TextTable, columns: Iterable[FileColumn], known: Known) -> list[Problem]:
    """Name the columns that a table must have and has not, or has and must not have."""
    declared, file = list(columns), table.file
    needed = [column.name for column in declared if column.needed in known.when]
    needed.sort(key=lambda name: name == "session")  # what only several sessions need comes last
    found = {name.lower() for name in table.columns} & {*needed}
    title = "" if found or len(needed) < 2 else ", or take out what stands above the header"
    return missing_columns(table, needed, title) + [
        _LIFTED.broken(f"a column {name} stands beside the codes", file, column=name)
        for name, barred in ((column.name, column.barred) for column in declared)
        if barred in known.when and name in table.columns
    ]


def missing_columns(table: TextTable, needed: Iterable[str], or_else: str = "") -> list[Problem]:
    """Name the columns that a table must have and has not, and what else may be done."""
    allowed = f"the header has {some_of(map(quoted, table.columns))}"
    return [
        Rule("missing-column", allowed, f"Name the column {name}, or add it{or_else}").broken(
            f"there is no column {name}{did_you_mean(name, table.columns)}", table.file, None, name
        )
        for name in needed
        if name not in table.columns
    ]


def problems_of(table: TextTable, name: str, faults: Mapping[str, Fault]) -> list[Problem]:
    """Name every row whose text in a column is at fault."""
    column = table.columns[name]
    rows = column.rows_of(faults).tolist()
    return problems_of_rows(rows, lambda row: problem_at(table, row, name, faults[column.at(row)]))


def problem_at(table: TextTable, row: int, name: str, fault: Fault) -> Problem:
    line = int(table.lines[row])
    if table.file == "key.csv" and fault.slug == "unknown-variant":  # renamed after it was drawn
        fault = fault._replace(remedy="Put that name back in trial.toml; its label may change")
    return Problem(file=table.file, line=line, column=name, **fault._asdict())


_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_POSITION = re.compile(r"0{0,3}[1-9][0-9]{0,2}", re.ASCII)
_COUNT = re.compile(r"0*(1000000|[0-9]{1,6})", re.ASCII)
_NAME = re.compile(r"[a-z0-9-]{1,60}")
_DATE = re.compile(
    r"(?:(\d{4})([-/])(\d\d?)\2(\d\d?)|(\d\d?)\.(\d\d?)\.(\d{4}))(?:[ T]0?0:00(?::00)?)?", re.ASCII
)


def as_number(text: str, *, decimal_comma: bool) -> float | None:
    """Read a number, up to 1e300 either way; None where there is none.

    >>> as_number("18,9", decimal_comma=True), as_number("18,9", decimal_comma=False)
    (18.9, None)
    """
    pointed = text.replace(",", ".") if decimal_comma else text
    value = float(pointed) if _NUMBER.fullmatch(pointed) else math.inf
    return value if abs(value) <= 1e300 else None


def may_be_grouped(text: str) -> bool:
    """Tell whether the mark of a number may part thousands as well as decimals.

    >>> may_be_grouped("1.250"), may_be_grouped("1,250"), may_be_grouped("0.250")
    (True, True, False)
    """
    return re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", text, re.ASCII) is not None


def grouped(text: str, name: str) -> Fault:
    point = text.replace(",", ".")
    found = f"{quoted(text)} may be {point.replace('.', '')} or {float(point):g}"
    allowed = f"{name} has no mark between thousands"
    return Fault("not-a-number", found, allowed, "Write it with another number of decimals")


def as_date(text: str) -> datetime.date | None:
    """Read a day, also with points or slashes, or at midnight; None where there is none.

    >>> as_date("2026-10-17") == as_date("17.10.2026") == as_date("2026/10/17 00:00:00")
    True
    >>> as_date("10/17/2026"), as_date("17.10.26")
    (None, None)
    """
    found = _DATE.fullmatch(text.strip())
    if found is None:
        return None
    year, month, day = found.group(*(1, 3, 4) if found[1] else (7, 6, 5))
    try:
        return datetime.date(int(year), int(month), int(day))
    except ValueError:
        return None


BOUNDS: Mapping[Kind, tuple[float, float, Fault]] = {
    "mass": (0.0, 1e6, Fault(
        "absurd-mass", "{name} is {text}", "a mass is 0 to 1,000,000 g",
        "Correct it, or the unit in its column",
    )),
    "temperature": (-30.0, 100.0, Fault(
        "absurd-temperature", "{name} is {text}", "a batch is kept at -30 to 100 °C",
        "Correct it, or name the column temperature_f",
    )),
    "ph": (0.0, 14.0, Fault(
        "absurd-ph", "{text} is no pH", "a pH is 0 to 14", "Read it again, or put its point back",
    )),
}  # fmt: skip
"""Numbers that a column may hold, after conversion, and what is said of others."""

FAULTS: Mapping[Kind, Fault] = {
    "label": Fault(
        "bad-label", "{name} {quoted} cannot be used",
        f"a {{name}} has 1 to {LABEL_LIMIT} characters, none of them a control character",
        "Shorten or mend it",
    ),
    "made": Fault(
        "unknown-batch", "batch {quoted} is not known{hint}", "batches.csv lists {listed}",
        "Correct the name, or add its row to batches.csv",
    ),
    "position": Fault(
        "position", "position {quoted} is not a place in the order",
        f"a position is a whole number from 1 to {POSITION_LIMIT}",
        "Write the place of the cup in its taster's session",
    ),
    "count": Fault(
        "bad-count", "{name} {quoted} is not a count", "it is a whole number from 0 to 1,000,000",
        "Write digits only",
    ),
    "yes-no": Fault(
        "bad-answer", "{name} is {quoted}{hint}", "it is one of {listed}", "Write one of them"
    ),
    "date": Fault(
        "bad-date", "{quoted} is not a date", "it is as in 2026-09-05 or 05.09.2026",
        "Write it so",
    ),
}  # fmt: skip
"""What is said of a cell that is not of its kind."""


_EMPTY: Mapping[Kind, object] = {
    "label": "", "name": "", "made": "", "text": "", "date": None, "position": 0, "count": 0,
    "yes-no": "", "kind": "",
}  # fmt: skip
"""What stands for a cell that is blank or at fault; for numbers NaN."""


def _value(text: str, column: FileColumn, known: Known, decimal_comma: bool) -> object:
    name, kind = column.name, column.kind
    found: object = None
    listed: Sequence[str] = ()
    match kind:
        case "text":
            return text
        case "name":
            return _name(text, name, known.sessions if name == "session" else known.variants)
        case "score":
            return _score(text, as_number(text, decimal_comma=decimal_comma), known.scales[name])
        case "label":
            found = text if is_label(text) else None
        case "made":
            listed = known.batches or ()
            found = text if known.batches is None or text in listed else None
        case "position" | "count":
            pattern = _POSITION if kind == "position" else _COUNT
            found = int(text) if pattern.fullmatch(text) else None
        case "yes-no" | "kind":
            kind, listed = "yes-no", ("yes", "no") if kind == "yes-no" else known.words
            found = text.lower() if text.lower() in listed else None
        case "date":
            found = as_date(text)
        case _:
            value = as_number(text, decimal_comma=decimal_comma)
            unclear = (decimal_comma or "," in text) and may_be_grouped(text)
            return _measure(text, value, column, unclear=unclear)
    return _fault(FAULTS[kind], text, name, listed) if found is None else found


def _fault(fault: Fault, text: str, name: str, listed: Sequence[str] = ()) -> Fault:
    parts = {
        "name": name,
        "text": shown(text, 20),
        "quoted": quoted(text),
        "hint": did_you_mean(text, listed),
        "listed": some_of(map(quoted, listed), 20) or "none",
    }
    return Fault(fault.slug, *(part.format(**parts) for part in fault[1:]))


def _name(text: str, name: str, listed: Sequence[str]) -> str | Fault:
    if text in listed or (not listed and _NAME.fullmatch(text)):
        return text
    if not listed:
        allowed = "a name has lower-case letters, digits and hyphens, 60 at most"
        return Fault("bad-name", f"{name} {quoted(text)} is not a name", allowed, "Rename it")
    found = f"{name} {quoted(text)} is not known{did_you_mean(text, listed)}"
    allowed = f"trial.toml lists {some_of(listed, 20)}"
    remedy = f"Correct it, or add the {name} to trial.toml"
    fault = Fault("unknown-variant", found, allowed, remedy)
    return fault if name == "variant" else fault._replace(slug="unknown-session")


def _score(text: str, value: float | None, scale: Scale) -> float | Fault:
    """Read a score: on the scale, and a whole number of steps from its low end."""
    if value is None:
        hint = " with a decimal point" if "," in text else ""
        found = f"score {quoted(text)} is not a number"
        allowed = "a score is a number, or blank where none was given"
        remedy = f"Write the number{hint}, or leave the cell blank"
        return Fault("not-a-number", found, allowed, remedy)
    text, allowed = shown(text, 20), f"trial.toml allows {scale.low:g} to {scale.high:g}"
    if not scale.low <= value <= scale.high:
        remedy = "Correct it, or the scale in trial.toml"
        return Fault("off-scale", f"score {text} is off the scale", allowed, remedy)
    steps = (value - scale.low) / scale.step if scale.step else 0.0
    if abs(steps - round(steps)) <= 1e-6:
        return value
    found, allowed = f"score {text} is between steps", f"{allowed} in steps of {scale.step:g}"
    return Fault("off-step", found, allowed, "Correct it, or the step in trial.toml")


def _measure(text: str, value: float | None, column: FileColumn, *, unclear: bool) -> float | Fault:
    """Read a number within the bounds of its kind."""
    low, high, fault = BOUNDS[column.kind]
    if column.kind == "mass" and column.convert(1.0) < 2 and unclear:
        return grouped(text, column.name)
    if value is None:
        allowed = f"{column.name} is a number, or blank where it is not known"
        found = f"{quoted(text)} is not a number"
        remedy = "Write digits with a decimal point, without its unit or a mark between thousands"
        return Fault("not-a-number", found, allowed, remedy)
    converted = column.convert(value)
    return converted if low <= converted <= high else _fault(fault, text, column.name)
