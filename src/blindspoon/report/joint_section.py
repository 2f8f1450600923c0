"""Attributes together: which differences hold over all of them, what goes with what.

All attributes together in tables: on the page, and in full for scripts.
"""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.multivariate import (
    AttributePair,
    Correlation,
    Joint,
    clear,
    correlations_finding,
    pair_words,
)
from blindspoon.findings.overall import Overall, OverallComparison
from blindspoon.findings.verdict import NAMES
from blindspoon.report.csv_tables import Cell, to_csv
from blindspoon.report.number_tables import DASH, NumberTable, Section
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial


def joint_tables(
    trial: Trial, joint: Joint, results: tuple[AttributeResult, ...]
) -> Iterator[NumberTable]:
    """Make the tables of the page."""
    if isinstance(joint.overall, Overall):
        yield _overall_table(trial, joint.overall, results)
    if not isinstance(joint.correlations, NoResult):
        yield _correlations_table(trial, joint.correlations)


def _overall_table(
    trial: Trial, overall: Overall, results: tuple[AttributeResult, ...]
) -> NumberTable:
    alone = {
        (each.attribute.name, each.variant.name): each.verdict
        for result in results
        for each in result.comparisons
    }
    rows = []
    for each in overall.comparisons:
        label = trial.attribute(each.attribute).label
        kinds = (
            alone.get((each.attribute, each.variant)),
            overall.verdict(each),
        )
        cells = (
            trial.variant(each.variant).label,
            *(DASH if p is None else wording.p_cell(p) for p in (each.mixed_p, each.ranks_p)),
            *(DASH if kind is None else NAMES[kind] for kind in kinds),
        )
        rows.append((label, cells))
    return NumberTable(
        name="together-overall",
        caption="Every difference held against all attributes",
        head="Attribute",
        columns=("Variant", "p, mixed model", "p, ranks", "By itself", "Over all attributes"),
        rows=tuple(rows),
    )


def _correlations_table(trial: Trial, pairs: tuple[AttributePair, ...]) -> NumberTable:
    reasons = {
        found.reason
        for pair in pairs
        for found in (pair.within, pair.between)
        if isinstance(found, NoResult)
    }
    rows = []
    for pair in pairs:
        one, two = (trial.attribute(name).label for name in (pair.first, pair.second))
        cells = (*_correlation_cells(pair.within), *_correlation_cells(pair.between))
        rows.append((f"{one} and {two.lower()}", cells))
    return NumberTable(
        name="together-correlations",
        caption="How attributes go together",
        head="Attributes",
        columns=(
            "Within variants",
            "Interval within",
            "Pairs",
            "Between variants",
            "Interval between",
            "Variants",
        ),
        rows=tuple(rows),
        notes=("The intervals have level 95 %, each by itself.", *sorted(reasons)),
    )


def _correlation_cells(found: Correlation | NoResult) -> tuple[str, str, str]:
    if isinstance(found, NoResult):
        return DASH, DASH, DASH
    interval = DASH
    if found.interval is not None:
        digits = wording.telling_digits(found.interval, [0.0], 2)
        interval = " to ".join(wording.number(end, digits) for end in found.interval)
    return wording.number(found.r, 2), interval, f"{found.pairs:,}"


def joint_files(joint: Joint) -> tuple[tuple[str, str], ...]:
    """Write everything in full: path under the report's folder, and text."""
    return (
        ("tables/correlations.csv", correlations_csv(joint.correlations)),
        ("tables/overall.csv", overall_csv(joint.overall)),
    )


def correlations_csv(pairs: tuple[AttributePair, ...] | NoResult) -> str:
    """One row a pair of attributes and a question."""
    columns = ["first", "second", "question", "r", "interval_low", "interval_high", "pairs", "df"]
    if isinstance(pairs, NoResult):
        return to_csv([*columns, "reason"], [[*[None] * len(columns), pairs.reason]])
    rows: list[list[Cell]] = []
    for pair in pairs:
        for question, found in (
            ("within variants", pair.within),
            ("between variants", pair.between),
        ):
            head: list[Cell] = [pair.first, pair.second, question]
            if isinstance(found, NoResult):
                rows.append([*head, *[None] * 5, found.reason])
            else:
                low, high = found.interval or (None, None)
                rows.append([*head, found.r, low, high, found.pairs, found.df, None])
    return to_csv([*columns, "reason"], rows)


def overall_csv(overall: Overall | NoResult) -> str:
    """One row a variant and attribute."""
    columns = ["attribute", "variant", "mixed_p", "mixed_verdict", "ranks_p", "ranks_verdict"]
    if isinstance(overall, NoResult):
        return to_csv([*columns, "reason"], [[*[None] * 6, overall.reason]])
    return to_csv([*columns, "reason"], [_overall_row(each) for each in overall.comparisons])


def _overall_row(each: OverallComparison) -> list[Cell]:
    mixed: list[Cell] = [each.mixed_p, each.mixed_verdict]
    return [each.attribute, each.variant, *mixed, each.ranks_p, each.ranks_verdict, None]


MOST_LISTED = 6
"""Differences that a sentence lists; the table has all."""


