"""What the simulated trials showed, one frozen value a panel and procedure."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from blindspoon.sizing.spread import Spread

Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Chance:
    """A share of simulated trials and its Monte Carlo standard error."""

    value: float
    se: float


@dataclass(frozen=True, slots=True)
class Seen:
    """The true difference, in points, that is shown with a stated chance, and its error.

    ``se`` is the Monte Carlo standard error, carried over from the chances that the difference
    was interpolated between.
    """

    difference: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingCell:
    """What one size of panel can hope for by one procedure.

    Parameters
    ----------
    tasters, sessions : int
        Each taster gets every variant once a session.
    procedure : {"mixed", "ranks"}
    chance_margin, chance_twice : Chance
        To show a variant different that truly differs by the margin, or by twice the margin,
        while the others equal the control ("different" or "slight").
    chance_alike, chance_all_alike : Chance
        To show a given variant, or all of them, alike when nothing differs.
    chance_false : Chance
        To call any variant different when nothing differs.
    smallest_p : float or None
        The smallest adjusted p that this many tasters can reach by ranks, whatever they say;
        None for the mixed model, which has no such floor.
    smallest_seen : Seen or None
        The difference that would be shown 8 times in 10.
    not_seen : str
        Why there is no such difference; empty where there is one.
    """

    tasters: int
    sessions: int
    procedure: Literal["mixed", "ranks"]
    chance_margin: Chance
    chance_twice: Chance
    chance_alike: Chance
    chance_all_alike: Chance
    chance_false: Chance
    smallest_p: float | None
    smallest_seen: Seen | None
    not_seen: str

    def to_record(self) -> Record:
        """Give the fields as plain values; ``not_seen`` stands where there is no difference."""
        record = asdict(self)
        if self.smallest_seen is not None:
            del record["not_seen"]
        return record


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What panels of several sizes can hope for.

    Parameters
    ----------
    attribute : str
        Name of the attribute that the trial is sized for.
    margin, alpha : float
        Smallest difference that matters, in points; the attribute's share of alpha.
    decided_by : {"mixed", "ranks"}
        The procedure that was declared to decide.
    variants : int
        The control included.
    spread : Spread
    trials, seed : int
        Simulated trials a cell, and what their random draws come from.
    cells : tuple of SizingCell
        By sessions, then tasters, then procedure.
    assumptions, sentences : tuple of str
        What was taken for granted, and what follows, in plain sentences.
    """

    attribute: str
    margin: float
    alpha: float
    decided_by: Literal["mixed", "ranks"]
    variants: int
    spread: Spread
    trials: int
    seed: int
    cells: tuple[SizingCell, ...]
    assumptions: tuple[str, ...]
    sentences: tuple[str, ...]

    def cell(self, tasters: int, sessions: int, procedure: str) -> SizingCell:
        """Find the cell of a panel and procedure."""
        wanted = (tasters, sessions, procedure)
        return next(c for c in self.cells if (c.tasters, c.sessions, c.procedure) == wanted)

    def to_record(self) -> Record:
        """Everything, ready for JSON: text, finite numbers, None, lists and dictionaries."""
        return {
            "attribute": self.attribute,
            "margin": self.margin,
            "alpha": self.alpha,
            "decided_by": self.decided_by,
            "variants": self.variants,
            "spread": asdict(self.spread),
            "trials": self.trials,
            "seed": self.seed,
            "cells": [cell.to_record() for cell in self.cells],
            "assumptions": list(self.assumptions),
            "sentences": list(self.sentences),
        }
