"""What comparisons lean on: like spreads, room on the scale, like differences at every sitting."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import fdtrc, fdtri

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.results import NoResult
from blindspoon.stats.sign_flips import settle_ties
from blindspoon.stats.two_way import gather

WIDER = 1.5  # times the others' spread from which a spread is flagged

AT_THE_END = 0.25
"""Share of the scores at one end of the scale that is flagged; common practice, no source."""

FEWEST = 6
"""Tasters, and scores, below which nothing is flagged.

With four tasters and five variants of equal spread some ratio reaches 1.5 in 79 of 100 trials,
with 12 in 30, with 24 in 8 (simulated, 1,000 trials each); and below six the rank comparison,
which a flag speaks for, cannot call anything different.
"""

FINEST = 0.01  # a spread below this share of the scale counts as this share

FlagKind = Literal["spread", "low_end", "high_end"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """Something about a variant's scores, perhaps the control's, that the comparisons lean on.

    They spread `value` times wider than the others' within tasters, or that share of them stands at
    the lowest or highest number. Tasters, or rounds of the only one, are those who tell it.
    """

    kind: FlagKind
    variant: str
    value: float
    tasters: int


def find_flags(
    means: FloatArray,
    score: FloatArray,
    variant: IntArray,
    *,
    names: Sequence[str],
    low: float,
    high: float,
) -> tuple[Flag, ...]:
    """Flag the variants of one attribute whose scores spread wide or stand at an end of the scale.

    Spreads come first, then ends, each in the order of the variants.
    """
    ratios = spread_ratios(means, finest=FINEST * (high - low))
    scored = np.isfinite(means)
    paired = scored[scored.sum(axis=1) > 1].sum(axis=0).tolist()
    found = [
        Flag(kind="spread", variant=name, value=ratio, tasters=tasters)
        for name, ratio, tasters in zip(names, ratios.tolist(), paired, strict=True)
        if ratio >= WIDER
    ]
    hair, tasters = 1e-9 * (high - low), scored.sum(axis=0)
    given = np.bincount(variant[np.isfinite(score)], minlength=len(names))
    kinds: tuple[FlagKind, FlagKind] = ("low_end", "high_end")
    for kind, there in zip(kinds, (score <= low + hair, score >= high - hair), strict=True):
        shares = np.bincount(variant[there], minlength=len(names)) / np.maximum(given, 1)
        found += [
            Flag(kind=kind, variant=names[v], value=float(shares[v]), tasters=int(tasters[v]))
            for v in np.flatnonzero((given >= FEWEST) & (shares >= AT_THE_END)).tolist()
        ]
    return tuple(found)


def spread_ratios(means: FloatArray, *, finest: float = 0.0) -> FloatArray:
    """Compare the spread of each variant's scores within tasters with that of the others.

    Gives a variant's standard deviation over the root mean square of the others'; NaN where it
    cannot be told, as with fewer than three variants or six tasters. A smaller spread than the
    `finest` counts as that.

    The model is ``score = taster + variant + error`` with an error variance a variant. What two
    variants differ by within tasters does not depend on the taster and has the sum of both
    variances; the variances are fitted to all pairs by least squares, weighted by degrees of
    freedom and not below zero. Without gaps that is F. E. Grubbs (1948), J. Am. Stat. Assoc.
    43:243-264, who told the precision of several instruments apart.

    >>> means = np.array([[9.0, 5, 5], [1, 5, 5], [5, 6, 4], [5, 4, 6], [8, 5, 5], [2, 5, 5.0]])
    >>> spread_ratios(means, finest=0.1).round(2)
    array([3.46, 0.39, 0.39])
    """
    ratios = np.full(means.shape[1], np.nan)
    sums, weights = _pairs(means)
    told = np.flatnonzero(weights.max(axis=1) >= FEWEST - 1)
    first, second = (told[place] for place in np.triu_indices(told.size, 1))
    root = np.sqrt(weights[first, second])
    design = (np.equal.outer(first, told) | np.equal.outer(second, told)) * root[:, None]
    if told.size < 3 or np.linalg.matrix_rank(design) < told.size:
        return ratios
    variances = np.linalg.lstsq(design, sums[first, second] * root, rcond=None)[0]
    if variances.min() < 0:
        from scipy.optimize import nnls  # noqa: PLC0415 - slow to import

        variances = nnls(design, sums[first, second] * root)[0]
    variances = np.maximum(variances, finest**2)
    others = (variances.sum() - variances) / (told.size - 1)
    sure = others > 0
    ratios[told[sure]] = np.sqrt(variances[sure] / others[sure])
    return ratios


def _pairs(means: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the variance of each pair's differences over tasters, and its degrees of freedom."""
    scored = np.isfinite(means)
    there = scored.astype(np.float64)
    centred = np.where(scored, means, 0.0)
    centred = (centred - centred.sum(axis=0) / np.maximum(there.sum(axis=0), 1)) * there
    common, totals, squares = there.T @ there, centred.T @ there, (centred**2).T @ there
    within = squares + squares.T - 2 * centred.T @ centred
    within -= (totals - totals.T) ** 2 / np.maximum(common, 1)
    df = np.maximum(common - 1, 0.0)
    np.fill_diagonal(df, 0.0)
    return np.maximum(within, 0.0) / np.maximum(df, 1), df


