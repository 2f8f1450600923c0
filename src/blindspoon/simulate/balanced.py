"""Many complete, balanced trials decided by the mixed model at once, in closed form.

Where every taster gets every variant once a session, the scores fall apart into
four strata: tasters, their sittings (taster:session), cells (taster:variant) and cups; variant by
session is fixed. Serving positions, a fixed effect, stand partly in the cells and partly in the
cups; along canonical directions they fall apart too. What is left of a trial is a handful of
independent sums of squares, each with a variance that is a combination of the cells' and the cups',
and one unknown ratio of the two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebfit, chebpts1, chebval
from scipy.special import fdtri, stdtrit

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.stats.assumptions import SPAN, WHATEVER, movement
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.reml import SMALLEST

NODES = 6  # ratios of the variances at which critical values are computed; they vary by about 1 %
NONE = -30.0  # logarithm of a ratio that counts as zero


@dataclass(frozen=True, slots=True, kw_only=True)
class Balanced:
    """A complete design for t tasters, k variants, s sessions; variant 0 is the control.

    - `to_cells`, `to_cups`, shape (t * k * s, p): canonical position columns in the two strata,
      tasters fastest; p = 0 without position in the model
    - `efficiency`, shape (p,): share of the information on each direction that lies in the cells
    - `pull`, shape (k - 1, p): what a unit of each direction adds to the differences from the
      control

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
    def shared(self) -> BoolArray:
        """Directions on which both strata inform, shape (p,)."""
        return (self.efficiency > 0) & (self.efficiency < 1)

    @property
    def lines(self) -> tuple[FloatArray, FloatArray]:
        """Degrees of freedom, and the parts of the cells' and the cups' variance in each line.

        Shapes (l,) and (2, l). The lines are the cells' scatter, the cups' scatter, and for each
        direction that both inform about, the difference of its two estimates.
        """
        e, both = self.efficiency, self.efficiency[self.shared]
        cells = (self.tasters - 1) * (self.variants - 1)
        df = [cells - np.count_nonzero(e), cells * (self.sessions - 1) - np.count_nonzero(e < 1)]
        parts = [[1.0, 0.0, *(1 / both)], [0.0, 1.0, *(1 / (1 - both))]]
        return np.array([*df, *np.ones(both.size)]), np.array(parts)


def balanced_design(positions: FloatArray) -> Balanced:
    """Prepare a design.

    `positions`, shape (t, k, s, q), are columns of the serving position of each taster's cup of
    each variant in each session, such as indicators of all positions but one; q = 0 for none in the
    model.

    >>> design = balanced_design(np.empty((12, 5, 2, 0)))
    >>> design.lines[0]
    array([44, 44])
    """
    t, k, s, q = positions.shape
    columns = positions - positions.mean(axis=(0, 1, 2))
    means = columns.mean(axis=2, keepdims=True)
    by_variant = means.mean(axis=0, keepdims=True)
    in_cells = np.broadcast_to(means - by_variant, columns.shape).reshape(t * k * s, q, order="F")
    in_cups = _crossed(columns - means, 0).reshape(t * k * s, q, order="F")
    cells, cups = in_cells.T @ in_cells, in_cups.T @ in_cups
    values, vectors = np.linalg.eigh(cells + cups)
    kept = values > 1e-9 * max(values.max(initial=0.0), 1.0)
    root = vectors[:, kept] / np.sqrt(values[kept])
    efficiency, turn = np.linalg.eigh(root.T @ cells @ root)
    turn = root @ turn
    efficiency[efficiency < 1e-10], efficiency[efficiency > 1 - 1e-10] = 0.0, 1.0
    centres = by_variant.reshape(k, q) @ turn
    return Balanced(
        tasters=t, variants=k, sessions=s, to_cells=in_cells @ turn * (efficiency > 0),
        to_cups=in_cups @ turn * (efficiency < 1), efficiency=efficiency,
        pull=centres[1:] - centres[0],
    )  # fmt: skip


def _crossed(cups: FloatArray, tasters: int) -> FloatArray:
    """Take variants' means at each sitting, and tasters', out of deviations from the cells' means.

    `tasters` is their axis; variants come next.
    """
    cups = cups - cups.mean(axis=tasters, keepdims=True)
    cups -= cups.mean(axis=tasters + 1, keepdims=True)
    return cups


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimates:
    """The mixed model's estimates in m trials: differences (m, k - 1) from the control, in points.

    The cells' variance, times the covariance of `kenward_roger`, is that of the differences; the
    ratio is the cups' over it, above 0 to 1. Not usable are trials whose repeats (with one session:
    differences) do not scatter at all. Shapes (m,).
    """

    difference: FloatArray
    variance: FloatArray
    ratio: FloatArray
    usable: BoolArray


