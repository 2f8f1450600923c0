"""The tasters, in words, charts and tables: how far the evidence can lean on them.

The sentences stand in templates/tasters.txt.j2 and tasters_methods.txt.j2.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from blindspoon import wording
from blindspoon.charts.chart import Chart
from blindspoon.charts.tasters import alikeness_chart, places_chart, scale_use_chart
from blindspoon.findings.panel_results import COLUMNS, AttributePanel, Panel, long_rows
from blindspoon.report.panel_tables import panel_tables, places_tables, taster_tables
from blindspoon.report.section import PageSection
from blindspoon.report.words import paragraphs, points
from blindspoon.report.writers import to_csv
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import LEVEL
from blindspoon.trial import Trial


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
        paragraphs=_paragraphs(trial, panel, shown=shown),
        charts=tuple(_charts(trial, panel, shown=shown)),
        numbers=(
            *panel_tables(trial, panel),
            *places_tables(trial, told),
            *(taster_tables(trial, told) if shown else ()),
        ),
        points=points("tasters_methods"),
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


# Words ------------------------------------------------------------------------------------------


def _paragraphs(trial: Trial, panel: Panel, *, shown: bool) -> tuple[str, ...]:
    every = [(trial.attribute(each.attribute), each) for each in panel.attributes]
    label = {attribute.name: attribute.label.lower() for attribute, _ in every}
    agreement = [(label[each.attribute], each.concordance) for each in panel.attributes]
    firsts = [(attribute, each.first_cup) for attribute, each in every]
    looked = [(a, first) for a, first in firsts if not isinstance(first, NoResult)]
    seen = [(a, first) for a, first in looked if first.interval.excludes_zero()]
    before = [(a, c.carry_over) for a, c in every if not isinstance(c.carry_over, NoResult)]
    alpha, names = trial.decision.alpha, {attribute.name for attribute, _ in seen}
    return paragraphs(
        "tasters",
        agreed=sorted(
            ((found.w, name) for name, found in agreement if not isinstance(found, NoResult)),
            reverse=True,
        ),
        not_agreed=_reasons(found for _, found in agreement),
        told=[
            (attribute, each, wording.digits_for(attribute.scale), _apart(each, alpha))
            for each in answering(panel)
            for attribute in [trial.attribute(each.attribute)]
        ],
        alpha=alpha,
        level=wording.percent(LEVEL),
        looked=len(looked),
        not_looked=_reasons(first for _, first in firsts),
        seen=seen,
        before=len(before),
        felt=[a.label.lower() for a, carried in before if carried.test.p_value < alpha],
        in_model=all(each.position_in_model for a, each in every if a.name in names),
        shown=shown,
        crowd=any(isinstance(each.tasters, NoResult) for each in panel.attributes),
    )


def _reasons(found: Iterable[object]) -> list[str]:
    """Give every reason once."""
    return list(dict.fromkeys(part.reason for part in found if isinstance(part, NoResult)))


def _apart(each: AttributePanel, alpha: float) -> tuple[int, int] | None:
    """Count who told the variants apart beyond their own spread, of those who can be asked."""
    if isinstance(each.tasters, NoResult):
        return None
    tests = [review.discrimination for review in each.tasters]
    known = [test for test in tests if not isinstance(test, NoResult)]
    return (sum(test.p_value < alpha for test in known), len(known)) if len(known) > 1 else None
