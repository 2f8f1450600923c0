"""What to look at before anyone tastes: by the data where there are some, in general otherwise.

A caution never blocks anything, and none of them, nor their absence, says that a food is safe.
Local codes, a tested recipe and licensed practice come first.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.strengths import Strengths, strengths

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
class Caution:
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

    def to_row(self) -> dict[str, object]:
        """Give every field by its name, for tables and JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


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
    >>> [(each.kind, each.batches) for each in cautions(log)][:2]
    [('ph-not-read', ('jar 1',)), ('pressure', ())]
    """
    by_data = [*_by_ph(log), *_by_strength(log), *_by_words(log)]
    pointed_at = {each.kind for each in by_data}
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