def estimate(design: Balanced, scores: FloatArray) -> Estimates:
    """Fit the mixed model to many trials, scores of shape (m, t, k, s), by REML.

    As `compare_mixed` does trial by trial, except where cups do not scatter at all. Several times
    faster where trials come last in memory.
    """
    t, k, s = design.tasters, design.variants, design.sessions
    cells = scores.mean(axis=3)
    tasters, variants = cells.mean(axis=2, keepdims=True), cells.mean(axis=1, keepdims=True)
    within = cells - tasters
    around = within - variants + variants.mean(axis=2, keepdims=True)
    repeats = _squares(_crossed(scores - cells[..., None], 1)) if s > 1 else np.zeros(len(scores))
    came = scores.mean(axis=2)
    came = came - came.mean(axis=1, keepdims=True) - tasters + tasters.mean(axis=1, keepdims=True)
    flat = scores.reshape(len(scores), -1, order="F")
    u_cells, u_cups = flat @ design.to_cells, flat @ design.to_cups
    e = design.efficiency
    by_cells, by_cups = u_cells / np.where(e > 0, e, 1.0), u_cups / np.where(e < 1, 1 - e, 1.0)
    in_cells = s * _squares(around) - (u_cells * by_cells).sum(axis=1)
    in_cups = repeats - (u_cups * by_cups).sum(axis=1)
    scatter = in_cells > SMALLEST * s * _squares(within), in_cups > SMALLEST * repeats
    lines = [in_cells * scatter[0], in_cups * scatter[1]]
    lines += [*((by_cells - by_cups).T ** 2)[design.shared]]
    squares = [*lines, k * _squares(came), s * k * t * tasters.var(axis=1)[:, 0]]
    ratio, variance = _reml(design, np.stack(squares))
    weight = e * ratio[:, None] + 1 - e
    effects = (u_cells * ratio[:, None] + u_cups) / weight
    return Estimates(
        difference=variants[:, 0, 1:] - variants[:, 0, :1] - effects @ design.pull.T,
        variance=variance,
        ratio=ratio,
        usable=scatter[s > 1],
    )


def _squares(deviations: FloatArray) -> FloatArray:
    flat = deviations.reshape(len(deviations), math.prod(deviations.shape[1:]), order="F")
    return np.einsum("mn,mn->m", flat, flat)


