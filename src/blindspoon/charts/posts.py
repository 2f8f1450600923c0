"""The pictures that people publish beside a report, as files.

A chart of differences, shown step by step: numbered frames for a video.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from blindspoon.charts.board import board_drawing, board_of
from blindspoon.charts.chart import Drawing
from blindspoon.charts.comparisons import differences_drawing
from blindspoon.charts.figure import FORMATS, Stage, fit, png_series, stage, staged
from blindspoon.charts.picture import Picture

BEHIND = {1: 0, 0: 1}
"""What is shown second lies behind what is shown first, and that behind all else."""


def frames(
    picture: Picture, size: str, *, dark: bool = False, source: str, question: str
) -> tuple[Stage, ...]:
    """Draw the frames of a reveal; nothing that was seen moves.

    First the axis under the question, then the control's line and the margin, then one more
    variant in each frame, at last the finding in the place of the question.

    Parameters
    ----------
    picture : Picture
    size : {"video", "square", "tall"}
    dark : bool
    source, question : str

    Returns
    -------
    tuple of Stage
        Three more than there are variants beside the control; none where there is no room.
    """
    drawing, form = differences_drawing(picture), FORMATS[size]
    title = question or picture.attribute.label
    fitted = fit(drawing, form, (title, drawing.title), source=source, question="")
    if fitted is None:
        return ()
    asked, answered = ((*fitted.page.fixed, *head) for head in fitted.page.heads)
    pairs = zip(fitted.body, fitted.laid.steps, strict=True)
    order = sorted(pairs, key=lambda pair: BEHIND.get(pair[1], pair[1]))
    last = max(fitted.laid.steps)
    shown = [tuple(shape for shape, when in order if when <= step) for step in range(last + 1)]
    scenes = [*((*asked, *shapes) for shapes in shown), (*answered, *shown[-1])]
    return tuple(staged(drawing, form, fitted, shapes, dark=dark) for shapes in scenes)


REVEALED = {"video": "frames", "tall": "frames/tall"}
"""Folders of the frames of each size."""


def figure_files(
    pictures: Sequence[Picture], *, question: str, source: str
) -> Iterator[tuple[str, bytes]]:
    """Make every picture of a trial for posts, video and print.

    Parameters
    ----------
    pictures : sequence of Picture
        One an attribute, of the same trial.
    question : str
        What the trial asked; stands over the charts.
    source : str
        The line at the foot of each: who tasted, when, by whom.

    Yields
    ------
    path, data : str, bytes
        ``figures/video/``, ``figures/square/`` and ``figures/tall/`` with ``<name>.png``,
        ``<name>.svg`` and ``<name>-dark.svg``, for video also ``<name>-dark.png``;
        ``figures/print/`` with ``<name>.png`` at 300 dots an inch and ``<name>.svg``;
        ``figures/frames/01.png`` and so on, and ``figures/frames/tall/01.png``. What cannot be
        drawn in a size is left out.
    """
    ordered = sorted(pictures, key=lambda each: not each.result.primary)
    for size in (*FORMATS, "print"):
        for drawing in _drawings(ordered):
            yield from _files(stage(drawing, size, source=source, question=question), size)
        for drawn in boards(ordered, size, source=source, question=question):
            yield from _files(drawn, size)
    for head in [each for each in ordered if each.result.comparisons][:1]:
        for size, folder in REVEALED.items():
            shown = frames(head, size, question=question, source=source)
            for number, data in enumerate(png_series(shown), 1):
                yield f"figures/{folder}/{number:02d}.png", data


def _drawings(pictures: Sequence[Picture]) -> list[Drawing]:
    return [differences_drawing(each) for each in pictures if each.result.comparisons]


def boards(pictures: Sequence[Picture], size: str, *, source: str, question: str) -> list[Stage]:
    """Draw the board; shared out over several where its columns would be too narrow.

    Of one attribute the chart of differences says it all.
    """
    compared = [each for each in pictures if each.result.comparisons]
    for several in range(1, len(compared) + 1) if len(compared) > 1 else ():
        across = math.ceil(len(compared) / several)
        parts = [compared[first : first + across] for first in range(0, len(compared), across)]
        drawings = (board_drawing(board_of(part)) for part in parts)
        drawn = [stage(each, size, source=source, question=question) for each in drawings]
        if several == 1 and drawn[0] is not None:
            return [drawn[0]]
        if all(drawn):
            return [
                replace(each, name=f"{each.name}-{number}")
                for number, each in enumerate(filter(None, drawn), 1)
            ]
    return []


def _files(drawn: Stage | None, size: str) -> Iterator[tuple[str, bytes]]:
    """Write a picture: for paper light only, for posts dark as SVG only."""
    if drawn is not None:
        stem = f"figures/{size}/{drawn.name}"
        yield f"{stem}.svg", drawn.svg
        yield f"{stem}.png", drawn.png
    if drawn is not None and size != "print":
        dark = replace(drawn, dark=True)
        yield f"{stem}-dark.svg", dark.svg
        if size == "video":
            yield f"{stem}-dark.png", dark.png
