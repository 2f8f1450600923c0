"""Whether the differences from the control moved from sitting to sitting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.two_way import gather

ONE_SITTING = NoResult("There was one sitting only.")
SPAN = 2.0  # margins within which every single sitting has to lie where the mean is called alike
WHATEVER = 1.5  # the same where differences were shown to move


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSittings:
    """The sittings of one attribute, held against one another.

    Parameters
    ----------
    f, df_num, df_den, p_value : float
        That no difference of a variant that was at every sitting moved, by unpooled mean squares.
    tasters : int
        Those with all of these at every sitting.
    differences : float array, shape (n_sessions, n_variants)
        Variant minus control at each sitting, in points; 0 for the control, NaN where the variant
        was not tasted.
    intervals : tuple of (tuple of (Interval or None))
        A row a sitting, a column a variant: level 1 - 2 alpha, simultaneous over the variants,
        by that sitting's own scatter; None where the variant was not tasted.
    names : tuple of str
        What each of the sittings is called; blank where only its place in the row tells.
    """

    f: float
    df_num: float
    df_den: float
    p_value: float
    tasters: int
    differences: FloatArray
    intervals: tuple[tuple[Interval | None, ...], ...]
    alpha: float
    names: tuple[str, ...]

    @property
    def moved(self) -> bool:
        """Whether the differences were shown to move."""
        return self.p_value <= self.alpha

    @property
    def widest(self) -> int:
        """The variant whose difference ranged widest over the sittings."""
        at = np.isfinite(self.differences)
        high = np.where(at, self.differences, -np.inf).max(axis=0)
        low = np.where(at, self.differences, np.inf).min(axis=0)
        return int(np.argmax(high - low))

    def first_and_last(self, variant: int) -> tuple[tuple[float, str], ...]:
        """Its difference at the first and the last sitting at which it was tasted, and its name."""
        own = np.flatnonzero(np.isfinite(self.differences[:, variant]))
        ends = [own[0], own[-1]] if own.size else []
        return tuple((float(self.differences[end, variant]), self.names[end]) for end in ends)

    def steady(self, variant: int, margin: float) -> bool:
        """Whether its mean over the sittings may stand for them.

        No movement was shown and every sitting lies in twice the margin, or every sitting lies in
        one and a half: then a movement that was shown is too small to matter, or one on which
        all agree exactly, though they be too few to show it.
        """
        span = WHATEVER if self.moved or np.isinf(self.f) else SPAN
        own = [interval for row in self.intervals if (interval := row[variant])]
        return bool(own) and all(interval.within(span * margin) for interval in own)


def compare_sittings(
    score: FloatArray,
    taster: IntArray,
    session: IntArray,
    variant: IntArray,
    *,
    control: int,
    n_variants: int,
    alpha: float,
    names: Sequence[str] = (),
) -> HeldSittings | NoResult:
    """Test whether the variants' differences moved, and give them sitting by sitting.

    Parameters
    ----------
    score : float array, shape (n,)
        In points; NaN where none was given.
    taster, session, variant : int array, shape (n,)
        Codes from 0.
    names : sequence of str
        What sessions are called, by their codes; left out where none has a name.

    Returns
    -------
    HeldSittings or NoResult
        The reason where no variant was at every sitting with the control, or fewer than two
        tasters were. Sittings where fewer than two had all that was served tell nothing.

    Notes
    -----
    Cups of one variant, taster and sitting are averaged. With tasters, their sittings and their
    likings of a variant all free, the mean square of variant by session is held against what is
    left, (tasters - 1)(variants - 1)(sessions - 1) degrees of freedom: the F of a balanced
    layout (R. A. Fisher 1925, Statistical Methods for Research Workers, chapter 7), over the
    tasters who missed nothing. Where nothing is left, since all n moved exactly alike, the chance
    that they would agree in direction, 2 / 2^n, stands in for it (see `unanimous`). A sitting's
    own interval takes its own scatter of taster by variant and C. W. Dunnett's (1955) critical
    value.

    Examples
    --------
    >>> score = np.array([5.0, 6, 5, 4, 6, 8, 6, 5, 4, 5, 5, 3])
    >>> rows = np.arange(12)
    >>> found = compare_sittings(score, rows // 4, rows // 2 % 2, rows % 2, control=0,
    ...     n_variants=2, alpha=0.05)
    >>> found.differences[:, 1].round(2).tolist(), round(found.f, 2), found.df_den
    ([1.33, -1.33], 64.0, 2.0)
    """
    codes, session = np.unique(session, return_inverse=True)
    sessions = int(session.max()) + 1
    if sessions < 2:
        return ONE_SITTING
    cells = gather(
        score,
        taster * sessions + session,
        variant,
        n_tasters=(int(taster.max()) + 1) * sessions,
        n_variants=n_variants,
    ).mean.reshape(-1, sessions, n_variants)
    there: BoolArray = np.isfinite(cells)
    served: BoolArray = np.asarray(there.any(axis=0))
    complete: BoolArray = np.asarray((there | ~served).all(axis=2))
    served[complete.sum(axis=0) < 2] = False
    held = np.flatnonzero(served[:, control] & (served.sum(axis=1) > 1))
    if held.size < 2:
        return NoResult("Fewer than two sittings had two tasters with every variant.")
    always = served[held].all(axis=0)
    every = cells[:, held][:, :, always]
    every = every[np.isfinite(every).all(axis=(1, 2))]
    if always.sum() < 2 or len(every) < 2:
        return NoResult("Fewer than two tasters had a variant and the control at every sitting.")
    between, left, degrees = movement(every)
    f = float(between / left) if left else 0.0 if between < 1e-12 else np.inf
    p_value = float(fdtrc(*degrees, f)) if np.isfinite(f) else 2.0 ** (1 - len(every))
    differences, intervals = np.full((held.size, n_variants), np.nan), []
    for row, place in enumerate(held.tolist()):
        here = cells[complete[:, place], place][:, served[place]]
        half, means = float(reach_of_one(here, alpha)), here.mean(axis=0)
        differences[row, served[place]] = means - means[int(served[place, :control].sum())]
        own = zip(differences[row].tolist(), served[place].tolist(), strict=True)
        intervals.append(tuple(Interval(d - half, d + half) if was else None for d, was in own))
    return HeldSittings(
        f=f,
        df_num=degrees[0],
        df_den=degrees[1],
        p_value=p_value,
        tasters=len(every),
        differences=differences,
        intervals=tuple(intervals),
        alpha=alpha,
        names=tuple(names[codes[place]] if names else "" for place in held.tolist()),
    )


def movement(cells: FloatArray) -> tuple[FloatArray, FloatArray, tuple[float, float]]:
    """Split how the differences move from sitting to sitting from what is left.

    Parameters
    ----------
    cells : float array, shape (..., tasters, sessions, variants)
        In points, none missing.

    Returns
    -------
    between, left : float array, shape (...)
        Mean squares of session by variant and of the rest, which is 0 where it is rounding.
    df : tuple of float
        Their degrees of freedom.
    """
    n, s, k = cells.shape[-3:]
    own = cells.mean(axis=-3)
    own = own - own.mean(axis=-2, keepdims=True)
    own = own - own.mean(axis=-1, keepdims=True)
    rest = cells - cells.mean(axis=-3, keepdims=True)
    rest -= rest.mean(axis=-2, keepdims=True)
    rest -= rest.mean(axis=-1, keepdims=True)
    df = float((s - 1) * (k - 1)), float((n - 1) * (s - 1) * (k - 1))
    left = (rest**2).sum(axis=(-3, -2, -1)) / df[1]
    rounding = 1e-12 * np.maximum(cells.var(axis=(-3, -2, -1)), 1e-300)
    between = n * (own**2).sum(axis=(-2, -1)) / df[0]
    return between, np.where(left < rounding, 0.0, left), df


def reach_of_one(cells: FloatArray, alpha: float) -> FloatArray:
    """Give half of one sitting's intervals at level 1 - 2 alpha, simultaneous, by its own scatter.

    Parameters
    ----------
    cells : float array, shape (..., tasters, variants)
        In points, none missing.
    """
    n, k = cells.shape[-2:]
    rest = cells - cells.mean(axis=-1, keepdims=True)
    rest -= rest.mean(axis=-2, keepdims=True)
    df = (n - 1) * (k - 1)
    family = Dunnett(0.5 + 0.5 * np.eye(k - 1))
    error = np.sqrt(2 * (rest**2).sum(axis=(-2, -1)) / df / n)
    reach: FloatArray = family.critical_value(2 * alpha, df) * error
    return reach
