"""What people publish beside a report: charts in sizes for posts, and frames of a reveal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from blindspoon.charts.board import board_chart
from blindspoon.charts.comparisons import differences_chart
from blindspoon.charts.figure import FORMATS, POSTED, Figure, figure_of, fit, pictured, png_series
from blindspoon.charts.outcome import AttributeOutcome

BEHIND = {1: 0, 0: 1}
"""What is shown second lies behind what is shown first, and that behind all else."""


def frames(
    outcome: AttributeOutcome, size: str, *, dark: bool = False, source: str, question: str
) -> tuple[Figure, ...]:
    """Draw the frames of a reveal; nothing that was seen moves.

    First the axis under the question, then the control's line and the margin, then one more
    variant in each frame, at last the finding in the place of the question.

    Returns
    -------
    tuple of Figure
        Three more than there are variants beside the control; none where there is no room.
    """
    chart, form = differences_chart(outcome), FORMATS[size]
    title = question or outcome.attribute.label
    fitted = fit(chart, form, (title, chart.title), source=source, question="")
    if fitted is None:
        return ()
    page, laid = fitted
    asked, answered = ((*page.fixed, *head) for head in page.heads)
    pairs = zip(page.body(laid), laid.steps, strict=True)
    order = sorted(pairs, key=lambda pair: BEHIND.get(pair[1], pair[1]))
    last = max(laid.steps)
    shown = [tuple(shape for shape, when in order if when <= step) for step in range(last + 1)]
    scenes = [*((*asked, *shapes) for shapes in shown), (*answered, *shown[-1])]
    return tuple(pictured(chart, laid, page.scene(shapes), form, dark=dark) for shapes in scenes)


REVEALED = {"frames": "video", "frames/tall": "tall"}
"""Folders of frames, and the size of each."""
SIZES = ("preview", *POSTED, "print", *REVEALED)
"""All that `figure_files` makes pictures for."""
Drawn = tuple[str, bytes | None]
"""The path of a picture; None, with the path short of its ending, where there is no room for it."""


def figure_files(
    outcomes: Sequence[AttributeOutcome], size: str, *, question: str, source: str
) -> Iterator[Drawn]:
    """Make every picture of a trial in one size.

    Parameters
    ----------
    outcomes : sequence of AttributeOutcome
        One an attribute, of the same trial.
    size : str
        One of `SIZES`.
    question : str
        What the trial asked; stands over the charts.
    source : str
        The line at the foot of each: who tasted, when, by whom.

    Yields
    ------
    path, data : str, bytes or None
        ``figures/video/``, ``figures/square/`` and ``figures/tall/`` with ``<name>.png``,
        ``<name>.svg`` and ``<name>-dark.svg``, for video also ``<name>-dark.png``;
        ``figures/print/`` with ``<name>.png`` at 300 dots an inch and ``<name>.svg``;
        ``figures/frames/01.png`` and so on, and ``figures/frames/tall/01.png``; ``preview.png``
        of the first attribute.
    """
    ordered = sorted(outcomes, key=lambda outcome: not outcome.result.primary)
    compared = [outcome for outcome in ordered if outcome.result.comparisons]
    if size in REVEALED:
        for head in compared[:1]:
            shown = frames(head, REVEALED[size], question=question, source=source)
            for number, data in enumerate(png_series(shown), 1):
                yield f"figures/{size}/{number:02d}.png", data
            if not shown:
                yield f"figures/{size}/frames", None
        return
    for outcome in compared[:1] if size == "preview" else compared:
        chart = differences_chart(outcome)
        figure = figure_of(chart, size, source=source, question=question)
        yield from sized_files(figure, size, chart.name)
    if len(compared) > 1 and size != "preview":
        drawn = boards(compared, size, source=source, question=question)
        for board in drawn or (None,):
            yield from sized_files(board, size, "board")


def boards(
    compared: Sequence[AttributeOutcome], size: str, *, source: str, question: str
) -> list[Figure]:
    """Draw the board; shared out over several where its columns would be too narrow.

    The outcomes have comparisons.
    """
    for several in range(1, len(compared) + 1):
        across = math.ceil(len(compared) / several)
        charts = [
            board_chart(compared[first : first + across])
            for first in range(0, len(compared), across)
        ]
        drawn = [figure_of(chart, size, source=source, question=question) for chart in charts]
        if several == 1 and drawn[0] is not None:
            return [drawn[0]]
        if all(drawn):
            return [
                replace(figure, name=f"{figure.name}-{number}")
                for number, figure in enumerate(filter(None, drawn), 1)
            ]
    return []


def sized_files(figure: Figure | None, size: str, name: str) -> Iterator[Drawn]:
    """Write a picture, for paper light only, for posts dark as SVG only; None if there is none."""
    if figure is None:
        yield "preview" if size == "preview" else f"figures/{size}/{name}", None
        return
    if size == "preview":
        yield "preview.png", figure.png
        return
    stem = f"figures/{size}/{figure.name}"
    yield f"{stem}.svg", figure.svg
    yield f"{stem}.png", figure.png
    if size != "print":
        dark = replace(figure, dark=True)
        yield f"{stem}-dark.svg", dark.svg
        if size == "video":
            yield f"{stem}-dark.png", dark.png
