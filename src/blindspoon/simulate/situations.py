"""Situations of simulated tastings, and what is truly so in each on its rounded, bounded scale."""

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, stdtr

from blindspoon.arrays import FloatArray
from blindspoon.findings.comparison import By
from blindspoon.stats.assumptions import AT_THE_END, WIDER
from blindspoon.trial import Scale

TEN = Scale(low=0, high=10, step=1)
TENTHS = Scale(low=0, high=10, step=0.1)
HUNDRED = Scale(low=0, high=100, step=1)
FIVE = Scale(low=1, high=5, step=1)
BOTH: tuple[By, ...] = ("mixed", "ranks")

Truth = Literal["none", "one", "all"]
"""Which variants truly differ from the control, each by exactly one margin."""

TRUTHS: tuple[Truth, ...] = ("none", "one", "all")


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """How the tasters of a simulated trial score; points.

    A score is a level, plus a taster's own level, plus a taster's own opinion of the variant, plus
    what the session does to the variant and to the taster, plus what its jar and its kitchen are
    off, plus what the place of the cup adds, plus what the cup adds; rounded to the scale's step
    and kept within its ends. Serving orders are drawn as `blind` draws them.

    - `name`, `says`: lower-case letters, digits and hyphens; one plain sentence for the reader
    - `scale`: with a step above 0; the control's level is the middle
    - `moves_sd`, `sitting_sd`: what sessions do to a variant, which adds up to nothing over them,
      so that the difference on these days is the one that is given; and what they do to a taster
    - `tails`: of what a cup adds; "t" is Student's with 3 degrees of freedom, times `cup_sd`
    - `missing`: share of the cups whose score is missing, each by its own chance
    - `first`: what the first cup of a session gets on top, whatever is in it
    - `control_spread`, `last_spread`: how many times wider the cups of the control, or of the last
      variant, scatter
    - `without`: variants that a taster does not get in a session; the control is never one
    - `jars`, `jar_sd`: of every variant, and how far they are off
    - `these`: whether what jars are off adds up to nothing over those of a variant, so that the
      difference of these jars is the one that is given, and not only that of the method
    - `kitchens`, `kitchen_sd`, `odd_kitchen_sd`: repeats that are pooled; the SD of what a kitchen
      makes of a variant, and that of the first variant after the control. The tasters are those of
      one kitchen
    """

    name: str
    says: str
    scale: Scale = TEN
    margin: float = 1.5
    cup_sd: float = 1.2
    taster_sd: float = 1.2
    opinion_sd: float = 0.0
    moves_sd: float = 0.0
    sitting_sd: float = 0.0
    tails: Literal["normal", "t"] = "normal"
    sessions: int = 1
    missing: float = 0.0
    first: float = 0.0
    control_spread: float = 1.0
    last_spread: float = 1.0
    without: int = 0
    jars: int = 1
    jar_sd: float = 0.0
    these: bool = False
    kitchens: int = 1
    kitchen_sd: float = 0.0
    odd_kitchen_sd: float = 0.0

    @property
    def by(self) -> tuple[By, ...]:
        """The procedures that judge it: kitchens are pooled by the mixed model alone."""
        return BOTH if self.kitchens == 1 else ("mixed",)

    @property
    def middle(self) -> float:
        """The control's level."""
        return (self.scale.low + self.scale.high) / 2

    @property
    def sessions_sd(self) -> float:
        """What sessions and jars do to a taster's cup of a variant, in points."""
        moves = self.moves_sd * (1 - 1 / self.sessions) ** 0.5
        jars = self.jar_sd * (1 - self.these / self.jars) ** 0.5
        return float(np.hypot(np.hypot(self.sitting_sd, moves), jars))

    @property
    def between_sd(self) -> float:
        """What tasters, their opinions and sessions do to a cup, in points."""
        return float(np.hypot(self.sessions_sd, np.hypot(self.taster_sd, self.opinion_sd)))

    def spreads(self, variants: int) -> tuple[float, ...]:
        """Give the SD, or the scale of Student's t, of each variant's cups, in points."""
        return (
            self.cup_sd * self.control_spread,
            *[self.cup_sd] * (variants - 2),
            self.cup_sd * self.last_spread,
        )

    def places(self, variants: int) -> tuple[float, ...]:
        """Give what each place in the order adds, in points; a session's places add up to 0."""
        cups = variants - self.without
        return tuple(self.first * ((place == 0) - 1 / cups) for place in range(cups))


