"""The mixed model of many complete, balanced trials at once.

Where every taster gets every variant once a session, the scores fall apart into four strata:
tasters, their sittings (taster:session), cells (taster:variant) and cups; variant by session is
fixed. Serving positions, a fixed effect, stand partly in the cells and partly in the cups; along
canonical directions they fall apart too. What is left of a trial is a handful of independent sums
of squares, each with a variance that is a combination of the cells' and the cups', and one unknown
ratio of the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.polynomial import Chebyshev
from scipy.special import fdtri

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.reml import SMALLEST
from blindspoon.stats.sittings import SPAN, WHATEVER

NODES = 7
"""Ratios of the variances at which critical values are computed; they vary by about 1 %."""

NONE = -30.0
"""Logarithm of a ratio that counts as zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Balanced:
    """A complete design for t tasters, k variants, s sessions; variant 0 is the control.

    Parameters
    ----------
    tasters, variants, sessions : int
    to_cells, to_cups : float array, shape (t * k * s, p)
        Canonical position columns in the two strata; p = 0 without position in the model.
    efficiency : float array, shape (p,)
        Share of the information on each direction that lies in the cells, 0 to 1.
    pull : float array, shape (k - 1, p)
        What a unit of each direction adds to the differences from the control.

    Notes
    -----
    Strata and canonical efficiencies: J. A. Nelder (1965), Proc. R. Soc. A 283, 147-178;
    A. T. James and G. N. Wilkinson (1971), Biometrika 58, 279-294.
    """

    tasters: int
    variants: int
    sessions: int
    to_cells: FloatArray
    to_cups: FloatArray
    efficiency: FloatArray
    pull: FloatArray

    @property
    def lines(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Degrees of freedom and the parts of the cells' and the cups' variance in each line.

        The lines are the cells' scatter, the cups' scatter, and for each direction that both
        inform about, the difference of its two estimates.
        """
        t, k, s = self.tasters, self.variants, self.sessions
        e = self.efficiency
        both = e[self.shared]
        cells = (t - 1) * (k - 1)
        df = [cells - np.count_nonzero(e), cells * (s - 1) - np.count_nonzero(e < 1)]
        return (
            np.array([*df, *np.ones(both.size)], dtype=np.float64),
            np.array([1.0, 0.0, *(1 / both)]),
            np.array([0.0, 1.0, *(1 / (1 - both))]),
        )

    @property
    def shared(self) -> BoolArray:
        """Directions on which both strata inform, shape (p,)."""
        return (self.efficiency > 0) & (self.efficiency < 1)


def balanced_design(positions: FloatArray) -> Balanced:
    """Prepare a design.

    Parameters
    ----------
    positions : float array, shape (t, k, s, q)
        Columns of the serving position of each taster's cup of each variant in each session,
        such as indicators of all positions but one; q = 0 for no position in the model.

    Examples
    --------
    >>> design = balanced_design(np.empty((12, 5, 2, 0)))
    >>> design.lines[0]
    array([44., 44.])
    """
    t, k, s, q = positions.shape
    columns = positions - positions.mean(axis=(0, 1, 2))
    means = columns.mean(axis=2, keepdims=True)
    by_variant = means.mean(axis=0, keepdims=True)
    in_cells = np.broadcast_to(means - by_variant, columns.shape).reshape(t * k * s, q)
    in_cups = _crossed(columns - means).reshape(t * k * s, q)
    cells, cups = in_cells.T @ in_cells, in_cups.T @ in_cups
    values, vectors = np.linalg.eigh(cells + cups)
    kept = values > 1e-9 * max(values.max(initial=0.0), 1.0)
    root = vectors[:, kept] / np.sqrt(values[kept])
    efficiency, turn = np.linalg.eigh(root.T @ cells @ root)
    turn = root @ turn
    efficiency = np.where(
        efficiency < 1e-10, 0.0, np.where(efficiency > 1 - 1e-10, 1.0, efficiency)
    )
    centres = by_variant.reshape(k, q) @ turn
    return Balanced(
        tasters=t,
        variants=k,
        sessions=s,
        to_cells=in_cells @ turn * (efficiency > 0),
        to_cups=in_cups @ turn * (efficiency < 1),
        efficiency=efficiency,
        pull=centres[1:] - centres[0],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimates:
    """The mixed model's estimates in m trials, each variant against the control.

    Parameters
    ----------
    difference, se, df : float array, shape (m, k - 1)
        In points; Kenward-Roger standard errors and degrees of freedom.
    ratio : float array, shape (m,)
        The cups' variance over the cells', above 0 to 1.
    usable : bool array, shape (m,)
        False where repeats (with one session: differences) do not scatter at all.
    """

    difference: FloatArray
    se: FloatArray
    df: FloatArray
    ratio: FloatArray
    usable: BoolArray


def estimate(design: Balanced, scores: FloatArray) -> Estimates:
    """Fit the mixed model to many trials of one design.

    Parameters
    ----------
    design : Balanced
    scores : float array, shape (m, t, k, s)
        Trials, tasters, variants, sessions.

    Notes
    -----
    REML, and the covariance and degrees of freedom of M. G. Kenward and J. H. Roger (1997),
    Biometrics 53, 983-997, as in `compare_mixed`, with which it agrees trial by trial except
    where cups do not scatter at all: use `decide`, which averages such trials first.
    """
    sums = _reduce(design, scores)
    ratio, variance = _reml(design, sums)
    u_cells, u_cups = sums.along
    weight = design.efficiency * ratio[:, None] + 1 - design.efficiency
    effects = (u_cells * ratio[:, None] + u_cups) / weight
    own, df = _kenward_roger(design, ratio)
    return Estimates(
        difference=sums.means[:, 1:] - sums.means[:, :1] - effects @ design.pull.T,
        se=np.sqrt(variance[:, None] * np.diagonal(own, axis1=1, axis2=2)),
        df=df,
        ratio=ratio,
        usable=sums.scatter[:, 1 if design.sessions > 1 else 0],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """Means of the variants, sums of squares and products of m trials."""

    means: FloatArray
    tasters: FloatArray
    sittings: FloatArray
    lines: FloatArray
    along: tuple[FloatArray, FloatArray]
    scatter: BoolArray


def _reduce(design: Balanced, scores: FloatArray) -> _Sums:
    m, k, s = len(scores), design.variants, design.sessions
    cells = scores.mean(axis=3)
    tasters, variants = cells.mean(axis=2), cells.mean(axis=1)
    within = cells - tasters[:, :, None]
    total = s * (within**2).sum(axis=(1, 2))
    around = within - (variants - variants.mean(axis=1, keepdims=True))[:, None, :]
    repeats = (_crossed((scores - cells[..., None]).transpose(1, 2, 3, 0)) ** 2).sum(axis=(0, 1, 2))
    came = scores.mean(axis=2)
    came = came - came.mean(axis=1, keepdims=True) - tasters[:, :, None]
    came += tasters.mean(axis=1)[:, None, None]
    flat = scores.reshape(m, -1)
    along = flat @ design.to_cells, flat @ design.to_cups
    e, both = design.efficiency, design.shared
    by_cells = along[0] / np.where(e > 0, e, 1.0)
    by_cups = along[1] / np.where(e < 1, 1 - e, 1.0)
    in_cells = s * (around**2).sum(axis=(1, 2)) - (along[0] * by_cells).sum(axis=1)
    in_cups = repeats - (along[1] * by_cups).sum(axis=1)
    scatter = np.column_stack([in_cells > SMALLEST * total, in_cups > SMALLEST * repeats])
    strata = np.where(scatter, np.column_stack([in_cells, in_cups]), 0.0)
    return _Sums(
        means=variants,
        tasters=s * k * tasters.var(axis=1) * design.tasters,
        sittings=k * (came**2).sum(axis=(1, 2)),
        lines=np.column_stack([strata, ((by_cells - by_cups) ** 2)[:, both]]),
        along=along,
        scatter=scatter,
    )


def _crossed(cups: FloatArray) -> FloatArray:
    """Take variants' means at each sitting, and tasters', out of deviations from the cells' means.

    Tasters, variants and sessions come first.
    """
    cups = cups - cups.mean(axis=0)
    left: FloatArray = cups - cups.mean(axis=1, keepdims=True)
    return left


def _reml(design: Balanced, sums: _Sums) -> tuple[FloatArray, FloatArray]:
    """Return the ratio of the variances and the cells' variance.

    The tasters' stratum has a variance of its own, and so have their sittings, unless one would be
    below what it consists of: then its variance component is zero, and it informs about the rest.
    """
    t, s = design.tasters, design.sessions
    df, of_cells, of_cups = (line[:, None] for line in design.lines)
    df, squares = np.repeat(df, len(sums.means), axis=1), sums.lines.T.copy()
    high = 0.0 if s > 1 else -np.inf
    ratio, variance = _fit(df, squares, of_cells, of_cups, high)
    came, free = (t - 1) * (s - 1), sums.sittings / max((t - 1) * (s - 1), 1)
    apart = free > ratio * variance
    for line, own, own_df in ((1, sums.sittings, came), (0, sums.tasters, t - 1)):
        low = sums.tasters < (t - 1) * (variance + apart * (free - ratio * variance))
        merged = ~apart & (low | (line == 1))
        df[line, merged] += own_df
        squares[line, merged] += own[merged]
        again = _fit(df[:, merged], squares[:, merged], of_cells, of_cups, high)
        ratio[merged], variance[merged] = again
    both = low & apart
    if both.any():
        more = np.stack([sums.sittings, sums.tasters])[:, both]
        df = np.vstack([df[:, both], np.full(more.T.shape, (came, t - 1)).T])
        squares = np.vstack([squares[:, both], more])
        ratio[both], variance[both] = _fit_both(df, squares, of_cells, of_cups)
    return ratio, variance


def _fit_both(
    df: FloatArray, squares: FloatArray, of_cells: FloatArray, of_cups: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Fit the ratio where tasters differ only by sittings; their lines are the last two.

    By turns with the sittings' variance over the cells', until the ratio comes back to where it
    was: a fixed point, found by secants of the logarithm.
    """
    cells, cups, came = (
        np.vstack([part, [[at_sittings], [at_tasters]]])
        for part, at_sittings, at_tasters in (
            (of_cells, 0.0, 1.0),
            (of_cups, 1.0, 0.0),
            (np.zeros_like(of_cells), 1.0, 1.0),
        )
    )
    ratio, apart = np.ones((2, df.shape[1]))
    live, x = np.arange(df.shape[1]), np.zeros(df.shape[1])
    before = np.full((2, live.size), np.nan)
    for _ in range(100):
        of = df[:, live], squares[:, live]
        apart[live], _ = _fit(*of, cells + cups * np.exp(x), came, 30.0, apart[live])
        ratio[live], _ = _fit(*of, cells + came * apart[live], cups, 0.0, np.exp(x))
        back = np.log(ratio[live])
        slope = np.clip(np.nan_to_num((back - before[1]) / (x - before[0])), 0.0, 0.95)
        moves = np.abs(back - x) >= 1e-11
        before = np.stack([x, back])[:, moves]
        x = np.minimum(x + (back - x) / (1 - slope), 0.0)[moves]
        live = live[moves]
        if not live.size:
            break
    variance = cells + cups * ratio + came * apart
    return ratio, (squares / variance).sum(axis=0) / df.sum(axis=0)


def _fit(
    df: FloatArray,
    squares: FloatArray,
    of_cells: FloatArray,
    of_cups: FloatArray,
    high: float,
    start: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Minimise the criterion in the ratio by Newton's method within a bracket of its logarithm.

    Up to `high`; at 1 where that is minus infinity. All arrays have a row a line and a column a
    trial, and `start` is a ratio near the end. Trials that have arrived are not moved further.
    """
    if start is not None:
        x = np.log(start)
    elif high > -np.inf:  # what the cells and the cups say by themselves
        alone = np.maximum(squares[1] * df[0], 1e-12) / np.maximum(squares[0] * df[1], 1e-12)
        x = np.clip(np.log(alone), NONE, high)
    else:
        x = np.zeros(squares.shape[1])
    total, live = df.sum(axis=0), np.arange(x.size if high > -np.inf else 0)
    bottom, top = np.full(live.size, 2 * NONE), np.full(live.size, high)
    lines = df, squares, np.broadcast_to(of_cells, df.shape), total
    of: tuple[FloatArray, ...] = lines
    for _ in range(80):
        if not live.size:
            break
        (df_, squares_, cells, total_), now = of, x[live]
        cups = of_cups * np.exp(now)
        variance = cells + cups
        share = cups / variance
        part = squares_ / variance
        part /= np.maximum(part.sum(axis=0), 1e-300)
        part *= share
        mean = part.sum(axis=0)
        weight = share * df_
        slope = weight.sum(axis=0) - total_ * mean
        bend = (weight - weight * share).sum(axis=0)
        bend -= total_ * (mean - 2 * (part * share).sum(axis=0) + mean**2)
        rising = slope > 0
        top = np.where(rising, np.minimum(now, high - 1e-11), top)
        bottom = np.where(rising, bottom, now)
        step = np.where(bend > 0, now - slope / np.where(bend > 0, bend, np.inf), np.nan)
        step = np.where((step >= high) & (top == high), high, step)  # perhaps it ends there
        inside = (step >= bottom) & (step <= top)
        new = np.where(inside, step, np.where(rising | (now < high), (bottom + top) / 2, now))
        x[live], moves = new, (np.abs(new - now) >= 1e-10) & (new > NONE)
        if not moves.all():
            live, top, bottom = live[moves], top[moves], bottom[moves]
            of = tuple(line[..., moves] for line in of)
    ratio = np.exp(x)
    variance = of_cells + of_cups * ratio
    return ratio, (squares / variance).sum(axis=0) / total


def _kenward_roger(design: Balanced, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the contrasts' adjusted covariance, over the cells' variance, and their df.

    Shapes (m, k - 1, k - 1) and (m, k - 1). Everything depends on the ratio alone. The effect
    of a direction has the variance ``g = x y / (e y + (1 - e) x)`` where x and y are those of
    cells and cups; the adjustment is minus the variances' covariance times its second
    derivatives.
    """
    y, e = ratio[:, None], design.efficiency
    wide = e * y + 1 - e
    curve = 2 * e * (1 - e) / wide**3
    spread = _spread_of_variances(design, ratio)
    extra = spread[:, 0, 0, None] * y**2 - 2 * spread[:, 0, 1, None] * y + spread[:, 1, 1, None]
    servings = design.tasters * design.sessions
    plain = (np.eye(design.variants - 1) + 1) / servings
    weights = y / wide + curve * extra
    adjusted = plain + (design.pull * weights[:, None, :]) @ design.pull.T
    squared = design.pull.T**2
    own = 2 / servings + (y / wide) @ squared
    slope_x = 2 / servings + (e * (y / wide) ** 2) @ squared
    slope_y = ((1 - e) / wide**2) @ squared
    slopes = np.stack([slope_x, slope_y])
    return adjusted, 2 * own**2 / np.einsum("amv,mab,bmv->mv", slopes, spread, slopes)


def _spread_of_variances(design: Balanced, ratio: FloatArray) -> FloatArray:
    """Covariance of both variances, over the square of the cells', shape (m, 2, 2)."""
    df, of_cells, of_cups = design.lines
    spread = np.zeros((len(ratio), 2, 2))
    if design.sessions == 1:
        spread[:, 0, 0] = 2 / df[0]
        return spread
    parts = np.stack([of_cells, of_cups])
    weight = df / (of_cells + of_cups * ratio[:, None]) ** 2
    return 2 * np.linalg.inv(np.einsum("al,ml,bl->mab", parts, weight, parts))


@dataclass(frozen=True, kw_only=True)
class DecisionRule:
    """A design with its critical values: all that is needed to decide a trial by it.

    Parameters
    ----------
    design : Balanced
    different, equivalent : sequence of Chebyshev
        One a variant: the critical values of `Dunnett`, by the ratio.
    positions : float array, shape (t, k, s, q)
    alpha : float
    """

    design: Balanced
    different: tuple[Chebyshev, ...]
    equivalent: tuple[Chebyshev, ...]
    positions: FloatArray
    alpha: float

    @cached_property
    def averaged(self) -> DecisionRule:
        """The rule for trials whose repeats do not scatter, by each taster's means."""
        return make_rule(self.positions.mean(axis=2, keepdims=True), self.alpha)

    @cached_property
    def estimable(self) -> bool:
        """Whether serving position and variant can be told apart."""
        t, k, s, q = self.positions.shape
        variants = np.tile(np.eye(k * s), (t, 1))
        fixed = np.column_stack([variants, self.positions.reshape(t * k * s, q)])
        return bool(np.linalg.matrix_rank(fixed) == k * s + q)


def make_rule(positions: FloatArray, alpha: float) -> DecisionRule:
    """Prepare to decide trials of one design.

    Parameters
    ----------
    positions : float array, shape (t, k, s, q)
        As in `balanced_design`.
    alpha : float
        Chance of a false difference over all variants.
    """
    design = balanced_design(positions)
    return DecisionRule(
        design=design,
        different=_critical(design, alpha),
        equivalent=_critical(design, alpha, alike=True),
        positions=positions,
        alpha=alpha,
    )


def _critical(design: Balanced, alpha: float, *, alike: bool = False) -> tuple[Chebyshev, ...]:
    """Interpolate each contrast's critical value in the ratio of the variances."""
    constant = design.sessions == 1 or not design.efficiency.size
    degree = 0 if constant else NODES - 1
    nodes = np.polynomial.chebyshev.chebpts1(degree + 1) / 2 + 0.5
    covariance, dfs = _kenward_roger(design, nodes)
    values = np.empty((nodes.size, design.variants - 1))
    for row, (matrix, own_df) in enumerate(zip(covariance, dfs, strict=True)):
        sd = np.sqrt(np.diag(matrix))
        family = Dunnett(matrix / np.outer(sd, sd))
        value = family.alike_value if alike else family.critical_value
        values[row] = [value(alpha, float(f"{df:.11g}")) for df in own_df]
    return tuple(Chebyshev.fit(nodes, column, degree, domain=[0, 1]) for column in values.T)


def decide(rule: DecisionRule, scores: FloatArray, margin: float) -> tuple[BoolArray, BoolArray]:
    """Decide many trials as `compare_mixed` and the rule of the verdicts would.

    Parameters
    ----------
    rule : DecisionRule
    scores : float array, shape (m, t, k, s)
    margin : float
        In points.

    Returns
    -------
    different, inside : bool array, shape (m, k - 1)
        Whether the adjusted p value is at most alpha, and whether the simultaneous interval at
        `Dunnett.alike_value` lies inside the margin. Both False where there is no result.

    Examples
    --------
    Five tasters find the second variant better by about 2 points:

    >>> rule = make_rule(np.empty((5, 2, 1, 0)), 0.05)
    >>> scores = np.array([[4.0, 6], [5, 7], [3, 5], [6, 7], [4, 7]]).reshape(1, 5, 2, 1)
    >>> decide(rule, scores, margin=3.0)
    (array([[ True]]), array([[ True]]))
    """
    found = estimate(rule.design, scores)
    size, usable = np.abs(found.difference), found.usable[:, None]
    reach = [
        np.column_stack([curve(found.ratio) for curve in curves]) * found.se
        for curves in (rule.different, rule.equivalent)
    ]
    different = (size >= reach[0]) & usable
    inside = (size + reach[1] < margin) & usable
    if rule.design.sessions > 1 and not usable.all() and rule.averaged.estimable:
        rest = ~found.usable
        means = scores[rest].mean(axis=3, keepdims=True)
        different[rest], inside[rest] = decide(rule.averaged, means, margin)
    return different, inside


def steady(scores: FloatArray, alpha: float, margin: float) -> BoolArray:
    """Tell of many trials what `HeldSittings.steady` says of one; True with one session.

    Parameters
    ----------
    scores : float array, shape (m, t, k, s)
    alpha, margin : float

    Returns
    -------
    bool array, shape (m, k - 1)
    """
    m, t, k, s = scores.shape
    if s == 1:
        return np.ones((m, k - 1), dtype=bool)
    means = scores.mean(axis=1)
    rest = scores - scores.mean(axis=2, keepdims=True)
    rest -= rest.mean(axis=1, keepdims=True)
    df = (t - 1) * (k - 1)
    family = Dunnett(0.5 + 0.5 * np.eye(k - 1))
    error = np.sqrt(2 * (rest**2).sum(axis=(1, 2)) / df / t)
    reach = np.abs(means[:, 1:] - means[:, :1])
    reach += family.critical_value(2 * alpha, df) * error[:, None]
    own = means - means.mean(axis=2, keepdims=True)
    own -= own.mean(axis=1, keepdims=True)
    between = t * (own**2).sum(axis=(1, 2)) / ((s - 1) * (k - 1))
    rest -= rest.mean(axis=3, keepdims=True)
    left = (rest**2).sum(axis=(1, 2, 3)) / (df * (s - 1))
    moved = between >= left * fdtri((s - 1) * (k - 1), df * (s - 1), 1 - alpha)
    span = margin * np.where(moved & (between > 0), WHATEVER, SPAN)
    inside: BoolArray = (reach < span[:, None, None]).all(axis=2)
    return inside
