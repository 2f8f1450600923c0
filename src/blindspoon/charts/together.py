"""The map of the variants: where each lies on two axes of equal units, and how sure that is.

The chart of attributes that go together: a row a pair, two correlations with their intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from blindspoon import wording
from blindspoon.charts.axis import RADIUS, Name, Plane, names_beside, plane_for
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.picture import alt
from blindspoon.charts.scene import Area, Line, Marks, Point, Scene, Shape, Text, column
from blindspoon.charts.style import (
    INSET,
    LEADING,
    NARROW,
    NOTE,
    SMALL,
    WIDE,
    Frame,
    Sheet,
    end_words,
    key_lines,
    nice_ticks,
    variant_inks,
)
from blindspoon.charts.text import text_width, wrap
from blindspoon.findings.multivariate import (
    AttributePair,
    Correlation,
    correlations_finding,
    ends,
    map_finding,
    strongest,
)
from blindspoon.findings.variant_map import Map, Place
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial

MOST = 12
"""Pairs that are drawn; further ones are left to the table."""
LABELS, ROW, APART, DOT_RADIUS = 190.0, 34.0, 7.0, 4.5
TICKS = (-1.0, -0.5, 0.0, 0.5, 1.0)


def correlations_chart(pairs: Sequence[AttributePair], trial: Trial) -> Chart | None:
    """Draw how attributes go together.

    Parameters
    ----------
    pairs : sequence of AttributePair
    trial : Trial
        Gives the attributes their labels.

    Returns
    -------
    Chart or None
        None where no pair has a correlation.
    """
    shown = strongest(pairs)[:MOST]
    if not shown:
        return None
    title = correlations_finding(pairs, trial)
    data = f"the correlations of {wording.count(len(shown), 'pair')} of attributes"
    return chart_of(
        name="correlations",
        title=title,
        alt=alt("Interval plot", data, title),
        wide=correlations_scene(shown, trial, WIDE),
        narrow=correlations_scene(shown, trial, NARROW),
        source=", ".join(part for part in (f"“{trial.title}”", trial.host) if part),
    )


def correlations_scene(pairs: Sequence[AttributePair], trial: Trial, sheet: Sheet) -> Scene:
    """Set a row a pair on the axis from -1 to 1."""
    labels = [_label(pair, trial, sheet) for pair in pairs]
    widest = max(text_width(line, NOTE) for lines in labels for line in lines)
    left = INSET + (widest + 16 if sheet.beside else 0)
    frame = Frame(sheet=sheet, left=left, right=sheet.width - INSET, low=-1.0, high=1.0)
    edges = (frame.left - INSET, frame.right + INSET)
    words, rows = end_words(("one up, the other down", "up and down together"), NOTE, edges, NOTE)
    y = LEADING * rows + 4
    shapes: list[Shape] = [*words]
    for pair, lines in zip(pairs, labels, strict=True):
        drawn, y = _row(pair, lines, frame, y)
        shapes += drawn
    ticked, y = _axis(frame, y)
    keyed, y = key_lines(KEY, sheet.width, y + 8)
    return Scene(width=sheet.width, height=round(y), shapes=(*shapes, *ticked, *keyed))


KEY = (
    "Correlations with 95 % intervals. Full dot: within a variant, whether a taster who scores a "
    "cup higher than expected on one attribute does so on the other. Ring: between variants, of "
    "their means; few variants make these intervals wide."
)


def _label(pair: AttributePair, trial: Trial, sheet: Sheet) -> tuple[str, ...]:
    one, two = (trial.attribute(name).label for name in (pair.first, pair.second))
    return wrap(f"{one} and {two.lower()}", NOTE, LABELS if sheet.beside else sheet.width)


def _row(
    pair: AttributePair, lines: tuple[str, ...], frame: Frame, y: float
) -> tuple[list[Shape], float]:
    """Draw one pair of attributes from y downwards, and tell where the next begins."""
    tall = LEADING * len(lines)
    beside = frame.sheet.beside
    high = max(ROW, tall + 6) if beside else ROW
    top = y if beside else y + tall
    middle = top + high / 2
    first = middle - tall / 2 + NOTE if beside else y + NOTE
    shapes: list[Shape] = [*column(lines, Text(x=0, y=first, text="", size=NOTE), LEADING)]
    for tick in TICKS:
        x, ink = frame.x(tick), "hair" if tick else "edge"
        shapes.append(Line(start=(x, top), end=(x, top + high), ink=ink))
    shapes += _interval(pair.within, frame, middle - APART, "disc")
    shapes += _interval(pair.between, frame, middle + APART, "ring")
    return shapes, top + high


def _interval(found: Correlation | NoResult, frame: Frame, y: float, kind: str) -> list[Shape]:
    if isinstance(found, NoResult):
        return []
    ink, shapes = "ink" if kind == "disc" else "people", list[Shape]()
    if found.interval is not None:
        low, high = (frame.x(end) for end in found.interval)
        shapes.append(Line(start=(low, y), end=(high, y), ink=ink, width=2))
    centres = ((frame.x(found.r), y),)
    disc = kind == "disc"
    shapes.append(
        Marks(centres=centres, radius=DOT_RADIUS, ink=ink, kind="disc" if disc else "ring")
    )
    return shapes


def _axis(frame: Frame, y: float) -> tuple[list[Shape], float]:
    shapes: list[Shape] = []
    for tick in TICKS:
        words = wording.plain(tick)
        half = text_width(words, SMALL) / 2
        x = min(max(frame.x(tick), half), frame.sheet.width - half)
        shapes.append(
            Text(x=x, y=y + 3 + SMALL, text=words, size=SMALL, ink="soft", anchor="middle")
        )
    return shapes, y + SMALL + 8


CORNERS, STROKE, EDGE = 48, 1.6, 0.04
"""Corners of an ellipse's outline, its width in pixels, and room around all of them."""


