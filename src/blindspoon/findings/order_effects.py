"""Whether the place of a cup, or what was tasted before it, moved its score."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.findings.panel_results import Effect, OrderEffect
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import NoResult
from blindspoon.stats.two_way import Factor, Fit, FTest, equations, f_test, occurring

NO_POSITIONS = NoResult("It is not known at which place each cup was served.")
ONE_PLACE = NoResult("Every cup has the same place.")
NOT_VARIED = NoResult(
    "The orders do not vary enough to tell the place of a cup from what was in it."
)
NOT_CROSSED = NoResult(
    "The orders do not vary enough to tell what was tasted before a cup from its place and from "
    "what was in it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sittings:
    """Where each serving stood in its taster's session.

    Parameters
    ----------
    sitting : int array, shape (n_servings,)
        A number for each taster and session.
    position : int array, shape (n_servings,)
        From 1; 0 where it is not known.
    before : int array, shape (n_servings,)
        The variant tasted just before; -1 at the first place, and where it is not known.
    linked : bool array, shape (n_servings,)
        Whether the cup before is known, or there was none.
    """

    sitting: IntArray
    position: IntArray
    before: IntArray
    linked: BoolArray


def seat(table: ScoreTable) -> Sittings:
    """Find every serving's sitting and the variant before it."""
    sitting, position = table.taster * len(table.sessions) + table.session, table.position
    spot = sitting * (int(position.max(initial=0)) + 1) + position
    order = np.argsort(spot, kind="stable")
    found = np.minimum(np.searchsorted(spot[order], spot - 1), max(spot.size - 1, 0))
    at = order[found]
    has = (position > 1) & (spot[at] == spot - 1)
    return Sittings(
        sitting=sitting,
        position=position,
        before=np.where(has, table.variant[at], -1),
        linked=has | (position == 1),
    )


def position_effect(
    score: FloatArray, variant: IntArray, variants: int, sittings: Sittings
) -> tuple[OrderEffect | NoResult, Effect | NoResult]:
    """Estimate what the place of a cup does to its score.

    Parameters
    ----------
    score : float array, shape (n_servings,)
        NaN where none was given.
    variant : int array, shape (n_servings,)

    Returns
    -------
    every : OrderEffect or NoResult
        Each place against the mean of all.
    first : Effect or NoResult
        The first place minus the mean of the later ones.

    Notes
    -----
    Least squares of ``score ~ sitting + variant + place``, a sitting being one taster's session.
    """
    used = np.isfinite(score) & (sittings.position > 0)
    if not used.any():
        return NO_POSITIONS, NO_POSITIONS
    places, code = occurring(sittings.position[used])
    if places.size < 2:
        return ONE_PLACE, ONE_PLACE
    base, place = Factor(variant[used], variants), Factor(code, places.size)
    found = _tested(score[used], sittings.sitting[used], (base,), place, NOT_VARIED)
    if isinstance(found, NoResult):
        return found, found
    test, whole = found
    effects = _effects(whole, place, tuple(map(str, places)))
    every = OrderEffect(test=test, effects=effects)
    if places[0] != 1:
        return every, NoResult("No cup has the first place.")
    weights = np.zeros(whole.estimates.size)
    weights[-place.levels :] = -1 / (place.levels - 1)
    weights[-place.levels] = 1.0
    estimate, interval = whole.contrast(weights)
    return every, replace(effects[0], effect=estimate, interval=interval)


def carry_over(
    score: FloatArray, variant: IntArray, names: tuple[str, ...], sittings: Sittings
) -> OrderEffect | NoResult:
    """Estimate what the variant tasted just before does to a score.

    Parameters
    ----------
    score : float array, shape (n_servings,)
        NaN where none was given.
    variant : int array, shape (n_servings,)
    names : tuple of str
        Of the variants.

    Notes
    -----
    Least squares of ``score ~ sitting + variant + place + variant before``: the first-order
    residual effects of E. J. Williams 1949, Aust. J. Sci. Res. A 2:149.
    """
    used = np.isfinite(score) & sittings.linked
    seen, before = occurring(sittings.before[used] + 1)
    labels = tuple(names[code - 1] for code in seen if code > 0)
    if not labels:
        placed = (sittings.position > 0).any()
        lacking = NoResult("It is not known what was tasted just before each cup.")
        return lacking if placed else NO_POSITIONS
    if len(labels) < 2:
        return NOT_CROSSED
    places, place = occurring(sittings.position[used])
    known = (Factor(variant[used], len(names)), Factor(place, places.size))
    last = Factor(before - int(seen[0] == 0), len(labels))
    found = _tested(score[used], sittings.sitting[used], known, last, NOT_CROSSED)
    if isinstance(found, NoResult):
        return found
    test, whole = found
    return OrderEffect(test=test, effects=_effects(whole, last, labels))


def _tested(
    score: FloatArray,
    block: IntArray,
    known: tuple[Factor, ...],
    factor: Factor,
    tangled: NoResult,
) -> tuple[FTest, Fit] | NoResult:
    """Test one factor over others, all of its levels being told from them."""
    found = equations(score, block, *known, factor)
    without, whole = found.solve(-factor.levels), found.solve()
    df = whole.rank - without.rank
    if df < factor.levels - 1:
        return tangled
    test = f_test(without.rss - whole.rss, df, whole.rss, whole.df)
    return test if isinstance(test, NoResult) else (test, whole)


def _effects(whole: Fit, factor: Factor, labels: tuple[str, ...]) -> tuple[Effect, ...]:
    """Set the levels of the last factor of a fit against their mean."""
    cups = np.bincount(factor.code[factor.code >= 0], minlength=factor.levels)
    effects = []
    for level, label in enumerate(labels):
        weights = np.zeros(whole.estimates.size)
        weights[-factor.levels :] = -1 / factor.levels
        weights[level - factor.levels] += 1
        effect, interval = whole.contrast(weights)
        effects.append(Effect(label=label, cups=int(cups[level]), effect=effect, interval=interval))
    return tuple(effects)