def _reml(design: Balanced, squares: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the ratio of the variances and the cells' variance.

    The last two rows are those of the sittings and the tasters. Either stratum has a variance of
    its own unless that would be below what it consists of: then its variance component is zero,
    and it informs about the rest. Where tasters differ only by sittings, both share one component.
    """
    t, s = design.tasters, design.sessions
    came = (t - 1) * (s - 1)
    df, parts = design.lines
    n = len(df)
    df = np.append(df, [came, t - 1.0])
    parts = np.vstack([np.column_stack([parts, np.eye(2)[::-1]]), np.arange(n + 2) >= n])
    x = np.zeros((2, squares.shape[1]))
    if s == 1:  # cells and cups are one
        parts[0] += parts[1]
    else:
        alone = np.maximum(squares[1::-1] * df[:2, None], 1e-12)
        x[0] = np.clip(np.log(alone[0] / alone[1]), NONE, 0.0)
    variance = np.empty(x.shape[1])

    def fit(trials: BoolArray, lines: int, ratios: int) -> None:
        used = parts[: 1 + ratios, :lines, None]
        found = _fit(df[:lines, None], squares[:lines, trials], used, x[:ratios, trials])
        x[:ratios, trials], variance[trials] = found

    ratios = min(s - 1, 1)
    fit(np.ones(variance.shape, dtype=bool), n, ratios)
    free = squares[n] / max(came, 1)
    apart = free > variance * np.exp(x[0])
    fit(~apart, n + 1, ratios)
    more = apart * (free - variance * np.exp(x[0]))
    low = squares[n + 1] < (t - 1) * (variance + more)
    fit(low & ~apart, n + 2, ratios)
    both = low & apart
    x[1, both] = np.log(np.maximum(more[both] / variance[both], 1e-9))
    fit(both, n + 2, 2)
    return np.exp(x[0]), variance


def _fit(
    df: FloatArray, squares: FloatArray, parts: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Minimise the criterion in the logarithms of up to two ratios, the first at most one.

    `df` and `squares` have shapes (l, 1) and (l, m); `parts`, shape (1 + p, l, 1), are of the
    cells' variance in each line, and of what is each ratio of it. From `start`, shape (p, m), to
    logarithms of that shape, and the cells' variance, shape (m,).

    By Newton's method; a step that makes things worse is halved. Trials that have arrived are not
    moved further.
    """
    x, total, high = start.copy(), df.sum(), np.array([[0.0], [-NONE]])[: len(start)]
    live = np.arange(x.shape[1] if len(x) else 0)
    best, move = np.full(live.size, np.inf), np.zeros_like(x)
    for _ in range(100):
        if not live.size:
            break
        now = x[:, live]
        share = parts[1:] * np.exp(now)[:, None]
        variance = parts[0] + share.sum(axis=0)
        share /= variance
        part = squares[:, live] / variance
        whole = np.maximum(part.sum(axis=0), 1e-300)
        value = (df * np.log(variance)).sum(axis=0) + total * np.log(whole)
        part *= total / whole
        mean = (part * share).sum(axis=1)
        slope = (df * share).sum(axis=1) - mean
        held = ((now >= high) & (slope < 0)) | ((now <= NONE) & (slope > 0))
        bend = np.einsum("alm,blm->abm", share, (2 * part - df) * share)
        bend -= mean[:, None] * mean / total
        step = _newton(slope, bend, held)
        worse = value > best + 1e-9
        move = np.where(worse, move / 2, np.clip(now + step, NONE, high) - now)
        x[:, live] = np.where(worse, now - move, now + move)
        moves = np.abs(move).max(axis=0) >= 1e-7
        live, move, best = live[moves], move[:, moves], np.where(worse, best, value)[moves]
    variance = (squares / (parts[0] + (parts[1:] * np.exp(x)[:, None]).sum(axis=0))).sum(axis=0)
    return x, variance / total


def _newton(slope: FloatArray, bend: FloatArray, held: BoolArray) -> FloatArray:
    """Give the step in the logarithms of one or two ratios; of one downhill if not convex.

    All end in trials; `bend` is the curvature without what the slopes add, and a ratio that is
    held does not move.
    """
    slope = np.where(held, 0.0, slope)
    a, c = (np.where(held[at], 1.0, bend[at, at] + slope[at]) for at in (0, -1))
    if len(slope) == 1:
        convex, newton = a > 0, slope
        det = a
    else:
        b = np.where(held.any(axis=0), 0.0, bend[0, 1])
        det = a * c - b**2
        convex = (a > 0) & (det > 0)
        newton = np.stack([c * slope[0] - b * slope[1], a * slope[1] - b * slope[0]])
    newton = np.clip(newton / np.where(convex, -det, 1.0), -3, 3)
    return np.where(convex, newton, -np.sign(slope))


def kenward_roger(design: Balanced, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the contrasts' adjusted covariance, over the cells' variance, and their df.

    Shapes (m, k - 1, k - 1) and (m, k - 1), for m ratios of the variances, on which everything
    depends.

    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997. The effect of a direction has the
    variance ``g = x y / (e y + (1 - e) x)`` where x and y are those of cells and cups; the
    adjustment is minus the variances' covariance times its second derivatives.
    """
    y, e = ratio[:, None], design.efficiency
    servings = design.tasters * design.sessions
    spread = np.zeros((len(ratio), 2, 2))  # of both variances, over the square of the cells'
    df, parts = design.lines
    if design.sessions == 1:
        spread[:, 0, 0] = 2 / df[0]
    else:
        weight = df / (parts[0] + parts[1] * y) ** 2
        spread = 2 * np.linalg.inv(np.einsum("al,ml,bl->mab", parts, weight, parts))
    wide = e * y + 1 - e
    extra = spread[:, 0, 0, None] * y**2 - 2 * spread[:, 0, 1, None] * y + spread[:, 1, 1, None]
    weights = y / wide + 2 * e * (1 - e) / wide**3 * extra
    adjusted = (np.eye(design.variants - 1) + 1) / servings
    adjusted = adjusted + (design.pull * weights[:, None, :]) @ design.pull.T
    squared = design.pull.T**2
    own = 2 / servings + (y / wide) @ squared
    slopes = np.stack(
        [2 / servings + (e * (y / wide) ** 2) @ squared, ((1 - e) / wide**2) @ squared]
    )
    return adjusted, 2 * own**2 / np.einsum("amv,mab,bmv->mv", slopes, spread, slopes)


@dataclass(frozen=True, kw_only=True)
class DecisionRule:
    """A design with its critical values: all that is needed to decide a trial by it.

    `different` and `equivalent`, shape (n, k - 1), are how far a difference reaches by the critical
    values of `Dunnett`, over the root of the cells' variance: coefficients of Chebyshev's
    polynomials in the variance of a direction's effect over the cells', which follows from the
    ratio of the variances. `centre` is the efficiency of that direction.
    """

    design: Balanced
    different: FloatArray
    equivalent: FloatArray
    centre: float

    def reach(self, found: Estimates, curve: FloatArray) -> FloatArray:
        """Give the half-widths in m trials by `different` or `equivalent`, shape (m, k - 1)."""
        at = found.ratio / (self.centre * found.ratio + 1 - self.centre)
        widths = np.asarray(chebval(2 * at - 1, curve), np.float64)
        return widths.T * np.sqrt(found.variance)[:, None]


def make_rule(positions: FloatArray, alpha: float) -> DecisionRule:
    """Prepare to decide trials; alpha is the chance of a false difference over all variants."""
    design = balanced_design(positions)
    constant = design.sessions == 1 or not design.efficiency.size
    centre = 0.0 if constant else min(float(design.efficiency.mean()), 0.99)
    nodes = chebpts1(1 if constant else NODES)
    u = (nodes + 1) / 2
    covariance, dfs = kenward_roger(design, u * (1 - centre) / (1 - u * centre))
    reach = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    different, equivalent = np.empty((2, *reach.shape))
    for at, (matrix, sd, df) in enumerate(zip(covariance, reach, dfs, strict=True)):
        family, ends = Dunnett(matrix / np.outer(sd, sd)), np.array([df.max(), df.min()]).round(9)
        single, at_ends = (stdtrit(of, 1 - alpha / 2 / df.size) for of in (df, ends))
        for value, into in (
            (family.critical_value, different),
            (family.alike_value, equivalent),
        ):  # beside Student's t all but straight in 1 / df, and the contrasts' are close together
            exact = np.array([value(alpha, end) for end in ends.tolist()])
            into[at] = np.interp(1 / df, 1 / ends, exact / at_ends) * single
    return DecisionRule(
        design=design, different=chebfit(nodes, reach * different, nodes.size - 1),
        equivalent=chebfit(nodes, reach * equivalent, nodes.size - 1), centre=centre,
    )  # fmt: skip


def decide(rule: DecisionRule, scores: FloatArray, margin: float) -> tuple[BoolArray, BoolArray]:
    """Decide trials of scores (m, t, k, s) as `compare_mixed` and the rule of verdicts would.

    Whether the adjusted p value is at most alpha, and whether the simultaneous interval at
    `Dunnett.alike_value` lies inside the margin, shape (m, k - 1) both; False without a result.
    Five tasters find the second variant better by about 2 points:

    >>> rule = make_rule(np.empty((5, 2, 1, 0)), 0.05)
    >>> scores = np.array([[4.0, 6], [5, 7], [3, 5], [6, 7], [4, 7]]).reshape(1, 5, 2, 1)
    >>> decide(rule, scores, margin=3.0)
    (array([[ True]]), array([[ True]]))
    """
    found = estimate(rule.design, scores)
    size, usable = np.abs(found.difference), found.usable[:, None]
    different = (size >= rule.reach(found, rule.different)) & usable
    inside = (size + rule.reach(found, rule.equivalent) < margin) & usable
    return different, inside


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
    farthest = np.stack([_farthest(scores[..., place], alpha) for place in range(s)], axis=2)
    return np.asarray((farthest < span[:, None, None]).all(axis=2))


def _farthest(cells: FloatArray, alpha: float) -> FloatArray:
    """Give how far from zero one sitting's intervals reach, (m, k - 1), of cells (m, t, k).

    By its own scatter, as `compare_sittings` does; 0 where it tells nothing.
    """
    t, farthest = cells.shape[1], np.zeros((len(cells), cells.shape[2] - 1))
    taster, variant = np.nonzero(np.isfinite(cells[0]))
    others = np.unique(variant)[1:]
    df = taster.size - t - others.size
    if df < 1:
        return farthest
    level = np.eye(t)[taster]
    swept = np.eye(taster.size) - level @ (level / level.sum(axis=0)).T
    design = swept @ (variant[:, None] == others)
    unscaled = np.linalg.inv(design.T @ design)
    scores = cells[:, taster, variant]
    estimates = scores @ design @ unscaled
    left = ((scores @ swept - estimates @ design.T) ** 2).sum(axis=1)
    spread = np.sqrt(np.diag(unscaled))
    reach = Dunnett(unscaled / np.outer(spread, spread)).critical_value(2 * alpha, df) * spread
    farthest[:, others - 1] = np.abs(estimates) + reach * np.sqrt(left / df)[:, None]
    return farthest
