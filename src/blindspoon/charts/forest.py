"""The chart of several kitchens: what each found of a variant, and what they come to together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.forest_title import forest_title
from blindspoon.charts.layout import (
    INSET,
    NARROW,
    WIDE,
    Frame,
    Sheet,
    end_words,
    key_lines,
    nice_ticks,
)
from blindspoon.charts.measure import text_width, wrap
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.people import Size
from blindspoon.charts.rows import ASIDE, Crowd, Guides, Row, draw_row
from blindspoon.charts.scene import Line, Scene, Shape, Text, column
from blindspoon.charts.titles import alt
from blindspoon.compare.results import Interval, MixedContrast, NoResult
from blindspoon.kitchens.results import Pool, PooledAttribute, PooledComparison
from blindspoon.verdict import NAMES

TICKS = 6
LABELS, NUMBERS = 170.0, 150.0
"""Widest columns of words beside the rows, in pixels."""
ROWS = replace(WIDE.style, least=0.0, under=0.0, pad=10.0, labels=LABELS, numbers=NUMBERS)
"""Nobody stands on the base line of a kitchen, so its interval lies on it."""
BEYOND = 1.5
"""How far a pooled interval is drawn, in units of what the kitchens' own reach; then an arrow."""
POOLED = "Kitchens like these"


@dataclass(frozen=True, slots=True, kw_only=True)
class Forest:
    """Panels and axis, before the size of the page is known.

    Parameters
    ----------
    panels : tuple of (str, tuple of Row)
        A heading and the rows of each variant, the pooled one last.
    low, high : float
        Ends of the axis, in points.
    ends : tuple of str
        Words at both ends of the axis.
    guides : Guides
    key : str
        How to read the chart.
    """

    panels: tuple[tuple[str, tuple[Row, ...]], ...]
    low: float
    high: float
    ends: tuple[str, str]
    guides: Guides
    key: str


def forest_chart(pool: Pool, attribute: str | None = None) -> Chart | None:
    """Draw each kitchen's difference and the pooled one, a panel a variant.

    Parameters
    ----------
    pool : Pool
    attribute : str, optional
        The first primary one that is pooled where it is left out, else the first.

    Returns
    -------
    Chart or None
        None where no variant is pooled on the attribute.
    """
    shown = _shown(pool, attribute)
    if shown is None:
        return None
    forest, title = forest_of(pool, shown), forest_title(shown, pool)
    label = shown.attribute.label.lower()
    kitchens = wording.count(len(pool.kitchens), "kitchen")
    data = f"the differences from the control that {kitchens} found on {label}"
    return chart_of(
        name=f"{shown.attribute.name}-kitchens",
        title=title,
        alt=alt("Forest plot", data, title),
        wide=forest_scene(forest, WIDE),
        narrow=forest_scene(forest, NARROW),
        source=_source(pool),
    )


def forest_of(pool: Pool, shown: PooledAttribute) -> Forest:
    """Gather what is drawn of one attribute: rows, axis and words."""
    names = [variant.name for variant in pool.variants]
    inks = variant_inks(len(names), names.index(pool.first.control))
    panels = tuple(
        (pool.variant(each.variant).label, _rows(shown, each, inks[names.index(each.variant)]))
        for each in shown.comparisons
    )
    margin = shown.attribute.margin
    low, high = _limits(shown)
    less, more = wording.directions(shown.attribute)
    return Forest(
        panels=panels,
        low=low,
        high=high,
        ends=(f"← {less}", f"{more} →"),
        guides=Guides(
            reference=0.0,
            words="same as the control",
            band=None if margin is None else Interval(-margin, margin),
        ),
        key=_key(pool, shown),
    )


def forest_scene(forest: Forest, sheet: Sheet) -> Scene:
    """Set the panels under one another, over one axis."""
    frame = _frame(forest, replace(sheet, style=ROWS))
    shapes, y = _header(forest, frame)
    for heading, rows in forest.panels:
        drawn, y = _panel(heading, rows, forest.guides, frame, y)
        shapes += drawn
    drawn, y = _axis(forest, frame, y + 4)
    lines, end = key_lines(forest.key, sheet.width, y + 8)
    return Scene(width=sheet.width, height=round(end), shapes=(*shapes, *drawn, *lines))


def _shown(pool: Pool, attribute: str | None) -> PooledAttribute | None:
    pooled = [each for each in pool.attributes if each.comparisons]
    if attribute is not None:
        return next((each for each in pooled if each.attribute.name == attribute), None)
    return next((each for each in pooled if each.primary), pooled[0] if pooled else None)


def _rows(shown: PooledAttribute, each: PooledComparison, ink: str) -> tuple[Row, ...]:
    pooled = _row(POOLED, each.pooled, shown, ink)
    verdict = NAMES[each.verdict]
    last = replace(
        pooled,
        mark="diamond",
        inner=_equivalence(each.pooled, shown),
        notes=(*pooled.notes, verdict),
        aside=f"{pooled.aside}, {verdict}",
    )
    return (*(_row(own.kitchen, own.mixed, shown, ink) for own in each.own), last)


def _row(label: str, found: MixedContrast | NoResult, shown: PooledAttribute, ink: str) -> Row:
    if isinstance(found, NoResult):
        words = "no result"
    else:
        digits = wording.estimate_digits(found.difference, found.interval, shown.attribute)
        reach = wording.span(found.interval, shown.attribute).replace(" ", wording.NO_BREAK)
        words = f"{wording.signed(found.difference, digits)} ({reach})"
    return Row(
        label=label,
        notes=(words,),
        aside=words,
        short=(words,),
        values=np.empty(0),
        ink=ink,
        estimate=None if isinstance(found, NoResult) else found.difference,
        outer=None if isinstance(found, NoResult) else found.interval,
    )


