"""A part of the page that one module makes whole: words, charts, tables, files.

The numbers as tables of finished strings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray
from blindspoon.batches.summary import Made
from blindspoon.charts.chart import Chart
from blindspoon.findings.comparison import AttributeResult
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import (
    Friedman,
    Interval,
    MixedContrast,
    MixedFit,
    NoResult,
    RankContrast,
)
from blindspoon.trial import Attribute, Trial

DASH = "\N{EN DASH}"
MOST_ROWS = 200
"""Servings whose scores are printed on the page; more are left to tables/scores.csv."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberTable:
    """A table of finished strings.

    Parameters
    ----------
    name : str
        Its id on the page.
    caption, head : str
        What it shows; what its rows are.
    columns : tuple of str
        Names of the columns after the first.
    rows : tuple of (str, tuple of str)
        The row's name and its cells; a dash where there is no number.
    notes : tuple of str
        Sentences below, such as the reason for a dash.
    quiet : str
        A cell that says nothing new, and is left out where rows are stacked on a phone; or empty.
    """

    name: str
    caption: str
    head: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    notes: tuple[str, ...] = ()
    quiet: str = ""


def blank_as_dash(cells: Iterable[str]) -> tuple[str, ...]:
    """Show an empty cell as a dash, so that it is seen to be empty."""
    return tuple(cell or DASH for cell in cells)


def methods_table(trial: Trial, table: ScoreTable) -> NumberTable:
    """Show what trial.toml declares of each variant, and how many batches were tasted."""
    rows = []
    tasted = table.batches_tasted(len(trial.variants))
    for variant, batches in zip(trial.variants, tasted.tolist(), strict=True):
        name = f"{variant.label} (control)" if variant.name == trial.control else variant.label
        differs = wording.listing(_factor(each) for each in variant.differs)
        made = f"{batches}" if batches else "not named"
        rows.append((name, blank_as_dash([variant.method, differs, made])))
    return NumberTable(
        name="methods",
        caption="The variants as declared",
        head="Variant",
        columns=("Method", "Meant to differ in", "Batches tasted"),
        rows=tuple(rows),
    )


STRENGTHS = (
    ("Salt, % of everything", "salt_percent", 2),
    ("Salt, % of the water", "salt_percent_of_water", 2),
    ("Acid added, g in 100 g", "citric_g_per_100_g", 2),
    ("Age, days", "age_days", 0),
    ("Degree-days", "degree_days", 0),
    ("Last pH", "last_ph", 1),
)


def strengths_table(trial: Trial, made: Made | None) -> NumberTable | None:
    """Show what each batch comes to, and why a number is missing; None without batches.csv."""
    if made is None:
        return None
    reasons = {each.reason for batch in made.strengths for each in batch.unknown}
    return NumberTable(
        name="strengths",
        caption="What was made, as weighed and measured",
        head="Batch",
        columns=("Variant", *(head for head, _, _ in STRENGTHS)),
        rows=tuple(
            (
                each.batch,
                blank_as_dash(
                    [
                        trial.variant(each.variant).label,
                        *(_digits(getattr(each, name), digits) for _, name, digits in STRENGTHS),
                    ]
                ),
            )
            for each in made.strengths
        ),
        notes=tuple(f"{each[:1].upper()}{each[1:].rstrip('.')}." for each in sorted(reasons)),
    )


def _digits(value: float | None, digits: int) -> str:
    return "" if value is None else wording.number(value, digits)


def _factor(column: str) -> str:
    """Name a column of batches.csv in words, without its unit."""
    return column.removesuffix("_c").removesuffix("_g").replace("_", " ")


def scores_table(trial: Trial, table: ScoreTable, attribute: Attribute) -> NumberTable:
    """Mean and spread of the scores of each variant on one attribute."""
    digits = wording.digits_for(attribute.scale) + 1
    index = trial.attributes.index(attribute)
    alone = len(table.tasters) == 1
    rows = []
    for position, variant in enumerate(trial.variants):
        chosen = (table.variant == position) & np.isfinite(table.scores[:, index])
        tasters = np.unique((table.session if alone else table.taster)[chosen]).size
        summary = _summary(table.scores[chosen, index], digits, attribute)
        rows.append((variant.label, blank_as_dash([f"{tasters:,}", *summary])))
    return NumberTable(
        name=f"scores-{attribute.name}",
        caption=f"{attribute.label}: the scores",
        head="Variant",
        columns=(
            "Rounds" if alone else "Tasters",
            *("Scores", "Mean", "SD", "Median", "Lowest", "Highest"),
        ),
        rows=tuple(rows),
    )


