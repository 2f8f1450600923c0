"""The files in tables/: every number in full, for spreadsheets and scripts.

UTF-8, commas, line feeds. Numbers have twelve significant digits. A text that a spreadsheet
would take for a formula stands behind an apostrophe.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.files.text_table import write_csv
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import (
    Friedman,
    Interval,
    MixedContrast,
    MixedFit,
    RankContrast,
)
from blindspoon.trial import Trial

Cell = str | float | int | bool | None

MIXED = ["difference", "se", "df", "t", "p_value", "p_adjusted"]
RANKS = ["shift", "p_value", "p_adjusted", "smallest_p", "method", "zero_differences"]
FIT = [
    "f",
    "df_num",
    "df_den",
    "p_value",
    "reml_criterion",
    "residual_sd",
    "taster_sd",
    "taster_variant_sd",
    "batch_sd",
]
FRIEDMAN = ["statistic", "df", "p_value", "tasters", "form"]
ENDS = ["interval_low", "interval_high", "equivalence_interval_low", "equivalence_interval_high"]


def guarded(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would take for a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("-"), guarded("crisp, +1")
    ("'=1+1", "'-", 'crisp, +1')
    """
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") and text else text


def to_csv(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    r"""Write rows as CSV; missing numbers are empty.

    Examples
    --------
    >>> to_csv(["taster", "texture"], [["T01", 7.0], ["@home", None]])
    "taster,texture\nT01,7\n'@home,\n"
    """
    return write_csv([columns, *([_cell(cell) for cell in row] for row in rows)])


def _cell(cell: Cell) -> str:
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case int():
            return str(cell)
        case float():
            return f"{cell:.12g}" if math.isfinite(cell) else ""
        case str():
            return guarded(cell)


def comparisons_csv(trial: Trial, results: tuple[AttributeResult, ...]) -> str:
    """One row a comparison, and one a variant that could not be compared, with the reason."""
    columns = [
        "attribute",
        "primary",
        "margin",
        "alpha",
        "variant",
        "control",
        "tasters",
        "rounds",
        "servings",
    ]
    columns += ["mean_control", "mean_variant"]
    columns += [f"mixed_{name}" for name in MIXED + ENDS]
    columns += [f"ranks_{name}" for name in RANKS + ENDS]
    columns += ["verdict", "verdict_by_other", "because"]
    rows: list[list[Cell]] = []
    for result in results:
        head = _head(result)
        for each in result.comparisons:
            tail: list[Cell] = [each.verdict, each.verdict_by_other, each.because]
            rows.append([*head, each.variant.name, trial.control, *_numbers(each), *tail])
        for lost in result.not_compared:
            blanks: list[Cell] = [None] * (len(columns) - len(head) - 3)
            rows.append([*head, lost.variant.name, trial.control, *blanks, lost.reason])
    return to_csv(columns, rows)


def _head(result: AttributeResult) -> list[Cell]:
    return [result.attribute.name, result.primary, result.attribute.margin, result.alpha]


def _numbers(comparison: Comparison) -> list[Cell]:
    mixed = comparison.mixed if isinstance(comparison.mixed, MixedContrast) else None
    ranks = comparison.ranks if isinstance(comparison.ranks, RankContrast) else None
    return [
        comparison.tasters,
        comparison.rounds or None,
        comparison.servings,
        comparison.mean_control,
        comparison.mean_variant,
        *_fields(mixed, MIXED),
        *_ends(mixed.interval if mixed else None),
        *_ends(mixed.equivalence_interval if mixed else None),
        *_fields(ranks, RANKS),
        *_ends(ranks.interval if ranks else None),
        *_ends(ranks.equivalence_interval if ranks else None),
    ]


def _fields(result: object | None, names: list[str]) -> list[Cell]:
    return [None if result is None else getattr(result, name) for name in names]


def _ends(interval: Interval | None) -> list[Cell]:
    return [None, None] if interval is None else [interval.low, interval.high]


def attributes_csv(results: tuple[AttributeResult, ...]) -> str:
    """One row an attribute: the rank test and the mixed model of the whole."""
    columns = ["attribute", "primary", "margin", "alpha"]
    columns += [f"friedman_{name}" for name in FRIEDMAN] + [f"mixed_{name}" for name in FIT]
    rows: list[list[Cell]] = []
    for result in results:
        friedman = result.friedman if isinstance(result.friedman, Friedman) else None
        fit = result.mixed if isinstance(result.mixed, MixedFit) else None
        rows.append([*_head(result), *_fields(friedman, FRIEDMAN), *_fields(fit, FIT)])
    return to_csv(columns, rows)


def flags_csv(results: tuple[AttributeResult, ...]) -> str:
    """List the variants whose scores spread wide or stand at an end of the scale."""
    rows: list[list[Cell]] = [
        [result.attribute.name, flag.variant, flag.kind, flag.value]
        for result in results
        for flag in result.flags
    ]
    return to_csv(["attribute", "variant", "kind", "value"], rows)


def scores_csv(trial: Trial, table: ScoreTable) -> str:
    """One row a serving, in the order of the files; no code, the blind being lifted."""
    names = [attribute.name for attribute in trial.attributes]
    variants = [variant.name for variant in trial.variants]
    columns = [
        _column(table.sessions, table.session),
        _column(table.tasters, table.taster),
        _column(variants, table.variant),
        _column([*table.batches, None], table.batch),
        _column([None, *range(1, int(table.position.max(initial=0)) + 1)], table.position),
        *(_numbers_column(scores) for scores in table.scores.T),
        _remarks(table, variants),
    ]
    header = ["session", "taster", "variant", "batch", "position", *names, "remark"]
    return write_csv([header, *zip(*columns, strict=True)])


def _column(labels: Sequence[Cell], places: IntArray) -> list[str]:
    """Write what stands at each place; place -1 is the last label."""
    texts = [_cell(label) for label in labels]
    return [texts[place] for place in places.tolist()]


def _numbers_column(scores: FloatArray) -> list[str]:
    """Write numbers of which many are equal, each distinct one once."""
    values, places = np.unique(scores, return_inverse=True)
    return _column(values.tolist(), places)


def _remarks(table: ScoreTable, variants: list[str]) -> list[str]:
    """Set each remark beside its cup; those of a variant tasted twice beside the first."""
    if not table.remarks:
        return [""] * table.taster.size
    texts: dict[tuple[str, str, str], list[str]] = {}
    for each in table.remarks:
        texts.setdefault((each.session, each.taster, each.variant), []).append(each.text)
    cups = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    return [
        _cell(" / ".join(texts.pop((table.sessions[s], table.tasters[t], variants[v]), [])))
        for s, t, v in cups
    ]


def left_out_csv(table: ScoreTable) -> str:
    """List what takes no part in the comparison, and why."""
    rows = [[each.file, each.line, each.reason] for each in table.left_out]
    return to_csv(["file", "line", "reason"], rows)
