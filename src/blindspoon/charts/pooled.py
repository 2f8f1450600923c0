"""The chart of several kitchens: what each found of a variant, and what they come to together.

What several kitchens found on one attribute, as the title of a chart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import ASIDE, Crowd, Guides, Row, Size, draw_row
from blindspoon.charts.picture import alt
from blindspoon.charts.scene import Line, Scene, Shape, Text, column
from blindspoon.charts.style import (
    INSET,
    NARROW,
    WIDE,
    Frame,
    Sheet,
    end_words,
    key_lines,
    nice_ticks,
    variant_inks,
)
from blindspoon.charts.text import text_width, wrap
from blindspoon.findings.pool_checks import Pool, PooledAttribute, PooledComparison
from blindspoon.findings.verdict import NAMES
from blindspoon.stats.results import Interval, MixedContrast, NoResult


def forest_title(shown: PooledAttribute, pool: Pool) -> str:
    """State what was found in kitchens like these on one attribute.

    Returns
    -------
    str
        Without a full stop: "In kitchens like these three, “Calcium” was crisper than the
        control; “Vine leaf” was within 1 point of it".
    """
    label, total = shown.attribute.label.lower(), len(shown.comparisons)
    clauses = list[str]()
    for group, verb, phrase in _groups(shown):
        clauses.append(f"{_named(group, pool)} {verb[len(group) > 1]} {phrase}")
    if all(each.verdict == "open" for each in shown.comparisons):
        clauses = [f"nothing is settled on {label}"] if total > 1 else [f"{clauses[0]} on {label}"]
    return f"In kitchens like these {wording.spelled(len(pool.kitchens))}, {'; '.join(clauses)}"


Group = tuple[list[PooledComparison], tuple[str, str], str]


def _groups(shown: PooledAttribute) -> Iterator[Group]:
    """Variants of one finding, the verb for one and for several, and what is said of them."""
    said = False
    for sign in (1, -1):
        group = [each for each in shown.comparisons if _shown_sign(each) == sign]
        if group:
            verb, _, rest = wording.comparative(sign, shown.attribute).partition(" ")
            if all(each.verdict == "slight" for each in group):
                limit = f", by less than {wording.margin(shown.attribute)}"
            else:
                limit = ""
            phrase = rest.partition(" on ")[0].removesuffix(" than") if said else rest
            yield group, _verbs(verb), phrase + ("" if said else " the control") + limit
            said = True
    alike = [each for each in shown.comparisons if each.verdict == "alike"]
    if alike:
        where = "it" if said else f"the control on {shown.attribute.label.lower()}"
        yield alike, _verbs("was"), f"within {wording.margin(shown.attribute)} of {where}"
    unsettled = [each for each in shown.comparisons if each.verdict == "open"]
    if unsettled:
        yield unsettled, _verbs("is"), "not settled"


def _verbs(verb: str) -> tuple[str, str]:
    return verb, {"was": "were", "is": "are"}.get(verb, verb)


def _shown_sign(each: PooledComparison) -> int:
    """Tell the direction of a difference that was shown; 0 where none was."""
    if isinstance(each.pooled, NoResult) or each.verdict not in ("different", "slight"):
        return 0
    return 1 if each.pooled.difference > 0 else -1


def _named(group: list[PooledComparison], pool: Pool) -> str:
    if len(group) > 2:
        return f"{wording.spelled(len(group))} variants"
    return wording.listing(f"“{pool.variant(each.variant).label}”" for each in group)


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
