"""Frozen values as plain dictionaries for JSON, each specified by its own fields."""

from __future__ import annotations

import datetime
from dataclasses import fields, is_dataclass
from typing import Any

from blindspoon.stats.results import Interval, NoResult

Record = dict[str, Any]


def as_record(value: object) -> Record:
    """Write a frozen value as a dictionary.

    Its fields are numbers, strings, dates, None, intervals, values like itself, tuples of such, or
    `NoResult`: that becomes None, and its reason stands beside it under the name with ``_reason``.
    A field's metadata may give it another "name", or a reason for being None, "lacking". Ready for
    JSON, in the order of the fields.

    Examples
    --------
    >>> from blindspoon.stats.two_way import FTest
    >>> made = as_record(FTest(f=4.5, df_num=2.0, df_den=9.0, p_value=0.044, residual_sd=1.0))
    >>> made["f"], made["p_value"]
    (4.5, 0.044)
    """
    record: Record = {}
    for column in fields(value):  # type: ignore[arg-type]
        part, name = getattr(value, column.name), column.metadata.get("name") or column.name
        record[name] = _plain(part)
        reason = part.reason if isinstance(part, NoResult) else column.metadata.get("lacking")
        if record[name] is None and reason:
            record[f"{name}_reason"] = reason
    return record


def _plain(part: Any) -> Any:  # noqa: ANN401 - as many kinds as there are fields
    if isinstance(part, NoResult):
        return None
    if isinstance(part, Interval):
        return [part.low, part.high]
    if isinstance(part, datetime.date):
        return part.isoformat()
    if isinstance(part, tuple):
        return [_plain(inner) for inner in part]
    return as_record(part) if is_dataclass(part) else part
