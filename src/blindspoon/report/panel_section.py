"""The tasters, in words, charts and tables: how far the evidence can lean on them."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.charts.chart import Chart
from blindspoon.charts.tasters import alikeness_chart, places_chart, scale_use_chart
from blindspoon.findings.panel_results import (
    COLUMNS,
    AttributePanel,
    Concordance,
    Effect,
    OrderEffect,
    Panel,
    Repeatability,
    long_rows,
)
from blindspoon.report.panel_tables import panel_tables, places_tables, taster_tables
from blindspoon.report.section import PageSection
from blindspoon.report.writers import to_csv
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import LEVEL, FTest
from blindspoon.trial import Attribute, Trial


def order_sentences(trial: Trial, panel: Panel) -> str:
    """Say what the first cup and the cup just before do, and whether comparisons mind.

    Parameters
    ----------
    trial : Trial
    panel : Panel
    """
    firsts = [
        (trial.attribute(each.attribute), each.first_cup)
        for each in panel.attributes
        if isinstance(each.first_cup, Effect)
    ]
    if not firsts:
        return f"Whether the order of the cups mattered cannot be told. {_reasons(panel)}"
    return " ".join(_sentences(trial, panel, firsts))


def _reasons(panel: Panel) -> str:
    """Give every reason once."""
    parts = [each.first_cup for each in panel.attributes]
    return " ".join(dict.fromkeys(each.reason for each in parts if isinstance(each, NoResult)))


def _sentences(trial: Trial, panel: Panel, firsts: list[tuple[Attribute, Effect]]) -> Iterator[str]:
    seen = [each for each in firsts if each[1].interval.excludes_zero()]
    yield from (_first(*each) for each in seen)
    if not seen:
        yield "Whether a first cup scores differently from later ones is not settled."
    before = [
        (trial.attribute(each.attribute), each.carry_over.test)
        for each in panel.attributes
        if isinstance(each.carry_over, OrderEffect)
    ]
    felt = [each.label.lower() for each, test in before if test.p_value < trial.decision.alpha]
    if felt:
        yield (
            f"What was tasted just before a cup shows on {wording.listing(felt)}; the comparisons "
            "do not allow for that."
        )
    elif before:
        yield "Whether the cup just before matters is not settled."
    looks = len(firsts) + len(before)
    if looks > 1 and (seen or felt):
        yield f"Of {wording.spelled(looks)} looks at the order, any may find something by chance."
    if seen:
        names = {each.name for each, _ in seen}
        yield _allowed(
            in_model=all(
                each.position_in_model for each in panel.attributes if each.attribute in names
            )
        )


def _first(attribute: Attribute, first: Effect) -> str:
    phrase = wording.comparative(first.effect, attribute)
    size = wording.points(first.effect, attribute, first.interval)
    return (
        f"The first cup {phrase} later ones, by about {size} ({wording.percent(LEVEL)} interval "
        f"{wording.span(first.interval, attribute)})."
    )


def _allowed(*, in_model: bool) -> str:
    """Say whether the comparisons are bent by it."""
    if in_model:
        return (
            "The mixed model allows for the place of a cup, so its comparisons are not bent by it."
        )
    return "The comparisons do not allow for the place of a cup."


ABOUT = (
    "All this is about the evidence, not about the people. A taster who sees it otherwise may be "
    "right, and a spread is what makes several tasters worth asking."
)


def panel_section(trial: Trial, panel: Panel, *, shown: bool = True) -> PageSection | None:
    """Make the part of the page about the tasters.

    Parameters
    ----------
    trial : Trial
    panel : Panel
    shown : bool
        Whether single tasters are told of, by the labels that they have in the table.

    Returns
    -------
    PageSection or None
        None where nothing was scored.
    """
    told = answering(panel)
    if not told:
        return None
    return PageSection(
        name="tasters",
        head="The tasters",
        role="Exploratory",
        paragraphs=tuple(_paragraphs(trial, panel, shown=shown)),
        charts=tuple(_charts(trial, panel, shown=shown)),
        numbers=(
            *panel_tables(trial, panel),
            *places_tables(trial, told),
            *(taster_tables(trial, told) if shown else ()),
        ),
        points=POINTS,
        files=(("tables/panel.csv", panel_csv(panel, shown=shown)),),
        behind={
            f"{each.attribute}-{chart}": (f"panel-{table}-{each.attribute}",)
            for each in told
            for chart, table in BEHIND
        },
    )


BEHIND = (("scale-use", "tasters"), ("tasters", "tasters"), ("places", "places"))
"""The charts of an attribute and the tables that hold what they draw."""


def panel_csv(panel: Panel, *, shown: bool = True) -> str:
    """One row a number; a missing one has its reason."""
    record = panel.to_record(shown=shown)
    rows = (row for attribute in record["attributes"] for row in long_rows(attribute))
    return to_csv(COLUMNS, rows)


def answering(panel: Panel) -> tuple[AttributePanel, ...]:
    """Choose the attributes that are told of singly: the primary ones, else the first scored."""
    scored = [each for each in panel.attributes if not isinstance(each.scale_use, NoResult)]
    return tuple(each for each in scored if each.primary) or tuple(scored[:1])


def _charts(trial: Trial, panel: Panel, *, shown: bool) -> Iterator[Chart]:
    source = ", ".join(part for part in (f"“{trial.title}”", trial.host) if part)
    for each in answering(panel):
        attribute = trial.attribute(each.attribute)
        made = [places_chart(attribute, each, source)]
        if shown:
            made = [chart(attribute, each, source) for chart in (scale_use_chart, alikeness_chart)]
            made.append(places_chart(attribute, each, source))
        yield from (chart for chart in made if chart is not None)


def _paragraphs(trial: Trial, panel: Panel, *, shown: bool) -> Iterator[str]:
    yield _agreement(trial, panel)
    for each in answering(panel):
        attribute = trial.attribute(each.attribute)
        said = (
            _repeats(attribute, each),
            _controls(attribute, each),
            _told(trial, attribute, each),
        )
        yield " ".join(filter(None, said))
    yield order_sentences(trial, panel)
    if not shown:
        yield "This writeup does not tell of single tasters."
    elif any(isinstance(each.tasters, NoResult) for each in panel.attributes):
        yield "There are too many tasters to tell of each."
    yield ABOUT


def _label(trial: Trial, each: AttributePanel) -> str:
    return trial.attribute(each.attribute).label.lower()


def _agreement(trial: Trial, panel: Panel) -> str:
    """Say on what the tasters agreed most and least."""
    known = [
        (each.concordance.w, _label(trial, each))
        for each in panel.attributes
        if isinstance(each.concordance, Concordance)
    ]
    if not known:
        reasons = dict.fromkeys(
            each.concordance.reason
            for each in panel.attributes
            if isinstance(each.concordance, NoResult)
        )
        return f"How far the tasters agree cannot be measured. {' '.join(reasons)}"
    known.sort(reverse=True)
    (most, first), (least, last) = known[0], known[-1]
    meaning = "where 1 is full agreement about the order of the variants and 0 none"
    if len(known) == 1:
        said = f"On {first}, Kendall’s W is {_w(most)}, {meaning}."
    else:
        said = (
            f"The tasters agreed most on {first} (Kendall’s W {_w(most)}, {meaning}) and least on "
            f"{last} ({_w(least)})."
        )
    return f"{said} Where variants hardly differ there is little to agree about."


def _w(value: float) -> str:
    return wording.number(value, 2)


def _repeats(attribute: Attribute, each: AttributePanel) -> str:
    found, label = each.repeatability, attribute.label.lower()
    if isinstance(found, NoResult):
        return f"{found.reason.rstrip('.')}, so how closely they repeat themselves is not known."
    digits = wording.digits_for(attribute.scale)
    margin = f" (the margin is {wording.margin(attribute)})" if attribute.margin else ""
    return (
        f"Scores that a taster gave to the same variant on {label} spread by "
        f"{wording.number(found.sd, digits)} points, one standard deviation{margin}"
        f"{_what_differs(found)}."
    )


def _what_differs(found: Repeatability) -> str:
    """Name what the spread holds beside the tasters' own."""
    held = ["what changed between sessions"] * found.across_sessions
    held += ["what differs between batches"] * found.across_batches
    return f"; that includes {wording.listing(held)}" if held else ""


