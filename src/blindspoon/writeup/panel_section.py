"""The tasters, in words, charts and tables: how far the evidence can lean on them.

The sentences stand in templates/tasters.txt.j2 and tasters_methods.txt.j2.
"""

from collections.abc import Iterable, Iterator
from operator import attrgetter
from typing import Any

from blindspoon import wording
from blindspoon.charts.chart import source_of
from blindspoon.charts.tasters import alikeness_chart
from blindspoon.findings.panel import COLUMNS, AttributePanel, Panel, long_rows
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import LEVEL
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.tables import counted, difference, ends, points_cell, two
from blindspoon.writeup.words import PageSection, paragraphs, points
from blindspoon.writeup.writers import Column, Table, table_of, to_csv


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
    return PageSection(
        name="tasters",
        head="The tasters",
        role="Exploratory",
        paragraphs=_paragraphs(trial, panel),
        charts=tuple(filter(None, charts)),
        numbers=(
            panel_table(trial, panel),
            *(taster_tables(trial, told) if shown else ()),
        ),
        points=points("tasters_methods"),
        files=(("tables/panel.csv", panel_csv(panel, shown=shown)),),
    )


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
    alpha = trial.decision.alpha

    def known(name: str) -> list[tuple[Attribute, Any]]:
        """Give what was found of every attribute of which there is anything."""
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
    """Give every reason once."""
    return list(dict.fromkeys(part.reason for part in found if isinstance(part, NoResult)))


# Tables -----------------------------------------------------------------------------------------

MOST_TASTERS = 40  # tasters in a table; tables/panel.csv has all
NINETY_FIVE = "95\u00a0% interval"


def _p(value: float, _: object) -> str:
    return wording.p_cell(value).replace(" ", wording.NO_BREAK)


PANEL = (
    Column(
        "concordance",
        inner=(Column("w", "Kendall’s W", two), Column("p_value", "p", _p)),
    ),
    Column(
        "repeatability",
        inner=(
            Column("sd", "Own repeats, SD", points_cell),
            Column("interval", NINETY_FIVE, ends),
        ),
    ),
    Column(
        "first_cup",
        inner=(
            Column("effect", "First cup minus later", difference),
            Column("interval", NINETY_FIVE, ends),
        ),
    ),
    Column(
        "carry_over",
        inner=(Column("p_value", "Cup before: p", _p, of=attrgetter("test.p_value")),),
    ),
)
TASTER = (
    Column(
        "scale_use",
        inner=(
            Column("scores", "Scores", counted),
            Column("mean", "Mean", points_cell),
            Column("sd", "SD", points_cell),
            Column("lowest", "Lowest", lambda value, _: wording.plain(value)),
            Column("highest", "Highest", lambda value, _: wording.plain(value)),
        ),
    ),
    Column("repeatability_sd", "Own repeats, SD", points_cell),
    Column("correlation", "Correlation with the others", two),
    Column("discrimination", inner=(Column("p_value", "Telling variants apart: p", _p),)),
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
    """Make a table an attribute in which every row is a taster."""
    for it in found:
        if isinstance(it.tasters, NoResult) or not it.tasters:
            continue
        attribute, reviews = trial.attribute(it.attribute), it.tasters
        more = f"The first {MOST_TASTERS} of {len(reviews)}; tables/panel.csv has all."
        reasons = _reasons(
            part
            for review in reviews
            for part in (review.repeatability_sd, review.correlation, review.discrimination)
        )
        yield table_of(
            f"panel-tasters-{attribute.name}",
            f"{attribute.label}: the tasters",
            "Taster",
            TASTER,
            [(review.taster, review, attribute) for review in reviews[:MOST_TASTERS]],
            [*[more] * (len(reviews) > MOST_TASTERS), *reasons],
            (f"{attribute.name}-tasters",),
        )
