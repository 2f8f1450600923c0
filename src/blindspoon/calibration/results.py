"""How often the procedures were right, one frozen value a cell."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from blindspoon.calibration.situations import Truth
from blindspoon.verdict import By

Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Rate:
    """A share of simulated trials, its Monte Carlo standard error, and of how many trials."""

    value: float
    se: float
    trials: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationCell:
    """How one procedure did in one situation with one panel and one truth.

    Parameters
    ----------
    situation : str
    variants, tasters : int
        The control counts among the variants.
    truth : {"none", "one", "all"}
        Which variants truly differ from the control, each by one margin.
    procedure : {"mixed", "ranks"}
    trials : int
    false_alarm : Rate or None
        Any variant called different or slight that is not; None where all differ.
    coverage : Rate or None
        All true differences inside their intervals at once, among the trials with an interval;
        None where there was none.
    found : Rate or None
        The variant that differs called different or slight; None unless exactly one does.
    false_alike : Rate or None
        Any variant called alike or slight that is off by the margin; None where none is.
    """

    situation: str
    variants: int
    tasters: int
    truth: Truth
    procedure: By
    trials: int
    false_alarm: Rate | None
    coverage: Rate | None
    found: Rate | None
    false_alike: Rate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """All cells of a calibration.

    Parameters
    ----------
    trials, seed : int
        Simulated trials a cell as asked for, and what their random draws come from.
    cells : tuple of CalibrationCell
        By situation, variants, tasters, truth and procedure.
    """

    trials: int
    seed: int
    cells: tuple[CalibrationCell, ...]

    def to_record(self) -> Record:
        """Give everything as plain values, ready for JSON."""
        return asdict(self)