def _equivalence(pooled: MixedContrast | NoResult, shown: PooledAttribute) -> Interval | None:
    if isinstance(pooled, NoResult) or shown.attribute.margin is None:
        return None
    return pooled.equivalence_interval


def _limits(shown: PooledAttribute) -> tuple[float, float]:
    """Find the ends of the axis: all that kitchens found, of pooled intervals what is near."""
    scale, margin = shown.attribute.scale, shown.attribute.margin or 0.0
    own, pooled = _own(shown), _pooled(shown)
    seen = [-margin, margin, *_values(own), *(e.difference for e in _found(pooled))]
    low, high = min(seen), max(seen)
    reach = BEYOND * max(-low, high)
    low, high = (f([end, *_values(pooled)]) for f, end in ((min, low), (max, high)))
    span = max(scale.high - scale.low, margin)
    low, high = max(low, -reach, -span), min(high, reach, span)
    room = max((high - low) * 0.03, span / 50)
    return min(low - room, -room), max(high + room, room)


def _own(shown: PooledAttribute) -> list[MixedContrast | NoResult]:
    return [own.mixed for each in shown.comparisons for own in each.own]


def _pooled(shown: PooledAttribute) -> list[MixedContrast | NoResult]:
    return [each.pooled for each in shown.comparisons]


def _found(contrasts: list[MixedContrast | NoResult]) -> list[MixedContrast]:
    return [each for each in contrasts if isinstance(each, MixedContrast)]


def _values(contrasts: list[MixedContrast | NoResult]) -> list[float]:
    return [end for e in _found(contrasts) for end in (e.interval.low, e.interval.high)]


def _frame(forest: Forest, sheet: Sheet) -> Frame:
    left, right = INSET, sheet.width - INSET
    if sheet.beside:
        rows = [row for _, each in forest.panels for row in each]
        labels = [text_width(row.label, ROWS.label, bold=True) for row in rows]
        notes = [text_width(note, ROWS.note, bold=True) for row in rows for note in row.notes]
        left += min(LABELS, max(labels)) + ASIDE
        right -= min(NUMBERS, max(notes)) + ASIDE
    return Frame(sheet=sheet, left=left, right=right, low=forest.low, high=forest.high)


def _header(forest: Forest, frame: Frame) -> tuple[list[Shape], float]:
    """Words over the axis: what the line through the rows stands for, and both directions."""
    words, size = forest.guides.words, ROWS.note
    half = text_width(words, size) / 2
    place = min(max(frame.x(0.0), half), frame.sheet.width - half)
    middle = Text(x=place, y=size + ROWS.leading, text=words, size=size, anchor="middle")
    sides = (frame.left - INSET, frame.right + INSET)
    ends, lines = end_words(forest.ends, size, sides, size, ROWS.leading)
    down = ROWS.leading * (lines - 1)
    return [*ends, middle.moved(0, down)], size + ROWS.leading + down + 8


def _panel(
    heading: str, rows: tuple[Row, ...], guides: Guides, frame: Frame, y: float
) -> tuple[list[Shape], float]:
    """Draw one variant from y downwards, and tell where it ends."""
    shapes: list[Shape] = [Line(start=(0, y + 8), end=(frame.sheet.width, y + 8), ink="hair")]
    first = Text(x=0, y=y + 12 + ROWS.leading, text="", size=ROWS.label + 1, bold=True)
    shapes += column(
        wrap(heading, first.size, frame.sheet.width, bold=True), first, ROWS.leading + 2
    )
    y = shapes[-1].box.bottom + 2
    for row in rows:
        drawn = draw_row(row, None, guides, frame, Crowd(size=Size(0.0, 1)), y)
        shapes += [*drawn.behind, *drawn.shapes]
        y = drawn.bottom
    return shapes, y


def _axis(forest: Forest, frame: Frame, y: float) -> tuple[list[Shape], float]:
    values, digits = nice_ticks(forest.low, forest.high, TICKS)
    shapes: list[Shape] = []
    for value in values:
        x, words = frame.x(value), wording.signed(value, digits)
        half = text_width(words, ROWS.small) / 2
        place = min(max(x, half), frame.sheet.width - half)
        under = Text(x=place, y=y + 5 + ROWS.small, text=words, size=ROWS.small, ink="soft")
        shapes.append(Line(start=(x, y), end=(x, y + 4), ink="edge"))
        shapes.append(replace(under, anchor="middle"))
    return shapes, y + ROWS.small + 9


def _key(pool: Pool, shown: PooledAttribute) -> str:
    """Say how to read the chart."""
    low, high = _limits(shown)
    control, level = pool.variant(pool.first.control).label, wording.percent(1 - shown.alpha)
    parts = [
        f"Dots: each kitchen’s own difference from its control, “{control}”, in points, with its "
        "own interval. Diamonds: kitchens like these, pooled by one mixed model, with the "
        f"{level} interval"
    ]
    if shown.attribute.margin is not None:
        inner = wording.percent(1 - 2 * shown.alpha)
        parts[0] += f", thick where it is the {inner} interval that decides “alike”"
    cut = any(end < low or end > high for end in _values([*_own(shown), *_pooled(shown)]))
    parts[0] += ", an arrow where an interval goes on." if cut else "."
    if shown.attribute.margin is not None:
        parts.append(f"Shaded: within the margin of {wording.margin(shown.attribute)}.")
    if not shown.primary:
        parts.append("Exploratory: not what the trials were made to answer.")
    return " ".join(parts)


def _source(pool: Pool) -> str:
    titles = dict.fromkeys(f"“{kitchen.trial.title}”" for kitchen in pool.kitchens)
    names = wording.listing(kitchen.name for kitchen in pool.kitchens)
    return f"{wording.listing(titles)}, tasted in {names}"
