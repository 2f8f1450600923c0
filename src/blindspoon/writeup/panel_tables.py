"""The numbers of the tasters in tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from operator import attrgetter
from typing import Any

from blindspoon import wording
from blindspoon.findings.panel_results import AttributePanel, Panel
from blindspoon.stats.results import Interval, NoResult
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.tables import counted, difference, ends, in_points, two
from blindspoon.writeup.writers import Column, Table, cells, heads

MOST_TASTERS = 40
"""Tasters in a table; tables/panel.csv has all."""
NINETY_FIVE = "95\u00a0% interval"


def _p(value: float, _: object) -> str:
    return wording.p_cell(value).replace(" ", wording.NO_BREAK)


def _ratio(found: tuple[float, Interval], _: object) -> str:
    """Write a correlation with its interval; how far below zero one is says nothing."""
    value, interval = found
    parts = (
        "below 0" if number < 0 else wording.number(number, 2)
        for number in (value, interval.low, interval.high)
    )
    return "{} ({} to {})".format(*parts)


def _ratio_column(name: str, head: str) -> Column:
    return Column(name, head, _ratio, of=attrgetter(name, f"{name}_interval"))


def _moved(pair: Any, attribute: Attribute) -> str:  # noqa: ANN401 - a pair of controls
    return f"{difference(pair.difference, attribute)} ({ends(pair.interval, attribute)})"


def _test_of(name: str) -> Column:
    """Take the test out of an effect of the order, which has effects too."""

    def of(each: AttributePanel) -> object:
        found = getattr(each, name)
        return found if isinstance(found, NoResult) else found.test

    return Column(name, of=of, inner=_f("Place: " if name == "position" else "Cup before: "))


def _f(before: str = "") -> tuple[Column, ...]:
    """Show an F test in three columns."""
    return (
        Column("f", f"{before}F", two),
        Column(
            "df",
            f"{before}df",
            lambda test, _: f"{wording.plain(test.df_num)}, {int(test.df_den):,}",
            of=lambda test: test,
        ),
        Column("p_value", f"{before}p", _p),
    )


AGREEMENT = (
    Column(
        "concordance",
        inner=(
            Column("tasters", "Tasters", counted),
            Column("w", "Kendall’s W", two),
            Column("p_value", "p", _p),
        ),
    ),
    Column(
        "intraclass",
        inner=(
            _ratio_column("consistency_single", "ICC(3,1)"),
            _ratio_column("consistency_mean", "ICC(3,k)"),
            _ratio_column("agreement_single", "ICC(2,1)"),
            _ratio_column("agreement_mean", "ICC(2,k)"),
        ),
    ),
    Column("interaction", inner=_f("Taster by variant: ")),
)
AGREEMENT_NOTE = (
    "95\u00a0% intervals in brackets. p by the chi-squared distribution, and by F for taster by "
    "variant: whether tasters see the variants differently by more than they scatter."
)
REPEATS = (
    Column(
        "repeatability",
        inner=(
            Column("tasters", "Tasters", counted),
            Column("sd", "SD", in_points),
            Column("interval", NINETY_FIVE, ends),
            Column("df", "df", counted),
        ),
    ),
    Column(
        "controls",
        inner=(
            Column("mean_absolute", "Two controls apart", in_points),
            Column("difference", "Later minus earlier", _moved, of=lambda pair: pair),
        ),
    ),
)
ORDER = (
    _test_of("position"),
    Column(
        "first_cup",
        inner=(
            Column("effect", "First minus later", difference),
            Column("interval", NINETY_FIVE, ends),
        ),
    ),
    _test_of("carry_over"),
)
PLACE = (
    Column("cups", "Cups", counted),
    Column("effect", "Distance from the mean", difference),
    Column("interval", NINETY_FIVE, ends),
)
TASTER = (
    Column(
        "scale_use",
        inner=(
            Column("scores", "Scores", counted),
            Column("mean", "Mean", in_points),
            Column("sd", "SD", in_points),
            Column("lowest", "Lowest", lambda value, _: wording.plain(value)),
            Column("highest", "Highest", lambda value, _: wording.plain(value)),
            Column(
                "at_ends",
                "At the ends",
                lambda share, _: wording.percent(share),
                of=lambda use: use.at_low + use.at_high,
            ),
        ),
    ),
    Column("repeatability_sd", "Own repeats, SD", in_points),
    Column("correlation", "Correlation with the others", two),
    Column("discrimination", inner=_f()),
)


def panel_tables(trial: Trial, panel: Panel) -> Iterator[Table]:
    """Make the tables in which every row is an attribute."""
    for name, caption, columns, notes in (
        ("agreement", "Agreement between the tasters", AGREEMENT, (AGREEMENT_NOTE,)),
        ("repeatability", "Repeatability, in points", REPEATS, ()),
        ("order", "Order of the cups", ORDER, ()),
    ):
        rows = ((each, trial.attribute(each.attribute)) for each in panel.attributes)
        yield Table(
            name=f"panel-{name}",
            caption=caption,
            head="Attribute",
            columns=heads(columns),
            rows=tuple(
                (attribute.label, cells(columns, each, attribute)) for each, attribute in rows
            ),
            notes=(*notes, *_lacking(trial, panel, columns)),
        )


def _lacking(trial: Trial, panel: Panel, columns: Iterable[Column]) -> Iterator[str]:
    """Say why numbers are missing, once a reason."""
    labels: dict[str, dict[str, None]] = {}
    for each in panel.attributes:
        for column in columns:
            part = getattr(each, column.name)
            if isinstance(part, NoResult):
                labels.setdefault(part.reason, {})[trial.attribute(each.attribute).label] = None
    for reason, where in labels.items():
        everywhere = len(where) == len(panel.attributes)
        yield reason if everywhere else f"{wording.listing(where)}: {reason}"


def places_tables(trial: Trial, found: Iterable[AttributePanel]) -> Iterator[Table]:
    """Make a table an attribute in which every row is a place in the order of the cups."""
    for each in found:
        if not isinstance(each.position, NoResult):
            attribute = trial.attribute(each.attribute)
            yield Table(
                name=f"panel-places-{attribute.name}",
                caption=f"{attribute.label}: the place of the cup, in points",
                head="Cup",
                columns=heads(PLACE),
                rows=tuple(
                    (effect.label, cells(PLACE, effect, attribute))
                    for effect in each.position.effects
                ),
                notes=(
                    "Variants and the tasters’ levels are allowed for; each interval is on its "
                    "own.",
                ),
            )


def taster_tables(trial: Trial, found: Iterable[AttributePanel]) -> Iterator[Table]:
    """Make a table an attribute in which every row is a taster."""
    for each in found:
        if isinstance(each.tasters, NoResult) or not each.tasters:
            continue
        attribute, reviews = trial.attribute(each.attribute), each.tasters
        parts = (
            part
            for review in reviews
            for part in (review.repeatability_sd, review.correlation, review.discrimination)
        )
        reasons = dict.fromkeys(part.reason for part in parts if isinstance(part, NoResult))
        more = f"The first {MOST_TASTERS} of {len(reviews)}; tables/panel.csv has all."
        yield Table(
            name=f"panel-tasters-{attribute.name}",
            caption=f"{attribute.label}: the tasters",
            head="Taster",
            columns=heads(TASTER),
            rows=tuple(
                (review.taster, cells(TASTER, review, attribute))
                for review in reviews[:MOST_TASTERS]
            ),
            notes=(*[more] * (len(reviews) > MOST_TASTERS), *reasons),
        )
