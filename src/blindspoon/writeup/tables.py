"""The tables of a trial, each specified once: names for scripts, heads and digits for people."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from blindspoon import wording
from blindspoon.batches.summary import Made
from blindspoon.findings.comparison import AttributeResult
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import NoResult
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.columns import COMPARISON, FIT, points_cell
from blindspoon.writeup.templating import PageSection, paragraphs
from blindspoon.writeup.writers import Column, Table, grid, table_of

MOST_SERVINGS = 200
"""Servings whose scores are printed on the page; more are left to tables/scores.csv."""


# What the procedures find -----------------------------------------------------------------------


def chosen(columns: Iterable[Column], *names: str) -> tuple[Column, ...]:
    named = {column.name: column for column in columns}
    return tuple(named[name] for name in names)


def at_levels(columns: Iterable[Column], result: AttributeResult) -> tuple[Column, ...]:
    """Head the intervals by their levels; without a margin there is only the first."""
    levels = {"interval": 1 - result.alpha}
    if result.attribute.margin is not None:
        levels["equivalence_interval"] = 1 - 2 * result.alpha
    return tuple(
        replace(column, head=f"{wording.percent(levels[column.name])} interval")
        if column.kind.pair
        else column
        for column in columns
        if not column.kind.pair or column.name in levels
    )


def contrast_tables(result: AttributeResult) -> Iterator[Table]:
    """Every comparison by the mixed model and by ranks, each where it gave anything.

    The reason of a row of dashes stands below, with the test that all variants are alike.
    """
    attribute, fit, alone = result.attribute, result.mixed, result.unit == "round"
    labelled = [(found.variant.label, found, attribute) for found in result.comparisons]
    ranks = [it.ranks for it in result.comparisons if not isinstance(it.ranks, NoResult)]
    for name in ("mixed", "ranks") if labelled else ():
        if name == "mixed" and isinstance(fit, NoResult):
            continue
        both, found = chosen(COMPARISON, "rounds" if alone else "tasters", name)
        lost = [(label, getattr(it, name)) for label, it, _ in labelled]
        yield table_of(
            f"{name}-{attribute.name}",
            f"{attribute.label}: {'mixed model' if name == 'mixed' else name}",
            "Variant",
            (both, replace(found, inner=at_levels(found.inner, result))),
            labelled,
            [
                *(f"{at}: {it.reason.rstrip('.')}." for at, it in lost if isinstance(it, NoResult)),
                *paragraphs(
                    "procedure",
                    mixed=name == "mixed",
                    fit=fit,
                    spreads=[
                        f"{part.replace('_', ' by ')} {points_cell(sd, attribute)}"
                        for column in FIT
                        if (part := column.name.removesuffix("_sd")) != column.name
                        if (sd := getattr(fit, column.name, None)) is not None
                    ],
                    lacking=any(contrast.interval is None for contrast in ranks),
                    alone=alone,
                    friedman=result.friedman,
                ),
            ],
            (f"{attribute.name}-differences",),
        )


# What was declared and made ---------------------------------------------------------------------


STRENGTHS = (
    ("salt_percent", "Salt, % of everything", "salt %", 2),
    ("salt_percent_of_water", "Salt, % of the water", "of water", 2),
    ("citric_g_per_100_g", "Acid added, g in 100 g", "acid g", 2),
    ("sugar_percent", "Sugar, % of everything", "sugar %", 1),
    ("age_days", "Age when first tasted, days", "age", 0),
    ("last_ph", "Last pH", "last pH", 1),
)
"""Of a batch: the field, its head on a page and in 80 columns, and its decimals."""


def strength_cells(strengths: object, blank: str) -> Iterator[str]:
    """Write what a batch comes to, a text a strength of `STRENGTHS`."""
    for name, _, _, digits in STRENGTHS:
        value = getattr(strengths, name)
        yield blank if value is None else wording.number(value, digits)


def strengths_table(trial: Trial, made: Made | None) -> Table | None:
    """Show what each batch comes to, and why a number is missing; None without batches.csv."""
    if made is None:
        return None
    reasons = {why.split(";")[0] for each in made.strengths for why in each.unknown.values()}
    rows = [(batch, [*strength_cells(batch, "")]) for batch in made.strengths]
    kept = [  # no column of what went into none of them
        at
        for at, (name, *_) in enumerate(STRENGTHS)
        if any(getattr(batch, name) != 0 for batch in made.strengths)
    ]
    return grid(
        "strengths",
        "What was made, as weighed and measured",
        wording.capital(made.log.noun),
        ("Variant", *(STRENGTHS[at][1] for at in kept)),
        (
            (batch.batch, (trial.variant(batch.variant).label, *(cells[at] for at in kept)))
            for batch, cells in rows
        ),
        map(wording.sentence, sorted(reasons)),
    )


# Scores -----------------------------------------------------------------------------------------


SUMMARY = ("Scores", "Mean", "SD", "Median", "Lowest", "Highest")


def scores_table(trial: Trial, table: ScoreTable, attribute: Attribute) -> Table:
    """Mean and spread of the scores of each variant on one attribute."""
    index, alone, rows = trial.attributes.index(attribute), len(table.tasters) == 1, []
    for position, variant in enumerate(trial.variants):
        given = (table.variant == position) & np.isfinite(table.scores[:, index])
        tasters = np.unique((table.session if alone else table.taster)[given]).size
        texts, scores = [f"{tasters:,}", f"{given.sum():,}"], table.scores[given, index]
        if scores.size:
            texts += [
                points_cell(float(scores.mean()), attribute),
                points_cell(float(scores.std(ddof=1)), attribute) if scores.size > 1 else "",
                wording.number(float(np.median(scores)), wording.digits_for(attribute.scale)),
                wording.plain(float(scores.min())),
                wording.plain(float(scores.max())),
            ]
        rows.append((variant.label, texts + [""] * (1 + len(SUMMARY) - len(texts))))
    caption, heads = f"{attribute.label}: the scores", ("Rounds" if alone else "Tasters", *SUMMARY)
    behind = (f"{attribute.name}-scores",)
    return grid(f"scores-{attribute.name}", caption, "Variant", heads, rows, (), behind)


def scores_section(trial: Trial, table: ScoreTable) -> PageSection:
    """Show every score, or say where they are where there are more than `MOST_SERVINGS`."""
    many, alone = table.taster.size > MOST_SERVINGS, len(table.tasters) == 1
    return PageSection(
        name="scores",
        head="The scores",
        paragraphs=paragraphs(
            "scores",
            many=many,
            cups=wording.count(table.taster.size, "cup"),
            alone=alone,
            repeated=len(table.sessions) > 1 and not alone,
        ),
        numbers=() if many else tuple(_every_score(trial, table, alone=alone)),
    )


def _every_score(trial: Trial, table: ScoreTable, *, alone: bool) -> Iterator[Table]:
    """Make a table an attribute: tasters, or rounds of the only one, down, and variants across."""
    rounds = tuple(trial.session_label(name) or name for name in table.sessions)
    names, place = (rounds, table.session) if alone else (table.tasters, table.taster)
    for index, attribute in enumerate(trial.attributes):
        given: list[list[list[str]]] = [[[] for _ in trial.variants] for _ in names]
        for row in np.lexsort((table.position, table.session)):
            score = float(table.scores[row, index])
            if np.isfinite(score):
                given[place[row]][table.variant[row]].append(wording.plain(score))
        rows = zip(names, (map("; ".join, row) for row in given), strict=True)
        labels = (variant.label for variant in trial.variants)
        behind = (f"{attribute.name}-differences", f"{attribute.name}-scores")
        caption, head = f"{attribute.label}: every score", "Round" if alone else "Taster"
        yield grid(f"raw-{attribute.name}", caption, head, labels, rows, (), behind)
