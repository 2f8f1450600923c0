"""What the simulated tastings are like: one frozen value a situation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from blindspoon.trial import Scale
from blindspoon.verdict import By

TEN = Scale(low=0, high=10, step=1)
TENTHS = Scale(low=0, high=10, step=0.1)
FIVE = Scale(low=1, high=5, step=1)
BOTH: tuple[By, ...] = ("mixed", "ranks")

Truth = Literal["none", "one", "all"]
"""Which variants truly differ from the control, each by exactly one margin."""

TRUTHS: tuple[Truth, ...] = ("none", "one", "all")


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """How the tasters of a simulated trial score.

    A score is a level, plus a taster's own level, plus a taster's own opinion of the variant,
    plus what the place of the cup adds, plus what the cup adds; rounded to the scale's step and
    kept within its ends. Serving orders are drawn as `blind` draws them.

    Parameters
    ----------
    name : str
        Lower-case letters, digits and hyphens.
    says : str
        One plain sentence for the reader.
    scale : Scale
        With a step above 0. The control's level is the middle.
    margin, cup_sd, taster_sd, opinion_sd : float
        Points.
    tails : {"normal", "t"}
        Distribution of what a cup adds; "t" is Student's with 3 degrees of freedom, times
        `cup_sd`.
    sessions : int
    missing : float
        Share of the cups whose score is missing, each by its own chance.
    first : float
        Points that the first cup of a session gets on top, whatever is in it.
    control_spread, last_spread : float
        How many times wider the cups of the control, or of the last variant, scatter.
    without : int
        Variants that a taster does not get in a session; the control is never one.
    """

    name: str
    says: str
    scale: Scale = TEN
    margin: float = 1.5
    cup_sd: float = 1.2
    taster_sd: float = 1.2
    opinion_sd: float = 0.0
    tails: Literal["normal", "t"] = "normal"
    sessions: int = 1
    missing: float = 0.0
    first: float = 0.0
    control_spread: float = 1.0
    last_spread: float = 1.0
    without: int = 0

    @property
    def middle(self) -> float:
        """The control's level."""
        return (self.scale.low + self.scale.high) / 2

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
        says="A scale of five points, so that ties are everywhere.",
        scale=FIVE,
        margin=1.0,
        cup_sd=0.6,
        taster_sd=0.6,
    ),
    Situation(
        name="heavy-tails",
        says="A few cups far off: Student's t with 3 degrees of freedom, in tenths of a point.",
        scale=TENTHS,
        cup_sd=0.8,
        tails="t",
    ),
    Situation(name="missing", says="15 % of the scores are missing.", missing=0.15),
    Situation(
        name="disagreement",
        says="Tasters disagree about the variants as widely as cups scatter; one session.",
        opinion_sd=1.2,
    ),
    Situation(
        name="disagreement-twice",
        says="The same tasters' disagreement; two sessions.",
        opinion_sd=1.2,
        sessions=2,
    ),
    Situation(name="position", says="The first cup of a session gets one point more.", first=1.0),
    Situation(
        name="incomplete",
        says="Every taster gets the control and all other variants but one.",
        without=1,
    ),
    Situation(
        name="wide-control",
        says="The control's cups scatter twice as widely as the others'.",
        control_spread=2.0,
    ),
    Situation(
        name="wide-variant",
        says="The last variant's cups scatter twice as widely as the others'; where one variant "
        "differs, it is this one.",
        last_spread=2.0,
    ),
)


def differing(truth: Truth, variants: int) -> tuple[bool, ...]:
    """Tell for each variant but the control whether it truly differs.

    Examples
    --------
    >>> differing("one", 4)
    (False, False, True)
    """
    others = variants - 1
    if truth == "one":
        return (*[False] * (others - 1), True)
    return (truth == "all",) * others
