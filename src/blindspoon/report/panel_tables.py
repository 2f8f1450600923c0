"""The numbers of the tasters as tables of finished strings."""

from __future__ import annotations

from collections.abc import Iterable

from blindspoon import wording
from blindspoon.findings.panel_results import (
    AttributePanel,
    OrderEffect,
    Panel,
    ScaleUse,
    TasterReview,
)
from blindspoon.report.number_tables import NumberTable, blank_as_dash
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.two_way import FTest
from blindspoon.trial import Attribute, Trial

MOST_ROWS = 40
"""Tasters in a table; tables/panel.csv has all."""
F_COLUMNS = ("F", "df", "p")
NO_BREAK = "\N{NO-BREAK SPACE}"


def panel_tables(trial: Trial, panel: Panel) -> tuple[NumberTable, ...]:
    """Make the tables in which every row is an attribute.

    Parameters
    ----------
    trial : Trial
    panel : Panel
    """
    return (_agreement(trial, panel), _repeats(trial, panel), _order(trial, panel))


def _table(
    trial: Trial,
    name: str,
    caption: str,
    columns: tuple[str, ...],
    rows: Iterable[tuple[AttributePanel, list[str]]],
    notes: tuple[str, ...],
) -> NumberTable:
    return NumberTable(
        name=name,
        caption=caption,
        head="Attribute",
        columns=columns,
        rows=tuple(
            (trial.attribute(each.attribute).label, blank_as_dash(cells)) for each, cells in rows
        ),
        notes=notes,
    )


def _reasons(trial: Trial, panel: Panel, names: tuple[str, ...]) -> tuple[str, ...]:
    """Say why numbers are missing, once a reason."""
    labels: dict[str, list[str]] = {}
    for each in panel.attributes:
        parts = [getattr(each, name) for name in names]
        for reason in dict.fromkeys(part.reason for part in parts if isinstance(part, NoResult)):
            labels.setdefault(reason, []).append(trial.attribute(each.attribute).label)
    every = len(panel.attributes)
    return tuple(
        reason if len(where) == every else f"{wording.listing(where)}: {reason}"
        for reason, where in labels.items()
    )


def _agreement(trial: Trial, panel: Panel) -> NumberTable:
    columns = ("Tasters", "Kendall’s W", "p", "ICC(3,1)", "ICC(3,k)", "ICC(2,1)", "ICC(2,k)")
    return _table(
        trial,
        "panel-agreement",
        "Agreement between the tasters",
        (*columns, *(f"Taster by variant: {column}" for column in F_COLUMNS)),
        ((each, _agreement_cells(each)) for each in panel.attributes),
        (
            "95\u00a0% intervals in brackets. p by the chi-squared distribution, and by F for "
            "taster by variant: whether tasters see the variants differently by more than they "
            "scatter.",
            *_reasons(trial, panel, ("concordance", "intraclass", "interaction")),
        ),
    )


def _agreement_cells(each: AttributePanel) -> list[str]:
    cells = [""] * 7
    if not isinstance(each.concordance, NoResult):
        found = each.concordance
        cells[:3] = [
            f"{found.tasters:,}",
            wording.number(found.w, 2),
            _p(found.p_value),
        ]
    if not isinstance(each.intraclass, NoResult):
        made = each.intraclass
        cells[3:] = [
            _ratio(made.consistency_single, made.consistency_single_interval),
            _ratio(made.consistency_mean, made.consistency_mean_interval),
            _ratio(made.agreement_single, made.agreement_single_interval),
            _ratio(made.agreement_mean, made.agreement_mean_interval),
        ]
    return [*cells, *_f_cells(each.interaction)]


def _ratio(value: float, interval: Interval) -> str:
    """Write a correlation with its interval; how far below zero one is says nothing."""
    parts = [_above_zero(each) for each in (value, interval.low, interval.high)]
    return f"{parts[0]} ({parts[1]} to {parts[2]})"


def _above_zero(value: float) -> str:
    return "below 0" if value < 0 else wording.number(value, 2)


def _f_cells(test: FTest | NoResult) -> list[str]:
    if isinstance(test, NoResult):
        return ["", "", ""]
    df = f"{wording.plain(test.df_num)}, {int(test.df_den):,}"
    return [wording.number(test.f, 2), df, _p(test.p_value)]


def _p(value: float) -> str:
    return wording.p_cell(value).replace(" ", NO_BREAK)


def _repeats(trial: Trial, panel: Panel) -> NumberTable:
    return _table(
        trial,
        "panel-repeatability",
        "Repeatability, in points",
        ("Tasters", "SD", "95\u00a0% interval", "df", "Two controls apart", "Later minus earlier"),
        ((each, _repeat_cells(trial, each)) for each in panel.attributes),
        _reasons(trial, panel, ("repeatability", "controls")),
    )


