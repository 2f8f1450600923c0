"""Frozen values as plain dictionaries for JSON, and these as rows for CSV."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import Any

from blindspoon.compare.results import Interval, NoResult

Record = dict[str, Any]
Cell = str | float | int | bool | None

COLUMNS = ("attribute", "taster", "measure", "value", "low", "high", "reason")
"""Of the rows for CSV; `taster` is empty where a number is of all, `low` and `high` are ends."""


def as_record(value: object) -> Record:
    """Write a frozen value as a dictionary.

    Parameters
    ----------
    value : dataclass instance
        Its fields are numbers, strings, None, intervals, values like itself, tuples of such, or
        `NoResult`: that becomes None, and its reason stands beside it under the name with
        ``_reason``.

    Returns
    -------
    dict
        Ready for JSON.

    Examples
    --------
    >>> from blindspoon.panel.results import FTest
    >>> made = as_record(FTest(f=4.5, df_num=2.0, df_den=9.0, p_value=0.044, residual_sd=1.0))
    >>> made["f"], made["p_value"]
    (4.5, 0.044)
    """
    record: Record = {}
    for field in fields(value):  # type: ignore[arg-type]
        part = getattr(value, field.name)
        record[field.name] = _plain(part)
        if isinstance(part, NoResult):
            record[f"{field.name}_reason"] = part.reason
    return record


def _plain(part: Any) -> Any:  # noqa: ANN401 - as many kinds as there are fields
    if isinstance(part, NoResult):
        return None
    if isinstance(part, Interval):
        return [part.low, part.high]
    if isinstance(part, tuple):
        return [_plain(each) for each in part]
    return as_record(part) if is_dataclass(part) else part


def long_rows(attribute: Record) -> Iterator[tuple[Cell, ...]]:
    """Write the record of one attribute as rows of `COLUMNS`, a row a number.

    Parameters
    ----------
    attribute : dict
        One of ``Panel.to_record()["attributes"]``.

    Examples
    --------
    >>> record = {"attribute": "texture", "concordance": {"w": 0.5}, "tasters": None,
    ...     "tasters_reason": "Not listed."}
    >>> for row in long_rows(record): row
    ('texture', '', 'concordance.w', 0.5, None, None, '')
    ('texture', '', 'tasters', None, None, None, 'Not listed.')
    """
    name = attribute["attribute"]
    whole = {key: value for key, value in attribute.items() if key != "attribute"}
    tasters = whole.pop("tasters") or []
    if "tasters_reason" in whole:
        whole["tasters"] = None
    for measure in _measures(whole, ""):
        yield (name, "", *measure)
    for review in tasters:
        own = {key: value for key, value in review.items() if key != "taster"}
        for measure in _measures(own, ""):
            yield (name, review["taster"], *measure)


def _measures(record: Record, before: str) -> Iterator[tuple[Cell, ...]]:
    """Write measure, value, low, high and reason of every number."""
    for key, value in record.items():
        path = f"{before}{key}"
        match value:
            case None:
                yield (path, None, None, None, record[f"{key}_reason"])
            case dict():
                yield from _measures(value, f"{path}.")
            case [float(low), float(high)]:
                yield (path, None, low, high, "")
            case list():
                for each in value:
                    below = {name: part for name, part in each.items() if name != "label"}
                    yield from _measures(below, f"{path}.{each['label']}.")
            case _ if not key.endswith("_reason") and key != "label":
                yield (path, value, None, None, "")
