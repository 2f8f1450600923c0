"""What to look at before anyone tastes: by the data where there are some, in general otherwise.

A caution never blocks anything, and none of them, nor their absence, says that a food is safe.
Local codes, a tested recipe and licensed practice come first.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from blindspoon import wording
from blindspoon.batches.log import Batch, BatchLog, BatchResult
from blindspoon.batches.strengths import Strengths, strengths
from blindspoon.errors import shown

Kind = Literal[
    "ph-not-read",
    "ph-above-limit",
    "ph-not-falling",
    "ph-rising",
    "ph-read-early",
    "salt-low",
    "salt-high",
    "unsalted",
    "alcohol",
    "pressure",
    "vacuum",
    "mould",
    "allergens",
    "local-rules",
]

PH_LIMIT = 4.6
"""Finished equilibrium pH above which a food counts as low in acid."""

PH_RISE = 0.3
"""A rise that strips for pH can show; this project's choice."""

FRESH_DAYS = 3
"""Days for which a reading stands for what is served; this project's choice."""

SALT_RANGE = (2.0, 8.0)
"""Usual salt of vegetable ferments, as % of produce and water: from the 2 % of sauerkraut to the
8 % in which cucumbers are fermented in tanks."""

ALCOHOL_LIMIT = 0.5
"""% vol from which U.S. law counts a drink as alcoholic (27 CFR, from memory)."""

SOURCES: dict[Kind, tuple[str, ...]] = {
    "ph-not-read": ("21 CFR 114.3", "Snyder et al. 2020, Food Prot. Trends 40:251"),
    "ph-above-limit": ("21 CFR 114.3", "Codex CXS 115-1981", "Codex CXS 260-2007"),
    "ph-not-falling": ("Snyder et al. 2020, Food Prot. Trends 40:251",),
    "ph-rising": ("common practice, no source",),
    "ph-read-early": ("21 CFR 114.3", "common practice, no source for the days"),
    "salt-low": (
        "USDA definition of sauerkraut, 2 to 3 % salt, after Campbell 1937",
        "Michigan State University Extension, publication 01600956",
    ),
    "salt-high": ("J. Food Quality, article 8051435, for cucumbers in tanks: 5 to 8 %",),
    "unsalted": (
        "Michigan State University Extension, publication 01600956",
        "21 CFR 114.3(b), which leaves refrigerated foods to other rules",
    ),
    "alcohol": ("Gay-Lussac’s equation for alcohol from sugar", "27 CFR, from memory"),
    "pressure": ("common practice, no source",),
    "vacuum": ("FDA Food Code 3-502.12, reduced-oxygen packaging: 5 °C or below",),
    "mould": ("common practice, no source",),
    "allergens": ("Codex CXS 1-1985, labelling of allergens, from memory",),
    "local-rules": ("IFST, guidelines on the ethics of tasting food, 2020",),
}

