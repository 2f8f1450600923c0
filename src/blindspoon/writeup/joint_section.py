"""Attributes together: which differences hold over all of them, and what goes with what."""

from __future__ import annotations

from blindspoon import wording
from blindspoon.findings.comparison import Analysis, Comparison
from blindspoon.findings.multivariate import (
    AttributePair,
    Correlation,
    Joint,
    clear,
    correlations_finding,
    pair_words,
)
from blindspoon.findings.overall import Overall
from blindspoon.findings.verdict import NAMES
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial
from blindspoon.writeup.section import PageSection
from blindspoon.writeup.tables import counted, p, two
from blindspoon.writeup.words import points
from blindspoon.writeup.writers import (
    DASH,
    Cell,
    Column,
    Table,
    cells,
    csv_names,
    csv_values,
    heads,
    to_csv,
)

MOST_LISTED = 6
"""Differences that a sentence lists; the table has all."""


def _ends(interval: tuple[float, float], _: object) -> str:
    digits = wording.telling_digits(interval, [0.0], 2)
    return " to ".join(wording.number(end, digits) for end in interval)


def _correlation(question: str, pairs: str) -> tuple[Column, ...]:
    return (
        Column("r", f"{question.capitalize()} variants", two),
        Column("interval", f"Interval {question}", _ends, pair=True),
        Column("pairs", pairs, counted),
        Column("df"),
    )


PAIR = (
    Column("within", inner=_correlation("within", "Pairs")),
    Column("between", inner=_correlation("between", "Variants")),
)
OVERALL = (
    Column("attribute"),
    Column("variant"),
    Column("mixed_p", "p, mixed model", p),
    Column("mixed_verdict"),
    Column("ranks_p", "p, ranks", p),
    Column("ranks_verdict"),
)


def joint_section(analysis: Analysis, joint: Joint) -> PageSection | None:
    """Make the part of the page about all attributes together; None where there is one."""
    trial = analysis.trial
    if isinstance(joint.correlations, NoResult):
        return None
    tables, paragraphs = [_correlations_table(trial, joint.correlations)], []
    if isinstance(joint.overall, Overall):
        tables.insert(0, _overall_table(analysis, joint.overall))
        paragraphs.append(overall_finding(analysis.comparisons, joint.overall))
    return PageSection(
        name="together",
        head="Attributes together",
        role="Exploratory",
        paragraphs=(*paragraphs, _correlation_words(joint.correlations, trial)),
        numbers=tuple(tables),
        points=points("together_methods", overall=joint.overall),
        files=(
            ("tables/correlations.csv", correlations_csv(joint.correlations)),
            ("tables/overall.csv", overall_csv(joint.overall)),
        ),
    )


# Tables -----------------------------------------------------------------------------------------


def _overall_table(analysis: Analysis, overall: Overall) -> Table:
    alone = {
        (comparison.attribute.name, comparison.variant.name): comparison
        for comparison in analysis.comparisons
    }
    rows = []
    for comparison in overall.comparisons:
        by_itself = alone[comparison.attribute, comparison.variant]
        over_all = overall.verdict(comparison)
        words = (NAMES[by_itself.verdict], DASH if over_all is None else NAMES[over_all])
        texts = (by_itself.variant.label, *cells(OVERALL, comparison), *words)
        rows.append((by_itself.attribute.label, texts))
    return Table(
        name="together-overall",
        caption="Every difference held against all attributes",
        head="Attribute",
        columns=("Variant", *heads(OVERALL), "By itself", "Over all attributes"),
        rows=tuple(rows),
    )


def _correlations_table(trial: Trial, pairs: tuple[AttributePair, ...]) -> Table:
    found = [part for pair in pairs for part in (pair.within, pair.between)]
    reasons = {part.reason for part in found if isinstance(part, NoResult)}
    named = [
        (trial.attribute(pair.first).label, trial.attribute(pair.second).label.lower(), pair)
        for pair in pairs
    ]
    return Table(
        name="together-correlations",
        caption="How attributes go together",
        head="Attributes",
        columns=heads(PAIR),
        rows=tuple((f"{one} and {two}", cells(PAIR, pair)) for one, two, pair in named),
        notes=(
            "The intervals of a column hold at 95 % for all its pairs at once (Bonferroni).",
            *sorted(reasons),
        ),
    )


