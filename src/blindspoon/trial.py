"""A trial as it was planned: what is compared, on what scale, by which rule.

Every class is frozen and made once, by `trial_toml.parse_trial`; nothing downstream checks it
again.
"""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal, NamedTuple


def today() -> datetime.date:
    return datetime.datetime.now().astimezone().date()


MOST_STEPS = 21  # steps of a scale that are shown side by side; more are typed


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
    """What is scored, in a column of scores.csv; people read its label."""

    name: str
    label: str
    low: str = ""  # words at the ends of the scale
    high: str = ""
    less: str = ""  # comparatives for sentences: "softer", "crisper"
    more: str = ""
    scale: Scale
    margin: float | None = None  # smallest difference that matters, in points

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
    """The rule, declared before tasting; without a date everything is exploratory.

    `alpha` is the chance of a false "different" over the variants, and over the primary attributes.
    Its `share` is what this look has of it: a tenth at each early one, the rest at the last.
    """

    declared: datetime.date | None
    primary: tuple[str, ...]  # names of the attributes that the trial was made to answer
    alpha: float
    by: Literal["mixed", "ranks"]  # the comparison that decides
    tasters: int | None = None  # how many the panel is to have
    looks: tuple[int, ...] = ()  # tasters at which it is looked at, if more than once; all last
    share: float = 1.0

    @property
    def left(self) -> float:
        """Part of alpha that the last look has."""
        return (11 - len(self.looks)) / 10 if self.looks else 1.0


Language = Literal["", "en", "de", "fr", "es"]
Pourer = Literal["helper", "each-other", "taster", "unknown"]  # as the host says after tasting

DEFAULT_REST = "about a minute"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tasting:
    """How the cups are served; tasters read `allergens` and `consent` before the first."""

    tasters: tuple[str, ...]  # T01, T02 ... where trial.toml gives a number; may be empty
    servings: int | None  # cups a taster gets in one session; None is every variant
    codes: Literal["per taster", "per session"]
    cleanser: str
    rest: str = DEFAULT_REST  # how long to wait between cups
    controls: Literal[1, 2] = 1  # how often it is hidden among a taster's cups of one session
    warm_up: bool = False  # whether an uncoded cup is served first
    portion_g: float | None = None  # grams in a cup
    allergens: str = ""
    consent: str = ""
    language: Language = ""  # of the score page; blank is that of each phone


class ChoiceMethod(NamedTuple):
    """A way to ask whether anybody can tell two apart."""

    guess: float  # chance of a right answer from somebody who guesses
    orders: tuple[str, ...]  # all balanced orders of a set: A the control, B the variant
    codes: int = 1  # that an answer names; 0 where it is one of `words`
    words: tuple[str, ...] = ()  # answered of a set that holds one thing, and of the other
    label: str = ""
    pick: str = "picked the odd cup"  # what somebody who is right has done

    @property
    def cups(self) -> int:
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
        tuple(it for it in map("".join, product("AB", repeat=5)) if it.count("A") in (2, 3)),
        2, label="two-out-of-five test", pick="picked the two of a kind",
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

    By the fixed rule it is decided once, by the sequential one after each set by the lines of
    ISO 16820; `beta` is its chance of a false "alike", and alpha where it is None.
    """

    method: str  # one of `METHODS`
    sets: int = 1  # that a taster gets in one session
    attribute: str = ""  # what is asked for in paired and three-afc: "sourness"
    expect: Literal["either", "more", "less"] = "either"  # how the variant may differ in it
    ask: Literal["difference", "alike"] = "difference"  # what `size` plans for; both are computed
    can_tell: float = 0.3  # share of the tasters who may be able to tell, and it would still do
    tests: int | None = None  # declared number of sets a variant; no verdict before it
    rule: Literal["fixed", "sequential"] = "fixed"
    beta: float | None = None

    @property
    def how(self) -> ChoiceMethod:
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

    Fermented days are from `started` to `finished` or, where it goes on, to the session; those of
    age from `started` to the session, those stored from `finished` to the session. What is to be
    reached, or kept, is to lie within the margin of the control, or to have so many points. Where
    both are the same, a food arrives and may leave again; `keep` alone is one that begins there.
    """

    over: Over = "fermented_days"
    attribute: str
    reach: Target = "control"
    keep: Target = None
    side: Side = "at least"  # of a number of points, on which it is there
    accept: str = ""  # a column of yes and no: whether the taster would have it
    half: float = 0.5  # the share who refuse that is looked for
    same_control: bool = False  # whether it is at every sitting, though no date shows it

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
    """Everything that trial.toml says, in its order, with its defaults filled in."""

    title: str
    question: str = ""
    product: str = ""
    host: str = ""
    licence: str = ""
    dates: str = ""
    control: str  # name of the variant that the others are compared with
    seed: int  # every random draw of the trial comes from it
    decision: Decision
    attributes: tuple[Attribute, ...]  # at least one where there is no `choice`
    variants: tuple[Variant, ...]  # two to many
    sessions: tuple[Session, ...]  # may be empty
    tasting: Tasting
    tasters_shown: bool = True  # whether single ones are told of in public, by their pseudonyms
    story: str = ""  # the host's own paragraphs, parted by blank lines
    photos: tuple[Photo, ...] = ()
    address: str = ""  # where the page will lie, with a slash at its end
    choice: Choice | None = None  # whether it is also, or only, asked by sets who can tell
    course: Course | None = None  # whether it is asked how the food changes over the days

    @property
    def control_index(self) -> int:
        return [variant.name for variant in self.variants].index(self.control)

    @property
    def primary_attributes(self) -> tuple[Attribute, ...]:
        """The attributes that the trial was made to answer, in the order of the rule."""
        names = (name for name in self.decision.primary if name not in ("choice", "course"))
        return tuple(map(self.attribute, names))

    def variant(self, name: str) -> Variant:
        return next(variant for variant in self.variants if variant.name == name)

    def session_label(self, name: str) -> str:
        """Call a session as its label does; blank where it has none."""
        return next((session.label for session in self.sessions if session.name == name), "")

    def asked(self, session: str) -> tuple[Attribute, ...]:
        unasked = {name for it in self.sessions if it.name == session for name in it.not_asked}
        return tuple(attribute for attribute in self.attributes if attribute.name not in unasked)

    def attribute(self, name: str) -> Attribute:
        return next(attribute for attribute in self.attributes if attribute.name == name)

    def share_of_alpha(self, attribute: str) -> float:
        """Give the alpha of an attribute, of "choice" or of "course": primary ones share it."""
        primary, alpha = self.decision.primary, self.decision.alpha * self.decision.share
        return alpha / len(primary) if attribute in primary else alpha