def map_chart(drawn: Map, trial: Trial) -> Chart:
    """Draw a map of the variants.

    Parameters
    ----------
    drawn : Map
    trial : Trial
        Gives the variants their labels and colours, and the attributes their words.
    """
    title = map_finding(drawn, trial)
    data = f"{wording.count(len(drawn.places), 'variant')} by their mean profiles"
    return chart_of(
        name="map",
        title=title,
        alt=alt("Map", data, f"{title}; {_apart_words(drawn)}"),
        wide=map_scene(drawn, trial, WIDE),
        narrow=map_scene(drawn, trial, NARROW),
        source=", ".join(part for part in (f"“{trial.title}”", trial.host) if part),
    )


def map_scene(drawn: Map, trial: Trial, sheet: Sheet) -> Scene:
    """Set the marks and ellipses between the words of both axes, names beside them."""
    names = _names(drawn, trial)
    (left, right), (down, up) = ends(drawn.across, trial), ends(drawn.up, trial)
    over, top = _centred(f"↑ {up}", names, sheet, NOTE)
    plane = _equal(drawn.places, plane_for(names, sheet, top, (0, 1), (0, 1)))
    under, y = _centred(f"↓ {down}", names, sheet, plane.bottom + LEADING + 2)
    sides, lines = end_words(
        (f"← {left}", f"{right} →"), SMALL, (plane.left - INSET, plane.right + INSET), y + 2
    )
    bar, y = _scale_bar(drawn, plane, y + 2 + LEADING * lines)
    keyed, y = key_lines(_key(drawn, trial), sheet.width, y + 8)
    shapes = (
        *_cross(plane),
        *(
            _outline(place, plane, name.ink)
            for place, name in zip(drawn.places, names, strict=True)
        ),
        *names_beside(plane, names, sheet),
        *(mark for name in _control_last(names) for mark in _mark(name, plane)),
        *(*over, *under, *sides, *bar, *keyed),
    )
    return Scene(width=sheet.width, height=round(y), shapes=shapes)


def _names(drawn: Map, trial: Trial) -> list[Name]:
    inks = variant_inks(len(trial.variants), trial.control_index)
    order = [variant.name for variant in trial.variants]
    return [
        Name(
            words=trial.variant(place.variant).label
            + (" (control)" if place.variant == trial.control else ""),
            ink=inks[order.index(place.variant)],
            kind="diamond" if place.variant == trial.control else "disc",
            at=(place.x, place.y),
        )
        for place in drawn.places
    ]


def _control_last(names: Sequence[Name]) -> list[Name]:
    return sorted(names, key=lambda name: name.kind == "diamond")


def _equal(places: Sequence[Place], plane: Plane) -> Plane:
    """Give both axes the same unit, and the plot the height that this needs."""
    plane = replace(plane, left=INSET)
    wide, least = plane.right - plane.left, plane.bottom - plane.top
    x, y = (_reach(places, axis) for axis in (0, 1))
    tall = min(max(wide * (y[1] - y[0]) / (x[1] - x[0]), least), max(wide, least))
    unit = max((x[1] - x[0]) / wide, (y[1] - y[0]) / tall)
    return replace(
        plane, bottom=plane.top + tall, x=_widened(x, unit * wide), y=_widened(y, unit * tall)
    )


