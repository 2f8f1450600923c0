"""What was picked, a mark each, against luck and the number that was needed; and Wald's lines."""

from collections.abc import Sequence
from functools import partial

import numpy as np

from blindspoon import wording
from blindspoon.charts.axis import Axis, Reference
from blindspoon.charts.chart import Chart
from blindspoon.charts.dots import Dot, DotPlot, Row
from blindspoon.charts.lines import LinePlot, NamedLine, lay_lines
from blindspoon.findings.choices import ChoiceFound, percent
from blindspoon.findings.naming import Naming


def picks_plot(choices: Sequence[ChoiceFound]) -> DotPlot:
    """Rows and axis of all answers; luck and the number needed stand over rows that share them."""
    shared = len({(found.expected, found.needed) for found in choices}) == 1
    rows, lines = list[Row](), tuple[Reference, ...]()
    for found in choices:
        luck = wording.number(found.expected, 1).removesuffix(".0")
        lines = (Reference(found.expected, f"luck: {luck}"),)
        if found.needed is not None:
            lines += (Reference(found.needed, f"needed: {found.needed}", 2.0),)
        dot = Dot(answers=(found.right, found.tests), lines=() if shared else lines)
        notes = [f"{found.right:,} of {found.tests:,}", *(line.words for line in dot.lines)]
        differs = found.verdict in ("different", "slight")
        rows.append(Row(label=found.variant.label, dots=(dot,), notes=tuple(notes), bold=differs))
    axis = Axis(low=0, high=max(found.tests for found in choices), lines=lines * shared, digits=0)
    how = choices[0].choice.how
    was = "is that of most" if choices[0].choice.two_sided else "was right"
    key = "Dashed: what guessing brings on average."
    if any(found.needed is not None for found in choices):
        key += " Solid: from here on it is hardly luck."
    marks = f"Each mark is one answer of a {how.label}: filled where it {was}, open where not."
    bars = f"Thick: every answer of a {how.label} that {was}; thin: the others."
    return DotPlot(
        axes=(axis,),
        rows=tuple(rows),
        key=(f"{marks} {key}", f"{bars} {key}"),
        kind=("Row of marks", "Row of bars"),
    )


LUCK = {
    "different": ", more than luck explains",
    "slight": ", more than luck explains, but only some can tell",
    "alike": ", about what luck brings",
}
BY_VERDICT = {
    ("different", "slight"): "{} could be told from {}",
    ("alike",): "{} came close enough to {}",
    ("open",): "whether {} can be told from {} is not settled",
}


def picks_title(choices: Sequence[ChoiceFound], names: Naming) -> str:
    """State what was found, without a full stop; of one variant how many were right, too."""
    clauses = list[str]()
    for kinds, form in BY_VERDICT.items():
        who = [found.variant for found in choices if found.verdict in kinds]
        if who:
            clauses.append(form.format(names.subject(who), "it" if clauses else names.like))
    if len(choices) == 1:
        (found,) = choices
        luck = ", fewer than luck explains" if found.turned else LUCK.get(found.verdict, "")
        if found.verdict == "alike" and not found.lines:
            can = f"of {found.whose_sets} sets can be told" if found.whose_sets else "can tell"
            luck = f", so at most {percent(found.limit, found.choice.can_tell)} {can}"
        elif found.verdict == "slight" and found.whose_sets:
            luck = f"{LUCK['different']}, but not often"
        two_sided, picked = found.choice.two_sided, found.picked(names)
        did = f"picked {picked} as having more {found.choice.attribute}"
        were = did if two_sided else "was right" if found.right == 1 else "were right"
        clauses[0] += f": {found.right:,} of {found.tests:,} {were}{luck}"
        clauses[0] = "for this taster, " * (found.tasters == 1) + clauses[0]
    return wording.capital("; ".join(clauses))


def picks_chart(choices: Sequence[ChoiceFound], names: Naming, source: str) -> Chart:
    answers = wording.count(sum(found.tests for found in choices), "answer")
    return Chart(
        name="choices",
        title=picks_title(choices, names),
        data=f"{answers} to sets of cups",
        lay=picks_plot(choices).lay,
        source=source,
    )


def lines_chart(found: ChoiceFound, names: Naming, source: str) -> Chart | None:
    """Draw right answers after each test between the lines of the sequential rule, if declared."""
    rule, most = found.lines, found.choice.tests
    if rule is None or most is None:
        return None
    most = min(most, max(2 * found.tests, 20))  # of a long rule only what is near
    ends, right = (0.0, float(most)), [0.0, *np.cumsum(found.path[: found.tests]).tolist()]
    limits = [
        NamedLine(
            label=label,
            points=tuple((x, start + rule.slope * x) for x in ends),
            ink="edge",
            width=1.2,
            bare=True,
        )
        for start, label in ((rule.different, "different"), (rule.alike, "alike"))
    ]
    path = tuple((float(test), float(number)) for test, number in enumerate(right))
    plot = LinePlot(
        head=f"{found.variant.label}, right answers so far",
        under="sets",
        x=ends,
        y=(min(0.0, rule.alike), max(rule.different + rule.slope * most, *right)),
        series=(*limits, NamedLine(label="", points=path, ink="v1")),
        digits=0,
    )
    key = "On the upper line or above it the tasting stops: they can tell. On the lower one: alike."
    sets, this = wording.count(found.tests, "set"), names.subject([found.variant])
    form = next(form for kinds, form in BY_VERDICT.items() if found.verdict in kinds)
    return Chart(
        name=f"{found.variant.name}-sequential",
        title=f"After {sets}, {form.format(this, names.like)}",
        data=f"right answers after each of {sets}",
        lay=partial(lay_lines, [[plot]], key),
        source=source,
    )
