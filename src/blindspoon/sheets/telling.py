"""What tasters may read: no text that holds a name of a variant; and what the sheets follow."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from blindspoon.serving.plan import ServingPlan
from blindspoon.trial import Trial

PRACTICE = "Whatever has no number: common practice, no source."

SOURCES = {
    "IFST": "Institute of Food Science & Technology, Guidelines for ethical and professional "
    "practices for the sensory analysis of foods: volunteers, informed consent, hygiene, no "
    "children without guidance.",
    "4120": "ISO 4120, read as AS 2542.2.2:2014, clauses 5.2 to 5.8: three-digit codes, the same "
    "vessel, quantity and temperature, prepared out of sight, colour masked, no communication, "
    "swallowing or not stated. The standard is for triangle tests; only its rules of serving are "
    "followed here.",
    "13299": "ISO 13299:2016: one temperature, three-digit codes, a designed order, replicates on "
    "different days if possible, identities not disclosed until the end.",
    "E1871": "ASTM E1871-97, 5.1: portion, number of cups, cleanser and temperature are settled in "
    "a trial run; samples are uniform. It does not cover alcohol.",
    "cleansers": "One cleanser, kept: sourness was scored higher after carrots or water than after "
    "crackers (Vickers, Morris and Savaria 2008, Journal of Sensory Studies 23:526). Only table "
    "water crackers worked for all of seven foods (Lucak and Delwiche 2009, Chemosensory "
    "Perception 2:32).",
    "room": "Rooms are the subject of ISO 8589; what stands here is common practice, no source.",
}


def cited(names: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """List the sources that are used, in order of first use.

    Returns
    -------
    tuple of (name, text)

    Examples
    --------
    >>> [name for name, _ in cited(["", "4120", "IFST", "4120"])]
    ['4120', 'IFST']
    """
    return tuple((name, SOURCES[name]) for name in dict.fromkeys(names) if name)


def tells(text: str, trial: Trial) -> bool:
    """Whether a text holds the name or the label of a variant, in any case, accent and punctuation.

    Parts of words count: a variant "salt" is told by "less salty".
    """
    names = {name for variant in trial.variants for name in (variant.name, variant.label)}
    forms = {*_forms(text)}
    return any(name in form for each in names for name in _forms(each) for form in forms)


def heading(trial: Trial) -> str:
    """Head the sheets that tasters see: never the title, which may tell what the host hopes for.

    Returns
    -------
    str
        "Tasting of fermented cucumbers"; "Tasting" where there is no product, or where it
        tells a variant.
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

    Parameters
    ----------
    trial : Trial
    plan : ServingPlan

    Returns
    -------
    tuple of str
        The words, each once.
    """
    words = [
        *(word for each in trial.attributes for word in (each.label, each.low, each.high)),
        *plan.request.sessions,
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