def _reach(places: Sequence[Place], axis: int) -> tuple[float, float]:
    """Find the ends of an axis that hold every ellipse and the middle, with some room."""
    sizes = [math.sqrt(place.shape[axis, axis]) for place in places]
    values = [float(place.centre[axis]) for place in places]
    low = min(0.0, *(value - size for value, size in zip(values, sizes, strict=True)))
    high = max(0.0, *(value + size for value, size in zip(values, sizes, strict=True)))
    more = EDGE * (high - low) + 1e-9
    return low - more, high + more


def _widened(ends: tuple[float, float], length: float) -> tuple[float, float]:
    middle = (ends[0] + ends[1]) / 2
    return middle - length / 2, middle + length / 2


def _cross(plane: Plane) -> list[Shape]:
    """Draw a line across and one upright through the mean of all variants."""
    x, y = plane.point(0, 0)
    return [
        Line(start=(plane.left - INSET, y), end=(plane.right + INSET, y), ink="hair"),
        Line(start=(x, plane.top), end=(x, plane.bottom), ink="hair"),
    ]


def _outline(place: Place, plane: Plane, ink: str) -> Area:
    """Draw the line around an ellipse as one filled band, out along it and back inside."""
    long, short, turned = place.ellipse()
    unit = (plane.right - plane.left) / (plane.x[1] - plane.x[0])
    centre = plane.point(place.x, place.y)
    outer, inner = (
        _corners(centre, max(long * unit + more, 0.0), max(short * unit + more, 0.0), turned)
        for more in (STROKE / 2, -STROKE / 2)
    )
    return Area(corners=(*outer, *reversed(inner)), ink=ink)


def _corners(centre: Point, long: float, short: float, turned: float) -> list[Point]:
    cos, sin = math.cos(math.radians(turned)), math.sin(math.radians(turned))
    angles = [2 * math.pi * corner / CORNERS for corner in range(CORNERS + 1)]
    along = [(long * math.cos(angle), short * math.sin(angle)) for angle in angles]
    return [(centre[0] + a * cos - b * sin, centre[1] - a * sin - b * cos) for a, b in along]


def _mark(name: Name, plane: Plane) -> tuple[Marks, Marks]:
    at = (plane.point(*name.at),)
    return (
        Marks(centres=at, radius=RADIUS + 2.5, ink="ground", kind=name.kind),
        Marks(centres=at, radius=RADIUS + 1, ink=name.ink, kind=name.kind),
    )


def _centred(
    words: str, names: Sequence[Name], sheet: Sheet, y: float
) -> tuple[tuple[Text, ...], float]:
    """Set words over or under the middle of a plot, and tell where the next line may stand."""
    plane = plane_for(names, sheet, y, (0, 1), (0, 1))
    middle = plane.right / 2 + INSET / 2
    first = Text(x=middle, y=y, text="", size=SMALL, ink="soft", anchor="middle")
    lines = column(wrap(words, SMALL, plane.right), first, LEADING)
    return lines, lines[-1].y + LEADING


def _scale_bar(drawn: Map, plane: Plane, y: float) -> tuple[list[Shape], float]:
    """Draw a line of a round length in the unit of the map."""
    span = plane.x[1] - plane.x[0]
    ticks, digits = nice_ticks(0.0, span, 5)
    length = ticks[1]
    left = plane.left - INSET
    right = left + length / span * (plane.right - plane.left)
    value = wording.number(length, digits)
    plain = "point" if length == 1 else "points"
    words = f"{value} {plain}" if drawn.in_points else f"{value} % of the scale"
    return [
        Line(start=(left, y), end=(right, y), ink="ink", width=2),
        Text(x=right + 8, y=y + 4, text=words, size=SMALL, ink="soft"),
    ], y + 8


def _key(drawn: Map, trial: Trial) -> str:
    """Say how to read the map."""
    control = any(place.variant == trial.control for place in drawn.places)
    diamond = " The diamond is the control." if control else ""
    across, up = (whole_percent(axis.share) for axis in (drawn.across, drawn.up))
    return (
        f"Each mark is a variant’s mean profile; the lines cross at the mean of all.{diamond} Its "
        "ellipse is where it may lie for tasters like these (95 %, one variant at a time). Across "
        f"carries {across} of what separates the means, up and down {up}."
    )


def whole_percent(share: float) -> str:
    """Write a share that is only an estimate: without decimals."""
    return f"{wording.number(100 * share, 0)}{wording.NO_BREAK}%"


def _apart_words(drawn: Map) -> str:
    """Count the pairs of ellipses that do not meet, for people who do not see them."""
    total = len(drawn.places) * (len(drawn.places) - 1) // 2
    number = len(drawn.pairs_apart())
    return f"the ellipses of {wording.count(number, 'pair')} of {total:,} do not overlap"
