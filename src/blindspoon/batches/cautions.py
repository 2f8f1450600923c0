"""What to look at before anyone tastes: by the data where there are some, in general otherwise.

A caution never blocks anything, and none of them, nor their absence, says that a food is safe.
Local codes, a tested recipe and licensed practice come first.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import takewhile
from typing import NamedTuple

from blindspoon import wording
from blindspoon.batches.log import Batch, BatchLog, Reading
from blindspoon.batches.strengths import Strengths, strengths
from blindspoon.errors import shown

PH_LIMIT = 4.6  # finished equilibrium pH above which a food counts as low in acid
PH_RISE = 0.3  # a rise that strips for pH can show; this project's choice
FRESH_DAYS = 3  # days for which a reading stands for what is served; this project's choice

SALT_RANGE = (2.0, 8.0)
USUAL_SALT = "{:g} to {:g} %".format(*SALT_RANGE)
"""Usual salt of vegetable ferments, as % of produce and water: from the 2 % of sauerkraut to the
8 % in which cucumbers are fermented in tanks."""

ALCOHOL_LIMIT = 0.5
"""% vol from which U.S. law counts a drink as alcoholic (27 CFR, from memory)."""

ALLERGENS: Mapping[str, str] = {
    "mustard": "mustard",
    "celery": "celery|celeriac",
    "fish": "fish|anchov(?:y|ies)|bonito",
    "crustaceans": "crustaceans?|shrimps?|prawns?|crabs?|krill",
    "molluscs": "molluscs?|oysters?|squid|clams?|mussels?",
    "soya": "soya?|soybeans?|shoyu|miso|tamari|tofu",
    "peanuts": "peanuts?",
    "nuts": "(?:wal|hazel)?nuts?|almonds?|cashews?|pecans?|pistachios?",
    "sesame": "sesame|tahini",
    "lupin": "lupins?",
    "gluten": "gluten|wheat|soy sauce|shoyu|barley|rye|spelt|oats?|malt",
    "milk": "milk|whey|buttermilk|kefir|yogh?urt|cream|cheese",
    "egg": "eggs?",
    "sulphites": "sul(?:ph|f)ites?|metabisul(?:ph|f)ite",
    "alcohol": "alcohol|beer|mead|vodka|brandy|kombucha|kvass|(?:wine|cider)(?! vinegar)",
}
"""What may harm somebody, and words of a recipe that give it away; some of the words there are."""

NAMED = ", ".join(name for name in ALLERGENS if name != "alcohol")
"""Those that labels have to tell, in one line."""


class CautionText(NamedTuple):
    """What is said of batches, numbers to be filled in, and the limit they are held against."""

    said: str
    sources: tuple[str, ...]
    limit: float | None = None


CAUTIONS: Mapping[str, CautionText] = {
    "ph-not-read": CautionText(
        "no pH was read before the tasting, so whether it is sour enough is not known. Read it in "
        f"the brine and in crushed produce; it should be {PH_LIMIT:g} or lower by a meter, or 4.0 "
        "or less by strips.",
        (
            "21 CFR 114.3",
            "21 CFR 114.80 for strips, from memory",
            "Snyder et al. 2020, Food Prot. Trends 40:251",
        ),
    ),
    "ph-above-limit": CautionText(
        f"the last pH before the first cup is above {PH_LIMIT:g} ({{values}}). Above it a "
        "food counts as low in acid, in which Clostridium botulinum can grow. Do not serve it on "
        "the strength of a taste or a smell.",
        ("21 CFR 114.3", "Codex CXS 115-1981", "Codex CXS 260-2007"),
        PH_LIMIT,
    ),
    "ph-not-falling": CautionText(
        "the pH did not fall (last {values}). A vegetable ferment is under way only if the pH "
        "falls steadily. Do not serve it.",
        ("Snyder et al. 2020, Food Prot. Trends 40:251",),
    ),
    "ph-rising": CautionText(
        "the pH rose from its lowest, by {values}. Yeasts and moulds at the surface use up the "
        "acid. Read it once more, and look at the surface.",
        ("common practice, no source",),
        PH_RISE,
    ),
    "ph-read-early": CautionText(
        f"the last pH was read {{values}} days before the tasting, more than {FRESH_DAYS}. Read it "
        "again on the day it is eaten.",
        ("21 CFR 114.3", "common practice, no source for the days"),
        float(FRESH_DAYS),
    ),
    "salt-low": CautionText(
        f"at {{values}} % of produce and water the salt is below the usual {USUAL_SALT}. Salt "
        "keeps other microbes down until the acid does; recipes that are tested for keeping do "
        "not cut it back.",
        (
            "USDA definition of sauerkraut, 2 to 3 % salt, after Campbell 1937",
            "Michigan State University Extension, publication 01600956",
        ),
        SALT_RANGE[0],
    ),
    "salt-high": CautionText(
        f"at {{values}} % of produce and water the salt is above the usual {USUAL_SALT}. It "
        "ferments slowly or not at all, and tasters who watch their salt should know.",
        ("J. Food Quality, article 8051435, for cucumbers in tanks: 5 to 8 %",),
        SALT_RANGE[1],
    ),
    "unsalted": CautionText(
        "no salt went in. Nothing but acid holds other microbes back: keep it in the "
        "refrigerator, for a few days at most.",
        (
            "Michigan State University Extension, publication 01600956",
            "21 CFR 114.3(b), which leaves refrigerated foods to other rules",
        ),
    ),
    "alcohol": CautionText(
        "its sugar could become {values} % vol of alcohol; a drink counts as alcoholic from "
        f"{ALCOHOL_LIMIT:g} % vol on in the United States, and elsewhere by its own rules. Tell "
        "the tasters, children and drivers first. A closed jar of it builds up pressure.",
        ("Gay-Lussac’s equation for alcohol from sugar", "27 CFR, from memory"),
        ALCOHOL_LIMIT,
    ),
    "pressure": CautionText(
        "a closed jar or bottle that ferments builds up pressure and can burst. Leave headspace, "
        "let gas out daily or use a lid that does, and open it slowly, over a sink and away from "
        "faces. One that bulges and was not meant to ferment is thrown away unopened.",
        ("common practice, no source",),
    ),
    "vacuum": CautionText(
        "vacuum packs and other packs without air keep out moulds, not Clostridium botulinum. Keep "
        "them at 5 °C or below.",
        ("FDA Food Code 3-502.12, reduced-oxygen packaging",),
    ),
    "mould": CautionText(
        "Throw away whatever is mouldy, slimy, pink, discoloured, bulging or smells wrong: the "
        "whole jar, untasted; and so anything that its maker doubts.",
        ("common practice, no source",),
    ),
    "allergens": CautionText(
        "nobody can see what is in a blind cup, and ferments may hold some alcohol. Tell whoever "
        f"tastes, before they do, everything that went in, allergens first: {NAMED}.",
        (
            "Codex CXS 1-1985, labelling of allergens, from memory",
            "Regulation (EU) 1169/2011, Annex II, from memory",
        ),
    ),
    "local-rules": CautionText(
        "a home trial is no tested recipe. Local codes, an inspector and licensed practice come "
        "first where they ask for more, or say no; whoever serves or sells to the public answers "
        "to the local food authority. Tasting is voluntary: everybody may stop at any time, and "
        "may always spit out; who is pregnant, very young, old or ill asks somebody qualified "
        "first.",
        ("IFST, guidelines on the ethics of tasting food, 2020",),
    ),
}
"""In the order in which they are told."""

_SEALED = re.compile(r"\b(clip|swing|bail|screw|lid|sealed|bottle|canning|mason|kilner)", re.I)
_SWOLLEN = re.compile(r"(?<!\bno )(?<!without )\b(bulg|swell|swoll|burst|hiss|gush)", re.I)
_VACUUM = re.compile(r"\bvacuum|\bsous.?vide", re.I)
_BAG = re.compile(r"\b(bag|pouch)", re.I)
_SPOILT = re.compile(
    r"(?<!\bno )(?<!without )\b(?:mou?ld|slim|fuzz|rott|putrid|off[- ]smell"
    r"|smell(?!(?:s|ed|t)? (?:great|good|nice|fine|lovely|fresh|clean)[^\w,;.]*(?:$|[,;.\n]))"
    r"|pink(?! (?:pepper|salt|himalaya)))",
    re.I,
)


def given_away(text: str) -> tuple[str, ...]:
    """List the allergens that a text of the host's names, and alcohol.

    >>> given_away("mustard seed, whey and rice bran"), given_away("no mustard, water kefir")
    (('mustard', 'milk'), ())
    """
    return tuple(
        name
        for name, words in ALLERGENS.items()
        if re.search(rf"(?<!no )(?<!without )(?<!water )\b(?:{words})\b(?!-free)", text, re.I)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One thing to look at in the batches that the data point at; none where it is a general one.

    `values` are one a batch, in the unit of the kind: pH, % of produce and water, % vol, days;
    empty where there is no number. `limit` is what they are held against.
    """

    kind: str
    batches: tuple[str, ...]
    values: tuple[float, ...]
    limit: float | None
    sources: tuple[str, ...]

    @property
    def general(self) -> bool:
        """Whether it holds for every food of this sort, whatever the data."""
        return not self.batches


