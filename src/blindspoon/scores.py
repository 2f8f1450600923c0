"""Rows of text -> one table of scores, checked, typed and with the blind lifted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Something that takes no part in the comparison, and why."""

    file: str
    line: int | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """What a taster wrote beside a cup."""

    session: str
    taster: str
    variant: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreTable:
    """Every scored serving of a trial, one row each; n servings.

    Parameters
    ----------
    tasters, sessions : tuple of str
        Labels, in order of first appearance in the files.
    taster, session : int array, shape (n,)
        Positions in `tasters` and `sessions`.
    variant : int array, shape (n,)
        Position in ``Trial.variants``.
    batch : int array, shape (n,)
        Position in `batches`; -1 where no batch is named.
    batches : tuple of str
    position : int array, shape (n,)
        Place of the cup in its taster's session, from 1; 0 where it is not known.
    scores : float array, shape (n, n_attributes)
        In the order of ``Trial.attributes``; NaN where no score was given.
    coded : bool
        Whether the cups were served under codes.
    balanced : bool
        Whether every taster was to get every variant once in each of their sessions, with
        positions known and each variant in each position equally often, give or take one,
        within each session.
    remarks : tuple of Remark
    left_out : tuple of LeftOut
        In the order of the files.
    """

    tasters: tuple[str, ...]
    sessions: tuple[str, ...]
    taster: IntArray
    session: IntArray
    variant: IntArray
    batch: IntArray
    batches: tuple[str, ...]
    position: IntArray
    scores: FloatArray
    coded: bool
    balanced: bool
    remarks: tuple[Remark, ...]
    left_out: tuple[LeftOut, ...]
