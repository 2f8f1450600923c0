"""The charts of the panel: scale use, likeness and repeats of tasters."""

from collections.abc import Sequence

import numpy as np

from blindspoon import wording
from blindspoon.charts.axis import Axis
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import MOST_MARKS, Dot, DotPlot, Row
from blindspoon.findings.panel import AttributePanel, TasterReview
from blindspoon.stats.results import Interval, NoResult
from blindspoon.trial import Attribute

SEEN, OWN = "Correlation with the others", "Spread of own repeats, in points"
_KEYS = {
    SEEN: "how a taster’s means of the variants go with those of all others; 1 is the same "
    "pattern, 0 none in common.",
    OWN: "the standard deviation of a taster’s scores of the same variant.",
}


def scale_use_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw which part of the scale each taster fills; None where single ones are not described.

    Above `MOST_MARKS` tasters they have no names: three densities show their lowest, mean and
    highest scores.
    """
    reviews = _reviews(found)
    if not reviews:
        return None
    scale, ends = attribute.scale, (attribute.low, attribute.high)
    head = f"{attribute.label}, in points"
    axis = Axis(low=scale.low, high=scale.high, head=head, ends=ends, step=scale.step)
    uses, rows, kind = [review.scale_use for review in reviews], list[Row](), "Range plot"
    key = (
        "Each dot is a taster’s mean score; the thin line runs from their lowest score to "
        "their highest, the thick one a standard deviation to either side of the mean."
    )
    if len(reviews) > MOST_MARKS:
        kind, digits = "Dot plot", wording.digits_for(scale)
        number = f"How one number a taster spreads over {len(uses):,} tasters"
        key = f"{number}: the density. The dot is its mean."
        rows = [
            _density(f"{name.capitalize()} score", [getattr(use, name) for use in uses], digits)
            for name in ("lowest", "mean", "highest")
        ]
    for review in sorted(reviews, key=lambda review: -review.scale_use.mean) if not rows else ():
        use, thick = review.scale_use, None
        if not isinstance(use.sd, NoResult):
            low, high = max(use.mean - use.sd, use.lowest), min(use.mean + use.sd, use.highest)
            thick = Interval(low, high)
        whole = Interval(use.lowest, use.highest)
        dot = Dot(estimate=use.mean, interval=whole, thick=thick, ink="people")
        rows.append(Row(label=review.taster, dots=(dot,)))
    tasters = wording.count(len(reviews), "taster")
    return chart_of(
        name=f"{attribute.name}-scale-use",
        title=scale_use_title(attribute, reviews),
        data=f"the scores of {tasters} on {attribute.label.lower()}",
        lay=DotPlot(axes=(axis,), rows=tuple(rows), key=(key, key), kind=kind).lay,
        source=source,
    )


def scale_use_title(attribute: Attribute, reviews: Sequence[TasterReview]) -> str:
    """State between which means the tasters lie."""
    label, digits = attribute.label.lower(), wording.digits_for(attribute.scale)
    if len(reviews) == 1:
        use = reviews[0].scale_use
        low, high = wording.plain(use.lowest), wording.plain(use.highest)
        return f"This taster’s {label} scores run from {low} to {high}"
    means = [review.scale_use.mean for review in reviews]
    low, high = (wording.number(end, digits) for end in (min(means), max(means)))
    if low == high:
        return f"All tasters have a mean {label} score of {low}"
    return f"Tasters’ mean {label} scores run from {low} to {high}"


def _reviews(found: AttributePanel) -> tuple[TasterReview, ...]:
    return () if isinstance(found.tasters, NoResult) else found.tasters


def _density(label: str, values: Sequence[float], digits: int) -> Row:
    people = np.array(values)
    middle = float(people.mean())
    note = f"mean {wording.number(middle, digits)}"
    return Row(label=label, dots=(Dot(estimate=middle, people=people),), notes=(note,))


def alikeness_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw how far each taster sees the variants as the others do, and repeats their own scores.

    None where neither is known of any taster. Above `MOST_MARKS` tasters a density shows the first.
    """
    reviews = _reviews(found)
    seen = [it.correlation for it in reviews if not isinstance(it.correlation, NoResult)]
    own = [it.repeatability_sd for it in reviews if not isinstance(it.repeatability_sd, NoResult)]
    many, axes = len(reviews) > MOST_MARKS, list[Axis]()
    if seen:
        ends = ("the other way round", "alike")
        axes.append(Axis(low=-1.0, high=1.0, head=SEEN, ends=ends, reference=0.0))
    if own and not many:
        axes.append(Axis(low=0.0, high=1.08 * max(own) or 1.0, head=OWN, ends=("exact", "wide")))
    if not axes:
        return None
    if many:
        key = (
            f"How {len(seen):,} tasters’ means of the variants go with those of all others; 1 is "
            "the same pattern, 0 none in common. The dot is the mean."
        )
        row = _density("All tasters", seen, 2)
        plot = DotPlot(axes=tuple(axes), rows=(row,), key=(key, key))
    else:
        plot = _alike_plot(reviews, tuple(axes))
    tasters = wording.count(len(reviews), "taster")
    return chart_of(
        name=f"{attribute.name}-tasters",
        title=alikeness_title(attribute, seen, own),
        data=f"{tasters} beside the others and beside themselves on {attribute.label.lower()}",
        lay=plot.lay,
        source=source,
    )


def alikeness_title(attribute: Attribute, seen: Sequence[float], own: Sequence[float]) -> str:
    """State how the middle taster agrees with the others, and who sees it the other way round.

    From the correlations of tasters with the others; where there are none, how their repeats
    spread.
    """
    label = attribute.label.lower()
    if not seen:
        digits = wording.digits_for(attribute.scale)
        low, high = (wording.number(end, digits) for end in (min(own), max(own)))
        reach = f"by {low}" if low == high else f"by {low} to {high}"
        whose = "One taster’s" if len(own) == 1 else "Tasters’"
        return f"{whose} repeats of the same variant spread {reach} points on {label}"
    median = float(np.median(seen))
    middle = wording.number(median, 2)
    turned = sum(correlation < 0 for correlation in seen)
    tail = f"; {wording.spelled(turned)} saw it more the other way round" if turned else ""
    if len(seen) == 1:
        return f"On {label}, one taster could be set beside the others: correlation {middle}"
    middle += " or more" * (median < 0.995)  # "1.00" has nothing above it
    return f"On {label}, half the tasters have a correlation of {middle} with the others{tail}"


def _alike_plot(reviews: Sequence[TasterReview], axes: tuple[Axis, ...]) -> DotPlot:
    """Set the tasters from the most agreeing one on; those without a correlation come last."""
    rows = []
    for review in reviews:
        found = {SEEN: review.correlation, OWN: review.repeatability_sd}
        known = {head: None if isinstance(it, NoResult) else it for head, it in found.items()}
        dots = tuple(Dot(estimate=known[axis.head]) for axis in axes)
        first = 2.0 if isinstance(review.correlation, NoResult) else -review.correlation
        rows.append((first, Row(label=review.taster, dots=dots)))
    ordered = tuple(row for _, row in sorted(rows, key=lambda pair: pair[0]))
    said = [_KEYS[axis.head] for axis in axes]
    if len(said) == 2:
        said = [f"{side}: {text}" for side, text in zip(("Left", "Right"), said, strict=True)]
    if any(dot.estimate is None for row in ordered for dot in row.dots):
        said.append("No dot where it is not known.")
    if axes[0].head == SEEN:
        said.append("A taster who differs may well be right.")
    key = " ".join(map(wording.capital, said))
    return DotPlot(axes=axes, rows=ordered, key=(key, key))