def correlations_csv(pairs: tuple[AttributePair, ...] | NoResult) -> str:
    """One row a pair of attributes and a question."""
    columns = PAIR[0].inner
    names = ["first", "second", "question", *csv_names(columns), "reason"]
    if isinstance(pairs, NoResult):
        return to_csv(names, [[*[None] * (len(names) - 1), pairs.reason]])
    rows: list[list[Cell]] = []
    for pair in pairs:
        for question, found in (("within", pair.within), ("between", pair.between)):
            reason = found.reason if isinstance(found, NoResult) else None
            head: list[Cell] = [pair.first, pair.second, f"{question} variants"]
            rows.append([*head, *csv_values(columns, found), reason])
    return to_csv(names, rows)


def overall_csv(overall: Overall | NoResult) -> str:
    """One row a variant and attribute."""
    names = [*csv_names(OVERALL), "reason"]
    if isinstance(overall, NoResult):
        return to_csv(names, [[*csv_values(OVERALL, overall), overall.reason]])
    return to_csv(
        names, ([*csv_values(OVERALL, comparison), None] for comparison in overall.comparisons)
    )


# Findings ---------------------------------------------------------------------------------------


def overall_finding(comparisons: tuple[Comparison, ...], overall: Overall) -> str:
    """Say which differences hold when all attributes are held against each other."""
    stricter = {
        (found.attribute, found.variant)
        for found in overall.comparisons
        if overall.verdict(found) in ("different", "slight")
    }
    shown = [found for found in comparisons if found.differs]
    held = [it for it in shown if (it.attribute.name, it.variant.name) in stricter]
    lost = [it for it in shown if it not in held]
    start = "No attribute was declared primary, so each was decided by itself. "
    if not shown:
        return f"{start}No difference was shown, so a stricter level has none to take away."
    level = (
        f"Held to one false alarm in {wording.plain(round(1 / overall.alpha, 1))} trials over all "
        f"{wording.spelled(overall.attributes)} attributes, "
    )
    many = wording.spelled(len(shown))
    if not lost:
        some = f"{'both' if len(shown) == 2 else f'all {many}'} differences are"
        return f"{start}{level}{'the one difference is' if len(shown) == 1 else some} still shown."
    verb = "is" if len(held) < 2 else "are"
    number = wording.spelled(len(held)) if held else "none"
    return (
        f"{start}{level}{number} of the {many} differences {verb} still "
        f"shown{_listed(held)}. No longer shown{_listed(lost)}."
    )


def _listed(comparisons: list[Comparison]) -> str:
    """Name differences by attribute, after a colon; their number where they are many."""
    if not comparisons:
        return ""
    if len(comparisons) > MOST_LISTED:
        return f": {wording.spelled(len(comparisons))}, listed with the numbers"
    by_attribute: dict[str, list[str]] = {}
    for comparison in comparisons:
        label = comparison.attribute.label.lower()
        by_attribute.setdefault(label, []).append(f"“{comparison.variant.label}”")
    named = (f"{wording.listing(labels)} on {label}" for label, labels in by_attribute.items())
    return f": {'; '.join(named)}"


def _correlation_words(pairs: tuple[AttributePair, ...], trial: Trial) -> str:
    between = [pair for pair in pairs if clear(pair.between)]
    said = f"{correlations_finding(pairs, trial)}."
    if 0 < len(between) <= MOST_LISTED:
        named = wording.listing(
            f"{pair_words(pair, trial)} ({wording.number(pair.between.r, 2)})"
            for pair in between
            if isinstance(pair.between, Correlation)
        )
        said += f" From variant to variant, the means moved with each other: {named}."
    return (
        f"{said} Attributes that go together may share a cause in the jar, or in the taster: a cup "
        "that pleases can be scored up on everything."
    )
