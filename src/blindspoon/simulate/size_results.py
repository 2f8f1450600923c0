"""What sizing has to be told, how widely scores scatter, and what its simulated trials showed."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal

from blindspoon.errors import DesignError, Rule
from blindspoon.stats.results import MixedFit, NoResult, Record
from blindspoon.trial import Scale

if TYPE_CHECKING:
    import pandas as pd

CUP, TASTER, TASTER_VARIANT = 0.12, 0.12, 0.06
"""Standard deviations as shares of the scale's range: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviations of the scores, in points, before they are rounded to the scale.

    Parameters
    ----------
    residual_sd : float
        From cup to cup of one variant by one taster.
    taster_sd : float
        Between tasters' general levels; it cancels from every difference.
    taster_variant_sd : float
        Between tasters' own opinions of a variant; more sessions do not average it out.
    source : str
        Where the values come from, as the end of the sentence "Spread of the scores: ...".

    Raises
    ------
    ValueError
        If a standard deviation is negative or not finite, or nothing scatters the differences.
    """

    residual_sd: float
    taster_sd: float
    taster_variant_sd: float
    source: str = "as given"

    def __post_init__(self) -> None:
        """Refuse what is not a set of standard deviations."""
        parts = (self.residual_sd, self.taster_sd, self.taster_variant_sd)
        if not all(math.isfinite(part) and part >= 0 for part in parts):
            raise ValueError(f"standard deviations are finite and not negative, not {parts}")
        if self.residual_sd == self.taster_variant_sd == 0:
            raise ValueError("the cup-to-cup or the taster:variant SD is above 0")


def common_practice(scale: Scale) -> Spread:
    """Give the spread that is usual among untrained tasters (common practice, no source).

    Examples
    --------
    >>> common_practice(Scale(low=0, high=10)).residual_sd
    1.2
    """
    span = scale.high - scale.low
    return Spread(
        residual_sd=CUP * span, taster_sd=TASTER * span, taster_variant_sd=TASTER_VARIANT * span,
        source="common practice, no source",
    )  # fmt: skip


def spread_from(fit: MixedFit | NoResult, title: str) -> Spread:
    """Take the spread from the mixed model of a trial that was compared before.

    The attribute was scored on the same scale; the title of the trial is for the sentence that
    says where the values come from. Where it had one session, cup-to-cup and taster:variant
    scatter cannot be told apart: their sum is then split in the proportion of common practice.

    Raises
    ------
    DesignError
        Where the mixed model of the earlier trial gave no result.
    """
    if isinstance(fit, NoResult):
        rule = Rule(
            "no-spread",
            "an earlier trial has a mixed model of the attribute",
            "Name another trial, or give the standard deviations",
        )
        found = f"the trial “{title}” gives no spread: {fit.reason.rstrip('.')}"
        raise DesignError([rule.broken(found, "trial.toml")])
    if fit.taster_variant_sd is not None:
        return Spread(
            residual_sd=fit.residual_sd, taster_sd=fit.taster_sd,
            taster_variant_sd=fit.taster_variant_sd, source=f"as in the trial “{title}”",
        )  # fmt: skip
    whole = math.hypot(CUP, TASTER_VARIANT)
    return Spread(
        residual_sd=fit.residual_sd * CUP / whole, taster_sd=fit.taster_sd,
        taster_variant_sd=fit.residual_sd * TASTER_VARIANT / whole,
        source=(
            f"as in the trial “{title}”, whose one session cannot tell cup-to-cup scatter from"
            " tasters' own opinions of a variant, so that their sum was split as is common practice"
        ),
    )  # fmt: skip


WANTED = 0.8  # the chance at which a difference counts as one that would be seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What every panel is asked.

    Parameters
    ----------
    variants : int
        The control included.
    scale : Scale
    margin, alpha : float
        Smallest difference that matters, in points; the attribute's share of alpha.
    spread : Spread
    trials : int or None
        Of each chance; None for as few as make it precise enough.
    seed : int
    """

    variants: int
    scale: Scale
    margin: float
    alpha: float
    spread: Spread
    trials: int | None
    seed: int


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
    unit : {"taster", "round"}
        What is compared: "round" where one person tastes alone, each session a round.
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
    unit: Literal["taster", "round"] = "taster"

    def cell(self, tasters: int, sessions: int, procedure: str) -> SizingCell:
        """Find the cell of a panel and procedure."""
        wanted = (tasters, sessions, procedure)
        return next(c for c in self.cells if (c.tasters, c.sessions, c.procedure) == wanted)

    def to_record(self) -> Record:
        """Everything, ready for JSON: text, finite numbers, None, lists and dictionaries."""
        return asdict(self) | {
            "cells": [cell.to_record() for cell in self.cells],
            "assumptions": list(self.assumptions),
            "sentences": list(self.sentences),
        }

    def to_frame(self) -> pd.DataFrame:
        """Lay out the sizes, a row a size and procedure."""
        from blindspoon.frames import records_frame  # noqa: PLC0415 - pandas when asked for

        return records_frame([cell.to_record() for cell in self.cells])
