"""The comparisons as a table that a person reads in a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from blindspoon import wording
from blindspoon.compare.results import AttributeResult, Comparison, Interval, NoResult
from blindspoon.scores import ScoreTable
from blindspoon.trial import Attribute, Trial
from blindspoon.verdict import PROCEDURES, Verdict, finding

WIDTH = 80
HEAD = ("", "difference", "interval", "mixed p", "ranks p", "verdict")


def comparison_table(
    trial: Trial,
    table: ScoreTable,
    results: tuple[AttributeResult, ...],
    verdicts: tuple[Verdict, ...],
) -> str:
    """Lay out every comparison, primary attributes first, then what was not compared.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult
    verdicts : tuple of Verdict
        One a comparison, in the same order.

    Returns
    -------
    str
        Lines of at most 80 columns, except where a single name is longer.
    """
    kinds = {(each.attribute, each.variant): each for each in verdicts}
    ordered = sorted(results, key=lambda result: not result.primary)
    blocks = [_heading(trial, table)]
    blocks += ["\n".join(_attribute(trial, result, kinds)) for result in ordered]
    blocks += [_left_out(table)] if table.left_out else []
    return "\n\n".join(blocks).replace(wording.NO_BREAK, " ")


def _heading(trial: Trial, table: ScoreTable) -> str:
    size = wording.listing(
        [
            wording.count(len(table.tasters), "taster"),
            wording.count(len(table.sessions), "session"),
            wording.count(len(trial.variants), "variant"),
        ]
    )
    rule = (
        f"Differences are variant minus control ({trial.variant(trial.control).label}), in points. "
        f"{PROCEDURES[trial.decision.by].capitalize()} decides; p values are adjusted over the "
        "variants."
    )
    return "\n".join([*textwrap.wrap(trial.title, WIDTH), f"{size}.", *textwrap.wrap(rule, WIDTH)])


def _attribute(
    trial: Trial, result: AttributeResult, verdicts: dict[tuple[str, str], Verdict]
) -> Iterator[str]:
    attribute = trial.attribute(result.attribute)
    planned = "primary" if result.primary else "exploratory"
    margin = f", margin {wording.margin(attribute)}" if result.margin else ", no margin"
    level = wording.percent(1 - result.alpha)
    yield f"{attribute.label} ({planned}{margin}, {level} intervals)"
    rows = [
        _row(trial, attribute, each, verdicts[each.attribute, each.variant])
        for each in result.comparisons
    ]
    if rows:
        yield from _columns([HEAD, *rows])
    for missing in result.not_compared:
        label = trial.variant(missing.variant).label
        yield from textwrap.wrap(
            f"  {label}: not compared. {missing.reason}", WIDTH, subsequent_indent="    "
        )


def _row(
    trial: Trial, attribute: Attribute, comparison: Comparison, verdict: Verdict
) -> tuple[str, ...]:
    found = finding(comparison.mixed if trial.decision.by == "mixed" else comparison.ranks)
    size = (
        "-"
        if found is None
        else wording.signed(found.difference, wording.digits_for(attribute.scale))
    )
    interval: Interval | None = None if found is None else found.interval
    return (
        trial.variant(comparison.variant).label,
        size,
        "-" if interval is None else wording.span(interval, attribute),
        _p(comparison.mixed),
        _p(comparison.ranks),
        "not settled" if verdict.kind == "open" else verdict.kind,
    )


def _p(contrast: object) -> str:
    return "-" if isinstance(contrast, NoResult) else wording.p_cell(contrast.p_adjusted)  # type: ignore[attr-defined]


def _columns(rows: list[tuple[str, ...]]) -> Iterable[str]:
    """Align the columns; names that would push a line over the width are cut with an ellipsis."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    spare = WIDTH - 2 - 2 * (len(HEAD) - 1) - sum(widths[1:])
    widths[0] = max(min(widths[0], spare), 8)
    for row in rows:
        name = row[0] if len(row[0]) <= widths[0] else f"{row[0][: widths[0] - 1]}…"
        numbers = [cell.rjust(width) for cell, width in zip(row[1:-1], widths[1:-1], strict=True)]
        yield "  ".join(["", name.ljust(widths[0]), *numbers, row[-1]]).rstrip()


def _left_out(table: ScoreTable) -> str:
    lines = ["Left out:"]
    for each in table.left_out[:20]:
        where = each.file if each.line is None else f"{each.file} line {each.line}"
        lines += textwrap.wrap(f"  {where}: {each.reason}", WIDTH, subsequent_indent="    ")
    if len(table.left_out) > 20:
        lines.append(f"  ... and {len(table.left_out) - 20:,} more (see --json).")
    return "\n".join(lines)