SITUATIONS = (
    Situation(name="normal", says="Whole points from 0 to 10, normal scatter."),
    Situation(
        name="five-points",
        says="A scale of five points, so that ties are everywhere.", scale=FIVE, margin=1.0,
        cup_sd=0.6, taster_sd=0.6,
    ),
    Situation(
        name="heavy-tails",
        says="A few cups far off: Student's t with 3 degrees of freedom, in tenths of a point.",
        scale=TENTHS, cup_sd=0.8, tails="t",
    ),
    Situation(name="missing", says="15 % of the scores are missing.", missing=0.15),
    Situation(
        name="disagreement",
        says="Tasters disagree about the variants as widely as cups scatter; one session.",
        opinion_sd=1.2,
    ),
    Situation(
        name="disagreement-twice",
        says="The same tasters' disagreement; two sessions.", opinion_sd=1.2, sessions=2,
    ),
    Situation(
        name="moving",
        says="What a variant does moves from session to session by 0.7 of a cup's scatter, and not "
        "on average; two sessions.",
        opinion_sd=0.6, moves_sd=0.84, sessions=2,
    ),
    Situation(
        name="sittings",
        says="A taster scores higher in one session than in the other, by 1.5 of a cup's "
        "scatter; two sessions.",
        opinion_sd=0.6, sitting_sd=1.8, sessions=2,
    ),
    Situation(name="position", says="The first cup of a session gets one point more.", first=1.0),
    Situation(
        name="incomplete",
        says="Every taster gets the control and all other variants but one.", without=1,
    ),
    Situation(
        name="wide-control",
        says="The control's cups scatter twice as widely as the others'.", control_spread=2.0,
    ),
    Situation(
        name="wide-variant",
        says="The last variant's cups scatter twice as widely as the others'; where one variant "
        "differs, it is this one.",
        last_spread=2.0,
    ),
    Situation(
        name="jars",
        says="Three jars of each variant, off by half a cup's scatter; the truth is the method's.",
        margin=2.0, jars=3, jar_sd=0.6,
    ),
    Situation(
        name="these-jars",
        says="The same jars; the truth is that of these jars.", margin=2.0, jars=3, jar_sd=0.6,
        these=True,
    ),
    Situation(
        name="kitchens",
        says="Four kitchens, which make a variant differently by a quarter of a cup's scatter, and "
        "the first one by a whole; the truth is that of kitchens like these.",
        scale=HUNDRED, kitchens=4, kitchen_sd=0.3, odd_kitchen_sd=1.2,
    ),
)  # fmt: skip


def differing(truth: Truth, variants: int) -> tuple[bool, ...]:
    """Tell for each variant but the control whether it truly differs.

    >>> differing("one", 4)
    (False, False, True)
    """
    others = variants - 1
    if truth == "one":
        return (*[False] * (others - 1), True)
    return (truth == "all",) * others


NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
"""Of the quadrature over a standard normal distribution."""
WEIGHTS = WEIGHTS / WEIGHTS.sum()


@dataclass(frozen=True, slots=True, kw_only=True)
class Truths:
    """What the simulated trials should find, in points.

    - `levels`: of each variant before rounding, the control first
    - `differs`: for each variant but the control
    - `means`: expected difference from the control of two rounded scores: what the mixed model
      estimates
    - `pseudomedians`: median of the mean of two tasters' differences: what the rank comparison
      estimates (J. L. Hodges and E. L. Lehmann 1963, Ann. Math. Stat. 34:598)
    - `uneven`: whether some variant, or the control, scatters so much more widely than the others
      or stands so often at an end of the scale that the tool would flag it, could it know
    """

    levels: tuple[float, ...]
    differs: tuple[bool, ...]
    means: tuple[float, ...]
    pseudomedians: tuple[float, ...]
    uneven: bool = False

    def differences(self, procedure: By) -> tuple[float, ...]:
        """Give what a procedure estimates, for each variant but the control."""
        return self.means if procedure == "mixed" else self.pseudomedians


