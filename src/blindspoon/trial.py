"""A trial as it was planned: what is compared, on what scale, by which rule.

Every class is frozen and made once, by `trial_toml.parse_trial`; nothing downstream checks it
again.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple


def today() -> datetime.date:
    """Give the day where the host is."""
    return datetime.datetime.now().astimezone().date()


MOST_STEPS = 21
"""Steps of a scale that are shown side by side; more are typed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """The numbers a taster may give: low to high in steps; step 0 is any number between."""

    low: float
    high: float
    step: float = 0.0

    def side_by_side(self) -> tuple[float, ...]:
        """List every number that may be given; none where they are more than can be shown.

        >>> Scale(low=1, high=3, step=0.5).side_by_side(), Scale(low=0, high=10).side_by_side()
        ((1.0, 1.5, 2.0, 2.5, 3.0), ())
        """
        count = round((self.high - self.low) / self.step) + 1 if self.step else 0
        if not 0 < count <= MOST_STEPS:
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
    margin : float or None
        Smallest difference that matters, in points.
    """

    name: str
    label: str
    low: str = ""
    high: str = ""
    less: str = ""
    more: str = ""
    scale: Scale
    margin: float | None = None

    @property
    def wide(self) -> bool:
        """Whether the margin is more than a quarter of its scale; common practice, no source."""
        return 4 * (self.margin or 0.0) > self.scale.high - self.scale.low


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One way of making the food, and what it is meant to differ in.

    Variants of one `series` are one food at several ages, in several jars; else it is empty.
    """

    name: str
    label: str
    method: str = ""
    differs: tuple[str, ...] = ()
    series: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One sitting: its label is blank where people read its name.

    `not_asked` names the attributes that were not asked for at it.
    """

    name: str
    date: datetime.date | None
    label: str = ""
    not_asked: tuple[str, ...] = ()


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

    @property
    def left(self) -> float:
        """Part of alpha that the last look has."""
        return (11 - len(self.looks)) / 10 if self.looks else 1.0


Language = Literal["", "en", "de", "fr", "es"]

DEFAULT_REST = "about a minute"


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
    language : {"", "en", "de", "fr", "es"}
        Of the score page; blank is that of each phone.
    """

    tasters: tuple[str, ...]
    servings: int | None
    codes: Literal["per taster", "per session"]
    cleanser: str
    rest: str = DEFAULT_REST
    controls: Literal[1, 2] = 1
    warm_up: bool = False
    portion_g: float | None = None
    allergens: str = ""
    consent: str = ""
    language: Language = ""


class ChoiceMethod(NamedTuple):
    """A way to ask whether anybody can tell two apart.

    Attributes
    ----------
    guess : float
        Chance of a right answer from somebody who guesses.
    orders : tuple of str
        All balanced orders of a set: A the control, B the variant.
    codes : int
        Codes that an answer names; 0 where it is one of `words`.
    words : tuple of str
        What is answered of a set that holds one thing, and of the other; else empty.
    label : str
        What people call it.
    pick : str
        What somebody who is right has done.
    """

    guess: float
    orders: tuple[str, ...]
    codes: int = 1
    words: tuple[str, ...] = ()
    label: str = ""
    pick: str = "picked the odd cup"

    @property
    def cups(self) -> int:
        """Coded cups in a set."""
        return len(self.orders[0])


METHODS: Mapping[str, ChoiceMethod] = {
    "triangle": ChoiceMethod(
        1 / 3, ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB"), label="triangle test"
    ),
    "tetrad": ChoiceMethod(
        1 / 3, ("AABB", "ABAB", "ABBA", "BBAA", "BABA", "BAAB"), 2, label="tetrad test",
        pick="put like to like",
    ),
    "duo-trio": ChoiceMethod(
        1 / 2, ("AAB", "ABA", "BAB", "BBA"), label="duo-trio test",
        pick="found the cup like the reference",
    ),
    "paired": ChoiceMethod(
        1 / 2, ("AB", "BA"), label="paired comparison", pick="picked the variant"
    ),
    "three-afc": ChoiceMethod(
        1 / 3, ("AAB", "ABA", "BAA"), label="3-AFC test", pick="picked the variant"
    ),
    "two-out-of-five": ChoiceMethod(
        1 / 10,
        (
            "AAABB", "AABAB", "AABBA", "AABBB", "ABAAB", "ABABA", "ABABB", "ABBAA", "ABBAB",
            "ABBBA", "BAAAB", "BAABA", "BAABB", "BABAA", "BABAB", "BABBA", "BBAAA", "BBAAB",
            "BBABA", "BBBAA",
        ), 2, label="two-out-of-five test", pick="picked the two of a kind",
    ),
    "a-not-a": ChoiceMethod(
        1 / 2, ("A", "B"), 0, ("a", "not-a"), label="A-not-A test", pick="named the cup rightly"
    ),
    "same-different": ChoiceMethod(
        1 / 2, ("AA", "BB", "AB", "BA"), 0, ("same", "different"), label="same-different test",
        pick="judged the pair rightly",
    ),
}  # fmt: skip
"""By the name in trial.toml. In a duo-trio the first cup is the reference; before A-not-A an
uncoded cup of the control is served. ISO 4120, ISO 5495, ISO 10399, ISO 8588; tetrad ASTM E3009."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Whether anybody can tell, asked by sets of cups.

    Parameters
    ----------
    method : str
        One of `METHODS`.
    sets : int
        Sets that a taster gets in one session.
    attribute : str
        What is asked for in paired and three-afc: "sourness"; else empty.
    expect : {"either", "more", "less"}
        Which way the variant is expected to differ in it.
    ask : {"difference", "alike"}
        What `size` plans for; both are always computed.
    can_tell : float
        Share of the tasters who may be able to tell, and it would still do.
    tests : int or None
        Declared number of sets a variant; no verdict before it.
    rule : {"fixed", "sequential"}
        Whether it is decided once, or after each set by the lines of ISO 16820.
    beta : float or None
        Chance of a false "alike" of the sequential rule; alpha where None.
    """

    method: str
    sets: int = 1
    attribute: str = ""
    expect: Literal["either", "more", "less"] = "either"
    ask: Literal["difference", "alike"] = "difference"
    can_tell: float = 0.3
    tests: int | None = None
    rule: Literal["fixed", "sequential"] = "fixed"
    beta: float | None = None

    @property
    def how(self) -> ChoiceMethod:
        """What holds for the method."""
        return METHODS[self.method]

    @property
    def two_sided(self) -> bool:
        """Whether either of two cups may be the one with more."""
        return self.method == "paired" and self.expect == "either"


