"""The chart of the place of a cup in its order: whether early cups score otherwise."""

from __future__ import annotations

from blindspoon import wording
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.ladder import Ladder, Rung, Track, ladder_scene
from blindspoon.charts.layout import NARROW, WIDE
from blindspoon.charts.people import MOST_MARKS
from blindspoon.charts.titles import alt
from blindspoon.compare.results import Interval, NoResult
from blindspoon.panel import AttributePanel
from blindspoon.panel.results import LEVEL, Effect, OrderEffect
from blindspoon.trial import Attribute


def places_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw how far the cups at each place lie from the mean of all places.

    Parameters
    ----------
    attribute : Attribute
    found : AttributePanel
    source : str
        Where the data come from.

    Returns
    -------
    Chart or None
        None where it cannot be estimated, or the places are more than `MOST_MARKS`.
    """
    if isinstance(found.position, NoResult) or len(found.position.effects) > MOST_MARKS:
        return None
    title, ladder = places_title(attribute, found.first_cup), _ladder(attribute, found.position)
    cups = wording.count(sum(each.cups for each in found.position.effects), "cup")
    return chart_of(
        name=f"{attribute.name}-places",
        title=title,
        alt=alt("Interval plot", f"the places of {cups} on {attribute.label.lower()}", title),
        wide=ladder_scene(ladder, WIDE),
        narrow=ladder_scene(ladder, NARROW),
        source=source,
    )


def places_title(attribute: Attribute, first: Effect | NoResult) -> str:
    """State what the first cup does, without a full stop."""
    label = attribute.label.lower()
    if isinstance(first, NoResult):
        return f"What the place of a cup does to {label}"
    if not first.interval.excludes_zero():
        return f"It is not settled whether a first cup scores differently on {label}"
    phrase = wording.comparative(first.effect, attribute)
    size = wording.points(first.effect, attribute, first.interval)
    return f"The first cup {phrase} later ones, by about {size}"


def _ladder(attribute: Attribute, found: OrderEffect) -> Ladder:
    ends = [end for each in found.effects for end in (each.interval.low, each.interval.high)]
    margin, scale = attribute.margin, attribute.scale
    least = max(margin or 0.0, (scale.high - scale.low) / 20)
    reach = 1.05 * max(least, *(abs(end) for end in ends))
    shaded = f" Shaded: within the margin of {wording.margin(attribute)}." if margin else ""
    less, more = wording.directions(attribute)
    return Ladder(
        labels=tuple(f"Cup {each.label}" for each in found.effects),
        tracks=(
            Track(
                head="Distance from the mean of all places, in points",
                ends=(f"← {less}", f"{more} →"),
                low=-reach,
                high=reach,
                rungs=tuple(Rung(value=each.effect, thin=each.interval) for each in found.effects),
                reference=0.0,
                band=None if margin is None else Interval(-margin, margin),
                signed=True,
            ),
        ),
        key=f"Dots: the place of a cup in its order, the variants and the tasters’ levels allowed "
        f"for, with {wording.percent(LEVEL)} intervals, each on its own.{shaded} Exploratory.",
    )
