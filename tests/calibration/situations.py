"""Simulated trials: in which situations, what is truly so there, and the scores that are drawn."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Literal, NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, stdtr

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.rule import By
from blindspoon.scores.score_table import ScoreTable
from blindspoon.serving.draw import draw_session
from blindspoon.serving.plan import ServingRequest, request_for
from blindspoon.simulate.trials import BOTH, deal_jars, on_scale
from blindspoon.stats.assumptions import AT_THE_END, WIDER
from blindspoon.trial import Scale, Trial

TEN = Scale(low=0, high=10, step=1)
TENTHS = Scale(low=0, high=10, step=0.1)
HUNDRED = Scale(low=0, high=100, step=1)
FIVE = Scale(low=1, high=5, step=1)

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


def who_differs(truth: Truth, variants: int) -> tuple[bool, ...]:
    """Tell for each variant but the control whether it truly differs.

    >>> who_differs("one", 4)
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

    >>> found = truths(SITUATIONS[0], "one", 4)
    >>> found.differs, [round(mean, 9) for mean in found.means], found.pseudomedians
    ((False, False, True), [0.0, 0.0, 1.5], (0.0, 0.0, 1.5))
    """
    differs, spreads = who_differs(truth, variants), situation.spreads(variants)
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


class Served(NamedTuple):
    """Who gets which cup when, a row a cup: session, taster, place, variant and jar, from 0."""

    session: IntArray
    taster: IntArray
    place: IntArray
    variant: IntArray
    jar: IntArray


def _scatter(
    situation: Situation, served: Served, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw all that tasters, cups, sessions, jars and kitchens add to the variants' levels.

    Shape (trials, cups).
    """
    tasters, variants = int(served.taster.max()) + 1, int(served.variant.max()) + 1
    own = rng.normal(0.0, situation.taster_sd, (trials, tasters))
    opinion = rng.normal(0.0, situation.opinion_sd, (trials, tasters, variants)) + own[:, :, None]
    shape = (trials, served.variant.size)
    normal = situation.tails == "normal"
    scores = rng.standard_normal(shape) if normal else rng.standard_t(3, shape)
    scores *= np.array(situation.spreads(variants))[served.variant]
    scores += opinion[:, served.taster, served.variant]
    if situation.moves_sd:
        moved = rng.normal(0.0, situation.moves_sd, (trials, situation.sessions, variants))
        moved -= moved.mean(axis=1, keepdims=True)
        scores += moved[:, served.session, served.variant]
    if situation.sitting_sd:
        came = rng.normal(0.0, situation.sitting_sd, (trials, tasters, situation.sessions))
        scores += came[:, served.taster, served.session]
    if situation.jars > 1:
        off = rng.normal(0.0, situation.jar_sd, (trials, variants, situation.jars))
        off -= off.mean(axis=2, keepdims=True) * situation.these
        scores += off[:, served.variant, served.jar]
    if situation.kitchens > 1:  # each trial is that of one kitchen
        wide = [situation.kitchen_sd, situation.odd_kitchen_sd]
        wide += [situation.kitchen_sd] * (variants - 2)
        scores += (rng.standard_normal((trials, variants)) * wide)[:, served.variant]
    if situation.first:
        scores += np.array(situation.places(variants))[served.place]
    return scores


ON_ONE_PLAN = 20  # trials that are served by the same drawn orders: drawing costs more than judging

ALPHA = 0.05
ATTRIBUTE = "texture"