_SEALED = re.compile(r"\b(clip|swing|bail|screw|lid|sealed|bottle|canning|mason|kilner)", re.I)
_VACUUM = re.compile(r"\bvacuum", re.I)
_SPOILT = re.compile(r"\b(mou?ld|slim|fuzz|rotten|rott|putrid|off[- ]smell|pink|smell)", re.I)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution(BatchResult):
    """One thing to look at.

    Parameters
    ----------
    kind : str
    batches : tuple of str
        Those that the data point at; empty where the caution is a general one.
    values : tuple of float
        One a batch, in the unit of the kind: pH, % of produce and water, % vol, days; empty where
        there is no number.
    limit : float or None
        What the values are held against.
    sources : tuple of str
    """

    kind: Kind
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

    Parameters
    ----------
    log : BatchLog
        May hold no batches; then only the general ones are left.

    Returns
    -------
    tuple of Caution
        Those with batches first. The general ones stand once, and not where the data already
        point at batches.

    Examples
    --------
    >>> jar = Batch(name="jar 1", variant="plain", line=2, own={})
    >>> log = BatchLog(batches=(jar,), readings={}, columns=frozenset(), own=(), quantities=(),
    ...     first_tasted=None, last_tasted=None)
    >>> [(found.kind, found.batches) for found in cautions(log)][:2]
    [('ph-not-read', ('jar 1',)), ('pressure', ())]
    """
    by_data = [*_by_ph(log), *_by_strength(log), *_by_words(log)]
    pointed_at = {found.kind for found in by_data}
    general: tuple[Kind, ...] = ("pressure", "mould", "vacuum", "allergens", "local-rules")
    return (*by_data, *(_caution(kind, []) for kind in general if kind not in pointed_at))


def _caution(
    kind: Kind, found: Iterable[tuple[str, float | None]], limit: float | None = None
) -> Caution:
    pairs = list(found)
    return Caution(
        kind=kind,
        batches=tuple(batch for batch, _ in pairs),
        values=tuple(value for _, value in pairs if value is not None),
        limit=limit,
        sources=SOURCES[kind],
    )


_Found = tuple[str, float | None]


def _by_ph(log: BatchLog) -> Iterator[Caution]:
    looks: tuple[tuple[Kind, float | None, Callable[[BatchLog, str], Iterator[_Found]]], ...] = (
        ("ph-not-read", None, _not_read),
        ("ph-above-limit", PH_LIMIT, _above_limit),
        ("ph-not-falling", None, _not_falling),
        ("ph-rising", PH_RISE, _rising),
        ("ph-read-early", float(FRESH_DAYS), _read_early),
    )
    for kind, limit, look in looks:
        found = [pair for batch in log.batches for pair in look(log, batch.name)]
        if found:
            yield _caution(kind, found, limit)


def _ph(log: BatchLog, batch: str) -> list[tuple[datetime.date, float]]:
    readings = log.readings_before_tasting(batch)
    return [(reading.date, reading.ph) for reading in readings if reading.ph is not None]


def _not_read(log: BatchLog, batch: str) -> Iterator[_Found]:
    if not _ph(log, batch):
        yield batch, None


def _above_limit(log: BatchLog, batch: str) -> Iterator[_Found]:
    read = _ph(log, batch)
    if read and read[-1][1] > PH_LIMIT:
        yield batch, read[-1][1]


def _not_falling(log: BatchLog, batch: str) -> Iterator[_Found]:
    read = _ph(log, batch)
    if len(read) > 1 and read[0][1] > PH_LIMIT and read[-1][1] >= read[0][1]:
        yield batch, read[-1][1]


def _rising(log: BatchLog, batch: str) -> Iterator[_Found]:
    read = [value for _, value in _ph(log, batch)]
    if read and read[-1] - min(read) > PH_RISE + 1e-9:
        yield batch, read[-1] - min(read)


def _read_early(log: BatchLog, batch: str) -> Iterator[_Found]:
    read = _ph(log, batch)
    days = (log.first_tasted - read[-1][0]).days if read and log.first_tasted else 0
    if days > FRESH_DAYS:
        yield batch, float(days)


def _by_strength(log: BatchLog) -> Iterator[Caution]:
    low, high = SALT_RANGE
    looks: tuple[tuple[Kind, float | None, Callable[[Batch, Strengths], float | None]], ...] = (
        ("salt-low", low, lambda b, m: _salt(b, m, lambda salt: 0 < salt < low)),
        ("salt-high", high, lambda b, m: _salt(b, m, lambda salt: salt > high)),
        ("unsalted", None, lambda b, m: _salt(b, m, lambda salt: salt == 0)),
        ("alcohol", ALCOHOL_LIMIT, _alcohol),
    )
    pairs = list(zip(log.batches, strengths(log), strict=True))
    for kind, limit, look in looks:
        found = [(b.name, value) for b, made in pairs if (value := look(b, made)) is not None]
        if found:
            yield _caution(kind, found, limit)


def _salt(batch: Batch, made: Strengths, outside: Callable[[float], bool]) -> float | None:
    """Give the salt of a batch of produce without added acid, if it is outside."""
    salt = made.salt_percent_of_produce_and_water
    fermented = bool(batch.produce_g) and not batch.acid_g
    return salt if salt is not None and fermented and outside(salt) else None


def _alcohol(_: Batch, made: Strengths) -> float | None:
    most = made.alcohol_percent
    return most if most is not None and most >= ALCOHOL_LIMIT else None


def _by_words(log: BatchLog) -> Iterator[Caution]:
    looks: tuple[tuple[Kind, re.Pattern[str], Callable[[BatchLog, Batch], Iterable[str]]], ...] = (
        ("pressure", _SEALED, lambda _, batch: (batch.vessel,)),
        ("vacuum", _VACUUM, lambda _, batch: (batch.vessel, batch.note)),
        ("mould", _SPOILT, _notes),
    )
    for kind, pattern, texts in looks:
        found = [b.name for b in log.batches if any(map(pattern.search, texts(log, b)))]
        if found:
            yield _caution(kind, ((name, None) for name in found))


def _notes(log: BatchLog, batch: Batch) -> Iterator[str]:
    yield batch.note
    for reading in log.readings_of(batch.name):
        yield reading.note


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


def _brine(found: Caution) -> str:
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
        f"{_brine(found)}. Salt keeps other microbes down until the acid does; recipes that are "
        "tested for keeping do not cut it back."
    ),
    "salt-high": lambda found: (
        f"{_brine(found)}. It ferments slowly or not at all, and tasters who watch their salt "
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
