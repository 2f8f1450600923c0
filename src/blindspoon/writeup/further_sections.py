"""The further analyses: what the answer hangs on, and all attributes together."""

from collections.abc import Iterator, Sequence
from functools import partial

from blindspoon import wording
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.multivariate import (
    AttributePair,
    Correlation,
    Joint,
    Overall,
    OverallComparison,
)
from blindspoon.findings.naming import NAMES, PROCEDURES
from blindspoon.findings.sensitivity import Influence, Name, Outcome
from blindspoon.findings.verdict import in_a_word
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial
from blindspoon.writeup.front import fragile_verdicts
from blindspoon.writeup.tables import counted, p, two
from blindspoon.writeup.words import PageSection, paragraphs, points
from blindspoon.writeup.writers import (
    DASH,
    Column,
    Table,
    csv_names,
    csv_table,
    csv_values,
    table_of,
    to_csv,
)

# What the answer hangs on -----------------------------------------------------------------------

SAME = "the same"
MOST_NAMED = 3  # tasters, verdicts or pairs that a sentence or a cell names; more are counted
MOST_ROWS = 30  # verdicts in the table; tables/influence.csv has all

COLUMNS = [
    *("alternative", "left_out", "attribute", "variant", "verdict"),
    *("direction", "difference", "p_adjusted", "changed", "reason"),
]
ALTERNATIVES: tuple[Name, ...] = ("taster", "session", "procedure", "ordinal")


def influence_section(trial: Trial, influence: Influence) -> PageSection | None:
    """Make the part of the page about what each verdict hangs on; None where nothing was compared.

    Tasters are named by their pseudonyms, or each is "one taster", as the trial has it.
    """
    if not influence.declared:
        return None
    primary = trial.decision.primary
    ordered = sorted(influence.declared, key=lambda outcome: outcome.attribute not in primary)
    keys = {key for name in ALTERNATIVES for key in influence.moved(name)}
    moved = [it for it in ordered if it.key in keys]
    alone, by_many = influence.moved("taster"), fragile_verdicts(influence)
    said = any(_says(influence, name) for name in ALTERNATIVES)
    lost = next((it.reason for it in influence.not_done if it.name == "taster"), "")
    return PageSection(
        name="influence",
        head="What the answer hangs on",
        paragraphs=paragraphs(
            "influence",
            lost=lost,
            hanging=[it for it in ordered if it.key in alone and it.key not in by_many],
            named=partial(_named, trial),
            by_many=[it for it in ordered if it.key in by_many],
            said=said,
            total=len(ordered),
            moved=len(moved),
            most=MOST_ROWS,
        ),
        tables=(_table(trial, influence, moved),) if moved else (),
        points=tuple(_methods(trial, influence)) if said or not lost else (),
        files=(("tables/influence.csv", influence_csv(influence, shown=trial.tasters_shown)),),
    )


def influence_csv(influence: Influence, *, shown: bool = True) -> str:
    """One row a verdict and alternative."""
    rows = influence.to_rows(shown=shown)
    return to_csv(COLUMNS, ([row[column] for column in COLUMNS] for row in rows))


def _who(trial: Trial, tasters: list[str]) -> str:
    many = len(tasters)
    if trial.tasters_shown and many <= MOST_NAMED:
        return wording.listing(tasters, "or")
    return "one taster" if many == 1 else f"any one of {wording.spelled(many)} tasters"


def _says(influence: Influence, name: Name) -> bool:
    """Whether an alternative gave any verdict at all."""
    return any(outcome.verdict for made in influence.of(name) for outcome in made.outcomes)