def cautions(log: BatchLog) -> tuple[Caution, ...]:
    """List the cautions that apply to what was made.

    Those with batches first. The general ones stand once, and not where the data already point at
    batches; without batches they alone are left.

    >>> jar = Batch(name="jar 1", variant="plain", line=2, own={})
    >>> log = BatchLog(batches=(jar,), readings={}, columns=frozenset(), own=(),
    ...     first_tasted=None, last_tasted=None)
    >>> [(found.kind, found.batches) for found in cautions(log)][:2]
    [('ph-not-read', ('jar 1',)), ('pressure', ())]
    """
    found: dict[str, list[tuple[str, float | None]]] = {}
    for batch, made in zip(log.batches, strengths(log), strict=True):
        for kind, value in (*_by_ph(log, batch), *_by_making(log, batch, made)):
            found.setdefault(kind, []).append((batch.name, value))
    general = ("pressure", "mould", "allergens", "local-rules")
    kinds = [kind for kind in CAUTIONS if kind in found] + [it for it in general if it not in found]
    return tuple(
        Caution(
            kind=kind,
            batches=tuple(batch for batch, _ in found.get(kind, ())),
            values=tuple(value for _, value in found.get(kind, ()) if value is not None),
            limit=CAUTIONS[kind].limit,
            sources=CAUTIONS[kind].sources,
        )
        for kind in kinds
    )


