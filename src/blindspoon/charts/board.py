"""The verdict board as a figure: every variant on every attribute, a word and a mark in each."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise, product

from blindspoon import wording
from blindspoon.charts.axis import Axis
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.outcome import AttributeOutcome, board_title, differences_title
from blindspoon.charts.palette import variant_inks
from blindspoon.charts.scene import Box, Line, Marks, Scene, Shape, Text, block, column, rectangle
from blindspoon.charts.style import Laid, Sheet, key_lines
from blindspoon.charts.svg import inline_svg
from blindspoon.charts.text import text_width, wrap
from blindspoon.findings.comparison import AttributeResult, Other
from blindspoon.trial import Scale

WIDTH, HEIGHT, EDGE = 72.0, 16.0, 4.0


def mark_svg(other: Other, limit: float) -> str:
    """Draw the interval that decides against zero and the margin, without words.

    Screen readers leave it out. `limit` is half the width of the drawing, in points, above 0; see
    `mark_limits`. What reaches beyond it is cut.
    """
    shapes = _mark(other, limit, Box(0, 0, WIDTH, HEIGHT), "ink", 3.5)
    return inline_svg(Scene(width=WIDTH, height=HEIGHT, shapes=tuple(shapes)), "")


def mark_limits(results: Sequence[AttributeResult]) -> dict[str, float]:
    """Find how far from zero, in points, the marks of each attribute reach, by its name.

    Not beyond the scale; attributes of one scale and margin share it.
    """
    reach: dict[tuple[Scale, float | None], float] = {}
    for result in results:
        scale, margin = result.attribute.scale, result.attribute.margin
        kind, ends = (scale, margin), [margin or 0.0]
        for other in result.comparisons:
            ends += [abs(other.interval.low), abs(other.interval.high)] if other.interval else []
            ends += [abs(other.found.difference)] if other.found else []
        reach[kind] = min(
            max(reach.get(kind, 0.0), *ends), max(scale.high - scale.low, margin or 0.0)
        )
    attributes = [result.attribute for result in results]
    return {it.name: reach[it.scale, it.margin] or 1.0 for it in attributes}


def _mark(other: Other, limit: float, box: Box, ink: str, radius: float) -> list[Shape]:
    """Draw an interval against zero and the margin in a box; what reaches beyond is cut."""
    axis = Axis(low=-limit, high=limit, left=box.left + EDGE, right=box.right - EDGE)
    middle, margin, shapes = (box.top + box.bottom) / 2, other.attribute.margin, list[Shape]()
    if margin is not None:
        left, right = (axis.x(axis.within(end)) for end in (-margin, margin))
        shapes.append(rectangle(left, box.top, right, box.bottom, "band"))
    zero = axis.x(0.0)
    shapes.append(Line(points=((zero, box.top), (zero, box.bottom)), ink="edge"))
    if other.interval is not None:
        left, right = (axis.x(axis.within(e)) for e in (other.interval.low, other.interval.high))
        bar = Line(points=((left, middle), (right, middle)), ink=ink, width=radius * 4 / 7)
        shapes.append(bar)
    if other.found is not None:
        centre = (axis.x(axis.within(other.found.difference)), middle)
        shapes.append(Marks(points=(centre,), radius=radius, ink=ink))
    return shapes


GAP, APART = 14.0, 30.0
"""Pixels between columns, and between primary and exploratory ones."""
LABELS, MOST_LABELS = 0.32, 0.42
"""Share of the width that labels may take, with marks in the cells and without."""
LEAST_COLUMN, MARK, SMALL_MARK = 48.0, 150.0, 64.0
"""Narrowest column, widest mark, and a mark beside a word, in pixels."""


def board_chart(outcomes: Sequence[AttributeOutcome]) -> Chart:
    """Draw the verdicts of a trial; one outcome an attribute, at least one, primary ones first."""
    ordered = sorted(outcomes, key=lambda outcome: not outcome.result.primary)
    variants = wording.count(len(ordered[0].others), "variant")
    attributes = wording.count(len(ordered), "attribute")
    return chart_of(
        name="board",
        title=board_title(ordered) if len(ordered) > 1 else differences_title(ordered[0]),
        data=f"the verdicts on {variants} and {attributes}",
        lay=lambda sheet: _Grid(ordered, sheet).lay(),
        source=outcomes[0].source,
    )


class _Grid:
    """Where the columns lie on a sheet, one an attribute, and what stands in them.

    Labels stand over the rows where there is no room beside them; marks over their words, in a
    style for many rows beside them, or they are left out.
    """

    def __init__(self, outcomes: Sequence[AttributeOutcome], sheet: Sheet) -> None:
        style, first = sheet.style, outcomes[0]
        share = LABELS if style.notes else MOST_LABELS
        room = min(style.labels, share * sheet.width) if sheet.beside else sheet.width
        self.outcomes, self.sheet = outcomes, sheet
        self.labels = {
            place: wrap(first.variants[place].label, style.note, room, bold=True)
            for place in first.others
        }
        lines = [line for wrapped in self.labels.values() for line in wrapped]
        widest = max(text_width(line, style.note, bold=True) for line in lines)
        left = GAP + widest if sheet.beside else 0.0
        primary = [outcome.result.primary for outcome in outcomes]
        gaps = [APART if one != other else GAP for one, other in pairwise(primary)]
        self.width = (sheet.width - left - sum(gaps)) / len(outcomes)
        self.lefts = [*accumulate((self.width + gap for gap in gaps), initial=left)]
        # Width and height of a mark; how far right and down of it the words begin.
        tall = 0.7 * style.row
        self.mark, self.words = (min(self.width, MARK), tall), (0.0, tall + 2)
        if not style.notes:
            said = [outcome.word(place) for outcome in outcomes for place in outcome.others]
            widest = max(text_width(word, style.note, bold=True) for word in said)
            fits = self.width >= widest + SMALL_MARK + 8
            self.mark = (SMALL_MARK, tall) if fits else (0.0, 0.0)
            self.words = (SMALL_MARK + 8, 0.0) if fits else (0.0, 0.0)
        self.limits = mark_limits([outcome.result for outcome in outcomes])

    def lay(self) -> Laid:
        """Draw it, from the heads of the columns to the key."""
        first, style = self.outcomes[0], self.sheet.style
        shapes, y = self._head()
        for place in first.others:
            drawn, y = self._row(place, y)
            shapes += drawn
        control = first.variants[first.control].label
        key = f"Each against “{control}”."
        if self.mark[0]:
            margin = any(outcome.attribute.margin is not None for outcome in self.outcomes)
            key = (
                f"Upright line: “{control}”. Dot and bar: the difference and its interval, to the "
                f"right is more.{' Shaded: the margin.' if margin else ''}"
            )
        lines, end = key_lines(key, self.sheet.width, y + 8, style)
        said = [outcome.attribute.label for outcome in self.outcomes]
        for outcome, place in product(self.outcomes, first.others):
            said += [outcome.word(place), outcome.other_word(place)]
        words = {word for text in said for word in text.split(" ")}
        broken = any(text_width(word, style.note, bold=True) > self.width for word in words)
        return Laid(
            scene=Scene(width=self.sheet.width, height=end, shapes=(*shapes, *lines)),
            kind="Board",
            rows=len(first.others),
            cramped=self.width < LEAST_COLUMN or broken,
        )

    def _head(self) -> tuple[list[Shape], float]:
        """Set what the columns are, the primary ones apart, and tell where they end."""
        style, shapes, before = self.sheet.style, list[Shape](), None
        heads = [
            wrap(outcome.attribute.label, style.note, self.width, bold=True)
            for outcome in self.outcomes
        ]
        bottom = style.small + 4 + style.leading * max(map(len, heads))
        for outcome, lines, left in zip(self.outcomes, heads, self.lefts, strict=True):
            if outcome.result.primary != before:
                before = outcome.result.primary
                group = "Primary" if before else "Exploratory"
                shapes.append(Text(x=left, y=style.small, text=group, size=style.small, ink="soft"))
            start = bottom - style.leading * (len(lines) - 1)
            first = Text(x=left, y=start, text="", size=style.note, bold=True)
            shapes += column(lines, first, style.leading)
        return shapes, bottom + 6

    def _row(self, place: int, y: float) -> tuple[list[Shape], float]:
        """Draw one variant under a line: its label, and what was found on each attribute."""
        style, sheet, lines = self.sheet.style, self.sheet, self.labels[place]
        top = y + style.pad + sheet.spare / 2
        first = Text(x=0, y=top + 0.8 * style.leading, text="", size=style.note, bold=True)
        shapes: list[Shape] = [Line(points=((0, y), (sheet.width, y)), ink="hair")]
        shapes += column(lines, first, style.leading)
        ends = [top + style.leading * len(lines)]
        top = top if sheet.beside else ends[0] + 2
        for outcome, left in zip(self.outcomes, self.lefts, strict=True):
            drawn, end = self._cell(outcome, place, left, top)
            shapes += drawn
            ends.append(end)
        end = max(ends) + style.pad + sheet.spare / 2
        primary = sum(outcome.result.primary for outcome in self.outcomes)
        if 0 < primary < len(self.outcomes):  # exploratory attributes are set apart
            x = self.lefts[primary] - APART / 2
            start = (x, y if sheet.beside else top)
            shapes.append(Line(points=(start, (x, end)), ink="edge"))
        return shapes, end

    def _cell(
        self, outcome: AttributeOutcome, place: int, left: float, top: float
    ) -> tuple[list[Shape], float]:
        """Draw a mark and its words, and tell where they end."""
        style, other, (wide, tall) = self.sheet.style, outcome.other(place), self.mark
        shapes = list[Shape]()
        if wide:
            box = Box(left, top, left + wide, top + tall)
            ink = variant_inks(len(outcome.variants), outcome.control)[place]
            limit = self.limits[outcome.attribute.name]
            shapes = _mark(other, limit, box, ink, 0.75 * style.estimate)
        shown = other.verdict in ("different", "slight")
        x, room = left + self.words[0], self.width - self.words[0]
        y, ink = top + self.words[1] + 0.8 * style.leading, "ink" if shown else "soft"
        first = Text(x=x, y=y, text="", size=style.note, bold=shown, ink=ink)
        words = block(outcome.word(place), room, style.leading, first)
        after = Text(x=x, y=words[-1].y + style.leading, text="", size=style.small, ink="soft")
        aside = block(outcome.other_word(place), room, style.leading, after)
        return [*shapes, *words, *aside], (*words, *aside)[-1].y + 0.2 * style.leading
