"""Whether the trials of several kitchens can be pooled, and what they have in common."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

import numpy as np

from blindspoon import wording
from blindspoon.errors import Problem, quoted, some_of
from blindspoon.kitchens.results import Kitchen, NotPooled
from blindspoon.trial import Attribute, Trial
from blindspoon.verdict import PROCEDURES


def matching_problems(kitchens: Sequence[Kitchen]) -> tuple[Problem, ...]:
    """List everything that keeps kitchens from being pooled.

    Parameters
    ----------
    kitchens : sequence of Kitchen
        Two or more; each is held against the first, and every two must be different trials.

    Returns
    -------
    tuple of Problem
        Empty where they can be pooled.
    """
    first, *others = kitchens
    problems = [_same_trial(one, two) for one, two in combinations(kitchens, 2) if _same(one, two)]
    for other in others:
        if other.trial.control != first.trial.control:
            problems.append(_other_control(first, other))
        problems += _other_scales(first, other)
    if len(common_variants(kitchens)) < 2 and not any(p.slug == "other-control" for p in problems):
        problems.append(_no_common_variant(kitchens))
    if not common_attributes(kitchens):
        problems.append(_no_common_attribute(kitchens))
    return tuple(problems)


def common_variants(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Names of the variants that all kitchens made, in the order of the first."""
    return _common(_variants(kitchen.trial) for kitchen in kitchens)


