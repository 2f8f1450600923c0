"""Attributes together: which differences hold over all of them, and what goes with what."""

from blindspoon import wording
from blindspoon.findings.comparison import Analysis, Comparison
from blindspoon.findings.multivariate import AttributePair, Correlation, Joint, Overall
from blindspoon.findings.verdict import NAMES
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial
from blindspoon.writeup.tables import counted, p, two
from blindspoon.writeup.words import PageSection, paragraphs, points
from blindspoon.writeup.writers import (
    DASH,
    Cell,
    Column,
    Table,
    cells,
    csv_names,
    csv_values,
    heads,
    table_of,
    to_csv,
)

WAYS = (("went together", True), ("went against each other", False))
MOST_NAMED = 3  # pairs of attributes that a sentence names; more are counted
MOST_LISTED = 6  # differences that a sentence lists; the table has all


def _correlation(question: str, pairs: str) -> tuple[Column, ...]:
    return (
        Column("r", f"{question.capitalize()} variants", two),
        Column("interval", f"Interval {question}", lambda ends, _: pair_of(ends), pair=True),
        Column("pairs", pairs, counted),
        Column("df"),
    )


def pair_of(ends: tuple[float, float]) -> str:
    """Write the interval of a correlation, finer where zero would seem to be an end."""
    digits = wording.telling_digits(ends, [0.0], 2)
    return " to ".join(wording.number(end, digits) for end in ends)


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
    trial, pairs, overall = analysis.trial, joint.correlations, joint.overall
    if isinstance(pairs, NoResult):
        return None
    shown = [found for found in analysis.comparisons if found.differs]
    stricter = set() if isinstance(overall, NoResult) else overall.different
    held = [it for it in shown if (it.attribute.name, it.variant.name) in stricter]
    within, between = (  # the strongest first within, in the order of the attributes between
        [
            (found, wording.listing(trial.attribute(name).label.lower() for name in (one, two)))
            for one, two, found in parts
            if isinstance(found, Correlation)
        ]
        for parts in (
            [(pair.first, pair.second, pair.within) for pair in pairs],
            [(pair.first, pair.second, pair.between) for pair in pairs],
        )
    )
    within.sort(key=lambda part: -abs(part[0].r))
    clear = [(found.r > 0, pair) for found, pair in within if found.excludes_zero()]
    moved = [f"{it} ({wording.number(r.r, 2)})" for r, it in between if r.excludes_zero()]
    return PageSection(
        name="together",
        head="Attributes together",
        role="Exploratory",
        paragraphs=paragraphs(
            "together",
            overall=overall,
            shown=len(shown),
            kept=len(held),
            held=_listed(held),
            lost=_listed([found for found in shown if found not in held]),
            within=len(within),
            ways={verb: [it for up, it in clear if up == way] for verb, way in WAYS},
            open=len(within) - len(clear),
            known=within or between,
            between=moved if len(moved) <= MOST_LISTED else (),
            most=MOST_NAMED,
        ),
        numbers=(
            *((_overall_table(analysis, overall),) if isinstance(overall, Overall) else ()),
            _correlations_table(trial, pairs),
        ),
        points=points("together_methods", overall=overall),
        files=(
            ("tables/correlations.csv", correlations_csv(pairs)),
            ("tables/overall.csv", overall_csv(overall)),
        ),
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


# Tables -----------------------------------------------------------------------------------------


def _overall_table(analysis: Analysis, overall: Overall) -> Table:
    labels = {(it.attribute.name, it.variant.name): it for it in analysis.comparisons}
    rows = []
    for found in overall.comparisons:
        alone, verdict = labels[found.attribute, found.variant], overall.verdict(found)
        words = (NAMES[alone.verdict], DASH if verdict is None else NAMES[verdict])
        texts = (alone.variant.label, *cells(OVERALL, found), *words)
        rows.append((alone.attribute.label, texts))
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
    return table_of(
        "together-correlations",
        "How attributes go together",
        "Attributes",
        PAIR,
        [(f"{one} and {two}", pair, None) for one, two, pair in named],
        [
            "The intervals of a column hold at 95 % for all its pairs at once (Bonferroni).",
            *sorted(reasons),
        ],
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