@lru_cache
def truths(situation: Situation, truth: Truth, variants: int) -> Truths:
    """Work out levels at which rounded scores differ by exactly the margin, or not at all.

    The control counts among the variants.

    By the probabilities of every step of the scale, integrated over tasters and their opinions
    by Gauss and Hermite's rule. Rounding and the ends of the scale pull the mean difference away
    from that of the levels, so the level is solved for.

    >>> from blindspoon.simulate.situations import SITUATIONS
    >>> found = truths(SITUATIONS[0], "one", 4)
    >>> found.differs, [round(mean, 9) for mean in found.means], found.pseudomedians
    ((False, False, True), [0.0, 0.0, 1.5], (0.0, 0.0, 1.5))
    """
    differs, spreads = differing(truth, variants), situation.spreads(variants)
    control = _mean(situation, variants, situation.middle, spreads[0])

    @cache  # several variants may be one and the same
    def level_of(aim: float, spread: float) -> float:
        """Solve for the level at which the mean score is so far above the control's."""

        def off(level: float) -> float:
            return _mean(situation, variants, level, spread) - control - aim

        if aim == 0:
            return situation.middle
        return float(brentq(off, situation.middle, situation.scale.high, xtol=1e-12))

    aims = [situation.margin if off else 0.0 for off in differs]
    levels = (situation.middle, *map(level_of, aims, spreads[1:]))
    # the rounded scores of each variant are held to the limits of `flags`
    cups = [*zip(levels, spreads, strict=True)]
    wide, steps = situation.between_sd * NODES, _steps(situation)
    chances = np.array([_chances(situation, at + wide, spread) for at, spread in cups])
    variances = (chances @ steps**2 - (chances @ steps) ** 2) @ WEIGHTS
    others = (variances.sum() - variances) / (variants - 1)
    ends = (WEIGHTS @ chances)[:, [0, -1]]
    return Truths(
        levels=levels, differs=differs,
        means=tuple(_mean(situation, variants, *own) - control for own in cups[1:]),
        pseudomedians=tuple(_pseudomedian(situation, cups[0], own) for own in cups[1:]),
        uneven=bool((variances >= WIDER**2 * others).any() or (ends >= AT_THE_END).any()),
    )  # fmt: skip


def _mean(situation: Situation, variants: int, level: float, spread: float) -> float:
    """Give the expected rounded score, over tasters, opinions and places."""
    wide = situation.between_sd
    places = np.array(situation.places(variants))
    at = level + wide * NODES[:, None] + places
    steps = _steps(situation)
    return float(WEIGHTS @ (_chances(situation, at, spread) @ steps).mean(axis=1))


@lru_cache
def _pseudomedian(
    situation: Situation, control: tuple[float, float], variant: tuple[float, float]
) -> float:
    """Median of half the sum of two tasters' differences, by the chances of each value.

    Places are left out: with balanced orders they only blur a difference evenly both ways.
    """
    step, sessions = situation.scale.step, situation.sessions
    own, plain = (_summed(situation, *cups) for cups in (variant, control))
    difference = WEIGHTS @ _convolved(own, plain[:, ::-1])
    chances = np.cumsum(np.convolve(difference, difference))
    values = (np.arange(chances.size) - chances.size // 2) * step / (2 * sessions)
    low, high = np.searchsorted(chances, [0.5 - 1e-9, 0.5 + 1e-9])
    return float(values[low] + values[high]) / 2


def _summed(situation: Situation, level: float, spread: float) -> FloatArray:
    """Chances of each sum of a taster's scores of one variant over the sessions, a row a taster.

    What a session does counts as scatter of the cup: like a place, it blurs a difference evenly.
    """
    spread = float(np.hypot(spread, situation.sessions_sd))
    opinions, weights = (NODES, WEIGHTS) if situation.opinion_sd else (np.zeros(1), np.ones(1))
    at = level + situation.taster_sd * NODES[:, None] + situation.opinion_sd * opinions
    chances = summed = _chances(situation, at, spread)
    for _ in range(situation.sessions - 1):
        summed = _convolved(summed, chances)
    return np.einsum("o,tos->ts", weights, summed)


def _convolved(first: FloatArray, second: FloatArray) -> FloatArray:
    """Chances of a sum, from those of its two parts; values last."""
    size = first.shape[-1]
    total = np.zeros((*first.shape[:-1], size + second.shape[-1] - 1))
    for value in range(second.shape[-1]):
        total[..., value : value + size] += first * second[..., value, None]
    return total


def _chances(situation: Situation, at: FloatArray, spread: float) -> FloatArray:
    """Chance of every step of the scale for a cup whose level is known; steps last."""
    edges = _steps(situation)[1:] - situation.scale.step / 2
    deviates = (edges - at[..., None]) / spread
    below = ndtr(deviates) if situation.tails == "normal" else stdtr(3, deviates)
    ends = np.zeros((*at.shape, 1)), np.ones((*at.shape, 1))
    return np.diff(np.concatenate((ends[0], below, ends[1]), axis=-1), axis=-1)


def _steps(situation: Situation) -> FloatArray:
    scale = situation.scale
    return np.linspace(scale.low, scale.high, round((scale.high - scale.low) / scale.step) + 1)