def common_attributes(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Names of the attributes that all kitchens scored, in the order of the first."""
    return _common(_attributes(kitchen.trial) for kitchen in kitchens)


def not_common(kitchens: Sequence[Kitchen]) -> tuple[NotPooled, ...]:
    """List attributes and variants that only some kitchens have, each with who has it."""
    attributes = _only_some([_attributes(kitchen.trial) for kitchen in kitchens], kitchens)
    variants = _only_some([_variants(kitchen.trial) for kitchen in kitchens], kitchens)
    return (
        *(
            NotPooled(attribute=n, variant=None, reason=f"Only {w} scored it.")
            for n, w in attributes
        ),
        *(NotPooled(attribute=None, variant=n, reason=f"Only {w} made it.") for n, w in variants),
    )


def rule_differences(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Say in which kitchens the declared rule, or the words of a scale, are not the first's."""
    first, *others = kitchens
    return tuple(
        f"The rule of {first.name} decides; {other.name} {wording.listing(differs)}."
        for other in others
        if (differs := list(_differs(first.trial, other.trial, common_attributes(kitchens))))
    )


def _differs(first: Trial, other: Trial, attributes: Iterable[str]) -> Iterator[str]:
    if other.decision.declared is None and first.decision.declared is not None:
        yield "declared none"
        return
    if other.decision.alpha != first.decision.alpha:
        yield f"declared alpha {wording.plain(other.decision.alpha)}"
    if other.decision.by != first.decision.by:
        yield f"declared that {PROCEDURES[other.decision.by]} decides"
    if set(other.decision.primary) != set(first.decision.primary):
        yield f"declared as primary: {some_of(other.decision.primary) or 'nothing'}"
    for name in attributes:
        mine, theirs = first.attribute(name), other.attribute(name)
        if theirs.margin != mine.margin:
            yield f"declared {wording.margin(theirs) or 'nothing'} as the margin of {name}"


def _common(names: Iterable[Sequence[str]]) -> tuple[str, ...]:
    first, *others = names
    return tuple(name for name in first if all(name in other for other in others))


def _only_some(
    names: Sequence[Sequence[str]], kitchens: Sequence[Kitchen]
) -> Iterator[tuple[str, str]]:
    """Names that not all kitchens have, with those that do."""
    for name in dict.fromkeys(name for each in names for name in each):
        having = [k.name for k, each in zip(kitchens, names, strict=True) if name in each]
        if len(having) < len(kitchens):
            yield name, wording.listing(having)


def _variants(trial: Trial) -> tuple[str, ...]:
    return tuple(variant.name for variant in trial.variants)


def _attributes(trial: Trial) -> tuple[str, ...]:
    return tuple(attribute.name for attribute in trial.attributes)


def _same(one: Kitchen, two: Kitchen) -> bool:
    """Whether two folders hold the same trial: the same files, or the same cups and scores."""
    if one.fingerprint == two.fingerprint:
        return True
    scores = (one.table.scores, two.table.scores)
    if (
        scores[0].shape != scores[1].shape
        or np.isfinite(scores[0]).sum() != np.isfinite(scores[1]).sum()
    ):
        return False
    return _cups(one) == _cups(two)


def _cups(kitchen: Kitchen) -> Counter[tuple[object, ...]]:
    """Count the cups by session, taster, variant and scores; blank scores are alike."""
    table, names = kitchen.table, _variants(kitchen.trial)
    order = np.argsort(_attributes(kitchen.trial))
    scores = [tuple(row) for row in np.nan_to_num(table.scores[:, order], nan=np.inf).tolist()]
    places = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    return Counter(
        (table.sessions[session], table.tasters[taster], names[variant], row)
        for (session, taster, variant), row in zip(places, scores, strict=True)
    )


def _same_trial(one: Kitchen, two: Kitchen) -> Problem:
    return Problem(
        slug="same-trial",
        file=two.name,
        found=f"it holds the same trial as {one.name}",
        allowed="every folder is a tasting of its own",
        remedy="Leave one of them out",
    )


def _other_control(first: Kitchen, other: Kitchen) -> Problem:
    return Problem(
        slug="other-control",
        file=f"{other.name}/trial.toml",
        column="control",
        found=f"the control is {quoted(other.trial.control)}",
        allowed=f"all kitchens have the same control, and {first.name} has "
        f"{quoted(first.trial.control)}",
        remedy="Give the control one name where it is the same thing, else leave this folder out",
    )


def _other_scales(first: Kitchen, other: Kitchen) -> Iterator[Problem]:
    for name in common_attributes([first, other]):
        mine, theirs = first.trial.attribute(name), other.trial.attribute(name)
        if _ends(mine) != _ends(theirs) or _turned(mine, theirs):
            yield Problem(
                slug="other-scale",
                file=f"{other.name}/trial.toml",
                column=name,
                found=f"the scale runs from {_scale(theirs)}",
                allowed=f"all kitchens share a scale, and {first.name} has {_scale(mine)}",
                remedy="Leave this folder out, or give the attribute another name in it",
            )


def _ends(attribute: Attribute) -> tuple[float, float]:
    return attribute.scale.low, attribute.scale.high


def _turned(one: Attribute, two: Attribute) -> bool:
    """Whether the words at the ends have changed places."""
    low, high = one.low.casefold(), one.high.casefold()
    return (
        bool(low or high)
        and low != high
        and ((low, high) == (two.high.casefold(), two.low.casefold()))
    )


def _scale(attribute: Attribute) -> str:
    low, high = (wording.plain(end) for end in _ends(attribute))
    return " to ".join(
        f"{end} ({shown})" if shown else end
        for end, shown in ((low, attribute.low), (high, attribute.high))
    )


def _no_common_variant(kitchens: Sequence[Kitchen]) -> Problem:
    made = "; ".join(f"{k.name} made {some_of(_variants(k.trial))}" for k in kitchens)
    return Problem(
        slug="no-common-variant",
        file=kitchens[-1].name,
        found="no variant but the control was made in all kitchens",
        allowed=f"at least one other is needed: {made}",
        remedy="Give a variant one name in every trial.toml, or leave a folder out",
    )


def _no_common_attribute(kitchens: Sequence[Kitchen]) -> Problem:
    scored = "; ".join(f"{k.name} scored {some_of(_attributes(k.trial))}" for k in kitchens)
    return Problem(
        slug="no-common-attribute",
        file=kitchens[-1].name,
        found="no attribute was scored in all kitchens",
        allowed=f"at least one is needed: {scored}",
        remedy="Give an attribute one name in every trial.toml, or leave a folder out",
    )
