"""The charts of single tasters: which scale they use, how alike they see and repeat.

The chart of the place of a cup in its order: whether early cups score otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import MOST_MARKS, Guides, Row, Strip, draw
from blindspoon.charts.ladder import Ladder, Rung, Track, ladder_scene
from blindspoon.charts.picture import alt
from blindspoon.charts.style import NARROW, WIDE, nice_ticks
from blindspoon.findings.panel_results import AttributePanel, Effect, OrderEffect, TasterReview
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.two_way import LEVEL
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


SEEN, OWN = "Correlation with the others", "Spread of own repeats, in points"
_KEYS = {
    SEEN: "how a taster’s means of the variants go with those of all others; 1 is the same "
    "pattern, 0 none in common.",
    OWN: "the standard deviation of a taster’s scores of the same variant.",
}


def scale_use_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw which part of the scale each taster fills.

    Parameters
    ----------
    attribute : Attribute
    found : AttributePanel
    source : str
        Where the data come from.

    Returns
    -------
    Chart or None
        None where single tasters are not described. Above `MOST_MARKS` tasters they have no names:
        three hills show their lowest, mean and highest scores.
    """
    reviews = _reviews(found)
    if not reviews:
        return None
    title, many = scale_use_title(attribute, reviews), len(reviews) > MOST_MARKS
    strip, ladder = _use_strip(attribute, reviews), _use_ladder(attribute, reviews)
    tasters = wording.count(len(reviews), "taster")
    return chart_of(
        name=f"{attribute.name}-scale-use",
        title=title,
        alt=alt(
            "Density plot" if many else "Range plot",
            f"the scores of {tasters} on {attribute.label.lower()}",
            title,
        ),
        wide=draw(strip, WIDE) if many else ladder_scene(ladder, WIDE),
        narrow=draw(strip, NARROW) if many else ladder_scene(ladder, NARROW),
        source=source,
    )


def scale_use_title(attribute: Attribute, reviews: Sequence[TasterReview]) -> str:
    """State between which means the tasters lie."""
    label, digits = attribute.label.lower(), wording.digits_for(attribute.scale)
    if len(reviews) == 1:
        use = reviews[0].scale_use
        low, high = wording.plain(use.lowest), wording.plain(use.highest)
        return f"This taster’s {label} scores run from {low} to {high}"
    means = [each.scale_use.mean for each in reviews]
    low, high = (wording.number(end, digits) for end in (min(means), max(means)))
    if low == high:
        return f"All tasters have a mean {label} score of {low}"
    return f"Tasters’ mean {label} scores run from {low} to {high}"


def _reviews(found: AttributePanel) -> tuple[TasterReview, ...]:
    return () if isinstance(found.tasters, NoResult) else found.tasters


def _use_ladder(attribute: Attribute, reviews: Sequence[TasterReview]) -> Ladder:
    ordered = sorted(reviews, key=lambda each: -each.scale_use.mean)
    scale = attribute.scale
    return Ladder(
        labels=tuple(each.taster for each in ordered),
        tracks=(
            Track(
                head=f"{attribute.label}, in points",
                ends=(attribute.low, attribute.high),
                low=scale.low,
                high=scale.high,
                rungs=tuple(_used(each) for each in ordered),
            ),
        ),
        key="Each dot is a taster’s mean score; the thin line runs from their lowest score to "
        "their highest, the thick one a standard deviation to either side of the mean.",
    )


def _used(review: TasterReview) -> Rung:
    use = review.scale_use
    thick = None
    if not isinstance(use.sd, NoResult):
        low, high = max(use.mean - use.sd, use.lowest), min(use.mean + use.sd, use.highest)
        thick = Interval(low, high)
    return Rung(value=use.mean, thin=Interval(use.lowest, use.highest), thick=thick)


def _use_strip(attribute: Attribute, reviews: Sequence[TasterReview]) -> Strip:
    uses = [each.scale_use for each in reviews]
    digits, scale = wording.digits_for(attribute.scale), attribute.scale
    rows = (
        ("Lowest score", [use.lowest for use in uses]),
        ("Mean score", [use.mean for use in uses]),
        ("Highest score", [use.highest for use in uses]),
    )
    key = f"Each hill shows how one number a taster spreads over {len(uses):,} tasters; the dot is "
    return _strip(
        tuple(_hill(name, np.array(values), digits) for name, values in rows),
        (scale.low, scale.high),
        scale.step,
        (attribute.low, attribute.high),
        f"{key}its mean.",
    )


def _hill(name: str, values: FloatArray, digits: int) -> Row:
    middle = float(values.mean())
    words = f"mean {wording.number(middle, digits)}"
    return Row(label=name, notes=(words,), aside=words, values=values, ink="ink", estimate=middle)


def _strip(
    rows: tuple[Row, ...],
    limits: tuple[float, float],
    step: float,
    ends: tuple[str, str],
    key: str,
) -> Strip:
    values, digits = nice_ticks(*limits, 6)
    return Strip(
        rows=rows,
        low=limits[0],
        high=limits[1],
        step=step,
        ends=ends,
        guides=Guides(reference=None),
        ticks=tuple((value, wording.number(value, digits)) for value in values),
        key=key,
        brief=(key, key),
    )


