"""What several kitchens found together, what they have in common, and what keeps them apart."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, combinations
from typing import Literal, TypeVar

import numpy as np

from blindspoon import wording
from blindspoon.batches.summary import in_words
from blindspoon.errors import Problem, Rule, quoted, some_of
from blindspoon.files.seal import key_rows
from blindspoon.findings.comparison import Analysis, NotCompared
from blindspoon.findings.rule import PROCEDURES, Kind, direction_of
from blindspoon.stats.reml import ContrastTest
from blindspoon.stats.results import FitNote, MixedContrast, NoResult, Unanimous
from blindspoon.trial import Attribute, Trial, Variant

Part = Literal["attributes", "variants"]  # what kitchens may have in common
Told = TypeVar("Told", bound=Hashable)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kitchen(Analysis):
    """One repeat of the trial, under a name of its own."""

    name: str

    def has(self, part: Part) -> tuple[str, ...]:
        own = self.trial.attributes if part == "attributes" else self.trial.variants
        return tuple(one.name for one in own)

    def own(self, attribute: str, variant: str) -> Own:
        """Look up what this kitchen found by itself."""
        result = next(found for found in self.results if found.attribute.name == attribute)
        other = next(other for other in result.others if other.variant.name == variant)
        if isinstance(other, NotCompared):
            return Own(kitchen=self.name, alpha=result.alpha, mixed=NoResult(other.reason))
        exact = other.unanimous
        return Own(kitchen=self.name, alpha=result.alpha, mixed=other.mixed, exact=exact)


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledFit:
    """The model of one attribute over all kitchens.

    ``score ~ variant + kitchen [+ position] + (1 | taster) [+ (1 | taster:variant)] + (1 |
    kitchen:variant)``, tasters within kitchens.

    - `reml_criterion`: minus twice the restricted log-likelihood, constants included
    - `taster_variant_sd`: None where no taster scored any variant twice
    - `kitchen_variant_sd`: how much what a kitchen makes of a variant scatters around what variant
      and kitchen have in general
    - `contrasts`: about kitchens like these; with several, each by its own spread over kitchens
    - `these`: about these kitchens only, with equal weights: kitchen by variant as fixed effects
    - `disagreement`: whether every variant differs from the control alike in all kitchens
    """

    reml_criterion: float
    residual_sd: float
    taster_sd: float
    taster_variant_sd: float | None
    kitchen_variant_sd: float
    contrasts: tuple[MixedContrast, ...]
    note: FitNote
    these: tuple[MixedContrast, ...] | NoResult
    disagreement: ContrastTest | NoResult

    @property
    def kitchen_difference_sd(self) -> float:
        """In points; a difference has two terms of kitchen by variant, one of the control."""
        return math.sqrt(2) * self.kitchen_variant_sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """What one kitchen found by itself, and on what `exact` difference all agreed, if they did."""

    kitchen: str
    alpha: float
    mixed: MixedContrast | NoResult
    exact: Unanimous | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledComparison:
    """One variant against the control on one attribute, over all kitchens.

    `own` is what each found; `pooled` is about kitchens like these; `these` about these only, and
    the verdict stands on it where there are two.
    """

    attribute: Attribute
    variant: Variant
    own: tuple[Own, ...]
    pooled: MixedContrast | NoResult
    these: MixedContrast | NoResult
    verdict: Kind = "open"
    because: str = ""

    @property
    def alone(self) -> bool:
        """Whether there are two kitchens, which speak for themselves only."""
        return len(self.own) == 2

    @property
    def deciding(self) -> MixedContrast | NoResult:
        return self.these if self.alone else self.pooled

    @property
    def found(self) -> MixedContrast | None:
        """What the verdict stands on; None where there is no result."""
        return None if isinstance(self.deciding, NoResult) else self.deciding

    @property
    def direction(self) -> int:
        return direction_of(self.verdict, self.found)


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledAttribute:
    """All pooled comparisons of one attribute; its margin and alpha are the first kitchen's."""

    attribute: Attribute
    primary: bool
    alpha: float
    fit: PooledFit | NoResult
    comparisons: tuple[PooledComparison, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPooled:
    """An attribute, a variant, or a variant on one attribute, that takes no part, and why."""

    attribute: str | None = None
    variant: str | None = None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """What several kitchens found together; the rule of the first decides.

    Variants are those that all made, the control among them, and attributes those that all scored,
    as the first has them. Remarks say what the pooled claims are about, and where the kitchens'
    rules differ; caveats what weakens single kitchens.
    """

    kitchens: tuple[Kitchen, ...]
    variants: tuple[Variant, ...]
    attributes: tuple[PooledAttribute, ...]
    not_pooled: tuple[NotPooled, ...]
    remarks: tuple[str, ...]
    caveats: tuple[str, ...] = ()

    @property
    def first(self) -> Trial:
        return self.kitchens[0].trial

    def variant(self, name: str) -> Variant:
        return next(variant for variant in self.variants if variant.name == name)


def matching_problems(kitchens: Sequence[Kitchen]) -> tuple[Problem, ...]:
    """List everything that keeps kitchens from being pooled; each is held against the first."""
    first, *others = kitchens
    if by_sets := [it for it in kitchens if it.trial.choice and not it.trial.attributes]:
        return tuple(_BY_SETS.broken("it asked by sets of cups alone", it.name) for it in by_sets)
    problems = [
        _SAME.broken(f"it holds the same trial as {one.name}", two.name)
        for one, two in combinations(kitchens, 2)
        if _same(one, two)
    ]
    problems += [
        _COURSE.broken("it asks how the food changes over the days", _toml(it), column="course")
        for it in kitchens
        if it.trial.course
    ]
    control = first.trial.control
    same_control = Rule(
        "other-control",
        f"all kitchens have the same control, and {first.name} has {quoted(control)}",
        "Give the control one name where it is the same thing, else leave this folder out",
    )
    for other in others:
        if other.trial.control != control:
            found = f"the control is {quoted(other.trial.control)}"
            problems.append(same_control.broken(found, _toml(other), column="control"))
        problems += _other_scales(first, other)
    last = kitchens[-1].name
    if len(common(kitchens, "variants")) < 2 and {it.trial.control for it in kitchens} == {control}:
        made = "; ".join(f"{it.name} made {some_of(it.has('variants'))}" for it in kitchens)
        needed = f"at least one other is needed: {made}"
        rule = Rule("no-common-variant", needed, _GIVE.format("a variant"))
        problems.append(rule.broken("no variant but the control was made in all kitchens", last))
    if not common(kitchens, "attributes"):
        scored = "; ".join(f"{it.name} scored {some_of(it.has('attributes'))}" for it in kitchens)
        needed = f"at least one is needed: {scored}"
        rule = Rule("no-common-attribute", needed, _GIVE.format("an attribute"))
        problems.append(rule.broken("no attribute was scored in all kitchens", last))
    return tuple(problems)


def _toml(kitchen: Kitchen) -> str:
    return f"{kitchen.name}/trial.toml"


_GIVE = "Give {} one name in every trial.toml, or leave a folder out"
_SAME = Rule("same-trial", "every folder is a tasting of its own", "Leave one of them out")
_COURSE = Rule(
    "course-not-pooled",
    "each kitchen’s days are its own, and are not pooled",
    "Compare that folder alone",
)
_BY_SETS = Rule(
    "no-common-attribute",
    "each kitchen's right answers tell about its own food, and counts alone cannot tell how far "
    "foods differ",
    "Run compare on each folder. Where all tasted from the same jars, put the answers of all into "
    "one folder, a session a kitchen",
)


def common(kitchens: Sequence[Kitchen], part: Part) -> tuple[str, ...]:
    """Names of what all kitchens scored, or made, in the order of the first."""
    first, *others = (kitchen.has(part) for kitchen in kitchens)
    return tuple(name for name in first if all(name in other for other in others))


def not_common(kitchens: Sequence[Kitchen]) -> tuple[NotPooled, ...]:
    """List attributes and variants that only some kitchens have, and answers to sets; with why."""
    own = "Right answers tell about each kitchen’s own food, so look at each by itself."
    sets = any(kitchen.trial.choice for kitchen in kitchens)
    lost = [NotPooled(attribute="choice", reason=own)] * sets
    parts: tuple[tuple[Part, str, str], ...] = (
        ("attributes", "attribute", "scored"),
        ("variants", "variant", "made"),
    )
    for part, one, did in parts:
        for name in dict.fromkeys(chain.from_iterable(it.has(part) for it in kitchens)):
            having = [it.name for it in kitchens if name in it.has(part)]
            if len(having) < len(kitchens):
                reason = f"Only {wording.listing(having)} {did} it."
                lost.append(NotPooled(**{one: name}, reason=reason))
    return tuple(lost)


def _listed(facts: Iterable[tuple[Told, str]]) -> Iterator[tuple[Told, str]]:
    """Name together all of whom the same is told."""
    names: dict[Told, list[str]] = {}
    for it, name in facts:
        names.setdefault(it, []).append(name)
    return ((it, wording.listing(own)) for it, own in names.items())


def rule_differences(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Say in which kitchens the rule, the ends of a scale, or a label is not the first's."""
    first, *others = kitchens
    scored, made = common(kitchens, "attributes"), common(kitchens, "variants")
    differs = (
        (wording.listing(_differs(first.trial, it.trial, scored, made)), it.name) for it in others
    )
    none = ", and it declared none" * (first.trial.decision.declared is None)
    parts = [none, *(f"; {names} {text}" for text, names in _listed(differs) if text)]
    return (f"The rule of {first.name} decides{''.join(parts)}.",) if any(parts) else ()


def _differs(
    first: Trial, other: Trial, attributes: Sequence[str], variants: Sequence[str]
) -> Iterator[str]:
    mine, theirs = first.decision, other.decision
    pairs = [(first.attribute(name), other.attribute(name)) for name in attributes]
    if theirs.declared is None and mine.declared is not None:
        yield "declared none"
    else:
        if theirs.alpha != mine.alpha:
            yield f"declared alpha {wording.plain(theirs.alpha)}"
        if theirs.by != mine.by:
            yield f"declared that {PROCEDURES[theirs.by]} decides"
        if set(theirs.primary) != set(mine.primary):
            yield f"declared as primary: {some_of(theirs.primary) or 'nothing'}"
        margins = (
            (wording.margin(it) or "nothing", it.name)
            for own, it in pairs
            if it.margin != own.margin
        )
        for margin, names in _listed(margins):
            yield f"declared {margin} as the margin of {names}"
    steps = ((it.scale.step, it.name) for own, it in pairs if it.scale.step != own.scale.step)
    for step, names in _listed(steps):
        yield f"scored {names} {f'in steps of {wording.plain(step)}' if step else 'without steps'}"
    for own, it in pairs:
        if [it.low.casefold(), it.high.casefold()] != [own.low.casefold(), own.high.casefold()]:
            low, high = (f"“{word}”" if word else "nothing" for word in (it.low, it.high))
            yield f"wrote {low} and {high} at the ends of {it.name}"
    for written, meant in ((other.variant(it).label, first.variant(it).label) for it in variants):
        if written.casefold() != meant.casefold():
            yield f"wrote “{written}” for “{meant}”"


def caveats(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Say what weakens single kitchens, as a page of that kitchen alone says it too."""
    shared, weak, jars = common(kitchens, "variants"), [], []
    for kitchen in kitchens:
        for what, text in kitchen.standing.facts:
            weak += [(text, kitchen.name)] * (what not in ("recorded", "no rule"))
        also = "; ".join(
            f"“{kitchen.trial.variant(what.variant).label}” was also "
            + wording.listing(map(in_words, what.undeclared))
            for what in kitchen.differs
            if what.undeclared and what.variant in shared
        )
        jars += [(also, kitchen.name)] * bool(also)
    return (
        *(f"{names}: {text}" for text, names in _listed(weak)),
        *(
            f"In {names}, jars differed in more than was meant: {also}."
            for also, names in _listed(jars)
        ),
    )


def _same(one: Kitchen, two: Kitchen) -> bool:
    """Whether two folders hold the same trial: the same files, or the same cups and scores.

    With one key, as of a trial that was corrected or added to, half of the tasters suffice.
    """
    if one.fingerprint == two.fingerprint:
        return True
    drawn = [_drawn(one), _drawn(two)]
    if drawn[0] and 2 * len(drawn[0] & drawn[1]) >= min(map(len, drawn)):
        smaller = min(len(one.table.tasters), len(two.table.tasters))
        return 2 * (_cups(one) & _cups(two)).total() >= smaller
    return _cups(one) == _cups(two)


def _drawn(kitchen: Kitchen) -> set[tuple[str, ...]]:
    """Give what was drawn, whoever got it: sessions, codes and what is under them."""
    key = kitchen.tables.key
    return set() if key is None else {(s, code, what) for s, _, code, what, _ in key_rows(key)}


FEW_CUPS = 20  # below these, two tastings may have the same scores by chance


def _cups(kitchen: Kitchen) -> Counter[tuple[object, ...]]:
    """Count the tasters by their cups, and in small tables, where chance may do it, by name."""
    table, names = kitchen.table, kitchen.has("variants")
    order = np.argsort(kitchen.has("attributes"))
    scores = [tuple(row) for row in np.nan_to_num(table.scores[:, order], nan=np.inf).tolist()]
    cups: dict[int, list[tuple[object, ...]]] = {}
    places = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    for (session, taster, variant), row in zip(places, scores, strict=True):
        cups.setdefault(taster, []).append((table.sessions[session], names[variant], row))
    few = table.taster.size < FEW_CUPS
    return Counter(
        (table.tasters[taster] if few else "", *sorted(own)) for taster, own in cups.items()
    )


def _other_scales(first: Kitchen, other: Kitchen) -> Iterator[Problem]:
    for name in common([first, other], "attributes"):
        mine, theirs = first.trial.attribute(name), other.trial.attribute(name)
        low, high = mine.low.casefold(), mine.high.casefold()
        turned = low != high and (low, high) == (theirs.high.casefold(), theirs.low.casefold())
        ends = [(it.scale.low, it.scale.high) for it in (mine, theirs)]
        if ends[0] != ends[1] or turned:
            allowed = f"all kitchens share a scale, and {first.name} has {_scale(mine)}"
            remedy = "Leave this folder out, or give the attribute another name in it"
            rule = Rule("other-scale", allowed, remedy)
            yield rule.broken(f"the scale runs from {_scale(theirs)}", _toml(other), column=name)


def _scale(attribute: Attribute) -> str:
    ends = ((attribute.scale.low, attribute.low), (attribute.scale.high, attribute.high))
    return " to ".join(wording.plain(end) + f" ({word})" * bool(word) for end, word in ends)
