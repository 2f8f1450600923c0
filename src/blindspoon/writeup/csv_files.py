"""The files in tables/: every number in full, for spreadsheets and scripts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blindspoon.arrays import IntArray
from blindspoon.files.text_table import write_csv
from blindspoon.findings.comparison import Analysis, AttributeResult
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial
from blindspoon.writeup.tables import ATTRIBUTE, COMPARISON, FLAG, LEFT_OUT, RULE
from blindspoon.writeup.writers import Cell, csv_cell, csv_names, csv_table, csv_values, to_csv


def csv_files(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    """Write every number in full: path under the report's folder, and text."""
    table, results = analysis.table, analysis.results
    flags = [
        (result.attribute.name, *csv_values(FLAG, flag))
        for result in results
        for flag in result.flags
    ]
    return (
        ("tables/comparisons.csv", _comparisons_csv(analysis.trial, results)),
        ("tables/attributes.csv", csv_table(ATTRIBUTE, results)),
        ("tables/flags.csv", to_csv(["attribute", *csv_names(FLAG)], flags)),
        ("tables/scores.csv", scores_csv(analysis.trial, table)),
        ("tables/left_out.csv", csv_table(LEFT_OUT, table.left_out)),
    )


def _comparisons_csv(trial: Trial, results: Sequence[AttributeResult]) -> str:
    """One row a comparison, and one a variant that could not be compared, with the reason."""
    rows: list[list[Cell]] = []
    for result in results:
        rule = [*csv_values(RULE, result)]
        for each in result.comparisons:
            found = csv_values(COMPARISON, each)
            rows.append([*rule, each.variant.name, trial.control, *found])
        *blanks, _ = csv_values(COMPARISON, None)
        rows += (
            [*rule, lost.variant.name, trial.control, *blanks, lost.reason]
            for lost in result.not_compared
        )
    return to_csv([*csv_names(RULE), "variant", "control", *csv_names(COMPARISON)], rows)


def scores_csv(trial: Trial, table: ScoreTable) -> str:
    """One row a serving, in the order of the files; no code, the blind being lifted."""
    names = [attribute.name for attribute in trial.attributes]
    variants = [variant.name for variant in trial.variants]
    distinct = (np.unique(scores, return_inverse=True) for scores in table.scores.T)
    columns = [
        _column(table.sessions, table.session),
        _column(table.tasters, table.taster),
        _column(variants, table.variant),
        _column([*table.batches, None], table.batch),
        _column([None, *range(1, int(table.position.max(initial=0)) + 1)], table.position),
        *(_column(values.tolist(), places) for values, places in distinct),
        _remarks(table, variants),
    ]
    header = ["session", "taster", "variant", "batch", "position", *names, "remark"]
    return write_csv([header, *zip(*columns, strict=True)])


def _column(labels: Sequence[Cell], places: IntArray) -> list[str]:
    """Write what stands at each place; place -1 is the last label."""
    texts = [csv_cell(label) for label in labels]
    return [texts[place] for place in places.tolist()]


def _remarks(table: ScoreTable, variants: list[str]) -> list[str]:
    """Set each remark beside its cup; those of a variant tasted twice beside the first."""
    if not table.remarks:
        return [""] * table.taster.size
    texts: dict[tuple[str, str, str], list[str]] = {}
    for remark in table.remarks:
        key = (remark.session, remark.taster, remark.variant)
        texts.setdefault(key, []).append(remark.text)
    cups = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    return [
        csv_cell(" / ".join(texts.pop((table.sessions[s], table.tasters[t], variants[v]), [])))
        for s, t, v in cups
    ]