ONE_SITTING = NoResult("There was one sitting only.")
SPAN = 2.0  # margins within which every single sitting has to lie where the mean is called alike
WHATEVER = 1.5  # the same where differences were shown to move


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSittings:
    """The sittings of one attribute, held against one another.

    - `f`, `df_num`, `df_den`, `p_value`: that no difference of a variant that was at every sitting
      moved, by unpooled mean squares
    - `tasters`: those with all of these at every sitting; 0 where they are too few to test it
    - `differences`, shape (n_sessions, n_variants): variant minus control at each sitting, in
      points; 0 for the control, NaN where the variant was not tasted
    - `half`: half of their intervals: level 1 - 2 alpha, by that sitting's own scatter
    - `own`, shape (n_variants,): p values that one variant's difference did not move
    - `names`: what the sittings are called: "the first (Friday)", "sitting 2", "the last"
    """

    f: float
    df_num: float
    df_den: float
    p_value: float
    tasters: int
    differences: FloatArray
    half: FloatArray
    own: FloatArray
    alpha: float
    names: tuple[str, ...]

    @property
    def moved(self) -> bool:
        """Whether the differences were shown to move."""
        return self.p_value <= self.alpha

    @property
    def widest(self) -> int:
        """The variant whose difference ranged widest over the sittings."""
        off = self.differences
        return int(np.nanargmax(np.fmax.reduce(off) - np.fmin.reduce(off)))

    def farthest_apart(self, variant: int) -> tuple[tuple[float, str], ...]:
        """Give the sittings between which its difference ranged widest, in their order, by name."""
        off = self.differences[:, variant]
        ends = sorted({int(np.nanargmin(off)), int(np.nanargmax(off))})
        return tuple((float(off[end]), self.names[end]) for end in ends)

    def moved_of(self, variant: int) -> bool:
        """Whether this variant's difference was among those that were shown to move."""
        return self.moved and bool(self.own[variant] <= self.alpha)

    @property
    def span(self) -> float:
        """Margins within which every sitting has to lie where the mean is called alike.

        In one and a half, a movement that was shown is too small to matter; so is one on which all
        agree exactly, though they be too few to show it.
        """
        return WHATEVER if self.moved or np.isinf(self.f) else SPAN

    def steady(self, variant: int, margin: float) -> bool:
        """Whether its mean over the sittings may stand for them: each lies within the `span`."""
        farthest = (np.abs(self.differences) + self.half)[:, variant]
        own = farthest[np.isfinite(farthest)]
        return bool(own.size) and bool((own < self.span * margin).all())


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

    Cups of one variant, taster and sitting are averaged. With tasters, their sittings and their
    likings of a variant all free, the mean square of variant by session is held against what is
    left: the F of a balanced layout (R. A. Fisher 1925, Statistical Methods for Research Workers,
    chapter 7), over the tasters who missed nothing; without two such no movement is shown. Where
    nothing is left, since all n moved exactly alike, the chance that they would agree in direction,
    2 / 2^n, stands in for it (see `unanimous`). A sitting's own interval takes its own scatter of
    taster by variant, by least squares, and C. W. Dunnett's (1955) critical value.
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
    alone = [at_one_sitting(cells[None, :, place], control, alpha) for place in range(sessions)]
    held = [place for place, found in enumerate(alone) if found is not None]
    if len(held) < 2:
        return NoResult("Fewer than two sittings tell by themselves how far differences scatter.")
    differences, half = np.concatenate([found for found in alone if found is not None], axis=1)
    at_all = np.flatnonzero(np.isfinite(differences).all(axis=0))
    every = cells[:, held][:, :, at_all]
    every = every[np.isfinite(every).all(axis=(1, 2))]
    f, degrees, p_value = _held_still(every)
    own = np.ones(n_variants)
    plain = every[:, :, at_all == control]
    for place, one in enumerate(at_all):
        own[one] = _held_still(np.concatenate([plain, every[:, :, [place]]], axis=2))[2]
    return HeldSittings(
        f=f,
        df_num=degrees[0],
        df_den=degrees[1],
        p_value=p_value,
        tasters=len(every) if degrees[0] else 0,
        differences=differences,
        half=half,
        own=own,
        alpha=alpha,
        names=tuple(_called(place, held, names[codes[place]] if names else "") for place in held),
    )


