"""Acids on one footing: grams of citric acid that would neutralise as much lye."""

from __future__ import annotations

import re
from dataclasses import dataclass

CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999
"""Standard atomic weights, abridged; IUPAC 2021."""


def _equivalent(carbon: int, hydrogen: int, oxygen: int, protons: int) -> float:
    return (carbon * CARBON + hydrogen * HYDROGEN + oxygen * OXYGEN) / protons


EQUIVALENT_MASS = {
    "citric acid": _equivalent(6, 8, 7, 3),
    "citric acid monohydrate": _equivalent(6, 10, 8, 3),
    "acetic acid": _equivalent(2, 4, 2, 1),
    "lactic acid": _equivalent(3, 6, 3, 1),
    "malic acid": _equivalent(4, 6, 5, 2),
    "tartaric acid": _equivalent(4, 6, 6, 2),
}
"""Grams that give one mole of titratable H+; formulas and protons from memory."""

FRESH_JUICE = 48.0
"""Grams of citric acid in a litre of fresh sour fruit juice; K. L. Penniston et al. 2008, J.
Endourol. 22:567."""

BOTTLED_JUICE = (34.1, 39.2)
"""The same, bottled: lowest and highest of the three brands measured there."""

JUICE_DENSITY = 1.03
"""Grams in a millilitre of juice, from memory."""

VINEGAR_DENSITY = 1.01
"""Grams in a millilitre of vinegar, from memory."""

JUICES = {
    "fresh sour fruit juice": FRESH_JUICE,
    "bottled sour fruit juice": sum(BOTTLED_JUICE) / 2,
}

_PERCENT = re.compile(r"(\d+(?:[.,]\d+)?)\s*%")


@dataclass(frozen=True, slots=True, kw_only=True)
class Acid:
    """What is added to make a batch sour.

    Parameters
    ----------
    name : str
        As `EQUIVALENT_MASS` and `JUICES` have it, or "vinegar"; "none" for no acid.
    citric_per_g : float or None
        Grams of citric acid that one gram of it equals; None where it is not known.
    reason : str
        Why it is not known; otherwise blank.
    """

    name: str
    citric_per_g: float | None
    reason: str = ""


def acid_of(text: str) -> Acid:
    """Find how sour a gram of an acid is.

    Parameters
    ----------
    text : str
        The cell ``acid``: one of `EQUIVALENT_MASS`, of `JUICES`, or vinegar with its strength
        ("vinegar 5 %"). A percentage beside a pure acid is its share of the mass.

    Returns
    -------
    Acid

    Notes
    -----
    By titratable acid: a gram of acid counts 64.04 g a mole of H+ (citric acid) over its own. The
    strength of vinegar is grams of acetic acid in 100 ml, as on the label (from memory: 21 CFR and
    the FDA's guide to vinegar count so). A juice counts by its citric acid alone. Equal
    equivalents neutralise alike; they need neither taste nor lower the pH alike.

    Examples
    --------
    >>> round(acid_of("vinegar 5 %").citric_per_g, 4), acid_of("Citric acid").citric_per_g
    (0.0528, 1.0)
    >>> acid_of("vinegar").reason
    'vinegar is written without its strength, as in "vinegar 5 %"'
    """
    words = " ".join(text.lower().split())
    percent = _PERCENT.search(words)
    share = float(percent[1].replace(",", ".")) / 100 if percent else None
    name = " ".join(_PERCENT.sub(" ", words).split()) or "none"
    if name == "none":
        return Acid(name=name, citric_per_g=0.0)
    if share is not None and share > 1:
        return Acid(name=name, citric_per_g=None, reason="its strength is above 100 %")
    if name in JUICES:
        return Acid(name=name, citric_per_g=JUICES[name] / (1000 * JUICE_DENSITY))
    if name.endswith("vinegar"):
        return _vinegar(name, share)
    if name in EQUIVALENT_MASS:
        equal = EQUIVALENT_MASS["citric acid"] / EQUIVALENT_MASS[name]
        return Acid(name=name, citric_per_g=equal * (1.0 if share is None else share))
    return Acid(name=name, citric_per_g=None, reason="how sour it is, is not known")


def _vinegar(name: str, share: float | None) -> Acid:
    if share is None:
        reason = f'{name} is written without its strength, as in "{name} 5 %"'
        return Acid(name=name, citric_per_g=None, reason=reason)
    equal = EQUIVALENT_MASS["citric acid"] / EQUIVALENT_MASS["acetic acid"]
    return Acid(name=name, citric_per_g=share / VINEGAR_DENSITY * equal)


def times_natural_juice(citric_g_per_100_g: float) -> float:
    """Say how many times as strong as fresh sour fruit juice something is, weight for weight.

    Examples
    --------
    >>> round(times_natural_juice(100 * 48.0 / 1030), 6)
    1.0
    """
    return citric_g_per_100_g / (FRESH_JUICE / (10 * JUICE_DENSITY))
