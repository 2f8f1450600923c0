"""What was made and measured: one `Batch` a jar, its `Reading`s, and the log that holds them."""

import datetime
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

Value = float | str


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One jar or vessel; `line` is that of batches.csv.

    What is not known is None or blank: the cell is blank, or the file has no such column
    (`BatchLog.columns` tells the two apart). `acid` is in the words of
    `blindspoon.batches.strengths`. It was `finished` when it left the place where it fermented.
    `own` are the host's own factors, those that are not blank.
    """

    name: str
    variant: str
    line: int
    produce_g: float | None = None
    water_g: float | None = None
    salt_g: float | None = None
    acid_g: float | None = None
    sugar_g: float | None = None
    acid: str = ""
    started: datetime.date | None = None
    finished: datetime.date | None = None
    temperature_c: float | None = None
    vessel: str = ""
    starter: str = ""
    note: str = ""
    own: Mapping[str, Value]

    def none(self, columns: Collection[str]) -> tuple[str, ...]:
        """Name what is blank beside written weights, so that none of it went in."""
        weights = {name: getattr(self, name) for name in ("produce_g", "water_g", "salt_g")}
        if self.salt_g is None or None in (weights[name] for name in columns if name in weights):
            return ()
        blank = {"acid": self.acid_g is None and not self.acid, "sugar": self.sugar_g is None}
        return tuple(name for name, none in blank.items() if none)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One dated measurement; `line` is that of readings.csv."""

    batch: str
    line: int
    date: datetime.date
    ph: float | None
    temperature_c: float | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchLog:
    """Every batch of a trial, in the order of batches.csv, and what was measured of it.

    `readings` are by date, under the name of the batch; batches without any are not in it.
    `columns` are the standard ones that batches.csv has, after conversion of units; `own` the
    host's own factors. The days are None where trial.toml dates no session. `tasted` has the
    batches of which the first tasting is known: by the cups that name them, or because they were
    not made before.
    """

    batches: tuple[Batch, ...]
    readings: Mapping[str, tuple[Reading, ...]]
    columns: frozenset[str]
    own: tuple[str, ...]
    first_tasted: datetime.date | None
    last_tasted: datetime.date | None
    tasted: Mapping[str, datetime.date] = field(default_factory=dict)

    def of_variant(self, variant: str) -> tuple[Batch, ...]:
        return tuple(batch for batch in self.batches if batch.variant == variant)

    def readings_of(self, batch: str) -> tuple[Reading, ...]:
        """List the readings of a batch, by date."""
        return self.readings.get(batch, ())

    def tasted_on(self, batch: str) -> datetime.date | None:
        """Give the first day on which a batch is tasted; None where trial.toml dates none."""
        return self.tasted.get(batch, self.first_tasted)

    def readings_before_tasting(self, batch: str) -> tuple[Reading, ...]:
        """List the readings of a batch up to the first day on which it is tasted, by date."""
        day = self.tasted_on(batch) or datetime.date.max
        return tuple(reading for reading in self.readings_of(batch) if reading.date <= day)
