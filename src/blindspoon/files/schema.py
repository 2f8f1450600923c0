"""One table on its own: whether its columns are there and each cell holds what it may.

Every function looks at the distinct texts of a column and names the rows of those at fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.errors import Problem, did_you_mean, problems_of_rows, quoted, shown, some_of
from blindspoon.files.text_table import TextTable
from blindspoon.files.toml import CONTROL, LABEL_LIMIT, is_label
from blindspoon.trial import Attribute, Scale

POSITION_LIMIT = 999
"""Highest place of a cup in one sitting."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_POSITION = re.compile(r"0{0,3}[1-9][0-9]{0,2}", re.ASCII)
_NAME = re.compile(r"[a-z0-9-]{1,60}")


Checked = tuple[BoolArray, list[Problem]]
"""Which rows are usable, and what is wrong with the others."""


class Fault(NamedTuple):
    """What is wrong with a text wherever it stands in a column."""

    slug: str
    found: str
    allowed: str
    remedy: str


def missing_columns(table: TextTable, needed: Iterable[str]) -> list[Problem]:
    """Name the columns that a table must have and has not."""
    return [
        Problem(
            slug="missing-column",
            file=table.file,
            line=None,
            column=name,
            found=f"there is no column {name}{did_you_mean(name, table.columns)}",
            allowed=f"the header has {some_of(map(quoted, table.columns))}",
            remedy=f"Name the column {name}, or add it",
        )
        for name in needed
        if name not in table.columns
    ]


def labels(table: TextTable, name: str, *, blank: bool = False) -> Checked:
    """Find cells that cannot name a taster, a code or a batch; `blank` lets blank ones pass."""
    texts = table.columns[name].texts
    if (
        not ("" in texts or CONTROL.search("".join(texts)))
        and max(map(len, texts), default=0) <= LABEL_LIMIT
    ):
        return np.ones(len(table), np.bool_), []
    faults = {
        text: _label_fault(text, name)
        for text in texts
        if not is_label(text) and not (blank and not text)
    }
    return _checked(table, name, faults)


def names(table: TextTable, name: str, known: Sequence[str], slug: str) -> Checked:
    """Find cells that are not one of the known names; where none are known, not a name at all."""
    faults = {
        text: _blank_fault(name) if not text else _name_fault(text, name, known, slug)
        for text in table.columns[name].texts
        if text not in known and (known or not _NAME.fullmatch(text))
    }
    return _checked(table, name, faults)


def positions(table: TextTable) -> tuple[IntArray, list[Problem]]:
    """Read the column ``position``: whole numbers from 1, one a row; 0 where it is at fault."""
    column = table.columns["position"]
    faults = {
        text: Fault(
            "position",
            f"position {quoted(text)} is not a place in the order" if text else "a blank cell",
            f"a position is a whole number from 1 to {POSITION_LIMIT}",
            "Write the place of the cup in its taster's session",
        )
        for text in column.texts
        if not _POSITION.fullmatch(text)
    }
    values = [0 if text in faults else int(text) for text in column.texts]
    return np.array(values, np.int64)[column.codes], _problems(table, "position", faults)


def scores(table: TextTable, attribute: Attribute) -> tuple[FloatArray, list[Problem]]:
    """Read an attribute's column: points, one a row; NaN where it is blank or at fault."""
    column = table.columns[attribute.name]
    values = _numbers(column.texts, decimal_comma=table.decimal_comma)
    off = np.flatnonzero(_off(values, attribute.scale))
    faults = {
        column.texts[place]: _score_fault(column.texts[place], values[place], attribute.scale)
        for place in off
    }
    values[off] = np.nan
    return values[column.codes], _problems(table, attribute.name, faults)


def _checked(table: TextTable, name: str, faults: Mapping[str, Fault]) -> Checked:
    usable = np.ones(len(table), np.bool_)
    usable[table.columns[name].rows_of(faults)] = False
    return usable, _problems(table, name, faults)


def _problems(table: TextTable, name: str, faults: Mapping[str, Fault]) -> list[Problem]:
    column = table.columns[name]

    def problem(row: int) -> Problem:
        slug, found, allowed, remedy = faults[column.texts[column.codes[row]]]
        return Problem(
            slug=slug,
            file=table.file,
            line=int(table.lines[row]),
            column=name,
            found=found,
            allowed=allowed,
            remedy=remedy,
        )

    rows: Sequence[int] = column.rows_of(faults).tolist()
    return problems_of_rows(rows, problem)


def _blank_fault(name: str) -> Fault:
    return Fault("blank-cell", "a blank cell", f"every row has a {name}", f"Write the {name}")


def _label_fault(text: str, name: str) -> Fault:
    if not text:
        return _blank_fault(name)
    allowed = f"a {name} has 1 to {LABEL_LIMIT} characters, none of them a control character"
    return Fault(
        "bad-label", f"{name} {quoted(text)} cannot be used", allowed, "Shorten or mend it"
    )


def _name_fault(text: str, name: str, known: Sequence[str], slug: str) -> Fault:
    if not known:
        allowed = "a name has lower-case letters, digits and hyphens, 60 at most"
        return Fault("bad-name", f"{name} {quoted(text)} is not a name", allowed, "Rename it")
    found = f"{name} {quoted(text)} is not known{did_you_mean(text, known)}"
    allowed = f"trial.toml lists {some_of(known, 20)}"
    return Fault(slug, found, allowed, f"Correct it, or add the {name} to trial.toml")


def _numbers(texts: Sequence[str], *, decimal_comma: bool) -> FloatArray:
    """Read numbers; NaN where blank, infinite where there is no number."""
    pointed = [text.replace(",", ".") for text in texts] if decimal_comma else texts
    if set("".join(pointed)) <= set("0123456789.+-") and "" not in pointed:
        try:
            return np.array(list(map(float, pointed)))
        except ValueError:
            pass
    return np.array([_number(text) for text in pointed], dtype=np.float64)


def _number(text: str) -> float:
    if not text:
        return np.nan
    return float(text) if _NUMBER.fullmatch(text) else np.inf


def _off(values: FloatArray, scale: Scale) -> BoolArray:
    """Mark values that are off the scale or between its steps; NaN passes."""
    off = (values < scale.low) | (values > scale.high)
    if scale.step:
        steps = (np.where(off, scale.low, values) - scale.low) / scale.step
        off |= np.abs(steps - np.round(steps)) > 1e-6
    return off


def _score_fault(text: str, value: float, scale: Scale) -> Fault:
    if np.isinf(value):
        hint = " with a decimal point" if "," in text else ""
        allowed = "a score is a number, or blank where none was given"
        return Fault(
            "not-a-number",
            f"score {quoted(text)} is not a number",
            allowed,
            f"Write the number{hint}, or leave the cell blank",
        )
    text = shown(text, 20)
    allowed = f"trial.toml allows {scale.low:g} to {scale.high:g}"
    if scale.low <= value <= scale.high:
        found, allowed = f"score {text} is between steps", f"{allowed} in steps of {scale.step:g}"
        return Fault("off-step", found, allowed, "Correct it, or the step in trial.toml")
    remedy = "Correct it, or the scale in trial.toml"
    return Fault("off-scale", f"score {text} is off the scale", allowed, remedy)
