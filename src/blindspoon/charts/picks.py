"""What was picked, a mark each, against luck and the number that was needed; and Wald's lines."""

from collections.abc import Sequence
from functools import partial

import numpy as np

from blindspoon import wording
from blindspoon.charts.axis import Axis, axis_numbers, padded
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.lines import LinePlot, NamedLine, lay_lines
from blindspoon.charts.scene import (
    INSET,
    LABEL,
    LEADING,
    NOTE,
    Laid,
    Line,
    Marks,
    Scene,
    Shape,
    Sheet,
    Text,
    block,
    key_lines,
    rectangle,
    text_width,
)
from blindspoon.findings.choices import ChoiceFound, percent
from blindspoon.findings.comparison import Naming

LARGEST, LEAST = 7.0, 1.5
"""Radius of a mark, and the one below which a bar stands for the marks, in pixels."""


def lay_picks(choices: Sequence[ChoiceFound], key: str, sheet: Sheet) -> Laid:
    """Set a row a variant under one another over one axis of answers.

    A mark for each answer, the right ones first; a bar where they are too many.
    """
    pad, most = sheet.style.pad, max(found.tests for found in choices)
    axis = Axis(low=0, high=most, left=INSET, right=sheet.width - INSET, whole=True)
    radius = min(LARGEST, 0.42 * (axis.x(1) - axis.x(0)))
    shapes, y = list[Shape](), 0.0
    for found in choices:
        first = Text(x=0, y=y + LABEL, size=LABEL, bold=True)
        head = block(found.variant.label, sheet.width, first)
        words, y = _limits(found, axis, sheet, head[-1].y + pad)
        bottom = y + 2 * max(radius, 6.0) + 2 * pad + sheet.spare
        luck, middle = axis.x(found.expected), (y + bottom) / 2
        dashed = Line(points=((luck, y), (luck, bottom)), ink="edge", dashed=True)
        shapes += [*head, *words, dashed]
        if found.needed is not None:
            x = axis.x(found.needed)
            shapes.append(Line(points=((x, y), (x, bottom)), ink="ink", width=2.0))
        if radius < LEAST:
            start, turn, end = map(axis.x, (0, found.right, found.tests))
            shapes.append(rectangle(start, middle - 5, turn, middle + 5, "v1"))
            shapes.append(rectangle(turn, middle - 1, end, middle + 1, "edge"))
        else:
            places = tuple((axis.x(number + 0.5), middle) for number in range(found.tests))
            right, wrong = places[: found.right], places[found.right :]
            rings = Marks(points=wrong, radius=radius, ink="people", kind="ring")
            shapes += [Marks(points=right, radius=radius, ink="v1")] if right else []
            shapes += [rings] if wrong else []
        y = bottom + LEADING / 2
    numbers, y = axis_numbers(axis, y, sheet.width)
    lines, y = key_lines(key, sheet.width, y + 8)
    scene = Scene(width=sheet.width, height=round(y), shapes=(*shapes, *numbers, *lines))
    return Laid(scene=scene, kind="Row of marks", rows=len(choices))


def _limits(found: ChoiceFound, axis: Axis, sheet: Sheet, y: float) -> tuple[list[Text], float]:
    """Name the lines of luck and of the number needed, under one another where they would meet."""
    size, luck = NOTE, wording.number(found.expected, 1).removesuffix(".0")
    named = [(found.expected, f"luck: {luck}", False)]
    if found.needed is not None:
        named.append((found.needed, f"needed: {found.needed}", True))
    texts = list[Text]()
    for value, words, bold in named:
        half = text_width(words, size, bold=bold) / 2
        x = min(max(axis.x(value), half), sheet.width - half)
        text = Text(x=x, y=y + size, text=words, size=size, anchor="middle", bold=bold)
        meets = any(padded(text).overlaps(other.box) for other in texts)
        texts.append(text.moved(0, LEADING * meets))
    return texts, texts[-1].y + sheet.style.pad / 2


LUCK = {
    "different": ", more than luck explains",
    "slight": ", more than luck explains, but only some can tell",
    "alike": ", about what luck brings",
    "open": "",
}
TOLD = {
    ("different", "slight"): "{} could be told from {}",
    ("alike",): "{} came close enough to {}",
    ("open",): "whether {} can be told from {} is not settled",
}


def picks_title(choices: Sequence[ChoiceFound], names: Naming) -> str:
    """State what was found, without a full stop; of one variant how many were right, too."""
    said = list[str]()
    for kinds, form in TOLD.items():
        who = [names.short(found.variant) for found in choices if found.verdict in kinds]
        if who:
            said.append(
                form.format(wording.listing(who), "it" if said else names.short(names.control))
            )
    if len(choices) == 1:
        (found,) = choices
        luck = ", fewer than luck explains" if found.turned else LUCK[found.verdict]
        if found.verdict == "alike" and not found.lines:
            luck = f", so at most {percent(found.limit, found.choice.can_tell)} can tell"
        two_sided, picked = found.choice.two_sided, names.short(found.picked(names))
        did = f"picked {picked} as having more {found.choice.attribute}"
        were = did if two_sided else "was right" if found.right == 1 else "were right"
        said[0] += f": {found.right} of {found.tests} {were}{luck}"
        said[0] = "for this taster, " * (found.tasters == 1) + said[0]
    return wording.capital("; ".join(said))


def picks_chart(choices: Sequence[ChoiceFound], names: Naming, source: str) -> Chart:
    """Draw every answer to every set, right or wrong."""
    how = choices[0].choice.how
    was = "is that of most" if choices[0].choice.two_sided else "was right"
    key = (
        f"Each mark is one answer of a {how.label}: filled where it {was}, open where not. "
        "Dashed: what guessing brings on average."
    )
    if any(found.needed is not None for found in choices):
        key += " Solid: from here on it is hardly luck."
    answers = wording.count(sum(found.tests for found in choices), "answer")
    return chart_of(
        name="choices",
        title=picks_title(choices, names),
        data=f"{answers} to sets of cups",
        lay=partial(lay_picks, choices, key),
        source=source,
    )


ENDS = {
    "different": "they can tell",
    "alike": "it counts as alike",
    "open": "it is between the lines",
}


def lines_chart(found: ChoiceFound, source: str) -> Chart | None:
    """Draw right answers after each test between the lines of the sequential rule, if declared."""
    rule, most = found.lines, found.choice.tests
    if rule is None or most is None:
        return None
    ends, right = (0.0, float(most)), [0.0, *np.cumsum(found.path[: found.tests]).tolist()]
    limits = [
        NamedLine(
            label=label,
            points=tuple((x, start + rule.slope * x) for x in ends),
            ink="edge",
            width=1.2,
        )
        for start, label in ((rule.different, "different"), (rule.alike, "alike"))
    ]
    path = tuple((float(test), float(number)) for test, number in enumerate(right))
    plot = LinePlot(
        head=f"“{found.variant.label}”",
        under="tests",
        x=ends,
        y=(min(0.0, rule.alike), max(rule.different + rule.slope * most, *right)),
        series=(*limits, NamedLine(label="right so far", points=path, ink="v1")),
        whole=True,
    )
    key = "On the upper line or above it the tasting stops: they can tell. On the lower one: alike."
    return chart_of(
        name=f"{found.variant.name}-sequential",
        title=f"After {wording.count(found.tests, 'set')} {ENDS[found.verdict]}",
        data=f"right answers after each of {wording.count(found.tests, 'test')}",
        lay=partial(lay_lines, [[plot]], key),
        source=source,
    )
