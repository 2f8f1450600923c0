"""The tasters, in words, charts and tables: how far the evidence can lean on them.

The sentences stand in templates/tasters.txt.j2 and tasters_methods.txt.j2.
"""

from __future__ import annotations

from collections.abc import Iterable

from blindspoon import wording
from blindspoon.charts.chart import source_of
from blindspoon.charts.tasters import alikeness_chart, places_chart, scale_use_chart
from blindspoon.findings.panel_results import COLUMNS, AttributePanel, Panel, long_rows
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import LEVEL
from blindspoon.trial import Trial
from blindspoon.writeup.panel_tables import panel_tables, places_tables, taster_tables
from blindspoon.writeup.section import PageSection
from blindspoon.writeup.words import paragraphs, points
from blindspoon.writeup.writers import to_csv


def panel_section(trial: Trial, panel: Panel) -> PageSection | None:
    """Make the part of the page about the tasters; None where nothing was scored."""
    told, shown = answering(panel), trial.tasters_shown
    if not told:
        return None
    of_tasters = (scale_use_chart, alikeness_chart) if shown else ()
    charts = (
        draw(trial.attribute(found.attribute), found, source_of(trial))
        for found in told
        for draw in (*of_tasters, places_chart)
    )
    return PageSection(
        name="tasters",
        head="The tasters",
        role="Exploratory",
        paragraphs=_paragraphs(trial, panel),
        charts=tuple(filter(None, charts)),
        numbers=(
            *panel_tables(trial, panel),
            *places_tables(trial, told),
            *(taster_tables(trial, told) if shown else ()),
        ),
        points=points("tasters_methods"),
        files=(("tables/panel.csv", panel_csv(panel, shown=shown)),),
        behind={
            f"{found.attribute}-{chart}": (f"panel-{table}-{found.attribute}",)
            for found in told
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
    scored = [found for found in panel.attributes if not isinstance(found.scale_use, NoResult)]
    return tuple(found for found in scored if found.primary) or tuple(scored[:1])


# Words ------------------------------------------------------------------------------------------


def _paragraphs(trial: Trial, panel: Panel) -> tuple[str, ...]:
    every = [(trial.attribute(found.attribute), found) for found in panel.attributes]
    label = {attribute.name: attribute.label.lower() for attribute, _ in every}
    agreement = [(label[found.attribute], found.concordance) for found in panel.attributes]
    firsts = [(attribute, found.first_cup) for attribute, found in every]
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
            (attribute, found, wording.digits_for(attribute.scale), _apart(found, alpha))
            for found in answering(panel)
            for attribute in [trial.attribute(found.attribute)]
        ],
        alpha=alpha,
        level=wording.percent(LEVEL),
        looked=len(looked),
        not_looked=_reasons(first for _, first in firsts),
        seen=seen,
        before=len(before),
        felt=[a.label.lower() for a, carried in before if carried.test.p_value < alpha],
        in_model=all(found.position_in_model for a, found in every if a.name in names),
        shown=trial.tasters_shown,
        crowd=any(isinstance(found.tasters, NoResult) for found in panel.attributes),
    )


def _reasons(found: Iterable[object]) -> list[str]:
    """Give every reason once."""
    return list(dict.fromkeys(part.reason for part in found if isinstance(part, NoResult)))


def _apart(found: AttributePanel, alpha: float) -> tuple[int, int] | None:
    """Count who told the variants apart beyond their own spread, of those who can be asked."""
    if isinstance(found.tasters, NoResult):
        return None
    tests = [review.discrimination for review in found.tasters]
    known = [test for test in tests if not isinstance(test, NoResult)]
    return (sum(test.p_value < alpha for test in known), len(known)) if len(known) > 1 else None