def _by_ph(log: BatchLog, batch: Batch) -> Iterator[tuple[str, float | None]]:
    readings = log.readings_before_tasting(batch.name)
    read = [(reading.date, reading.ph) for reading in readings if reading.ph is not None]
    if not read:
        yield "ph-not-read", None
        return
    values = [value for _, value in read]
    first, last, risen = values[0], values[-1], values[-1] - min(values)
    tasted = log.tasted_on(batch.name)
    days = (tasted - read[-1][0]).days if tasted else 0
    if last > PH_LIMIT:
        yield "ph-above-limit", last
    if len(read) > 1 and last >= first > PH_LIMIT:
        yield "ph-not-falling", last
    if risen > PH_RISE + 1e-9:
        yield "ph-rising", risen
    if days > FRESH_DAYS:
        yield "ph-read-early", float(days)


def passed_limit(readings: Iterable[Reading]) -> tuple[Reading | None, Reading | None]:
    """Give the last reading above the limit of pH before the first at or below it, and that one.

    None where there is no such reading: a jar read at 4.4 from the first day on has no first.
    """
    read = [reading for reading in readings if reading.ph is not None]
    above = [*takewhile(lambda reading: (reading.ph or 0.0) > PH_LIMIT, read)]
    return (above[-1] if above else None), next(iter(read[len(above) :]), None)


def _by_making(log: BatchLog, batch: Batch, made: Strengths) -> Iterator[tuple[str, float | None]]:
    salt, alcohol = made.salt_percent_of_produce_and_water, made.alcohol_percent
    if salt is not None and batch.produce_g and not batch.acid_g:  # to ferment, not soured
        if salt == 0:
            yield "unsalted", salt
        elif salt < SALT_RANGE[0]:
            yield "salt-low", salt
        elif salt > SALT_RANGE[1]:
            yield "salt-high", salt
    if alcohol is not None and alcohol >= ALCOHOL_LIMIT:
        yield "alcohol", alcohol
    notes = [batch.note, *(reading.note for reading in log.readings.get(batch.name, ()))]
    if _SEALED.search(batch.vessel) or any(map(_SWOLLEN.search, notes)):
        yield "pressure", None
    if _VACUUM.search(f"{batch.vessel}\n{batch.note}") or _BAG.search(batch.vessel):
        yield "vacuum", None
    if any(map(_SPOILT.search, notes)):
        yield "mould", None


HEAD = (
    "These cautions come from what was written down; a measurement that is missing or wrong hides "
    "a danger. They do not say that anything is safe. Local codes, a tested recipe and a licensed "
    "practitioner’s word come first."
)
"""What stands before every list of cautions."""


def caution(found: Caution) -> str:
    """Say a caution in one or two sentences, without its sources.

    >>> high = Caution(kind="ph-above-limit", batches=("jar 2",), values=(4.8,), limit=4.6,
    ...     sources=("21 CFR 114.3",))
    >>> caution(high).split(". ")[0]
    'jar 2: the last pH before the first cup is above 4.6 (4.8)'
    """
    days = found.kind == "ph-read-early"
    ends = [wording.number(end, 0 if days else 1) for end in sorted(found.values)]
    values = " to ".join(dict.fromkeys(ends[:1] + ends[-1:]))
    said = CAUTIONS[found.kind].said.format(values=values)
    if found.general:
        return said[:1].upper() + said[1:]
    noted = "the notes mention mould, slime or a smell. " if found.kind == "mould" else ""
    return f"{wording.listing(map(shown, found.batches))}: {noted}{said}"


def sources(found: Caution | CautionText) -> str:
    """Name the sources of a caution, without what we note of them for ourselves."""
    return re.sub(r", (from memory|no source)\b", "", "; ".join(found.sources))
