"""What tasters may read: no text that holds a name of a variant."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from itertools import chain

from blindspoon.serving.plan import ServingPlan
from blindspoon.trial import Trial

SHORT = 3
"""Letters from which on a name is looked for within words."""


def tells(text: str, trial: Trial) -> bool:
    """Whether a text holds the name or the label of a variant, in any case, accent and punctuation.

    Parts of words count: a variant "salt" is told by "less salty". A name of one or two Latin
    letters has to stand alone, or "crackers" would tell a variant "a".
    """
    names = {name for variant in trial.variants for name in (variant.name, variant.label)}
    forms = {*_forms(text)}
    told = {form for name in names for form in _forms(name)}
    alone = [name for name in told if name.isascii() and len(name) < SHORT]
    short = re.compile(rf"(?<!\w)({'|'.join(map(re.escape, alone))})(?!\w)") if alone else None
    return any(
        (short is not None and short.search(form)) or any(name in form for name in told - {*alone})
        for form in forms
    )


def heading(trial: Trial) -> str:
    """Head the sheets that tasters see: never the title, which may tell what the host hopes for.

    "Tasting of fermented cucumbers"; "Tasting" where there is no product, or it tells a variant.
    """
    silent = not trial.product or tells(trial.product, trial)
    return "Tasting" if silent else f"Tasting of {trial.product}"


def veiled(text: str, trial: Trial, instead: str = "") -> str:
    """Give a text of the host's; something instead where it is empty or tells a variant."""
    return instead if not text or tells(text, trial) else text


def telling_words(trial: Trial, plan: ServingPlan) -> tuple[str, ...]:
    """List what tasters must read although it holds the name of a variant.

    The words of an attribute, the name of a session and of a taster cannot be left out of a
    ballot. Whether they give a cup away is for the host to judge, before anything is printed.
    """
    attributes = [(scored.label, scored.low, scored.high) for scored in trial.attributes]
    words = [
        *chain(*attributes),
        *plan.request.sessions,
        *(each.label for each in trial.sessions),
        *plan.request.tasters,
    ]
    return tuple(word for word in dict.fromkeys(words) if word and tells(word, trial))


def _forms(text: str) -> Iterable[str]:
    """Give a text without case and accents, and with all but letters and digits made one blank."""
    folded = _bare(_bare(text).upper().casefold())
    return filter(None, (folded, re.sub(r"[\W_]+", " ", folded).strip()))


def _bare(text: str) -> str:
    parts = unicodedata.normalize("NFKD", text)
    return "".join(part for part in parts if not unicodedata.combining(part))