def joint_section(
    trial: Trial, joint: Joint, results: tuple[AttributeResult, ...]
) -> Section | None:
    """Make the part of the page about all attributes together.

    Parameters
    ----------
    trial : Trial
    joint : Joint
    results : tuple of AttributeResult
        Of each attribute by itself.

    Returns
    -------
    Section or None
        None where there is one attribute.
    """
    if isinstance(joint.correlations, NoResult):
        return None
    return Section(
        name="together",
        head="Attributes together",
        role="Exploratory",
        paragraphs=tuple(_paragraphs(trial, joint, results)),
        numbers=tuple(joint_tables(trial, joint, results)),
        points=tuple(_methods(joint.overall)),
        files=joint_files(joint),
    )


# Findings ---------------------------------------------------------------------------------------


def _paragraphs(trial: Trial, joint: Joint, results: tuple[AttributeResult, ...]) -> Iterator[str]:
    if isinstance(joint.overall, Overall):
        yield overall_finding(joint.overall, results)
    if not isinstance(joint.correlations, NoResult):
        yield _correlation_words(joint.correlations, trial)


def overall_finding(overall: Overall, results: tuple[AttributeResult, ...]) -> str:
    """Say which differences hold when all attributes are held against each other."""
    stricter = {
        (each.attribute, each.variant): overall.verdict(each) for each in overall.comparisons
    }
    shown = [each for result in results for each in result.comparisons if each.differs]
    held = [
        each
        for each in shown
        if stricter.get((each.attribute.name, each.variant.name)) in ("different", "slight")
    ]
    start = "No attribute was declared primary, so each was decided by itself. "
    if not shown:
        return (
            f"{start}No difference was shown, so there is none for a stricter level to take away."
        )
    level = (
        f"Held to one false alarm in {wording.plain(round(1 / overall.alpha, 1))} trials over all "
        f"{wording.spelled(overall.attributes)} attributes, "
    )
    if len(held) == len(shown):
        return f"{start}{level}{_all_of(len(shown))} still shown."
    lost = [each for each in shown if each not in held]
    verb = "is" if len(held) < 2 else "are"
    number = wording.spelled(len(held)) if held else "none"
    return (
        f"{start}{level}{number} of the {wording.spelled(len(shown))} differences {verb} still "
        f"shown{_listed(held)}. No longer shown{_listed(lost)}."
    )


def _all_of(number: int) -> str:
    if number == 1:
        return "the one difference is"
    return f"{'both' if number == 2 else f'all {wording.spelled(number)}'} differences are"


def _listed(compared: list[Comparison]) -> str:
    """Name differences by attribute, after a colon; their number where they are many."""
    if not compared:
        return ""
    if len(compared) > MOST_LISTED:
        return f": {wording.spelled(len(compared))}, listed with the numbers"
    by_attribute: dict[str, list[str]] = {}
    for each in compared:
        label = each.attribute.label.lower()
        by_attribute.setdefault(label, []).append(f"“{each.variant.label}”")
    named = (f"{wording.listing(labels)} on {label}" for label, labels in by_attribute.items())
    return f": {'; '.join(named)}"


def _correlation_words(pairs: tuple[AttributePair, ...], trial: Trial) -> str:
    between = [pair for pair in pairs if clear(pair.between)]
    said = f"{correlations_finding(pairs, trial)}."
    if 0 < len(between) <= MOST_LISTED:
        named = wording.listing(f"{pair_words(pair, trial)} ({_r(pair)})" for pair in between)
        said += f" From variant to variant, the means moved with each other: {named}."
    return (
        f"{said} Attributes that go together may share a cause in the jar, or in the taster: a cup "
        "that pleases can be scored up on everything."
    )


def _r(pair: AttributePair) -> str:
    return wording.number(pair.between.r, 2) if isinstance(pair.between, Correlation) else ""


# How it was done --------------------------------------------------------------------------------


def _methods(overall: Overall | NoResult) -> Iterator[tuple[str, str]]:
    yield "How attributes were correlated.", CORRELATED
    if isinstance(overall, Overall):
        yield "How all attributes were held together.", _held(overall)


CORRELATED = (
    "Replicates were averaged. Within variants: the correlation of what is left of two attributes "
    "when tasters and variants are taken out (an analysis of covariance after J. M. Bland and "
    "D. G. Altman 1995, BMJ 310:446). Between variants: of the variants’ means, tasters taken out, "
    "weighted by tasters (the same, BMJ 310:633); the interval treats the variants as a sample of "
    "those that could have been made. Intervals by Fisher’s transformation, each for one pair by "
    "itself. Nothing is decided by them. On scoring everything up together: E. L. Thorndike 1920, "
    "J. Appl. Psychol. 4:25."
)


def _held(overall: Overall) -> str:
    decides = "the mixed model" if overall.by == "mixed" else "ranks"
    return (
        f"{_held_by_ranks(overall)} By the mixed model, Dunnett’s p values were multiplied by the "
        f"number of attributes (Bonferroni). The first sentences above go by {decides}. Verdicts "
        "elsewhere on this page do not change: exploratory attributes are decided one at a time, "
        "and said to be. Alike and slight are judged as there; this guards against a false "
        "“different” only."
    )


def _held_by_ranks(overall: Overall) -> str:
    if overall.method is None:
        return "By ranks, the p values were multiplied by the number of attributes (Bonferroni)."
    return (
        f"By ranks, a taster’s differences on all {wording.spelled(overall.attributes)} attributes "
        f"were turned at once, and the p values over attributes and variants were stepped "
        "down (P. H. Westfall and S. S. Young 1993)."
    )