def _controls(attribute: Attribute, each: AttributePanel) -> str:
    found = each.controls
    if isinstance(found, NoResult):
        return ""
    digits = wording.digits_for(attribute.scale)
    distance = wording.number(found.mean_absolute, digits)
    moved = wording.signed(found.difference, digits)
    return (
        f"Two hidden cups of the control lay {distance} points apart on average; the later minus "
        f"the earlier one came to {moved} points ({wording.percent(LEVEL)} interval "
        f"{wording.span(found.interval, attribute)})."
    )


def _told(trial: Trial, attribute: Attribute, each: AttributePanel) -> str:
    """Count who told the variants apart beyond their own spread."""
    if isinstance(each.tasters, NoResult):
        return ""
    tests = [review.discrimination for review in each.tasters]
    known = [test for test in tests if isinstance(test, FTest)]
    alpha = trial.decision.alpha
    if len(known) < 2:
        return ""
    apart = sum(test.p_value < alpha for test in known)
    who = f"{wording.spelled(apart)} of {wording.spelled(len(known))} tasters"
    return (
        f"{who[:1].upper()}{who[1:]} told the variants apart on {attribute.label.lower()} beyond "
        f"the spread of their own repeats; by chance alone about {wording.percent(alpha)} would "
        "seem to."
    )


POINTS = (
    (
        "Agreement.",
        "Kendall’s W with its correction for ties (M. G. Kendall and B. Babington Smith, 1939, "
        "Ann. Math. Stat. 10:275–287), over tasters who scored every variant. Intraclass "
        "correlations with variants as targets and tasters as raters (P. E. Shrout and J. L. "
        "Fleiss, 1979, Psychol. Bull. 86:420–428): ICC(3,1) and ICC(3,k) ask whether tasters see "
        "the same distances, which is what the comparisons use; ICC(2,1) and ICC(2,k) whether they "
        "give the same numbers as well.",
    ),
    (
        "Repeatability and telling apart.",
        "The spread of a taster’s scores of the same variant, and the variants over that spread: "
        "the analysis of variance of ISO 8586, in the terms of ISO 11132.",
    ),
    (
        "Order.",
        "Least squares with a level for every taster’s session, the variants, the place of the cup "
        "and what was tasted just before (E. J. Williams, 1949, Aust. J. Sci. Res. A 2:149–168).",
    ),
)
