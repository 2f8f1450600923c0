"""The chart of the tasters: who sees the variants as the others do."""

from collections.abc import Sequence

import numpy as np

from blindspoon import wording
from blindspoon.charts.axis import Axis
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import MOST_MARKS, Dot, DotPlot, Row
from blindspoon.findings.panel import AttributePanel
from blindspoon.stats.results import NoResult
from blindspoon.trial import Attribute


def alikeness_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw how far each taster sees the variants as the others do, the most agreeing one first.

    None where that is not known of any taster, or of more than `MOST_MARKS`.
    """
    reviews = () if isinstance(found.tasters, NoResult) else found.tasters
    seen = {it.taster: it.correlation for it in reviews}
    known = {taster: it for taster, it in seen.items() if not isinstance(it, NoResult)}
    if not 0 < len(known) <= MOST_MARKS:
        return None
    rows = tuple(
        Row(label=taster, dots=(Dot(estimate=known[taster]),))
        for taster in sorted(known, key=lambda taster: -known[taster])
    )
    axis = Axis(
        low=-1.0,
        high=1.0,
        head="Correlation with the others",
        ends=("the other way round", "alike"),
        reference=0.0,
    )
    key = (
        "How a taster’s means of the variants go with those of all others; 1 is the same pattern, "
        "0 none in common. A taster who differs may well be right."
    )
    tasters = wording.count(len(known), "taster")
    return chart_of(
        name=f"{attribute.name}-tasters",
        title=alikeness_title(attribute, [*known.values()]),
        data=f"{tasters} beside the others",
        on=attribute.label.lower(),
        lay=DotPlot(axes=(axis,), rows=rows, key=(key, key)).lay,
        source=source,
    )


def alikeness_title(attribute: Attribute, seen: Sequence[float]) -> str:
    """State how the middle taster agrees with the others, and who sees it the other way round."""
    label, median = attribute.label.lower(), float(np.median(seen))
    middle = wording.number(median, 2)
    if len(seen) == 1:
        return f"On {label}, one taster could be set beside the others: correlation {middle}"
    turned = sum(correlation < 0 for correlation in seen)
    tail = f"; {wording.spelled(turned)} saw it more the other way round" if turned else ""
    middle += " or more" * (median < 0.995)  # "1.00" has nothing above it
    return f"On {label}, half the tasters have a correlation of {middle} with the others{tail}"
