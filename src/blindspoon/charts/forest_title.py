"""What several kitchens found on one attribute, as the title of a chart."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.compare.results import NoResult
from blindspoon.kitchens.results import Pool, PooledAttribute, PooledComparison


def forest_title(shown: PooledAttribute, pool: Pool) -> str:
    """State what was found in kitchens like these on one attribute.

    Returns
    -------
    str
        Without a full stop: "In kitchens like these three, “Calcium” was crisper than the
        control; “Vine leaf” was within 1 point of it".
    """
    label, total = shown.attribute.label.lower(), len(shown.comparisons)
    clauses = list[str]()
    for group, verb, phrase in _groups(shown):
        clauses.append(f"{_named(group, pool)} {verb[len(group) > 1]} {phrase}")
    if all(each.verdict == "open" for each in shown.comparisons):
        clauses = [f"nothing is settled on {label}"] if total > 1 else [f"{clauses[0]} on {label}"]
    return f"In kitchens like these {wording.spelled(len(pool.kitchens))}, {'; '.join(clauses)}"


Group = tuple[list[PooledComparison], tuple[str, str], str]


def _groups(shown: PooledAttribute) -> Iterator[Group]:
    """Variants of one finding, the verb for one and for several, and what is said of them."""
    said = False
    for sign in (1, -1):
        group = [each for each in shown.comparisons if _shown_sign(each) == sign]
        if group:
            verb, _, rest = wording.comparative(sign, shown.attribute).partition(" ")
            if all(each.verdict == "slight" for each in group):
                limit = f", by less than {wording.margin(shown.attribute)}"
            else:
                limit = ""
            phrase = rest.partition(" on ")[0].removesuffix(" than") if said else rest
            yield group, _verbs(verb), phrase + ("" if said else " the control") + limit
            said = True
    alike = [each for each in shown.comparisons if each.verdict == "alike"]
    if alike:
        where = "it" if said else f"the control on {shown.attribute.label.lower()}"
        yield alike, _verbs("was"), f"within {wording.margin(shown.attribute)} of {where}"
    unsettled = [each for each in shown.comparisons if each.verdict == "open"]
    if unsettled:
        yield unsettled, _verbs("is"), "not settled"


def _verbs(verb: str) -> tuple[str, str]:
    return verb, {"was": "were", "is": "are"}.get(verb, verb)


def _shown_sign(each: PooledComparison) -> int:
    """Tell the direction of a difference that was shown; 0 where none was."""
    if isinstance(each.pooled, NoResult) or each.verdict not in ("different", "slight"):
        return 0
    return 1 if each.pooled.difference > 0 else -1


def _named(group: list[PooledComparison], pool: Pool) -> str:
    if len(group) > 2:
        return f"{wording.spelled(len(group))} variants"
    return wording.listing(f"“{pool.variant(each.variant).label}”" for each in group)
