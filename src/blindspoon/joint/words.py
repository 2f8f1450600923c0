"""What is said of all attributes together, in words."""

from __future__ import annotations

from collections.abc import Sequence

from blindspoon import wording
from blindspoon.compare.results import NoResult
from blindspoon.joint.correlations import AttributePair, Correlation
from blindspoon.joint.plane import Direction, Map, Place
from blindspoon.trial import Attribute, Trial

NAMED, MOST_NAMED = 0.5, 3
"""Loadings that give an axis its name: half of the largest at least, and three at most."""


def ends(direction: Direction, trial: Trial) -> tuple[str, str]:
    """Name both ends of an axis by the attributes that make it.

    Returns
    -------
    tuple of str
        "softer and more sour", "crisper and less sour"; the heaviest first.
    """
    largest = max(abs(loading) for loading in direction.loadings.values())
    heavy = sorted(
        (
            (name, loading)
            for name, loading in direction.loadings.items()
            if abs(loading) >= NAMED * largest
        ),
        key=lambda each: -abs(each[1]),
    )[:MOST_NAMED]
    named = [(trial.attribute(name), loading > 0) for name, loading in heavy]
    low = wording.listing(_way(attribute, more=not up) for attribute, up in named)
    return low, wording.listing(_way(attribute, more=up) for attribute, up in named)


def _way(attribute: Attribute, *, more: bool) -> str:
    level = "higher" if more else "lower"
    word = attribute.more if more else attribute.less
    return word or f"{level} on {attribute.label.lower()}"


def furthest(drawn: Map) -> tuple[Place, Place] | None:
    """Find the variants at both ends of the first axis, if their ellipses are apart."""
    order = sorted(drawn.places, key=lambda place: place.x)
    pair = {order[0].variant, order[-1].variant}
    if any({one.variant, two.variant} == pair for one, two in drawn.pairs_apart()):
        return order[0], order[-1]
    return None


def map_finding(drawn: Map, trial: Trial) -> str:
    """State what the first axis shows, without a full stop."""
    low, high = ends(drawn.across, trial)
    pair = furthest(drawn)
    if pair is None:
        return f"The variants lie furthest apart from {low} to {high}"
    one, two = (trial.variant(place.variant).label for place in pair)
    return f"The variants spread most from {low} (“{one}”) to {high} (“{two}”)"


def strongest(pairs: Sequence[AttributePair]) -> list[AttributePair]:
    """Sort pairs by the size of their correlation within variants; those without any are left out.

    Those with one between variants alone come last.
    """
    known = [
        pair
        for pair in pairs
        if isinstance(pair.within, Correlation) or isinstance(pair.between, Correlation)
    ]
    return sorted(known, key=lambda pair: -_size(pair.within))


def _size(found: Correlation | NoResult) -> float:
    return abs(found.r) if isinstance(found, Correlation) else -1.0


def correlations_finding(pairs: Sequence[AttributePair], trial: Trial) -> str:
    """State which attributes went together within a variant, without a full stop."""
    known = [pair for pair in strongest(pairs) if isinstance(pair.within, Correlation)]
    shown = [pair for pair in known if clear(pair.within)]
    if not known:
        return "Within a variant, no correlation could be computed"
    if not shown:
        return "Within a variant, it is not settled which attributes go together"
    clauses = []
    for together, verb in ((True, "went together"), (False, "went against each other")):
        named = [pair for pair in shown if together == (_r(pair.within) > 0)]
        if named:
            clauses.append(f"{_some(named, trial)} {verb}")
    rest = len(known) - len(shown)
    tail = f"; {_others(rest)} could go either way" if rest else ""
    return f"Within a variant, {'; '.join(clauses)}{tail}"


def _others(number: int) -> str:
    return "the other pair" if number == 1 else f"the other {wording.spelled(number)} pairs"


def _some(pairs: Sequence[AttributePair], trial: Trial) -> str:
    if len(pairs) <= MOST_NAMED:
        return ", ".join(pair_words(pair, trial) for pair in pairs)
    return f"{wording.spelled(len(pairs))} pairs of attributes"


def pair_words(pair: AttributePair, trial: Trial) -> str:
    """Name a pair of attributes: "saltiness and sourness"."""
    labels = (trial.attribute(name).label.lower() for name in (pair.first, pair.second))
    return wording.listing(labels)


def clear(found: Correlation | NoResult) -> bool:
    """Whether there is an interval, and zero lies outside."""
    return isinstance(found, Correlation) and found.excludes_zero()


def _r(found: Correlation | NoResult) -> float:
    return found.r if isinstance(found, Correlation) else 0.0
