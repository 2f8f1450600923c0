"""A trial as it was planned: what is compared, on what scale, by which rule.

Every class is frozen and made once, by `trial_toml.parse_trial`; nothing downstream checks it
again.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

MOST_STEPS = 21
"""Steps of a scale that are shown side by side; more are typed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """The numbers a taster may give: low to high in steps; step 0 is any number between."""

    low: float
    high: float
    step: float = 0.0

    def side_by_side(self, most: int = MOST_STEPS) -> tuple[float, ...]:
        """List every number that may be given; none where they are more than can be shown.

        Examples
        --------
        >>> Scale(low=1, high=3, step=0.5).side_by_side(), Scale(low=0, high=10).side_by_side()
        ((1.0, 1.5, 2.0, 2.5, 3.0), ())
        """
        count = round((self.high - self.low) / self.step) + 1 if self.step else most + 1
        if count > most:
            return ()
        return tuple(round(float(self.low + place * self.step), 9) for place in range(count))


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """What is scored.

    Parameters
    ----------
    name : str
        The column in scores.csv.
    label : str
        The name that people read; by default the name, capitalised.
    low, high : str
        Words at the ends of the scale; may be empty.
    less, more : str
        Comparatives for sentences ("softer", "crisper"); may be empty.
    scale : Scale
    margin : float or None
        Smallest difference that matters, in points.
    """

    name: str
    label: str
    low: str
    high: str
    less: str
    more: str
    scale: Scale
    margin: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One way of making the food; `differs` names what it is meant to differ in."""

    name: str
    label: str
    method: str
    differs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One sitting."""

    name: str
    date: datetime.date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The rule, declared before tasting.

    Parameters
    ----------
    declared : date or None
        None where trial.toml declares no rule: everything is exploratory then.
    primary : tuple of str
        Names of the attributes that the trial was made to answer.
    alpha : float
        Chance of a false "different" over the variants, and over the primary attributes.
    by : {"mixed", "ranks"}
        The comparison that decides.
    tasters : int or None
        How many the panel is to have; may be None.
    looks : tuple of int
        Tasters at which the result is looked at, the whole panel last; empty where it is once.
    share : float
        Part of alpha that this look has: a tenth at each early one, the rest at the last.
    """

    declared: datetime.date | None
    primary: tuple[str, ...]
    alpha: float
    by: Literal["mixed", "ranks"]
    tasters: int | None = None
    looks: tuple[int, ...] = ()
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tasting:
    """How the cups are served.

    Parameters
    ----------
    tasters : tuple of str
        Names, in order; T01, T02 ... where trial.toml gives a number; may be empty.
    servings : int or None
        Cups a taster gets in one session; None is every variant.
    codes : {"per taster", "per session"}
    cleanser : str
        May be empty.
    rest : str
        How long to wait between cups.
    controls : {1, 2}
        How often the control is hidden among a taster's cups of one session.
    warm_up : bool
        Whether an uncoded cup is served first.
    portion_g : float or None
        Grams in a cup.
    allergens, consent : str
        What tasters are told before the first cup; may be empty.
    """

    tasters: tuple[str, ...]
    servings: int | None
    codes: Literal["per taster", "per session"]
    cleanser: str
    rest: str = "about a minute"
    controls: Literal[1, 2] = 1
    warm_up: bool = False
    portion_g: float | None = None
    allergens: str = ""
    consent: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A picture that the host wants on the page.

    Parameters
    ----------
    file : str
        Name in ``photos/`` of the trial folder.
    alt : str
        What it shows, for people who do not see it.
    variant : str
        The name of what it shows; may be empty.
    """

    file: str
    alt: str
    variant: str


def default_tasters(count: int) -> tuple[str, ...]:
    """Label tasters of whom only the number is known.

    Examples
    --------
    >>> default_tasters(2)
    ('T01', 'T02')
    """
    width = max(2, len(str(count)))
    return tuple(f"T{number:0{width}}" for number in range(1, count + 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """Everything that trial.toml says, with its defaults filled in.

    Parameters
    ----------
    title, question, product, host, licence, dates : str
        All but the title may be empty.
    control : str
        Name of the variant that the others are compared with.
    seed : int
        Every random draw of the trial comes from it.
    decision : Decision
    attributes : tuple of Attribute
        At least one, in the order of trial.toml.
    variants : tuple of Variant
        Two to many, in the order of trial.toml.
    sessions : tuple of Session
        As listed in trial.toml; may be empty.
    tasting : Tasting
    tasters_shown : bool
        Whether what is published may speak of single tasters, by their pseudonyms.
    story : str
        The host's own paragraphs, parted by blank lines; may be empty.
    photos : tuple of Photo
    address : str
        Where the page will lie, with a slash at its end; may be empty.
    """

    title: str
    question: str
    product: str
    host: str
    licence: str
    dates: str
    control: str
    seed: int
    decision: Decision
    attributes: tuple[Attribute, ...]
    variants: tuple[Variant, ...]
    sessions: tuple[Session, ...]
    tasting: Tasting
    tasters_shown: bool = True
    story: str = ""
    photos: tuple[Photo, ...] = ()
    address: str = ""

    @property
    def control_index(self) -> int:
        """Position of the control in `variants`."""
        return [variant.name for variant in self.variants].index(self.control)

    def variant(self, name: str) -> Variant:
        """Find the variant of that name."""
        return next(variant for variant in self.variants if variant.name == name)

    def attribute(self, name: str) -> Attribute:
        """Find the attribute of that name."""
        return next(attribute for attribute in self.attributes if attribute.name == name)

    def share_of_alpha(self, attribute: str) -> float:
        """Give the alpha at which an attribute is decided: primary attributes share it."""
        primary, alpha = self.decision.primary, self.decision.alpha * self.decision.share
        return alpha / len(primary) if attribute in primary else alpha