Over = Literal["fermented_days", "age_days", "stored_days"]
Target = float | Literal["control"] | None
Side = Literal["at least", "at most"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How the food changes over the days: when it is ready, and until when it is good.

    Parameters
    ----------
    over : {"fermented_days", "age_days", "stored_days"}
        Days from `started` to `finished` or, where it goes on, to the session; from `started` to
        the session; from `finished` to the session.
    attribute : str
        The attribute that is judged.
    reach : "control", float or None
        What is to be reached: within the margin of the control, or so many points.
    keep : "control", float or None
        Within what it is to stay. With `reach` the same: a food that arrives and may leave again;
        alone: one that begins there.
    side : {"at least", "at most"}
        On which side of a number of points it is there.
    accept : str
        A column of yes and no: whether the taster would have it; may be empty.
    half : float
        The share who refuse that is looked for.
    same_control : bool
        Whether the control is the same at every sitting though no date shows it.
    """

    over: Over = "fermented_days"
    attribute: str
    reach: Target = "control"
    keep: Target = None
    side: Side = "at least"
    accept: str = ""
    half: float = 0.5
    same_control: bool = False

    @property
    def level(self) -> float | None:
        """Points that are to be reached or kept; None where it is the control."""
        target = self.keep if self.reach is None else self.reach
        return target if isinstance(target, float) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A picture in ``photos/`` that the host wants on the page, told for who does not see it.

    `variant` names what it shows; may be empty.
    """

    file: str
    alt: str
    variant: str


def default_tasters(count: int) -> tuple[str, ...]:
    """Label tasters of whom only the number is known.

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
    attributes : tuple of Attribute
        In the order of trial.toml; at least one where there is no `choice`.
    variants : tuple of Variant
        Two to many, in the order of trial.toml.
    sessions : tuple of Session
        As listed in trial.toml; may be empty.
    tasters_shown : bool
        Whether what is published may speak of single tasters, by their pseudonyms.
    story : str
        The host's own paragraphs, parted by blank lines; may be empty.
    address : str
        Where the page will lie, with a slash at its end; may be empty.
    choice : Choice or None
        Whether it is also, or only, asked by sets who can tell.
    course : Course or None
        Whether it is asked how the food changes over the days.
    """

    title: str
    question: str = ""
    product: str = ""
    host: str = ""
    licence: str = ""
    dates: str = ""
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
    choice: Choice | None = None
    course: Course | None = None

    @property
    def control_index(self) -> int:
        """Position of the control in `variants`."""
        return [variant.name for variant in self.variants].index(self.control)

    @property
    def primary_attributes(self) -> tuple[Attribute, ...]:
        """The attributes that the trial was made to answer, in the order of the rule."""
        names = (name for name in self.decision.primary if name not in ("choice", "course"))
        return tuple(map(self.attribute, names))

    def variant(self, name: str) -> Variant:
        """Find the variant of that name."""
        return next(variant for variant in self.variants if variant.name == name)

    def session_label(self, name: str) -> str:
        """Call a session as its label does; blank where it has none."""
        return next((session.label for session in self.sessions if session.name == name), "")

    def asked(self, session: str) -> tuple[Attribute, ...]:
        """List the attributes that a session asks for."""
        unasked = {name for it in self.sessions if it.name == session for name in it.not_asked}
        return tuple(attribute for attribute in self.attributes if attribute.name not in unasked)

    def attribute(self, name: str) -> Attribute:
        """Find the attribute of that name."""
        return next(attribute for attribute in self.attributes if attribute.name == name)

    def share_of_alpha(self, attribute: str) -> float:
        """Give the alpha of an attribute, of "choice" or of "course": primary ones share it."""
        primary, alpha = self.decision.primary, self.decision.alpha * self.decision.share
        return alpha / len(primary) if attribute in primary else alpha