def _table(trial: Trial, influence: Influence, moved: list[Outcome]) -> Table:
    """Set the verdicts that move against the alternatives that were taken."""
    taken = [name for name in ALTERNATIVES if influence.of(name)]
    return Table(
        name="moves",
        caption="Verdicts that move",
        head="Variant and attribute",
        columns=("As declared", *(_head(trial, name) for name in taken)),
        rows=tuple(
            (
                f"{trial.variant(it.variant).label}, {_label(trial, it)}",
                (_word(trial, it), *(_cell(trial, influence, name, it) for name in taken)),
            )
            for it in moved[:MOST_ROWS]
        ),
        stacked=True,
        quiet=SAME,
    )


def _cell(trial: Trial, influence: Influence, name: Name, declared: Outcome) -> str:
    """Say what a verdict becomes, and without whom."""
    spoken = (outcome for made in influence.of(name) for outcome in made.outcomes)
    if not any(outcome.key == declared.key and outcome.verdict is not None for outcome in spoken):
        return DASH
    changes: dict[str, list[str]] = {}
    for left_out, outcome in influence.moved(name).get(declared.key, ()):
        changes.setdefault(_word(trial, outcome), []).append(left_out)
    said = []
    for text, names in changes.items():
        without = ""
        if name == "taster":
            without = f" without {_who(trial, names)}"
        elif name == "session":
            labels = [trial.session_label(session) or session for session in names]
            kind = "session " if labels == names else ""
            without = f" without {kind}{wording.listing(labels, 'or')}"
        said.append(text + without)
    return "; ".join(said) or SAME


def _word(trial: Trial, outcome: Outcome) -> str:
    """Call an outcome what the board calls a verdict: "crisper", "slightly saltier", "alike"."""
    if outcome.verdict == "not_shown":
        return "not shown different"
    attribute = trial.attribute(outcome.attribute)
    return in_a_word(outcome.verdict or "open", attribute, up=outcome.direction > 0)


def _label(trial: Trial, outcome: Outcome | OverallComparison) -> str:
    return trial.attribute(outcome.attribute).label.lower()


def _named(trial: Trial, outcomes: Sequence[Outcome | OverallComparison]) -> str:
    """Name verdicts by attribute: a few, and the number of the rest."""
    named: dict[str, list[str]] = {}
    shown = outcomes[: MOST_NAMED if len(outcomes) > MOST_NAMED + 1 else None]
    for outcome in shown:
        label = f"“{trial.variant(outcome.variant).label}”"
        named.setdefault(_label(trial, outcome), []).append(label)
    told = [f"{wording.listing(labels)} on {on}" for on, labels in named.items()]
    rest = len(outcomes) - len(shown)
    return wording.listing([*told, *[f"{wording.spelled(rest)} others"] * bool(rest)])


def _head(trial: Trial, name: Name) -> str:
    other = PROCEDURES["ranks" if trial.decision.by == "mixed" else "mixed"]
    heads: dict[Name, str] = {
        "taster": "Without one taster",
        "session": "Without one session",
        "procedure": f"By {other}",
        "ordinal": "As ordered categories",
    }
    return heads[name]


def _methods(trial: Trial, influence: Influence) -> Iterator[tuple[str, str]]:
    """Say how each alternative was made, where its head does not tell, and why one was not."""
    reasons = {lost.name: lost.reason for lost in influence.not_done}
    made = dict(points("alternatives"))
    for name in ALTERNATIVES:
        head = _head(trial, name)
        outcomes = [outcome for taken in influence.of(name) for outcome in taken.outcomes]
        if name not in reasons and outcomes and not _says(influence, name):
            if name == "procedure":  # which of the two decides depends on what could be
                head = "By the other procedure"
            yield f"{head}: not done.", outcomes[0].reason
        elif name in reasons and name != "taster":
            yield f"{head}: not done.", reasons[name]
        elif name in made and name not in reasons:
            yield f"{head}.", made[name]


# Attributes together ----------------------------------------------------------------------------

WAYS = (("went together", True), ("went against each other", False))


