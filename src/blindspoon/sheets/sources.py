"""What the checklist asks for, and the standards and papers that it follows, and how far."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Item(NamedTuple):
    """A thing to do and tick off; `source` names an entry of `SOURCES`, `blank` is room to write.

    The source is empty where a caution or a step is common practice.
    """

    name: str
    text: str
    source: str = ""
    blank: bool = False


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
