"""The chart of several kitchens: what each found of a variant, and what they come to together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from blindspoon import wording
from blindspoon.charts.axis import Axis, difference_axis, shaded_words
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import Dot, DotPlot, Row
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.titles import title_of
from blindspoon.findings.naming import name_all
from blindspoon.findings.pool_checks import Pool, PooledAttribute, PooledComparison
from blindspoon.findings.verdict import NAMES
from blindspoon.stats.results import Interval, MixedContrast, NoResult


def forest_title(shown: PooledAttribute, pool: Pool) -> str:
    """State what was found in kitchens like these on one attribute, without a full stop.

    "In kitchens like these three, “Calcium” was crisper than the control; “Vine leaf” was within
    1 point of it".
    """
    names, compared = name_all(pool.variants, pool.first.control), shown.comparisons
    said = f"nothing is settled on {shown.attribute.label.lower()}"
    if len(compared) == 1 or any(found.verdict != "open" for found in compared):
        said = title_of(compared, names)
    number = len(pool.kitchens)
    where = (
        "these two kitchens" if number == 2 else f"kitchens like these {wording.spelled(number)}"
    )
    return f"In {where}, {said}"


BEYOND = 1.5
"""How far a pooled interval is drawn, in units of what the kitchens' own reach; then an arrow."""
POOLED, BOTH = "Kitchens like these", "These two kitchens"


def forest_chart(pool: Pool, attribute: str | None = None) -> Chart | None:
    """Draw each kitchen's difference and the pooled one, a panel a variant.

    Without an attribute, of the first primary one that is pooled, else of the first; None where
    no variant is pooled on it.
    """
    pooled = sorted(
        (
            shown
            for shown in pool.attributes
            if shown.comparisons and attribute in (None, shown.attribute.name)
        ),
        key=lambda shown: not shown.primary,
    )
    if not pooled:
        return None
    shown = pooled[0]
    label = shown.attribute.label.lower()
    kitchens = wording.count(len(pool.kitchens), "kitchen")
    titles = dict.fromkeys(f"“{kitchen.trial.title}”" for kitchen in pool.kitchens)
    names = wording.listing(kitchen.name for kitchen in pool.kitchens)
    return chart_of(
        name=f"{shown.attribute.name}-kitchens",
        title=forest_title(shown, pool),
        data=f"the differences from the control that {kitchens} found on {label}",
        lay=forest_plot(pool, shown).lay,
        source=f"{wording.listing(titles)}, tasted in {names}",
    )


def forest_plot(pool: Pool, shown: PooledAttribute) -> DotPlot:
    """Set the kitchens of each variant under its name, the pooled one last."""
    names = [variant.name for variant in pool.variants]
    inks = variant_inks(len(names), names.index(pool.first.control))
    rows = [
        row
        for comparison in shown.comparisons
        for row in _rows(shown, comparison, inks[names.index(comparison.variant.name)])
    ]
    axis = difference_axis(shown.attribute, _limits(shown))
    key = _key(pool, shown, axis)
    return DotPlot(axes=(axis,), rows=tuple(rows), key=(key, key), kind="Forest plot")


def _rows(shown: PooledAttribute, comparison: PooledComparison, ink: str) -> Iterator[Row]:
    head = comparison.variant.label
    for own in comparison.own:
        notes, dot = _notes(own.mixed, shown), _dot(own.mixed, ink)
        yield Row(label=own.kitchen, dots=(dot,), notes=notes, head=head)
        head = ""
    pooled, verdict = comparison.deciding, NAMES[comparison.verdict]
    interval = None
    if comparison.verdict == "alike" and isinstance(pooled, MixedContrast):
        interval = pooled.equivalence_interval
    dot = replace(_dot(pooled, ink, interval), mark="diamond")
    label = BOTH if comparison.alone else POOLED
    yield Row(label=label, dots=(dot,), notes=(*_notes(pooled, shown, interval), verdict))


def _dot(found: MixedContrast | NoResult, ink: str, interval: Interval | None = None) -> Dot:
    if isinstance(found, NoResult):
        return Dot(ink=ink)
    return Dot(estimate=found.difference, interval=interval or found.interval, ink=ink)


def _notes(
    found: MixedContrast | NoResult, shown: PooledAttribute, interval: Interval | None = None
) -> tuple[str, ...]:
    if isinstance(found, NoResult):
        return ("no result",)
    digits = wording.estimate_digits(found.difference, found.interval, shown.attribute)
    reach = wording.span(interval or found.interval, shown.attribute)
    level = "" if interval is None else f", {wording.percent(1 - 2 * shown.alpha)}"
    return wording.signed(found.difference, digits), f"{reach}{level}"


def _limits(shown: PooledAttribute) -> tuple[float, float]:
    """Find the ends of the axis: all that kitchens found, of pooled intervals what is near."""
    scale, margin = shown.attribute.scale, shown.attribute.margin or 0.0
    pooled = _found([comparison.deciding for comparison in shown.comparisons])
    seen = [-margin, margin, *_ends(_own(shown)), *(found.difference for found in pooled)]
    low, high = min(seen), max(seen)
    reach = BEYOND * max(-low, high)
    low, high = min(low, *_ends(pooled)), max(high, *_ends(pooled))
    span = max(scale.high - scale.low, margin)
    low, high = max(low, -reach, -span), min(high, reach, span)
    room = max((high - low) * 0.03, span / 50)
    return min(low - room, -room), max(high + room, room)


def _own(shown: PooledAttribute) -> list[MixedContrast]:
    return _found([own.mixed for comparison in shown.comparisons for own in comparison.own])


def _found(contrasts: list[MixedContrast | NoResult]) -> list[MixedContrast]:
    return [found for found in contrasts if isinstance(found, MixedContrast)]


def _ends(contrasts: list[MixedContrast]) -> list[float]:
    return [end for found in contrasts for end in (found.interval.low, found.interval.high)]


def _key(pool: Pool, shown: PooledAttribute, axis: Axis) -> str:
    """Say how to read the chart."""
    control, level = pool.variant(pool.first.control).label, wording.percent(1 - shown.alpha)
    text = (
        f"Dots: each kitchen’s own difference from its control, “{control}”, in points, with its "
        f"own interval. Diamonds: {(POOLED, BOTH)[len(pool.kitchens) == 2].lower()}, pooled, with "
        f"the {level} interval"
    )
    if any(comparison.verdict == "alike" for comparison in shown.comparisons):
        text += f" ({wording.percent(1 - 2 * shown.alpha)} where “alike” was decided)"
    pooled = _found([comparison.deciding for comparison in shown.comparisons])
    ends = _ends([*_own(shown), *pooled])
    cut = any(end != axis.within(end) for end in ends)
    text += ", an arrow where an interval goes on." if cut else "."
    exploratory = "" if shown.primary else "Exploratory: not what the trials were made to answer."
    return " ".join(filter(None, (text, *shaded_words(shown.attribute), exploratory)))
