"""The chart of attributes that go together: a row a pair, two correlations with their intervals."""

from __future__ import annotations

from collections.abc import Sequence

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.layout import (
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
)
from blindspoon.charts.measure import text_width, wrap
from blindspoon.charts.scene import Line, Marks, Scene, Shape, Text, column
from blindspoon.charts.titles import alt
from blindspoon.compare.results import NoResult
from blindspoon.joint.correlations import AttributePair, Correlation
from blindspoon.joint.words import correlations_finding, strongest
from blindspoon.trial import Trial

MOST = 12
"""Pairs that are drawn; further ones are left to the table."""
LABELS, ROW, APART, RADIUS = 190.0, 34.0, 7.0, 4.5
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
    shapes.append(Marks(centres=centres, radius=RADIUS, ink=ink, kind="disc" if disc else "ring"))
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