def _interval(ends: tuple[float, float], _: object) -> str:
    """Write the interval of a correlation, finer where zero would seem to be an end."""
    digits = wording.telling_digits(ends, [0.0], 2)
    return " to ".join(wording.number(end, digits) for end in ends)


PAIR = Column(
    "within",
    inner=(
        Column("r", "Within variants", two),
        Column("interval", "Interval", _interval, pair=True),
        Column("pairs", "Pairs", counted),
        Column("df"),
    ),
)
OVERALL = (
    Column("attribute"),
    Column("variant"),
    Column("mixed_p", "p, mixed model", p),
    Column("mixed_verdict", "Verdict, mixed model", lambda verdict, _: NAMES[verdict]),
    Column("ranks_p", "p, ranks", p),
    Column("ranks_verdict", "Verdict, ranks", lambda verdict, _: NAMES[verdict]),
)


def joint_section(analysis: Analysis, joint: Joint) -> PageSection | None:
    """Make the part of the page about all attributes together; None where there is one."""
    trial, pairs, overall = analysis.trial, joint.correlations, joint.overall
    if isinstance(pairs, NoResult):
        return None
    shown = {(it.attribute.name, it.variant.name) for it in analysis.comparisons if it.differs}
    held = [] if isinstance(overall, NoResult) else [overall]
    lost = [
        found
        for it in held
        for found in it.comparisons
        if (found.attribute, found.variant) in shown - it.different
    ]
    within = [  # the strongest first
        (
            pair.within,
            wording.listing(trial.attribute(it).label.lower() for it in (pair.first, pair.second)),
        )
        for pair in pairs
        if isinstance(pair.within, Correlation)
    ]
    within.sort(key=lambda part: -abs(part[0].r))
    clear = [(found.r > 0, pair) for found, pair in within if found.excludes_zero()]
    return PageSection(
        name="together",
        head="Attributes together",
        role="Exploratory",
        paragraphs=paragraphs(
            "together",
            overall=overall,
            shown=len(shown),
            kept=len(shown) - len(lost),
            lost=_named(trial, lost),
            within=len(within),
            ways={verb: [it for up, it in clear if up == way] for verb, way in WAYS},
            open=len(within) - len(clear),
            most=MOST_NAMED,
        ),
        numbers=(
            *(_overall_table(trial, it) for it in held),
            _correlations_table(trial, pairs),
        ),
        points=points("together_methods", overall=overall),
        files=(
            ("tables/correlations.csv", _correlations_csv(pairs)),
            *(("tables/overall.csv", csv_table(OVERALL, it.comparisons)) for it in held),
        ),
    )


def _overall_table(trial: Trial, overall: Overall) -> Table:
    caption = "Every difference held against all attributes"
    rows = [
        (f"{trial.variant(it.variant).label}, {_label(trial, it)}", it, None)
        for it in overall.comparisons
    ]
    return table_of("together-overall", caption, "Variant and attribute", OVERALL, rows)


def _correlations_table(trial: Trial, pairs: tuple[AttributePair, ...]) -> Table:
    reasons = {pair.within.reason for pair in pairs if isinstance(pair.within, NoResult)}
    named = [
        (trial.attribute(pair.first).label, trial.attribute(pair.second).label.lower(), pair)
        for pair in pairs
    ]
    return table_of(
        "together-correlations",
        "How attributes go together",
        "Attributes",
        [PAIR],
        [(f"{one} and {two}", pair, None) for one, two, pair in named],
        [
            "The intervals hold at 95 % for all pairs at once (Bonferroni).",
            *sorted(reasons),
        ],
    )


def _correlations_csv(pairs: tuple[AttributePair, ...]) -> str:
    """One row a pair of attributes."""
    rows = [
        [
            pair.first,
            pair.second,
            *csv_values(PAIR.inner, pair.within),
            getattr(pair.within, "reason", None),
        ]
        for pair in pairs
    ]
    return to_csv(["first", "second", *csv_names(PAIR.inner), "reason"], rows)