def _summary(scores: FloatArray, digits: int, attribute: Attribute) -> list[str]:
    if not scores.size:
        return ["0", "", "", "", "", ""]
    spread = wording.number(float(scores.std(ddof=1)), digits) if scores.size > 1 else ""
    middle = [wording.number(float(scores.mean()), digits), spread]
    median = wording.number(float(np.median(scores)), wording.digits_for(attribute.scale))
    ends = [wording.plain(float(scores.min())), wording.plain(float(scores.max()))]
    return [f"{scores.size:,}", *middle, median, *ends]


def mixed_table(result: AttributeResult) -> NumberTable | None:
    """Every comparison by the mixed model; None where it gave nothing."""
    attribute = result.attribute
    if isinstance(result.mixed, NoResult) or not result.comparisons:
        return None
    columns = ("Tasters", "Difference", "SE", "df", "t", "p", "p adjusted", *_levels(result))
    rows, notes = [], []
    for each in result.comparisons:
        label = each.variant.label
        if isinstance(each.mixed, NoResult):
            notes.append(_reason(label, each.mixed))
            cells = [""] * (len(columns) - 1)
        else:
            cells = _contrast(each.mixed, attribute, margin=attribute.margin)
        rows.append((label, blank_as_dash([f"{each.tasters:,}", *cells])))
    return NumberTable(
        name=f"mixed-{attribute.name}",
        caption=f"{attribute.label}: mixed model",
        head="Variant",
        columns=columns,
        rows=tuple(rows),
        notes=(*notes, fit_sentence(result.mixed, attribute)),
    )


def _contrast(contrast: MixedContrast, attribute: Attribute, *, margin: float | None) -> list[str]:
    digits = wording.digits_for(attribute.scale) + 1
    cells = [
        wording.signed(contrast.difference, digits),
        wording.number(contrast.se, digits),
        wording.number(contrast.df, 1),
        wording.number(contrast.t, 2),
        wording.p_cell(contrast.p_value),
        wording.p_cell(contrast.p_adjusted),
        _ends(contrast.interval, attribute),
    ]
    return (
        [*cells, _ends(contrast.equivalence_interval, attribute)] if margin is not None else cells
    )


def fit_sentence(fit: MixedFit, attribute: Attribute) -> str:
    """Print the F test and the standard deviations of one fit."""
    digits = wording.digits_for(attribute.scale) + 1
    spreads = [
        ("residual", fit.residual_sd),
        ("taster", fit.taster_sd),
        ("taster by variant", fit.taster_variant_sd),
        ("batch", fit.batch_sd),
    ]
    known = [
        f"{name} {wording.number(value, digits)}" for name, value in spreads if value is not None
    ]
    unknown = (
        " No taster scored a variant twice, so the taster-by-variant part cannot be told from the "
        "residual."
        if fit.taster_variant_sd is None
        else ""
    )
    return (
        f"All variants alike: F({wording.plain(fit.df_num)}, {wording.number(fit.df_den, 1)}) = "
        f"{wording.number(fit.f, 2)}, {wording.p_value(fit.p_value)}. Standard deviations in "
        f"points: {wording.listing(known)}. REML criterion {wording.number(fit.reml_criterion, 2)}."
        f"{unknown}"
    )


def ranks_table(result: AttributeResult) -> NumberTable | None:
    """Every comparison by ranks; None where nothing could be compared."""
    if not result.comparisons:
        return None
    attribute = result.attribute
    blocks = f"{result.unit.capitalize()}s"
    columns = (blocks, "Zeros", "Shift", "p", "p adjusted", "Smallest p", *_levels(result))
    rows, notes = [], []
    for each in result.comparisons:
        label = each.variant.label
        if isinstance(each.ranks, NoResult):
            notes.append(_reason(label, each.ranks))
            count = f"{each.rounds or each.tasters:,}"
            rows.append((label, blank_as_dash([count, *[""] * (len(columns) - 1)])))
            continue
        rows.append((label, blank_as_dash(_shift(each.ranks, attribute, margin=attribute.margin))))
    return NumberTable(
        name=f"ranks-{attribute.name}",
        caption=f"{attribute.label}: ranks",
        head="Variant",
        columns=columns,
        rows=tuple(rows),
        notes=(*notes, _read_ranks(result), friedman_sentence(result.friedman)),
    )


