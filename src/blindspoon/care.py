"""Cautions in words. None of them, nor their absence, says that a food is safe."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from blindspoon import wording
from blindspoon.batches.cautions import (
    ALCOHOL_LIMIT,
    FRESH_DAYS,
    PH_LIMIT,
    SALT_RANGE,
    Caution,
    Kind,
)
from blindspoon.errors import shown

HEAD = (
    "These cautions come from what was written down; a measurement that is missing or wrong hides "
    "a danger. They do not say that anything is safe. Local codes, a tested recipe and a licensed "
    "practitioner’s word come first."
)
"""What stands before every list of cautions."""


def caution(found: Caution) -> str:
    r"""Say a caution in one or two sentences, without its sources.

    Examples
    --------
    >>> high = Caution(kind="ph-above-limit", batches=("jar 2",), values=(4.8,), limit=4.6,
    ...     sources=("21 CFR 114.3",))
    >>> caution(high).split(". ")[0]
    'jar 2: the last pH is above 4.6 (4.8)'
    """
    names = wording.listing(shown(name) for name in found.batches)
    return f"{names}: {_SAID[found.kind](found)}" if names else _upper(_SAID[found.kind](found))


def sources(found: Caution) -> str:
    """Name where a caution comes from."""
    return "; ".join(found.sources)


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _span(values: Iterable[float], digits: int) -> str:
    """Write values: one, or lowest to highest."""
    ends = dict.fromkeys(wording.number(end, digits) for end in (min(values), max(values)))
    return " to ".join(ends)


def _salt(found: Caution) -> str:
    low, high = (wording.plain(end) for end in SALT_RANGE)
    amount = f"{_span(found.values, 1)} % of produce and water"
    side = "below" if found.kind == "salt-low" else "above"
    return f"at {amount} the salt is {side} the usual {low} to {high} %"


_SAID: Mapping[Kind, Callable[[Caution], str]] = {
    "ph-not-read": lambda _: (
        "no pH was read before the tasting, so whether it is sour enough is not known. Read it in "
        f"the brine and in crushed produce; it should be {wording.plain(PH_LIMIT)} or lower."
    ),
    "ph-above-limit": lambda found: (
        f"the last pH is above {wording.plain(PH_LIMIT)} ({_span(found.values, 1)}). Above it a "
        "food counts as low in acid, in which Clostridium botulinum can grow. Do not serve it on "
        "the strength of a taste or a smell."
    ),
    "ph-not-falling": lambda found: (
        f"the pH did not fall (last {_span(found.values, 1)}). A vegetable ferment is under way "
        "only if the pH falls steadily. Do not serve it."
    ),
    "ph-rising": lambda found: (
        f"the pH rose from its lowest, by {_span(found.values, 1)}. Yeasts and moulds at the "
        "surface use up the acid. Read it once more, and look at the surface."
    ),
    "ph-read-early": lambda found: (
        f"the last pH was read {_span(found.values, 0)} days before the tasting, more than "
        f"{FRESH_DAYS}. Read it again on the day."
    ),
    "salt-low": lambda found: (
        f"{_salt(found)}. Salt keeps other microbes down until the acid does; recipes that are "
        "tested for keeping do not cut it back."
    ),
    "salt-high": lambda found: (
        f"{_salt(found)}. It ferments slowly or not at all, and tasters who watch their salt "
        "should know."
    ),
    "unsalted": lambda _: (
        "no salt went in. Nothing but acid holds other microbes back: keep it in the refrigerator, "
        "for a few days at most."
    ),
    "alcohol": lambda found: (
        f"its sugar could become {_span(found.values, 1)} % vol of alcohol, where "
        f"{wording.plain(ALCOHOL_LIMIT)} % vol and more is labelled. Tell the tasters, children "
        "and drivers first. A closed jar of it builds up pressure."
    ),
    "pressure": lambda _: (
        "a closed jar that ferments builds up pressure and can burst. Let gas out daily or use a "
        "lid that does, and open it over a sink, away from the face."
    ),
    "vacuum": lambda _: (
        "vacuum packs and other packs without air keep out moulds, not Clostridium botulinum. Keep "
        "them at 5 °C or below."
    ),
    "mould": lambda found: (
        ("the notes mention mould, slime or a smell. " if found.batches else "")
        + "Throw away whatever is mouldy, slimy, pink or smells wrong: the whole jar, untasted."
    ),
    "allergens": lambda _: (
        "name everything that went in to the tasters before they taste, allergens first: mustard, "
        "celery, fish, crustaceans, soya, nuts, sesame, gluten, milk, egg, sulphites."
    ),
    "local-rules": lambda _: (
        "a home trial is no tested recipe. Where local codes, an inspector or a licensed "
        "practitioner ask for more, or say no, they come first. Tasters take part freely and may "
        "stop at any time."
    ),
}