def _repeat_cells(trial: Trial, each: AttributePanel) -> list[str]:
    digits = wording.digits_for(trial.attribute(each.attribute).scale) + 1
    cells = [""] * 6
    if not isinstance(each.repeatability, NoResult):
        found = each.repeatability
        spread = [wording.number(found.sd, digits), _ends(found.interval, digits)]
        cells[:4] = [f"{found.tasters:,}", *spread, f"{found.df:,}"]
    if not isinstance(each.controls, NoResult):
        pair = each.controls
        moved = f"{wording.signed(pair.difference, digits)} ({_ends(pair.interval, digits)})"
        cells[4:] = [wording.number(pair.mean_absolute, digits), moved]
    return cells


def _ends(interval: Interval, digits: int) -> str:
    return f"{wording.number(interval.low, digits)} to {wording.number(interval.high, digits)}"


def _order(trial: Trial, panel: Panel) -> NumberTable:
    places = tuple(f"Place: {column}" for column in F_COLUMNS)
    before = tuple(f"Cup before: {column}" for column in F_COLUMNS)
    return _table(
        trial,
        "panel-order",
        "Order of the cups",
        (*places, "First minus later", "95\u00a0% interval", *before),
        ((each, _order_cells(trial, each)) for each in panel.attributes),
        _reasons(trial, panel, ("position", "carry_over")),
    )


def _order_cells(trial: Trial, each: AttributePanel) -> list[str]:
    digits = wording.digits_for(trial.attribute(each.attribute).scale) + 1
    position, before, first = each.position, each.carry_over, each.first_cup
    return [
        *_f_cells(position if isinstance(position, NoResult) else position.test),
        *(
            ["", ""]
            if isinstance(first, NoResult)
            else [wording.signed(first.effect, digits), _ends(first.interval, digits)]
        ),
        *_f_cells(before if isinstance(before, NoResult) else before.test),
    ]


def places_tables(trial: Trial, found: Iterable[AttributePanel]) -> tuple[NumberTable, ...]:
    """Make a table an attribute in which every row is a place in the order of the cups.

    Parameters
    ----------
    trial : Trial
    found : iterable of AttributePanel
        Those whose places are drawn.
    """
    return tuple(
        _places(trial.attribute(each.attribute), each.position)
        for each in found
        if not isinstance(each.position, NoResult)
    )


def _places(attribute: Attribute, found: OrderEffect) -> NumberTable:
    digits = wording.digits_for(attribute.scale) + 1
    return NumberTable(
        name=f"panel-places-{attribute.name}",
        caption=f"{attribute.label}: the place of the cup, in points",
        head="Cup",
        columns=("Cups", "Distance from the mean", "95\u00a0% interval"),
        rows=tuple(
            (
                each.label,
                (
                    f"{each.cups:,}",
                    wording.signed(each.effect, digits),
                    _ends(each.interval, digits),
                ),
            )
            for each in found.effects
        ),
        notes=("Variants and the tasters’ levels are allowed for; each interval is on its own.",),
    )


def taster_tables(trial: Trial, found: Iterable[AttributePanel]) -> tuple[NumberTable, ...]:
    """Make a table an attribute in which every row is a taster.

    Parameters
    ----------
    trial : Trial
    found : iterable of AttributePanel
        Those to be told of singly; tables/panel.csv has the others.
    """
    return tuple(
        _tasters(trial.attribute(each.attribute), each.tasters)
        for each in found
        if not isinstance(each.tasters, NoResult) and each.tasters
    )


def _tasters(attribute: Attribute, reviews: tuple[TasterReview, ...]) -> NumberTable:
    columns = ("Scores", "Mean", "SD", "Lowest", "Highest", "At the ends", "Own repeats, SD")
    reasons = dict.fromkeys(reason for each in reviews for reason in _missing(each))
    more = f"The first {MOST_ROWS} of {len(reviews)}; tables/panel.csv has all."
    return NumberTable(
        name=f"panel-tasters-{attribute.name}",
        caption=f"{attribute.label}: the tasters",
        head="Taster",
        columns=(*columns, "Correlation with the others", *F_COLUMNS),
        rows=tuple(
            (each.taster, blank_as_dash(_taster_cells(attribute, each)))
            for each in reviews[:MOST_ROWS]
        ),
        notes=(*([more] if len(reviews) > MOST_ROWS else []), *reasons),
    )


def _missing(review: TasterReview) -> Iterable[str]:
    parts = (review.repeatability_sd, review.correlation, review.discrimination)
    return (part.reason for part in parts if isinstance(part, NoResult))


def _taster_cells(attribute: Attribute, review: TasterReview) -> list[str]:
    digits = wording.digits_for(attribute.scale) + 1
    return [
        *_use_cells(review.scale_use, digits),
        _or_blank(review.repeatability_sd, digits),
        _or_blank(review.correlation, 2),
        *_f_cells(review.discrimination),
    ]


def _use_cells(use: ScaleUse, digits: int) -> list[str]:
    return [
        f"{use.scores:,}",
        wording.number(use.mean, digits),
        _or_blank(use.sd, digits),
        wording.plain(use.lowest),
        wording.plain(use.highest),
        wording.percent(use.at_low + use.at_high),
    ]


def _or_blank(value: float | NoResult, digits: int) -> str:
    return "" if isinstance(value, NoResult) else wording.number(value, digits)