def _shift(contrast: RankContrast, attribute: Attribute, *, margin: float | None) -> list[str]:
    cells = [
        f"{contrast.rounds or contrast.tasters:,}",
        f"{contrast.zero_differences:,}",
        wording.signed(contrast.shift, wording.digits_for(attribute.scale) + 1),
        wording.p_cell(contrast.p_value),
        wording.p_cell(contrast.p_adjusted),
        wording.p_cell(contrast.smallest_p),
        _ends(contrast.interval, attribute),
    ]
    return (
        [*cells, _ends(contrast.equivalence_interval, attribute)] if margin is not None else cells
    )


def _read_ranks(result: AttributeResult) -> str:
    """Say how the p values were made, and why an interval is missing."""
    contrasts = [each.ranks for each in result.comparisons if isinstance(each.ranks, RankContrast)]
    methods = sorted({contrast.method for contrast in contrasts})
    text = (
        "Zeros are differences of zero. The smallest p is the smallest adjusted one that these "
        f"{result.unit}s, ties and zeros could have given. Method: "
        f"{wording.listing(methods) or DASH}."
    )
    lacking = any(contrast.interval is None for contrast in contrasts)
    lack = "too few rounds have both" if result.unit == "round" else "too few tasters scored both"
    return text + f" Where an interval is missing, {lack}." * lacking


def friedman_sentence(result: Friedman | NoResult) -> str:
    """Print the rank test that all variants are alike."""
    if isinstance(result, NoResult):
        return f"Friedman’s test could not be made: {result.reason.rstrip('.')}."
    return (
        f"All variants alike, by ranks ({result.form}): χ²({result.df}) = "
        f"{wording.number(result.statistic, 2)}, {wording.p_value(result.p_value)}, "
        f"{wording.count(result.rounds or result.tasters, 'round' if result.rounds else 'taster')}."
    )


def raw_tables(trial: Trial, table: ScoreTable) -> tuple[NumberTable, ...]:
    """Every score, a table an attribute: tasters down, variants across, replicates in one cell.

    Of one person alone, rounds down. Empty where there are more than `MOST_ROWS` servings.
    """
    if table.taster.size > MOST_ROWS:
        return ()
    return tuple(
        _raw(trial, table, index, attribute) for index, attribute in enumerate(trial.attributes)
    )


def _raw(trial: Trial, table: ScoreTable, index: int, attribute: Attribute) -> NumberTable:
    alone = len(table.tasters) == 1
    names, place = (table.sessions, table.session) if alone else (table.tasters, table.taster)
    cells: list[list[list[str]]] = [[[] for _ in trial.variants] for _ in names]
    for row in np.lexsort((table.position, table.session)):
        score = float(table.scores[row, index])
        if np.isfinite(score):
            cells[place[row]][table.variant[row]].append(wording.plain(score))
    rows = tuple(
        (name, blank_as_dash("; ".join(scores) for scores in row))
        for name, row in zip(names, cells, strict=True)
    )
    return NumberTable(
        name=f"raw-{attribute.name}",
        caption=f"{attribute.label}: every score",
        head="Round" if alone else "Taster",
        columns=tuple(variant.label for variant in trial.variants),
        rows=rows,
    )


def _levels(result: AttributeResult) -> tuple[str, ...]:
    """Head the columns of the intervals; without a margin there is only the first."""
    first = f"{wording.percent(1 - result.alpha)} interval"
    second = f"{wording.percent(1 - 2 * result.alpha)} interval"
    return (first,) if result.attribute.margin is None else (first, second)


def _reason(label: str, result: NoResult) -> str:
    return f"{label}: {result.reason.rstrip('.')}."


def _ends(interval: Interval | None, attribute: Attribute) -> str:
    if interval is None:
        return ""
    digits = wording.digits_for(attribute.scale) + 1
    return f"{wording.number(interval.low, digits)} to {wording.number(interval.high, digits)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Finished strings and charts, shown in the order of the fields.

    Parameters
    ----------
    name : str
        Anchor on the page.
    head : str
    role : str
        "Exploratory", or empty.
    paragraphs : tuple of str
    charts : tuple of Chart
    words, numbers : tuple of NumberTable
        Tables of words, which stack on a phone, and of numbers, which scroll and stand with all
        numbers of the page.
    points : tuple of (str, str)
        A bold head and a text each.
    files : tuple of (str, str)
        Tables for scripts: path under the report's folder, and text.
    behind : mapping of str to tuple of str
        Names of the tables that hold what a chart draws, by the chart's name.
    """

    name: str
    head: str
    role: str = ""
    paragraphs: tuple[str, ...] = ()
    charts: tuple[Chart, ...] = ()
    words: tuple[NumberTable, ...] = ()
    numbers: tuple[NumberTable, ...] = ()
    points: tuple[tuple[str, str], ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    behind: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
