"""Attributes together: which differences hold over all of them, and what goes with what."""

from __future__ import annotations

from collections.abc import Iterator

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
from blindspoon.report.section import PageSection
from blindspoon.report.tables import counted, p, two
from blindspoon.report.writers import (
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
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial

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
        points=tuple(_methods(joint.overall)),
        files=(
            ("tables/correlations.csv", correlations_csv(joint.correlations)),
            ("tables/overall.csv", overall_csv(joint.overall)),
        ),
    )


# Tables -----------------------------------------------------------------------------------------


def _overall_table(analysis: Analysis, overall: Overall) -> Table:
    alone = {(each.attribute.name, each.variant.name): each for each in analysis.comparisons}
    rows = []
    for each in overall.comparisons:
        by_itself = alone[each.attribute, each.variant]
        over_all = overall.verdict(each)
        words = (NAMES[by_itself.verdict], DASH if over_all is None else NAMES[over_all])
        texts = (by_itself.variant.label, *cells(OVERALL, each), *words)
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
        notes=("The intervals have level 95 %, each by itself.", *sorted(reasons)),
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
    return to_csv(names, ([*csv_values(OVERALL, each), None] for each in overall.comparisons))


# Findings ---------------------------------------------------------------------------------------


def overall_finding(comparisons: tuple[Comparison, ...], overall: Overall) -> str:
    """Say which differences hold when all attributes are held against each other."""
    stricter = {
        (each.attribute, each.variant): overall.verdict(each) for each in overall.comparisons
    }
    held, lost = list[Comparison](), list[Comparison]()
    for each in comparisons:
        if each.differs:
            verdict = stricter.get((each.attribute.name, each.variant.name))
            (held if verdict in ("different", "slight") else lost).append(each)
    start = "No attribute was declared primary, so each was decided by itself. "
    shown = len(held) + len(lost)
    if not shown:
        return (
            f"{start}No difference was shown, so there is none for a stricter level to take away."
        )
    level = (
        f"Held to one false alarm in {wording.plain(round(1 / overall.alpha, 1))} trials over all "
        f"{wording.spelled(overall.attributes)} attributes, "
    )
    if not lost:
        return f"{start}{level}{_all_of(shown)} still shown."
    verb = "is" if len(held) < 2 else "are"
    number = wording.spelled(len(held)) if held else "none"
    return (
        f"{start}{level}{number} of the {wording.spelled(shown)} differences {verb} still "
        f"shown{_listed(held)}. No longer shown{_listed(lost)}."
    )


def _all_of(number: int) -> str:
    if number == 1:
        return "the one difference is"
    return f"{'both' if number == 2 else f'all {wording.spelled(number)}'} differences are"


def _listed(comparisons: list[Comparison]) -> str:
    """Name differences by attribute, after a colon; their number where they are many."""
    if not comparisons:
        return ""
    if len(comparisons) > MOST_LISTED:
        return f": {wording.spelled(len(comparisons))}, listed with the numbers"
    by_attribute: dict[str, list[str]] = {}
    for each in comparisons:
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
