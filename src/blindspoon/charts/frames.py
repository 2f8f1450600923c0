"""A chart of differences, shown step by step: numbered frames for a video."""

from __future__ import annotations

from blindspoon.charts.differences import differences_drawing
from blindspoon.charts.fitting import fit
from blindspoon.charts.formats import FORMATS
from blindspoon.charts.picture import Picture
from blindspoon.charts.stage import Stage, staged

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