def make_trial(situation: Situation, variants: int, tasters: int) -> Trial:
    """Write down the trial that is simulated, with one primary attribute and alpha 0.05.

    >>> trial = make_trial(SITUATIONS[0], 4, 8)
    >>> trial.control, len(trial.variants), trial.share_of_alpha("texture")
    ('plain', 4, 0.05)
    """
    scale = situation.scale
    names = ["plain", *(f"variant-{number}" for number in range(1, variants))]
    sessions = ", ".join(f'{{ name = "{number + 1}" }}' for number in range(situation.sessions))
    return parse_trial(f"""
        trial = {{ title = "Simulated", control = "plain" }}
        decision.declared = 2026-01-01
        decision.primary = ["{ATTRIBUTE}"]
        decision.by = "mixed"
        decision.alpha = {ALPHA}
        decision.margin = {situation.margin}
        scale = {{ low = {scale.low}, high = {scale.high}, step = {scale.step} }}
        attribute = [{{ name = "{ATTRIBUTE}" }}]
        variant = [{", ".join(f'{{ name = "{name}" }}' for name in names)}]
        session = [{sessions}]
        tasting = {{ tasters = {tasters}, servings = {variants - situation.without} }}
    """)


def simulate(
    trial: Trial, situation: Situation, true: Truths, trials: int, rng: np.random.Generator
) -> Iterator[tuple[Trial, ScoreTable]]:
    """Draw orders and scores of a trial that `make_trial` gave, again and again.

    Each trial has a seed of its own, and its table is as `build_table` would make it of such files.
    """
    request, one_jar = request_for(trial), situation.jars == 1
    for start in range(0, trials, ON_ONE_PLAN):
        served = draw_orders(request, rng, situation.jars)
        batch = np.full(served.jar.size, -1)
        if not one_jar:  # the jars of one variant stand after those of another
            batch = served.variant * (int(served.jar.max()) + 1) + served.jar
        jars = tuple(map(str, range(int(batch.max()) + 1)))
        count = min(ON_ONE_PLAN, trials - start)
        scores = draw_trial_scores(situation, true, served, count, rng)
        missing = rng.random(scores.shape) < situation.missing
        seeds = rng.integers(2**31, size=count).tolist()
        for drawn, absent, seed in zip(scores, missing, seeds, strict=True):
            given = ~absent
            present, taster = np.unique(served.taster[given], return_inverse=True)
            yield replace(trial, seed=seed), ScoreTable(
                tasters=tuple(trial.tasting.tasters[place] for place in present),
                sessions=tuple(session.name for session in trial.sessions), taster=taster,
                session=served.session[given], variant=served.variant[given], batch=batch[given],
                batches=jars, position=served.place[given] + 1, scores=drawn[given][:, None],
                coded=True, balanced=request.complete, remarks=(), left_out=(),
            )  # fmt: skip


def draw_orders(request: ServingRequest, rng: np.random.Generator, jars: int = 1) -> Served:
    """Draw every session's orders as `blind` does, without codes; by session, taster and place.

    So many jars of every variant are dealt as it deals them too.
    """
    tasters, cups, variants = len(request.tasters), request.cups, len(request.variants)
    met = np.zeros((tasters, variants), dtype=np.int64)
    drawn = np.empty((0, cups), dtype=np.int64)
    for _ in request.sessions:
        rows = draw_session(request, drawn, met, rng)
        np.add.at(met, (np.arange(tasters)[:, None], rows), 1)
        drawn = np.concatenate((drawn, rows))
    shape = (len(request.sessions), tasters, cups)
    session, taster, place = np.indices(shape).reshape(3, -1)
    variant = drawn.ravel()
    if jars == 1:
        return Served(session, taster, place, variant, np.zeros_like(variant))
    given = np.zeros((tasters, variants, len(request.sessions)), dtype=bool)
    given[taster, variant, session] = True
    dealt = deal_jars(given, [jars] * variants, rng)[taster, variant, session]
    return Served(session, taster, place, variant, dealt % jars)


def draw_trial_scores(
    situation: Situation, true: Truths, served: Served, trials: int, rng: np.random.Generator
) -> FloatArray:
    """Draw what tasters say of n cups, none missing: shape (trials, n), on the scale's steps."""
    scores = _scatter(situation, served, trials, rng)
    scores += np.array(true.levels)[served.variant]
    return np.round(on_scale(scores, situation.scale), 9)