def alikeness_chart(attribute: Attribute, found: AttributePanel, source: str) -> Chart | None:
    """Draw how far each taster sees the variants as the others do, and repeats their own scores.

    Parameters
    ----------
    attribute : Attribute
    found : AttributePanel
    source : str
        Where the data come from.

    Returns
    -------
    Chart or None
        None where neither is known of any taster. Above `MOST_MARKS` tasters a hill shows the
        first.
    """
    reviews = _reviews(found)
    tracks = tuple(filter(None, (_seen_track(reviews), _own_track(reviews))))
    if not tracks or (len(reviews) > MOST_MARKS and tracks[0].head != SEEN):
        return None
    title, many = alikeness_title(attribute, reviews), len(reviews) > MOST_MARKS
    strip, ladder = _seen_strip(reviews), _alike_ladder(reviews, tracks)
    tasters = wording.count(len(reviews), "taster")
    return chart_of(
        name=f"{attribute.name}-tasters",
        title=title,
        alt=alt(
            "Density plot" if many else "Dot plot",
            f"{tasters} beside the others and beside themselves on {attribute.label.lower()}",
            title,
        ),
        wide=draw(strip, WIDE) if many and strip else ladder_scene(ladder, WIDE),
        narrow=draw(strip, NARROW) if many and strip else ladder_scene(ladder, NARROW),
        source=source,
    )


def alikeness_title(attribute: Attribute, reviews: Sequence[TasterReview]) -> str:
    """State how the middle taster agrees with the others, and who sees it the other way round."""
    label = attribute.label.lower()
    seen = _correlations(reviews)
    if not seen:
        own = [
            each.repeatability_sd for each in reviews if isinstance(each.repeatability_sd, float)
        ]
        digits = wording.digits_for(attribute.scale)
        low, high = (wording.number(end, digits) for end in (min(own), max(own)))
        reach = f"by {low}" if low == high else f"by {low} to {high}"
        whose = "This taster’s" if len(reviews) == 1 else "Tasters’"
        return f"{whose} repeats of the same variant spread {reach} points on {label}"
    middle = wording.number(float(np.median(seen)), 2)
    turned = sum(each < 0 for each in seen)
    tail = f"; {wording.spelled(turned)} saw it more the other way round" if turned else ""
    if len(seen) == 1:
        return f"On {label}, one taster could be set beside the others: correlation {middle}"
    return (
        f"On {label}, half the tasters have a correlation of {middle} or more with the others{tail}"
    )


def _correlations(reviews: Sequence[TasterReview]) -> list[float]:
    return [each.correlation for each in reviews if isinstance(each.correlation, float)]


def _known(value: float | NoResult) -> Rung:
    return Rung(value=None if isinstance(value, NoResult) else value)


def _seen_track(reviews: Sequence[TasterReview]) -> Track | None:
    seen = _correlations(reviews)
    if not seen:
        return None
    return Track(
        head=SEEN,
        ends=("the other way round", "alike"),
        low=-1.0,
        high=1.0,
        rungs=tuple(_known(each.correlation) for each in _by_agreement(reviews)),
        reference=0.0,
    )


def _own_track(reviews: Sequence[TasterReview]) -> Track | None:
    own = [each.repeatability_sd for each in reviews if isinstance(each.repeatability_sd, float)]
    if not own:
        return None
    return Track(
        head=OWN,
        ends=("exact", "wide"),
        low=0.0,
        high=1.08 * max(own) or 1.0,
        rungs=tuple(_known(each.repeatability_sd) for each in _by_agreement(reviews)),
    )


def _by_agreement(reviews: Sequence[TasterReview]) -> list[TasterReview]:
    """Sort from the most agreeing taster on; those without a correlation come last."""
    return sorted(
        reviews,
        key=lambda each: 2.0 if isinstance(each.correlation, NoResult) else -each.correlation,
    )


def _alike_ladder(reviews: Sequence[TasterReview], tracks: tuple[Track, ...]) -> Ladder:
    said = [_KEYS[track.head] for track in tracks]
    if len(said) == 2:
        said = [f"{side}: {text}" for side, text in zip(("Left", "Right"), said, strict=True)]
    if any(rung.value is None for track in tracks for rung in track.rungs):
        said.append("No dot where it is not known.")
    if tracks[0].head == SEEN:
        said.append("A taster who differs may well be right.")
    return Ladder(
        labels=tuple(each.taster for each in _by_agreement(reviews)),
        tracks=tracks,
        key=" ".join(f"{text[:1].upper()}{text[1:]}" for text in said),
    )


def _seen_strip(reviews: Sequence[TasterReview]) -> Strip | None:
    seen = np.array(_correlations(reviews))
    if not seen.size:
        return None
    return _strip(
        (_hill(SEEN, seen, 2),),
        (-1.0, 1.0),
        0.0,
        ("the other way round", "alike"),
        f"The hill shows how {seen.size:,} tasters’ means of the variants go with those of all "
        "others; 1 is the same pattern, 0 none in common. The dot is the mean.",
    )