def _called(place: int, held: Sequence[int], label: str) -> str:
    ends = {held[-1]: "the last", held[0]: "the first"}
    return ends.get(place, f"sitting {place + 1}") + (f" ({label})" if label else "")


def _held_still(every: FloatArray) -> tuple[float, tuple[float, float], float]:
    """Test that no difference moved: F, its degrees of freedom, p."""
    if every.shape[2] < 2 or len(every) < 2:
        return 0.0, (0.0, 0.0), 1.0
    between, left, degrees = movement(every)
    f = float(between / left) if left else 0.0 if between < 1e-12 else np.inf
    return f, degrees, float(fdtrc(*degrees, f)) if np.isfinite(f) else 2.0 ** (1 - len(every))


def at_one_sitting(cells: FloatArray, control: int, alpha: float) -> FloatArray | None:
    """Give differences and half of their intervals, shape (2, m, k), NaN where not tasted.

    Of m trials, shape (m, t, k), that lack the same cells; None where a sitting tells nothing.
    """
    there: BoolArray = np.isfinite(cells[0])
    tasters, cups = there.sum(axis=1, keepdims=True), there.sum(axis=0)
    others = np.flatnonzero((cups > 0) & (np.arange(cups.size) != control))
    df = int(cups.sum() - np.count_nonzero(tasters) - others.size)
    # the normal equations of variants, tasters swept out (F. Yates 1934, J. Am. Stat. Assoc. 29:51)
    share = there / np.maximum(tasters, 1)
    matrix = (np.diag(cups) - there.T @ share)[np.ix_(others, others)]
    if not (cups[control] and others.size) or df < 1:
        return None
    if np.linalg.matrix_rank(matrix, tol=1e-9 * cups.max()) < others.size:
        return None
    left = np.nan_to_num(cells)
    left -= left.sum(axis=2)[:, :, None] * share
    unscaled, right = np.linalg.inv(matrix), left.sum(axis=1)[:, others]
    estimates, total = right @ unscaled, (left**2).sum(axis=(1, 2))
    rss = total - (estimates * right).sum(axis=1)
    spread = np.sqrt(np.diag(unscaled))
    reach = Dunnett(unscaled / np.outer(spread, spread)).critical_value(2 * alpha, df) * spread
    found = np.full((2, len(cells), cups.size), np.nan)
    found[0][:, others] = settle_ties(estimates)
    found[1][:, others] = np.sqrt(np.where(rss < 1e-12 * total, 0.0, rss) / df)[:, None] * reach
    found[:, :, control] = 0.0
    return found


def _centred(values: FloatArray, *axes: int) -> FloatArray:
    for axis in axes:
        values = values - values.mean(axis=axis, keepdims=True)
    return values


def movement(cells: FloatArray) -> tuple[FloatArray, FloatArray, tuple[float, float]]:
    """Split how the differences move from sitting to sitting from what is left.

    Cells, shape (..., tasters, sessions, variants), are in points, none missing. Gives mean
    squares, shape (...), of session by variant and of the rest, which is 0 where it is rounding;
    and their degrees of freedom.
    """
    n, s, k = cells.shape[-3:]
    own, rest = _centred(cells.mean(axis=-3), -2, -1), _centred(cells, -3, -2, -1)
    df = float((s - 1) * (k - 1)), float((n - 1) * (s - 1) * (k - 1))
    left = (rest**2).sum(axis=(-3, -2, -1)) / df[1]
    rounding = 1e-12 * np.maximum(cells.var(axis=(-3, -2, -1)), 1e-300)
    between = n * (own**2).sum(axis=(-2, -1)) / df[0]
    return between, np.where(left < rounding, 0.0, left), df


def steady(scores: FloatArray, alpha: float, margin: float) -> BoolArray:
    """Tell of many trials, shape (m, t, k, s), what `HeldSittings.steady` says of one.

    A cup is NaN in all or none. Where tasters miss cups, no movement is shown.
    """
    m, _, k, s = scores.shape
    if s == 1 or not m:
        return np.ones((m, k - 1), dtype=bool)
    span = np.full(m, margin * SPAN)
    if np.isfinite(scores[0]).all():
        between, left, df = movement(scores.swapaxes(2, 3))
        moved = between >= np.maximum(left * fdtri(*df, 1 - alpha), 1e-12)
        span[moved] = margin * WHATEVER
    farthest = np.zeros((m, k))  # where a sitting tells nothing
    for place in range(s):
        found = at_one_sitting(scores[..., place], 0, alpha)
        if found is not None:
            farthest = np.fmax(farthest, np.abs(found[0]) + found[1])
    return np.asarray(farthest[:, 1:] < span[:, None])
