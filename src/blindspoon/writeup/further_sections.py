"""The further analyses: what the answer hangs on, the tasters, and all attributes together."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from blindspoon import wording
from blindspoon.charts.board import alikeness_chart
from blindspoon.charts.chart import source_of
from blindspoon.findings.comparison import Analysis, Comparison
from blindspoon.findings.further import Correlation, Joint
from blindspoon.findings.panel import AttributePanel, Panel, long_rows
from blindspoon.findings.rule import PROCEDURES
from blindspoon.findings.sensitivity import Influence, Name, Outcome
from blindspoon.findings.verdict_in_words import in_a_word
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import LEVEL
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.columns import (
    CORRELATIONS,
    COUNT,
    DIFFERENCE,
    INFLUENCE,
    INTERVAL,
    NUMBER,
    OVERALL,
    PAIR,
    PANEL_ROWS,
    POINTS,
    WITHIN,
    P,
)
from blindspoon.writeup.templating import PageSection, paragraphs, points
from blindspoon.writeup.writers import (
    Column,
    Table,
    csv_table,
    csv_values,
    grid,
    table_of,
    to_csv,
)

# What the answer hangs on -----------------------------------------------------------------------

SAME = "the same"
MOST_NAMED = 3  # tasters, verdicts or pairs that a sentence or a cell names; more are counted
MOST_ROWS = 30  # verdicts in the table; tables/influence.csv has all

ALTERNATIVES: dict[Name, str] = {
    "taster": "Without one taster",
    "session": "Without one session",
    "procedure": "By {}",
    "ordinal": "As ordered categories",
}
"""Their heads; that of the procedure names the other one."""


def influence_section(trial: Trial, influence: Influence) -> PageSection | None:
    """Make the part of the page about what each verdict hangs on; None where nothing was compared.

    Tasters are named by their pseudonyms, or each is "one taster", as the trial has it.
    """
    if not influence.declared:
        return None
    primary = trial.decision.primary
    ordered = sorted(influence.declared, key=lambda it: it.attribute.name not in primary)
    keys = {key for name in ALTERNATIVES for key in influence.moved(name)}
    moved = [it for it in ordered if it.key in keys]
    alone, by_many = influence.moved("taster"), influence.fragile
    said = any(_says(influence, name) for name in ALTERNATIVES)
    lost = next((it.reason for it in influence.not_done if it.name == "taster"), "")
    rows = influence.to_rows(shown=trial.tasters_shown)
    return PageSection(
        name="influence",
        head="What the answer hangs on",
        paragraphs=paragraphs(
            "influence",
            lost=lost,
            hanging=[it for it in ordered if it.key in alone and it.key not in by_many],
            named=_named,
            by_many=[it for it in ordered if it.key in by_many],
            said=said,
            total=len(ordered),
            moved=len(moved),
            most=MOST_ROWS,
        ),
        tables=(_table(trial, influence, moved),) if moved else (),
        points=tuple(_methods(trial, influence)) if said or not lost else (),
        files=(("tables/influence.csv", to_csv(INFLUENCE, (row.values() for row in rows))),),
    )


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
    heads = ("As declared", *(_head(trial, name) for name in taken))
    rows = (
        (
            _label(it),
            (_word(it), *(_cell(trial, influence, name, it) for name in taken)),
        )
        for it in moved[:MOST_ROWS]
    )
    caption, head = "Verdicts that move", "Variant and attribute"
    return replace(grid("moves", caption, head, heads, rows, stacked=True), quiet=SAME)


def _cell(trial: Trial, influence: Influence, name: Name, declared: Outcome) -> str:
    """Say what a verdict becomes, and without whom."""
    spoken = (outcome for made in influence.of(name) for outcome in made.outcomes)
    if not any(outcome.key == declared.key and outcome.verdict is not None for outcome in spoken):
        return ""
    changes: dict[str, list[str]] = {}
    for left_out, outcome in influence.moved(name).get(declared.key, ()):
        changes.setdefault(_word(outcome), []).append(left_out)
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


def _word(outcome: Outcome) -> str:
    """Call an outcome what the board calls a verdict: "crisper", "slightly saltier", "alike"."""
    if outcome.verdict == "not_shown":
        return "not shown different"
    return in_a_word(outcome.verdict or "open", outcome.attribute, up=outcome.direction > 0)


def _label(judged: Outcome | Comparison) -> str:
    return f"{judged.variant.label}, {judged.attribute.label.lower()}"


def _named(verdicts: Sequence[Outcome | Comparison]) -> str:
    """Name verdicts by attribute: a few, and the number of the rest."""
    named: dict[str, list[str]] = {}
    shown = verdicts[: MOST_NAMED if len(verdicts) > MOST_NAMED + 1 else None]
    for it in shown:
        named.setdefault(it.attribute.label.lower(), []).append(f"“{it.variant.label}”")
    told = [f"{wording.listing(labels)} on {on}" for on, labels in named.items()]
    rest = len(verdicts) - len(shown)
    return wording.listing([*told, *[f"{wording.spelled(rest)} others"] * bool(rest)])


def _head(trial: Trial, name: Name) -> str:
    return ALTERNATIVES[name].format(
        PROCEDURES["ranks" if trial.decision.by == "mixed" else "mixed"]
    )


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


# The tasters ------------------------------------------------------------------------------------


def panel_section(trial: Trial, panel: Panel) -> PageSection | None:
    """Make the part of the page about the tasters; None where nothing was scored."""
    told, shown = answering(panel), trial.tasters_shown
    if not told:
        return None
    charts = (
        alikeness_chart(trial.attribute(found.attribute), found, source_of(trial))
        for found in told
        if shown
    )
    record = panel.to_record(shown=shown)
    rows = (row for attribute in record["attributes"] for row in long_rows(attribute))
    return PageSection(
        name="tasters",
        head="The tasters",
        role="Exploratory",
        paragraphs=_of_tasters(trial, panel),
        charts=tuple(filter(None, charts)),
        numbers=(panel_table(trial, panel), *(taster_tables(trial, told) if shown else ())),
        points=points("tasters_methods"),
        files=(("tables/panel.csv", to_csv(PANEL_ROWS, rows)),),
    )


def answering(panel: Panel) -> tuple[AttributePanel, ...]:
    """Choose the attributes that are told of singly: the primary ones, else the first scored."""
    scored = [found for found in panel.attributes if not isinstance(found.scale_use, NoResult)]
    return tuple(found for found in scored if found.primary) or tuple(scored[:1])


def _of_tasters(trial: Trial, panel: Panel) -> tuple[str, ...]:
    alpha = trial.decision.alpha

    def known(name: str) -> list[tuple[Attribute, Any]]:
        every = ((it.attribute, getattr(it, name)) for it in panel.attributes)
        return [(trial.attribute(a), it) for a, it in every if not isinstance(it, NoResult)]

    firsts = known("first_cup")
    seen = {a.name: (a, first) for a, first in firsts if first.interval.excludes_zero()}
    asked = list[tuple[Attribute, AttributePanel, int, tuple[int, int] | None]]()
    for found in answering(panel):
        apart, attribute = None, trial.attribute(found.attribute)
        reviews = () if isinstance(found.tasters, NoResult) else found.tasters
        tests = [it.discrimination for it in reviews if not isinstance(it.discrimination, NoResult)]
        if len(tests) > 1:  # who told the variants apart beyond their own spread
            apart = sum(test.p_value < alpha for test in tests), len(tests)
        asked.append((attribute, found, wording.digits_for(attribute.scale), apart))
    return paragraphs(
        "tasters",
        agreed=sorted(((it.w, a.label.lower()) for a, it in known("concordance")), reverse=True),
        not_agreed=_reasons(found.concordance for found in panel.attributes),
        told=asked,
        alpha=alpha,
        level=wording.percent(LEVEL),
        looked=bool(firsts),
        not_looked=_reasons(found.first_cup for found in panel.attributes),
        seen=[*seen.values()],
        felt=[a.label.lower() for a, it in known("carry_over") if it.test.p_value < alpha],
        in_model=all(it.position_in_model for it in panel.attributes if it.attribute in seen),
        shown=trial.tasters_shown,
        crowd=any(isinstance(found.tasters, NoResult) for found in panel.attributes),
    )


def _reasons(found: Iterable[object]) -> list[str]:
    return list(dict.fromkeys(part.reason for part in found if isinstance(part, NoResult)))


MOST_IN_TABLE = 40  # tasters in a table; tables/panel.csv has all
EFFECT = Column("interval", INTERVAL, head="95\u00a0% interval")
BEFORE = Column("p_value", P, head="Cup before: p", of="test.p_value")
AS_SCORED = POINTS._replace(write=lambda value, _: wording.plain(value))
PANEL = (
    Column(
        "concordance",
        inner=(Column("w", NUMBER, head="Kendall’s W"), Column("p_value", P, head="p")),
    ),
    Column("repeatability", inner=(Column("sd", POINTS, head="Own repeats, SD"), EFFECT)),
    Column("first_cup", inner=(Column("effect", DIFFERENCE, head="First cup minus later"), EFFECT)),
    Column("carry_over", inner=(BEFORE,)),
)
OWN = (
    Column(
        "scale_use",
        inner=(
            Column("scores", COUNT, head="Scores"),
            Column("mean", POINTS, head="Mean"),
            Column("sd", POINTS, head="SD"),
            Column("lowest", AS_SCORED, head="Lowest"),
            Column("highest", AS_SCORED, head="Highest"),
        ),
    ),
    Column("repeatability_sd", POINTS, head="Own repeats, SD"),
    Column("correlation", NUMBER, head="Correlation with the others"),
    Column("discrimination", inner=(Column("p_value", P, head="Telling variants apart: p"),)),
)


def panel_table(trial: Trial, panel: Panel) -> Table:
    """Make the table in which every row is an attribute; a reason for gaps is told once."""
    found = [(trial.attribute(it.attribute), it) for it in panel.attributes]
    labels: dict[str, dict[str, None]] = {}
    for attribute, it in found:
        for part in (getattr(it, column.name) for column in PANEL):
            if isinstance(part, NoResult):
                labels.setdefault(part.reason, {})[attribute.label] = None
    notes = [
        reason if len(where) == len(found) else f"{wording.listing(where)}: {reason}"
        for reason, where in labels.items()
    ]
    rows = ((attribute.label, it, attribute) for attribute, it in found)
    return table_of("panel", "The tasters, by attribute", "Attribute", PANEL, rows, notes)


def taster_tables(trial: Trial, found: Iterable[AttributePanel]) -> Iterator[Table]:
    for it in found:
        if isinstance(it.tasters, NoResult) or not it.tasters:
            continue
        attribute, reviews = trial.attribute(it.attribute), it.tasters
        more = f"The first {MOST_IN_TABLE} of {len(reviews)}; tables/panel.csv has all."
        reasons = _reasons(
            part
            for review in reviews
            for part in (review.repeatability_sd, review.correlation, review.discrimination)
        )
        yield table_of(
            f"panel-tasters-{attribute.name}",
            f"{attribute.label}: the tasters",
            "Taster",
            OWN,
            [(review.taster, review, attribute) for review in reviews[:MOST_IN_TABLE]],
            [*[more] * (len(reviews) > MOST_IN_TABLE), *reasons],
            (f"{attribute.name}-tasters",),
        )


# Attributes together ----------------------------------------------------------------------------

WAYS = (("went together", True), ("went against each other", False))


def joint_section(analysis: Analysis, joint: Joint) -> PageSection | None:
    """Make the part of the page about all attributes together; None where there is one."""
    trial, pairs, overall = analysis.trial, joint.correlations, joint.overall
    if isinstance(pairs, NoResult):
        return None
    shown = [it for it in analysis.comparisons if it.differs]
    held = () if isinstance(overall, NoResult) else overall.comparisons
    kept = set() if isinstance(overall, NoResult) else overall.different
    lost = [it for it in shown if held and (it.attribute.name, it.variant.name) not in kept]
    named = [
        (f"{trial.attribute(it.first).label} and {trial.attribute(it.second).label.lower()}", it)
        for it in pairs
    ]
    within = [(it.within, label) for label, it in named if isinstance(it.within, Correlation)]
    within.sort(key=lambda part: -abs(part[0].r))  # the strongest first
    reasons = {it.within.reason for it in pairs if isinstance(it.within, NoResult)}
    clear = [(found.r > 0, label.lower()) for found, label in within if found.excludes_zero()]
    correlations = table_of(
        "together-correlations",
        "How attributes go together",
        "Attributes",
        PAIR,
        [(label, it, None) for label, it in named],
        ["The intervals hold at 95 % for all pairs at once (Bonferroni).", *sorted(reasons)],
    )
    caption, head = "Every difference held against all attributes", "Variant and attribute"
    labels = map(_label, analysis.comparisons)
    rows = ((label, it, None) for label, it in zip(labels, held, strict=False))  # all, or none
    values = (
        [it.first, it.second, *csv_values(WITHIN, it.within), getattr(it.within, "reason", None)]
        for it in pairs
    )
    return PageSection(
        name="together",
        head="Attributes together",
        role="Exploratory",
        paragraphs=paragraphs(
            "together",
            overall=overall,
            shown=len(shown),
            kept=len(shown) - len(lost),
            lost=_named(lost),
            within=len(within),
            ways={verb: [it for up, it in clear if up == way] for verb, way in WAYS},
            open=len(within) - len(clear),
            most=MOST_NAMED,
        ),
        numbers=(
            *[table_of("together-overall", caption, head, OVERALL, rows)] * bool(held),
            correlations,
        ),
        points=points("together_methods", overall=overall),
        files=(
            ("tables/correlations.csv", to_csv(CORRELATIONS, values)),
            *[("tables/overall.csv", csv_table(OVERALL, held))] * bool(held),
        ),
    )
